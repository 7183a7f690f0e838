//! How loud a shared hall comes back: the level at which it answers as a real hall behind the platform does.

use crate::acoustics::octave::mid_mean;
use crate::plan::source_acoustics::{REFERENCE_DISTANCE_M, acoustics, reference_source};
use crate::settings::{Level, Settings};

/// Levels of a hall's return; mid-band, the mean of 500 Hz and 1 kHz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HallReturn {
    /// All reflected sound of the hall against the direct sound of an omnidirectional player 4 m away, dB.
    pub hall_db: f64,
    /// What of a player's power leaves the platform by its open front, dB: at most 0.
    pub front_db: f64,
    /// Level at which the return answers the sends as the hall behind the platform does, dB.
    pub return_db: f64,
}

impl HallReturn {
    /// Works the levels out for a hall's decay T and volume V, behind the platform of `settings`.
    ///
    /// The hall alone: 31 200 T/V exp(-0.04 r/T) against 100/r^2, r = 4 m. It gets
    /// what leaves the platform by its front ([`Platform::front_share`]): the rest
    /// is heard there and stays there. The send of the reference seat carries
    /// direct and reflected sound, 1 + g against the direct sound alone.
    ///
    /// [`Platform::front_share`]: crate::acoustics::Platform::front_share
    ///
    /// # Source
    /// Barron and Lee (1988) for the hall; a diffuse field's power goes where the
    /// absorption is (Sabine).
    pub fn of(decay_s: f64, volume_m3: f64, settings: &Settings, channels: usize) -> Self {
        let r = REFERENCE_DISTANCE_M;
        let hall = 31_200.0 * decay_s / volume_m3 * (-0.04 * r / decay_s).exp() * (r * r / 100.0);
        let front = settings.platform.front_share();
        let carried = 1.0 + reflected_to_direct(settings, channels);
        Self {
            hall_db: decibels(hall),
            front_db: decibels(front),
            return_db: decibels(hall * front / carried),
        }
    }
}

/// Returns g, the energy of all the platform's reflected sound against the direct sound, of an omnidirectional player 4 m away.
fn reflected_to_direct(settings: &Settings, channels: usize) -> f64 {
    let (platform, microphones) = (&settings.platform, &settings.microphones);
    let reference = reference_source(platform, microphones);
    let energies = acoustics(&reference, platform, microphones, &Level::default(), channels).energies;
    energies.reflected().iter().map(mid_mean).sum::<f64>() / mid_mean(&energies.direct)
}

fn decibels(power: f64) -> f64 {
    10.0 * power.log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 31 200 x 3.5/12 000 = 9.1 and 31 200 x 2/20 000 = 3.12 against 100/16 = 6.25, less 0.2 and 0.35 dB of the fall
    /// with distance. The default platform has 180 m2 of front in 1032 m2 that take 54.2 %: 55.26 x 2160/(343.2 x 1032 x
    /// 0.5) = 0.674 = L (1 - 0.175 L), L = 0.781.
    #[test]
    fn a_hall_answers_as_its_volume_and_decay_say() {
        let settings = Settings::default();
        for (decay_s, volume_m3, expected_db) in [(3.5, 12_000.0, 1.63 - 0.20), (2.0, 20_000.0, -3.02 - 0.35)]
        {
            let got = HallReturn::of(decay_s, volume_m3, &settings, 2);
            assert!((got.hall_db - expected_db).abs() < 0.02, "expected {expected_db}, got {got:?}");
            assert!((got.front_db - 10.0 * (180.0 / (1032.0 * 0.5419_f64)).log10()).abs() < 0.02, "{got:?}");
            let carried_db = got.hall_db + got.front_db - got.return_db;
            let expected_db = decibels(1.0 + reflected_to_direct(&settings, 2));
            assert!((carried_db - expected_db).abs() < 1e-9 && carried_db > 0.5, "{got:?}");
        }
    }

    #[test]
    fn a_platform_that_takes_more_leaves_less_for_the_hall() {
        let mut settings = Settings::default();
        let of = |settings: &Settings| HallReturn::of(2.0, 12_000.0, settings, 2);
        settings.platform.decay_s = 0.3;
        let dry = of(&settings);
        settings.platform.decay_s = 1.0;
        let live = of(&settings);
        assert!(dry.front_db < live.front_db && live.front_db <= 0.0, "{dry:?}, {live:?}");
        assert_eq!(dry.hall_db, live.hall_db);
    }
}
