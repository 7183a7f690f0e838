//! What a stereo sound loses when it is summed to mono, and how alike its channels are.

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

#[cfg(test)]
mod tests {
    use super::super::noise::gaussian;
    use super::*;

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
