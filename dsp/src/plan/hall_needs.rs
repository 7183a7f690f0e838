//! What a shared hall wants to know of a seat: send, gap, and how much platform there is already.

use crate::acoustics::octave::mid_mean;
use crate::acoustics::platform::DECAY_EXPONENT;
use crate::plan::source_acoustics::{
    Acoustics, REFERENCE_DISTANCE_M, acoustics, balance_gains, reference_source,
};
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
    /// send = 10 log10(`E_ref`/(E `Q_mid`)): E is the energy that comes out for a
    /// unit impulse without trim, so that E `Q_mid` is what comes out for the
    /// source's unit power; `E_ref` that of an omnidirectional source 4 m from the
    /// microphones at the same balance. Sends taken after the insert make up for
    /// what the level rule did to the whole.
    pub fn of(settings: &Settings, channels: usize) -> Self {
        let level = Level { trim_db: 0.0, ..settings.level };
        let (platform, microphones) = (&settings.platform, &settings.microphones);
        let source = settings.seat.source(platform, microphones);
        let own = acoustics(&source, platform, microphones, &level, channels);
        let reference = reference_source(platform, microphones);
        let standard = acoustics(&reference, platform, microphones, &level, channels);
        let (direct, reflected) = energies(&own, &level);
        let (standard_direct, standard_reflected) = energies(&standard, &level);
        let ratio = (direct + reflected) / (standard_direct + standard_reflected);
        let late = reflected * (-DECAY_EXPONENT * EARLY_S / platform.decay_s).exp();
        Self {
            distance_m: own.direct_m,
            direct_to_reflected_db: decibels(direct / reflected),
            clarity_db: decibels((direct + reflected - late) / late),
            send_db: -decibels(ratio * source.recorded.mid_power_factor(source.family)),
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

    /// Where the level rule keeps the whole's loudness, every seat sends alike; where it follows the room, a seat sends more by
    /// as much as the whole is softer there.
    #[test]
    fn the_hall_answers_the_players_power_alike_from_every_seat() {
        let (near, far) = (at(12.76_f64.sqrt()), at(60.76_f64.sqrt()));
        // Loudness counts all octaves, the send two of them.
        assert!((far.send_db - near.send_db).abs() < 1.0, "{} and {} dB", near.send_db, far.send_db);
        let mut settings = Settings::default();
        settings.level.law_pct = 100.0;
        settings.seat.depth_m = 10.0;
        let source = settings.seat.source(&settings.platform, &settings.microphones);
        let heard = acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2);
        let (direct, reflected) = energies(&heard, &settings.level);
        let needs = HallNeeds::of(&settings, 2);
        let sent = needs.send_db + decibels(direct + reflected);
        // The reference's loudness is that of the dry channel, its mid-band within a dB of it.
        assert!(sent.abs() < 1.0, "what is sent of a far seat: {sent} dB");
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
