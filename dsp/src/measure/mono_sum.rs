//! What a stereo sound loses when it is summed to mono, as a whole and third by third, and how alike its channels are.

use super::band_energy::{ThirdLevel, band_energies};
use super::passband::Resolution;

/// Loss of a third of an octave in mono from which it is warned of, dB.
///
/// Our choice: twice the 3 dB of two unrelated channels, so that only a third in
/// which the channels cancel is warned of, whatever chance does to a tail.
pub const MOST_THIRD_LOSS_DB: f64 = 6.0;

/// A stereo sound against its mono sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MonoSum {
    /// Level of the mono sum against the stereo sound, dB; see [`MonoSum::of`].
    pub change_db: f64,
    /// Correlation coefficient of the two channels, -1 to 1; 0 where a channel is silent.
    pub correlation: f64,
}

impl MonoSum {
    /// Compares two channels with their sum; `None` where both are silent.
    ///
    /// change = 10 log10(mean(((l + r)/2)^2) / mean((l^2 + r^2)/2)),
    /// correlation = sum(l r) / sqrt(sum(l^2) sum(r^2)).
    ///
    /// The mono sum (l + r)/2 leaves a sound that stands in the middle as it is.
    /// So alike channels lose nothing (0 dB), unrelated ones and a sound in one
    /// channel alone lose 10 log10(2) = 3.01 dB, opposite ones all of it (minus
    /// infinity). With c = 2 sum(l r) / (sum(l^2) + sum(r^2)) the change is 10
    /// log10((1 + c)/2): a loss of more than 3.01 dB means that c is negative,
    /// and only then do the channels cancel more than they add.
    ///
    /// The shorter channel counts as silent after its end. Constant offsets are
    /// not taken out.
    ///
    /// # Source
    /// The definition is our choice; the correlation is Pearson's of a sound without offset.
    pub fn of(left: &[f32], right: &[f32]) -> Option<Self> {
        let energy = |channel: &[f32]| channel.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>();
        let (left_energy, right_energy) = (energy(left), energy(right));
        let common: f64 = left.iter().zip(right).map(|(&l, &r)| f64::from(l) * f64::from(r)).sum();
        let both = left_energy + right_energy;
        if both <= 0.0 {
            return None;
        }
        // Opposite channels may leave a rest below zero from rounding.
        let kept = (0.5 + common / both).max(0.0);
        let scale = (left_energy * right_energy).sqrt();
        let correlation = if scale > 0.0 { (common / scale).clamp(-1.0, 1.0) } else { 0.0 };
        Some(Self { change_db: 10.0 * kept.log10(), correlation })
    }
}

/// Returns the level of the mono sum of an impulse response against its stereo sound in each third from 100 Hz to 10 kHz, dB.
///
/// 10 log10(E(l + r)/2 / (E(l) + E(r))), E the energy within the third: that of
/// [`MonoSum::of`] after an ideal band-pass. A third that is silent in both
/// channels is left out.
pub fn mono_thirds(left: &[f64], right: &[f64], sample_rate_hz: f64) -> Vec<ThirdLevel> {
    let frames = left.len().max(right.len());
    let at = |channel: &[f64], frame: usize| channel.get(frame).copied().unwrap_or(0.0);
    let sum: Vec<f64> = (0..frames).map(|frame| at(left, frame) + at(right, frame)).collect();
    let energies = |channel: &[f64]| band_energies(channel, sample_rate_hz, Resolution::ThirdOctave);
    let (left, right, sum) = (energies(left), energies(right), energies(&sum));
    let bands = left.iter().zip(&right).zip(&sum).enumerate();
    bands
        .filter_map(|(third, ((left, right), sum))| {
            let both = left.1 + right.1;
            (both > 0.0).then(|| ThirdLevel { third, level_db: 10.0 * (sum.1 / 2.0 / both).log10() })
        })
        .collect()
}

/// Returns the third that loses most in mono; `None` where nothing sounds.
pub fn worst_in_mono(thirds: &[ThirdLevel]) -> Option<ThirdLevel> {
    thirds.iter().copied().min_by(|a, b| a.level_db.total_cmp(&b.level_db))
}

#[cfg(test)]
mod tests {
    use super::super::noise::gaussian;
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn pulse(at: usize, height: f64) -> Vec<f64> {
        let mut channel = vec![0.0; 4096];
        channel[at] = height;
        channel
    }

    /// Two pulses d frames apart, g and h high: 10 log10(1/2 + g h c/(g^2 + h^2)), c the mean of cos(w d) over the third,
    /// (sin(w2 d) - sin(w1 d))/((w2 - w1) d) (closed form).
    #[test]
    fn a_delay_cancels_the_thirds_that_algebra_says() {
        let (apart, g, h) = (11, 1.0, 0.7);
        let got = mono_thirds(&pulse(100, g), &pulse(100 + apart, h), RATE_HZ);
        assert_eq!(got.len(), 21);
        for (level, band) in got.iter().zip(super::super::passbands(Resolution::ThirdOctave, RATE_HZ)) {
            let phase = |hz: f64| std::f64::consts::TAU * hz / RATE_HZ * apart as f64;
            let (low, high) = (phase(band.lower_hz), phase(band.upper_hz));
            let mean = (high.sin() - low.sin()) / (high - low);
            let expected = 10.0 * (0.5 + g * h * mean / (g * g + h * h)).log10();
            let name = level.name();
            // Bins of 1 Hz cut the lowest third's 23 Hz to within 1 %; 0.02 dB covers what the deepest third makes of it.
            assert!((level.level_db - expected).abs() < 0.02, "{name}: expected {expected}, got {level:?}");
        }
        // Half a period of 11 frames is 2182 Hz: in the third of 2 kHz, whose edges are 1778 and 2239 Hz.
        let worst = worst_in_mono(&got).expect("it sounds");
        assert_eq!(worst.name(), "2 kHz");
        assert!(worst.level_db < -MOST_THIRD_LOSS_DB, "{worst:?}");
    }

    #[test]
    fn every_third_of_one_channel_alone_loses_10_log_2_and_silence_none() {
        for (left, right) in [(pulse(0, 1.0), vec![]), (vec![0.0; 10], pulse(7, -0.3))] {
            for third in mono_thirds(&left, &right, RATE_HZ) {
                assert!((third.level_db + 10.0 * 2.0_f64.log10()).abs() < 1e-9, "{third:?}");
            }
        }
        assert_eq!(worst_in_mono(&mono_thirds(&[0.0; 10], &[0.0; 10], RATE_HZ)), None);
    }

    fn noise(seed: u64) -> Vec<f32> {
        gaussian(seed, 96_000).into_iter().map(|x| x as f32 * 0.1).collect()
    }

    fn of(left: &[f32], right: &[f32]) -> MonoSum {
        MonoSum::of(left, right).expect("it sounds")
    }

    #[test]
    fn alike_channels_lose_nothing_and_opposite_ones_all() {
        let left = noise(1);
        let same = of(&left, &left);
        assert!(same.change_db.abs() < 1e-9, "expected 0 dB, got {}", same.change_db);
        assert!((same.correlation - 1.0).abs() < 1e-12);
        let turned: Vec<f32> = left.iter().map(|x| -x).collect();
        let opposite = of(&left, &turned);
        assert_eq!(opposite.change_db, f64::NEG_INFINITY);
        assert!((opposite.correlation + 1.0).abs() < 1e-12);
    }

    #[test]
    fn one_channel_alone_loses_10_log_2() {
        let left = noise(2);
        for (l, r) in [(&left[..], &[][..]), (&[], &left), (&left, &vec![0.0; left.len()])] {
            let alone = of(l, r);
            assert!((alone.change_db + 3.010_3).abs() < 1e-4, "expected -3.01 dB, got {}", alone.change_db);
            assert_eq!(alone.correlation, 0.0);
        }
    }

    #[test]
    fn unrelated_noise_loses_10_log_2() {
        // The coefficient of n independent pairs scatters by 1/sqrt(n): 0.0032 here, so 4 of them are
        // 0.013, and the change is off by less than 10 log10(1.013) = 0.06 dB.
        let apart = of(&noise(3), &noise(4));
        assert!(apart.correlation.abs() < 0.013, "got {}", apart.correlation);
        assert!((apart.change_db + 3.0103).abs() < 0.06, "expected -3.01 dB, got {}", apart.change_db);
    }

    #[test]
    fn mixed_noise_and_panned_tones_give_their_closed_forms() {
        // l = a, r = c a + sqrt(1 - c^2) b: the coefficient is c, the change 10 log10((1 + c)/2).
        let (a, b) = (noise(5), noise(6));
        for wanted in [-0.9_f64, -0.5, 0.3, 0.8] {
            let right: Vec<f32> = a
                .iter()
                .zip(&b)
                .map(|(a, b)| wanted as f32 * a + (1.0 - wanted * wanted).sqrt() as f32 * b)
                .collect();
            let got = of(&a, &right);
            assert!((got.correlation - wanted).abs() < 0.013, "expected {wanted}, got {}", got.correlation);
            let change_db = 10.0 * f64::midpoint(1.0, got.correlation).log10();
            assert!(
                (got.change_db - change_db).abs() < 0.1,
                "expected {change_db} dB, got {}",
                got.change_db
            );
        }
        // A tone at gains g and h is alike in both channels; (g + h)^2 / (2 (g^2 + h^2)) is kept.
        let (g, h) = (0.9_f64, 0.2_f64);
        let [left, right] = [g, h].map(|gain| a.iter().map(|x| gain as f32 * x).collect::<Vec<f32>>());
        let change_db = 10.0 * ((g + h).powi(2) / (2.0 * (g * g + h * h))).log10();
        let got = of(&left, &right);
        assert!((got.change_db - change_db).abs() < 1e-5, "expected {change_db} dB, got {}", got.change_db);
        assert!((got.correlation - 1.0).abs() < 1e-9);
    }

    #[test]
    fn two_sines_a_phase_apart_give_their_cosine() {
        // Whole periods: the coefficient is cos(phase), the change 20 log10(cos(phase/2)).
        for phase_deg in [0.0_f64, 60.0, 90.0, 120.0, 170.0] {
            let phase = phase_deg.to_radians();
            let sine = |shift: f64| -> Vec<f32> {
                (0..48_000)
                    .map(|n| (std::f64::consts::TAU * f64::from(n) / 48.0 + shift).sin() as f32)
                    .collect()
            };
            let got = of(&sine(0.0), &sine(phase));
            assert!((got.correlation - phase.cos()).abs() < 1e-6, "{phase_deg} degrees: {}", got.correlation);
            let change_db = 20.0 * (phase / 2.0).cos().log10();
            assert!((got.change_db - change_db).abs() < 1e-4, "{phase_deg} degrees: {}", got.change_db);
        }
    }

    #[test]
    fn silence_has_no_figures() {
        assert_eq!(MonoSum::of(&[0.0; 8], &[0.0; 8]), None);
        assert_eq!(MonoSum::of(&[], &[]), None);
    }
}
