//! What a source sounds like at the main microphones: levels, arrivals and energies, slowly and obviously.

use std::f64::consts::PI;

use crate::acoustics::arrivals::{ARRIVALS, Arrival, Stage, images};
use crate::acoustics::decibel::gain_of_db;
use crate::acoustics::microphones::{Capsule, Microphones};
use crate::acoustics::octave::{BANDS, PerBand, THIRDS};
use crate::acoustics::platform::{PARTS, Platform, share_after};
use crate::acoustics::seat::Source;
use crate::extremes::{larger, smaller};
use crate::settings::Level;

/// Distance at which the distance fall-off changes nothing, m: a player in the middle of the platform (our choice).
pub const REFERENCE_DISTANCE_M: f64 = 4.0;

/// What a source sounds like at the microphones, before the engine's approximations.
#[derive(Clone, Copy, Debug)]
pub struct Acoustics {
    /// Distance from the microphones' centre to the source, m.
    pub direct_m: f64,
    /// Path of the direct sound to the nearer capsule, m: where time starts.
    pub start_m: f64,
    /// Factor on everything: level, trim and the family's mid-band power.
    pub factor_gain: f64,
    /// Arrivals by capsule, direct sound first, before the factor.
    pub arrivals: [[Arrival; ARRIVALS]; 2],
    /// Gains of the direct sound in thirds of an octave by capsule, before the factor.
    pub direct_in_thirds: [[f64; THIRDS]; 2],
    /// Energies, with the factor, before the platform balance.
    pub energies: Energies,
}

/// Energies of a seat's parts per band, both channels together; a unit impulse has 1 in every band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Energies {
    /// Direct sound.
    pub direct: PerBand,
    /// Reflections before and after the mixing time.
    pub specular: [PerBand; PARTS],
    /// All reflected sound before and after the mixing time.
    pub target: [PerBand; PARTS],
}

impl Energies {
    /// Returns all reflected sound: the target, or the reflections alone where they carry more.
    pub fn reflected(&self) -> [PerBand; PARTS] {
        std::array::from_fn(|part| {
            std::array::from_fn(|band| larger(self.target[part][band], self.specular[part][band]))
        })
    }

    /// Returns what the tail has to carry: the target less the reflections, at least nothing.
    pub fn tail(&self) -> [PerBand; PARTS] {
        std::array::from_fn(|part| {
            std::array::from_fn(|band| (self.target[part][band] - self.specular[part][band]).max(0.0))
        })
    }
}

/// Returns the microphones' capsules as the layout hears them: a pair, or one omni twice.
pub fn capsules(microphones: &Microphones, channels: usize) -> [Capsule; 2] {
    if channels == 1 { [Capsule::OMNI; 2] } else { microphones.pair.capsules() }
}

/// Works out what a source sounds like at the microphones with one or two output channels.
///
/// With `r_c` the direct path to capsule c and `M_c` its pattern, everything is
/// multiplied by (`sum_c` (M_c/r_c)^2)^(-1/2) (4 m/r)^law `sqrt(Q_mid)` times trim, `Q_mid` that of `Q_b` `D_b(recording)^2`.
/// All reflected sound carries, against an omnidirectional source's direct sound,
/// 16 pi `r^2/(R_b` `Q_b` `D_b(recording)^2`) <sum M^2>/sum M^2(direct), of which exp(-13.82 `t/T_b`)
/// comes after t.
///
/// # Source
/// Hopkins and Stryker (1948).
pub fn acoustics(
    source: &Source,
    platform: &Platform,
    microphones: &Microphones,
    level: &Level,
    channels: usize,
) -> Acoustics {
    let stage = Stage::new(source, platform);
    let images = images(source.position, platform);
    let capsules = capsules(microphones, channels);
    let arrivals = capsules.map(|capsule| {
        let position = microphones.position() + capsule.offset;
        images.map(|image| stage.arrival(&image, &capsule, position))
    });
    let direct_in_thirds = arrivals.each_ref().map(|arrivals| stage.direct_in_thirds(&arrivals[0]));
    let heard = &capsules[..channels];
    let mut direct_power = 0.0;
    let mut start_m = f64::INFINITY;
    for capsule in heard {
        let towards = source.position - (microphones.position() + capsule.offset);
        let path_m = towards.length().max(0.1);
        direct_power += (capsule.gain(towards.unit()) / path_m).powi(2);
        start_m = smaller(start_m, path_m);
    }
    let direct_m = (source.position - microphones.position()).length();
    let q = source.family.directivity_factor();
    let recorded = source.recorded.gains(source.family);
    let factor_gain = direct_power.sqrt().recip()
        * (REFERENCE_DISTANCE_M / direct_m).powf(level.law_pct / 100.0)
        * source.recorded.mid_power_factor(source.family).sqrt()
        * gain_of_db(level.trim_db);

    let mixing_time_s = platform.mixing_time_s();
    let speed = platform.air.speed_of_sound_m_s();
    let power = factor_gain * factor_gain;
    let mut energies =
        Energies { direct: [0.0; BANDS], specular: [[0.0; BANDS]; PARTS], target: [[0.0; BANDS]; PARTS] };
    for arrivals in &arrivals[..channels] {
        for (index, arrival) in arrivals.iter().enumerate() {
            let part = usize::from((arrival.path_m - start_m) / speed >= mixing_time_s);
            let sum = if index == 0 { &mut energies.direct } else { &mut energies.specular[part] };
            for (cell, gain) in sum.iter_mut().zip(&arrival.gain) {
                *cell += power * gain * gain;
            }
        }
    }
    let diffuse: f64 = heard.iter().map(Capsule::half_space_power).sum();
    let room_m2 = platform.room_constant_m2();
    let after = share_after(&platform.band_decay_s(), mixing_time_s);
    for band in 0..BANDS {
        let all = power * 16.0 * PI * diffuse * recorded[band].powi(2) / (room_m2[band] * q[band]);
        energies.target[0][band] = all * (1.0 - after[band]);
        energies.target[1][band] = all * after[band];
    }
    Acoustics { direct_m, start_m, factor_gain, arrivals, direct_in_thirds, energies }
}

/// Returns the gains that the platform balance m gives to direct sound and platform: min(1, 2(1 - m)) and min(1, 2m).
pub fn balance_gains(level: &Level) -> (f64, f64) {
    let m = level.balance_pct / 100.0;
    ((2.0 * (1.0 - m)).min(1.0), (2.0 * m).min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::microphones::Pair;
    use crate::settings::Settings;

    fn even_at(depth_m: f64, pair: Pair) -> (Acoustics, Settings) {
        let mut settings = Settings::default();
        settings.seat.depth_m = depth_m;
        settings.microphones.pair = pair;
        let source = settings.seat.source(&settings.platform, &settings.microphones);
        (acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2), settings)
    }

    /// Worked by hand from the formula on the default platform with omnis: -3.2
    /// dB at 3.1 m, +1.5 at 5.3 m, +6.9 at 9.9 m, each within its last digit.
    #[test]
    fn the_platform_comes_up_with_depth() {
        for (distance_m, expected) in [(3.1_f64, -3.2), (5.3, 1.5), (9.9, 6.9)] {
            let depth_m = (distance_m * distance_m - 1.8 * 1.8).sqrt();
            let (acoustics, _) = even_at(depth_m, Pair::SpacedOmnis);
            let reflected = (0..PARTS)
                .map(|part| crate::acoustics::octave::mid_mean(&acoustics.energies.target[part]))
                .sum::<f64>();
            let got = 10.0 * reflected.log10();
            assert!((got - expected).abs() < 0.15, "at {distance_m} m: expected {expected} dB, got {got}");
        }
    }

    #[test]
    fn an_even_source_without_air_keeps_its_power_at_any_bearing() {
        for bearing_deg in [-60.0, -20.0, 0.0, 35.0] {
            let mut settings = Settings::default();
            settings.seat.bearing_deg = bearing_deg;
            settings.platform.air.loss = 0.0;
            let source = settings.seat.source(&settings.platform, &settings.microphones);
            let acoustics = acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2);
            for energy in acoustics.energies.direct {
                assert!((energy - 1.0).abs() < 1e-12, "at {bearing_deg} degrees: got {energy}");
            }
        }
    }
}
