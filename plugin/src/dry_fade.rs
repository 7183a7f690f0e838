//! The way between the placed and the dry signal.

/// Time of a full crossfade, s (the design's choice: short enough for a switch, too long to click).
const FADE_S: f64 = 0.020;

/// A linear crossfade to the dry signal and back.
///
/// Linear, because placed and dry signal are coherent: their gains must add up
/// to 1, not their powers.
#[derive(Clone, Copy, Debug)]
pub struct DryFade {
    /// Gain of the dry signal, 0 to 1; the placed signal has the rest.
    share: f32,
    /// Change of the share a frame while it moves.
    step: f32,
}

impl DryFade {
    /// Makes a crossfade that rests at the placed signal.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self { share: 0.0, step: (1.0 / (FADE_S * sample_rate_hz)) as f32 }
    }

    /// Jumps to where the switch stands, without a fade.
    pub fn settle(&mut self, dry_wanted: bool) {
        self.share = if dry_wanted { 1.0 } else { 0.0 };
    }

    /// Says whether the dry signal is heard in the next frames, so that it must be kept.
    pub fn needs_dry(&self, dry_wanted: bool) -> bool {
        dry_wanted || self.share > 0.0
    }

    /// Says whether the placed signal alone was heard up to now.
    pub fn starts(&self) -> bool {
        self.share <= 0.0
    }

    /// Mixes the dry signal into the placed one; `placed` and `dry` hold the same channels and frames.
    ///
    /// At rest the chosen signal is left exactly as it is.
    pub fn mix(&mut self, dry_wanted: bool, placed: &mut [&mut [f32]], dry: &[&[f32]]) {
        let mut share = self.share;
        for (placed, dry) in placed.iter_mut().zip(dry) {
            share = self.share;
            for (placed, &dry) in placed.iter_mut().zip(*dry) {
                share = if dry_wanted { (share + self.step).min(1.0) } else { (share - self.step).max(0.0) };
                *placed = if share >= 1.0 {
                    dry
                } else if share <= 0.0 {
                    *placed
                } else {
                    audible(*placed + share * (dry - *placed))
                };
            }
        }
        self.share = share;
    }
}

/// Returns the sample, or 0 for one that is not finite or too small to be a normal number.
///
/// Neither may leave the plug-in: hosts take the first for a fault, and the
/// second slows down whatever comes after.
pub fn audible(sample: f32) -> f32 {
    if sample.is_normal() { sample } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::extremes::largest;

    const RATE_HZ: f64 = 48_000.0;

    #[test]
    fn the_fade_takes_twenty_milliseconds_and_its_gains_add_up_to_one() {
        let mut fade = DryFade::new(RATE_HZ);
        let dry = vec![0.5_f32; 2000];
        let mut placed = vec![0.5_f32; 2000];
        fade.mix(true, &mut [&mut placed], &[&dry]);
        assert!(placed.iter().all(|&sample| (sample - 0.5).abs() < 1e-6));

        let mut fade = DryFade::new(RATE_HZ);
        let mut placed = vec![0.0_f32; 2000];
        fade.mix(true, &mut [&mut placed], &[&dry]);
        let arrived = placed.iter().position(|&sample| sample == 0.5);
        // 960 frames of 48 kHz are 20 ms; single precision may add one.
        assert!(arrived.is_some_and(|frame| (959..=961).contains(&frame)), "arrived at {arrived:?}");
        let largest = largest(placed.windows(2).map(|pair| (pair[1] - pair[0]).abs()));
        assert!(largest < 0.5 / 900.0, "a step of {largest}");
    }

    #[test]
    fn both_channels_fade_alike_and_blocks_do_not_matter() {
        let dry = vec![1.0_f32; 1500];
        let (mut left, mut right) = (vec![0.0_f32; 1500], vec![0.0_f32; 1500]);
        DryFade::new(RATE_HZ).mix(true, &mut [&mut left, &mut right], &[&dry, &dry]);
        assert_eq!(left, right);

        let mut fade = DryFade::new(RATE_HZ);
        let mut split = vec![0.0_f32; 1500];
        for block in split.chunks_mut(7) {
            let frames = block.len();
            fade.mix(true, &mut [block], &[&dry[..frames]]);
        }
        assert_eq!(left, split);
    }

    #[test]
    fn at_rest_the_chosen_signal_is_untouched() {
        let mut fade = DryFade::new(RATE_HZ);
        let dry = [0.3_f32, -0.7, 0.1];
        fade.settle(true);
        let mut placed = [9.0_f32; 3];
        fade.mix(true, &mut [&mut placed], &[&dry]);
        assert_eq!(placed, dry);
        fade.settle(false);
        assert!(!fade.needs_dry(false));
        let mut placed = [0.123_f32; 3];
        fade.mix(false, &mut [&mut placed], &[&dry]);
        assert_eq!(placed, [0.123; 3]);
    }

    #[test]
    fn what_no_host_may_get_becomes_silence() {
        for sample in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e-40, -1e-40] {
            assert_eq!(audible(sample), 0.0);
        }
        assert_eq!(audible(-0.25), -0.25);
    }
}
