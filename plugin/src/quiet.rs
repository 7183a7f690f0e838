//! Whether a host may let an instance sleep: nothing comes in, changes or is heard, for as long as its tail lasts.

use crate::dry_fade::audible;

/// How long an instance was quiet; `W` is what is wanted of it.
#[derive(Debug)]
pub(crate) struct Quiet<W> {
    wanted: Option<W>,
    /// Frames since the last input or change.
    frames: usize,
    is_heard: bool,
}

impl<W> Default for Quiet<W> {
    fn default() -> Self {
        Self { wanted: None, frames: 0, is_heard: true }
    }
}

impl<W: PartialEq + Copy> Quiet<W> {
    /// Starts anew.
    pub(crate) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Follows a run of frames: whether its input was silent, what was wanted, and what came out.
    pub(crate) fn follow(&mut self, was_silent: bool, wanted: &W, output: &[&mut [f32]]) {
        if was_silent && self.wanted.as_ref() == Some(wanted) {
            self.frames = self.frames.saturating_add(output.first().map_or(0, |channel| channel.len()));
            self.is_heard = !is_silent(output);
        } else {
            self.wanted = Some(*wanted);
            self.frames = 0;
            self.is_heard = true;
        }
    }

    /// Says whether it has lasted for a tail of so many frames, and nothing is heard.
    pub(crate) fn lasts(&self, tail_frames: usize) -> bool {
        !self.is_heard && self.frames >= tail_frames
    }
}

/// Says whether nothing of a block counts as sound.
pub(crate) fn is_silent(channels: &[&mut [f32]]) -> bool {
    // Bits are gathered where a search would stop at the first sound: that does not vectorise.
    channels.iter().all(|channel| channel.iter().fold(0, |bits, &x| bits | audible(x).to_bits()) == 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_lasts_from_the_last_input_or_change_and_not_while_something_is_heard() {
        let mut quiet = Quiet::default();
        let follow = |quiet: &mut Quiet<i32>, was_silent, wanted, out: f32| {
            quiet.follow(was_silent, &wanted, &[&mut [0.0, out, 0.0][..], &mut [0.0; 3][..]]);
            quiet.lasts(6)
        };
        assert!(!follow(&mut quiet, true, 1, 0.0), "what is wanted is new");
        assert!(!follow(&mut quiet, true, 1, 0.0), "3 frames");
        assert!(!follow(&mut quiet, true, 1, 1e-9), "6 frames, but something is heard");
        assert!(follow(&mut quiet, true, 1, 0.0));
        assert!(!follow(&mut quiet, true, 2, 0.0), "a change");
        assert!(!follow(&mut quiet, true, 2, 0.0));
        assert!(follow(&mut quiet, true, 2, 0.0));
        assert!(!follow(&mut quiet, false, 2, 0.0), "an input");
        quiet.reset();
        assert!(!quiet.lasts(0));
    }

    #[test]
    fn what_is_no_number_is_silence() {
        assert!(is_silent(&[&mut [0.0, -0.0, f32::NAN][..], &mut [1e-40][..]]));
        assert!(!is_silent(&[&mut [0.0][..], &mut [1e-6][..]]));
    }
}
