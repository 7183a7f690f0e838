//! What a shared hall wants to know of a seat: send, gap, and how much platform there is already.

use crate::acoustics::octave::mid_mean;
use crate::acoustics::platform::DECAY_EXPONENT;
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::seat::Source;
use crate::acoustics::vector::Vector;
use crate::plan::source_acoustics::{Acoustics, REFERENCE_DISTANCE_M, acoustics, balance_gains};
use crate::settings::{Level, Settings};

/// Time that separates what helps clarity from what blurs it, s (ISO 3382-1:2009, C80).
const EARLY_S: f64 = 0.080;

/// Figures of one seat for the hall on the shared bus; mid-band, the mean of 500 Hz and 1 kHz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HallNeeds {
    /// Distance from the microphones to the player, m.
    pub distance_m: f64,
    /// Direct sound against all reflected sound of the platform, dB; infinite where one of them is off.
    pub direct_to_reflected_db: f64,
    /// Clarity C80 of the placed sound without the hall, dB.
    pub clarity_db: f64,
    /// Send level after the insert, dB, so that the hall answers the player's power alike from every seat.
    pub send_db: f64,
    /// Time by which the direct sound of this seat comes later than that of the reference seat, s; may be negative.
    pub later_s: f64,
}

impl HallNeeds {
    /// Works the figures out for one or two output channels.
    ///
    /// send = (1 - law) 20 log10(r/4 m) - 10 log10(`E/E_ref)`, E the energy that
    /// comes out for a unit impulse without trim, `E_ref` that of an omnidirectional source
    /// 4 m from the microphones at the same balance. The hall answers sound power;
    /// sends taken after the insert already carry the platform.
    pub fn of(settings: &Settings, channels: usize) -> Self {
        let level = Level { trim_db: 0.0, ..settings.level };
        let (platform, microphones) = (&settings.platform, &settings.microphones);
        let source = settings.seat.source(platform, microphones);
        let own = acoustics(&source, platform, microphones, &level, channels);
        let drop_m = microphones.height_m - source.position.z.min(microphones.height_m);
        let along_m = (REFERENCE_DISTANCE_M * REFERENCE_DISTANCE_M - drop_m * drop_m).max(0.0).sqrt();
        let reference = Source {
            position: Vector::new(0.0, microphones.depth_m + along_m, microphones.height_m - drop_m),
            forward: Vector::new(0.0, -1.0, 0.0),
            family: Family::Omnidirectional,
            recorded: RecordedFrom::Axis,
        };
        let standard = acoustics(&reference, platform, microphones, &level, channels);
        let (direct, reflected) = energies(&own, &level);
        let (standard_direct, standard_reflected) = energies(&standard, &level);
        let ratio = (direct + reflected) / (standard_direct + standard_reflected);
        let law = level.law_pct / 100.0;
        let late = reflected * (-DECAY_EXPONENT * EARLY_S / platform.decay_s).exp();
        Self {
            distance_m: own.direct_m,
            direct_to_reflected_db: decibels(direct / reflected),
            clarity_db: decibels((direct + reflected - late) / late),
            send_db: (1.0 - law) * 2.0 * decibels(own.direct_m / REFERENCE_DISTANCE_M) - decibels(ratio),
            later_s: (own.direct_m - REFERENCE_DISTANCE_M) / platform.air.speed_of_sound_m_s(),
        }
    }
}

/// Returns the mid-band energies of direct sound and of all reflected sound, with the platform balance.
fn energies(acoustics: &Acoustics, level: &Level) -> (f64, f64) {
    let (direct_gain, platform_gain) = balance_gains(level);
    let energies = &acoustics.energies;
    let reflected: f64 = energies.reflected().iter().map(mid_mean).sum();
    (direct_gain * direct_gain * mid_mean(&energies.direct), platform_gain * platform_gain * reflected)
}

fn decibels(power: f64) -> f64 {
    10.0 * power.log10()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::decibel::energy_of_db;
    use crate::acoustics::microphones::Pair;

    /// An omnidirectional player with omnis, `depth_m` behind the microphones and 1.8 m below them, without air.
    fn at(depth_m: f64) -> HallNeeds {
        let mut settings = Settings::default();
        settings.microphones.pair = Pair::SpacedOmnis;
        settings.platform.air.loss = 0.0;
        settings.seat.depth_m = depth_m;
        HallNeeds::of(&settings, 2)
    }

    #[test]
    fn the_reference_seat_needs_nothing() {
        // sqrt(4^2 - 1.8^2) m is 4 m away.
        let needs = at(12.76_f64.sqrt());
        assert!((needs.distance_m - 4.0).abs() < 1e-9);
        assert!(needs.send_db.abs() < 0.01, "got {} dB", needs.send_db);
        assert!(needs.later_s.abs() < 1e-9);
    }

    /// Worked by hand: with balance kept, direct energy is 1 and the reflected
    /// energy grows as r^2. At 4 m it is g, at 8 m 4 g; so the send is 20
    /// log10(2) - 10 log10((1 + 4 g)/(1 + g)).
    #[test]
    fn twice_as_far_sends_what_the_formula_says() {
        let (near, far) = (at(12.76_f64.sqrt()), at(60.76_f64.sqrt()));
        let g = energy_of_db(-near.direct_to_reflected_db);
        let expected = 20.0 * 2_f64.log10() - 10.0 * ((1.0 + 4.0 * g) / (1.0 + g)).log10();
        // The capsules' distances differ a little from the middle's.
        assert!((far.send_db - expected).abs() < 0.05, "expected {expected}, got {}", far.send_db);
        let expected_ms = 4.0 / Settings::default().platform.air.speed_of_sound_m_s() * 1e3;
        assert!((far.later_s * 1e3 - expected_ms).abs() < 1e-6);
        assert!(far.clarity_db < near.clarity_db);
    }

    #[test]
    fn without_platform_there_is_no_reflected_sound_and_without_direct_none_of_that() {
        let mut settings = Settings::default();
        settings.level.balance_pct = 0.0;
        assert_eq!(HallNeeds::of(&settings, 2).direct_to_reflected_db, f64::INFINITY);
        settings.level.balance_pct = 100.0;
        assert_eq!(HallNeeds::of(&settings, 2).direct_to_reflected_db, f64::NEG_INFINITY);
        assert!(HallNeeds::of(&settings, 2).send_db.is_finite());
    }
}
