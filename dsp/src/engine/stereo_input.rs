//! A stereo channel as sources: one in the middle when both sides are alike, else one at each end.
//!
//! After silence nothing is remembered: the next sound starts as if it were the
//! first. Silence is what the engine lets in as none, both sides exactly 0, and
//! what its filters have rung out of, exactly 0 as well. So nothing that still
//! sounds changes places: what is on its way in the delay lines stays there,
//! and sources change where both get nothing. The noise floor of a recording
//! is sound.

use crate::plan::source_plan::SOURCES;

/// Time over which one source and two give way to each other, for which both
/// sides must have been alike, and after which silence is one, s.
///
/// Shorter silence is part of a sound: a zero that two waves happen to share
/// must not decide anew.
const FADE_S: f64 = 0.05;

/// Decides, sample by sample, how much of a stereo channel is one source in the middle.
#[derive(Clone, Debug)]
pub(crate) struct StereoInput {
    fade_step: f32,
    hold_frames: u32,
    /// Sounding samples in a row that were alike.
    alike_frames: u32,
    /// Silent samples in a row, no more than are held.
    quiet_frames: u32,
    /// Share that is one source, 0 to 1.
    alike: f32,
    /// Nothing but silence so far: nothing can click yet.
    untouched: bool,
}

impl StereoInput {
    /// Starts as one source.
    pub(crate) fn new(sample_rate_hz: f64) -> Self {
        Self {
            fade_step: (1.0 / (FADE_S * sample_rate_hz)) as f32,
            hold_frames: (FADE_S * sample_rate_hz) as u32,
            alike_frames: 0,
            quiet_frames: 0,
            alike: 1.0,
            untouched: true,
        }
    }

    /// Forgets what was heard.
    pub(crate) fn reset(&mut self) {
        self.alike_frames = 0;
        self.quiet_frames = 0;
        self.alike = 1.0;
        self.untouched = true;
    }

    /// Moves on by frames of silence, raw and filtered, as [`Self::split`] does.
    pub(crate) fn pass_silence(&mut self, frames: usize) {
        self.count_quiet(u32::try_from(frames).unwrap_or(u32::MAX));
    }

    /// Counts silent samples; after enough of them nothing is remembered.
    fn count_quiet(&mut self, frames: u32) {
        self.quiet_frames = self.quiet_frames.saturating_add(frames).min(self.hold_frames);
        if self.quiet_frames == self.hold_frames {
            self.alike_frames = 0;
            self.alike = 1.0;
            self.untouched = true;
        }
    }

    /// Counts a run in which silence, if there is one at all, is too short to be forgotten in or changes no source.
    fn count_quiet_at_end(&mut self, raw: [&[f32]; 2], toned: [&[f32]; 2]) {
        let frames = raw[0].len();
        let sounds =
            |n: &usize| raw[0][*n] != 0.0 || raw[1][*n] != 0.0 || toned[0][*n] != 0.0 || toned[1][*n] != 0.0;
        let quiet = match (0..frames).rev().find(sounds) {
            Some(last) => {
                self.quiet_frames = 0;
                frames - 1 - last
            }
            None => frames,
        };
        self.count_quiet(quiet as u32);
    }

    /// Splits `left` and `right` into the sources; `raw` are the two sides before any filter, which decide.
    ///
    /// Alike sides x, x become one source x: a mono track that a host copies to
    /// both inputs comes out as loud as the same track mono to stereo. Silent
    /// samples decide nothing.
    pub(crate) fn split(&mut self, raw: [&[f32]; 2], toned: [&[f32]; 2], sources: [&mut [f32]; SOURCES]) {
        let [middle, left, right] = sources;
        if self.alike == 1.0 && self.alike_frames >= self.hold_frames && raw[0] == raw[1] {
            // Alike before and alike now: what follows, in short.
            for (cell, (&l, &r)) in middle.iter_mut().zip(toned[0].iter().zip(toned[1])) {
                *cell = f32::midpoint(l, r);
            }
            left.fill(0.0);
            right.fill(0.0);
            self.count_quiet_at_end(raw, toned);
            return;
        }
        let counted = self.alike_frames.max(self.quiet_frames) as usize;
        if self.alike == 0.0 && counted + raw[0].len() < self.hold_frames as usize {
            // Unlike before, and neither alike nor silent for long enough by the end: two sources throughout.
            middle.fill(0.0);
            left.copy_from_slice(toned[0]);
            right.copy_from_slice(toned[1]);
            self.count_alike(raw);
            self.count_quiet_at_end(raw, toned);
            return;
        }
        for n in 0..middle.len() {
            let (l, r) = (raw[0][n], raw[1][n]);
            if l == 0.0 && r == 0.0 && toned[0][n] == 0.0 && toned[1][n] == 0.0 {
                self.count_quiet(1);
            } else {
                self.quiet_frames = 0;
            }
            if l != 0.0 || r != 0.0 {
                let same = l == r;
                if std::mem::take(&mut self.untouched) {
                    self.alike = if same { 1.0 } else { 0.0 };
                    self.alike_frames = if same { self.hold_frames } else { 0 };
                }
                self.alike_frames = if same { self.alike_frames.saturating_add(1) } else { 0 };
            }
            let step = if self.alike_frames >= self.hold_frames { self.fade_step } else { -self.fade_step };
            self.alike = (self.alike + if self.untouched { 0.0 } else { step }).clamp(0.0, 1.0);
            let (l, r) = (toned[0][n], toned[1][n]);
            middle[n] = self.alike * f32::midpoint(l, r);
            left[n] = (1.0 - self.alike) * l;
            right[n] = (1.0 - self.alike) * r;
        }
    }

    /// Counts the sounding samples that are alike since the last that were not.
    fn count_alike(&mut self, raw: [&[f32]; 2]) {
        let pairs = || raw[0].iter().zip(raw[1]);
        let after = match pairs().rposition(|(l, r)| l != r) {
            Some(last) => {
                self.alike_frames = 0;
                last + 1
            }
            None => 0,
        };
        self.alike_frames += pairs().skip(after).filter(|&(&l, _)| l != 0.0).count() as u32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(input: &mut StereoInput, left: &[f32], right: &[f32]) -> [Vec<f32>; SOURCES] {
        let mut sources = [vec![0.0; left.len()], vec![0.0; left.len()], vec![0.0; left.len()]];
        let [a, b, c] = &mut sources;
        input.split([left, right], [left, right], [a, b, c]);
        sources
    }

    #[test]
    fn alike_sides_are_one_source_as_loud_as_one_of_them() {
        let mut input = StereoInput::new(48_000.0);
        let [middle, left, right] = run(&mut input, &[0.0, 0.5, -0.25], &[0.0, 0.5, -0.25]);
        assert_eq!(middle, [0.0, 0.5, -0.25]);
        assert_eq!((left[1], right[2]), (0.0, 0.0));
    }

    #[test]
    fn unlike_sides_are_two_sources_from_the_first_sound_on() {
        let mut input = StereoInput::new(48_000.0);
        let [middle, left, right] = run(&mut input, &[0.0, 0.5, 0.5], &[0.0, -0.25, 0.5]);
        assert_eq!(middle, [0.0; 3]);
        assert_eq!((left[1], right[1], right[2]), (0.5, -0.25, 0.5));
    }

    /// Two sources at once are decided on in short, one by one in runs of a single frame: both say the same.
    #[test]
    fn a_run_is_split_as_its_frames_are() {
        let side = |seed: usize| -> Vec<f32> {
            // Unlike, then alike with silence between, then unlike again.
            (0..20_000)
                .map(|n| match n {
                    3000..9000 if n % 5 == 0 => 0.0,
                    3000..9000 => 0.25,
                    _ => ((n * (7 + seed)) % 13) as f32 / 13.0 - 0.5,
                })
                .collect()
        };
        let (left, right) = (side(0), side(4));
        let split = |frames: usize| -> Vec<[f32; SOURCES]> {
            let mut input = StereoInput::new(48_000.0);
            let runs = left.chunks(frames).zip(right.chunks(frames));
            runs.flat_map(|(l, r)| {
                let [a, b, c] = run(&mut input, l, r);
                (0..a.len()).map(move |n| [a[n], b[n], c[n]]).collect::<Vec<_>>()
            })
            .collect()
        };
        let whole = split(1);
        assert!(
            whole[6000][0] == 0.0 && whole[8998][0] > 0.2 && whole[15_000][0] == 0.0,
            "one source for a while"
        );
        assert_eq!(split(128), whole);
        assert_eq!(split(64), whole);
    }

    /// One source, silence, two sources, and the other way round, in any runs: each sound is split as if it were the first.
    /// The control: half as much silence is not forgotten in.
    #[test]
    fn after_silence_nothing_is_remembered() {
        let mut noise = crate::kernel::noise::Noise::new(3);
        let mut sound = || -> Vec<f32> { (0..3000).map(|_| noise.gaussian() as f32).collect() };
        let (one, other) = (sound(), sound());
        let (centred, wide) = ([&one, &one], [&other, &one]);
        for (before, after) in [(centred, wide), (wide, centred)] {
            let split = |input: &mut StereoInput, sides: [&[f32]; 2], frames: usize| -> Vec<[f32; SOURCES]> {
                let runs = sides[0].chunks(frames).zip(sides[1].chunks(frames));
                runs.flat_map(|(l, r)| {
                    let [a, b, c] = run(input, l, r);
                    (0..a.len()).map(move |n| [a[n], b[n], c[n]]).collect::<Vec<_>>()
                })
                .collect()
            };
            let fresh = split(&mut StereoInput::new(48_000.0), [after[0], after[1]], 3000);
            for frames in [1, 41, 128] {
                let heard_after = |silent: usize, passes: bool| {
                    let mut input = StereoInput::new(48_000.0);
                    split(&mut input, [before[0], before[1]], frames);
                    let silence = vec![0.0; if passes { silent / 2 } else { silent }];
                    split(&mut input, [&silence, &silence], frames);
                    if passes {
                        input.pass_silence(silent - silent / 2);
                    }
                    split(&mut input, [after[0], after[1]], frames)
                };
                for passes in [false, true] {
                    assert_eq!(heard_after(2400, passes), fresh, "runs of {frames}");
                    assert_ne!(heard_after(1200, passes), fresh, "the control, runs of {frames}");
                }
            }
        }
    }

    /// The filters before ring on after a sound: what they ring stays where it was.
    #[test]
    fn what_still_rings_is_no_silence() {
        let mut input = StereoInput::new(48_000.0);
        run(&mut input, &[0.5; 10], &[0.1; 10]);
        let (silence, ringing) = (vec![0.0; 10_000], vec![1e-3; 10_000]);
        let mut sources = [vec![0.0; 10_000], vec![0.0; 10_000], vec![0.0; 10_000]];
        let [a, b, c] = &mut sources;
        input.split([&silence, &silence], [&ringing, &ringing], [a, b, c]);
        assert_eq!(sources, [silence, ringing.clone(), ringing]);
    }

    #[test]
    fn sides_that_become_alike_fade_to_one_source_after_a_tenth_of_a_second() {
        let mut input = StereoInput::new(48_000.0);
        run(&mut input, &[0.5], &[0.1]);
        let same = vec![0.3; 4700];
        let [middle, ..] = run(&mut input, &same, &same);
        assert_eq!(middle[2300], 0.0);
        assert!(middle[3000] > 0.0 && middle[4690] < 0.3);
        let [middle, left, _] = run(&mut input, &same, &same);
        assert_eq!((middle[4000], left[4000]), (0.3, 0.0));
    }
}
