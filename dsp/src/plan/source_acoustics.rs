//! What a source sounds like at the main microphones: levels, arrivals and energies, slowly and obviously.

use std::f64::consts::{FRAC_PI_2, TAU};

use crate::acoustics::arrivals::{ARRIVALS, Arrival, Stage, images};
use crate::acoustics::decibel::gain_of_db;
use crate::acoustics::loudness::{LOW_POINTS, LoudnessWeights, place_between_midbands, point_hz};
use crate::acoustics::microphones::{Capsule, Microphones};
use crate::acoustics::octave::{BANDS, PerBand, THIRDS};
use crate::acoustics::platform::{PARTS, Platform};
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::scattering::{Scattered, scattered};
use crate::acoustics::seat::Source;
use crate::acoustics::vector::Vector;
use crate::extremes::{larger, smaller};
use crate::settings::Level;

/// Distance at which an omnidirectional player comes out as loud as the dry channel where the level follows the room, m: a player in the middle of the platform (our choice).
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
    /// What the faces scatter, and late sound, before the factor.
    pub scattered: Scattered,
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
    /// All reflected sound before and after the mixing time: reflections and what faces scatter, then late sound.
    pub target: [PerBand; PARTS],
}

impl Energies {
    /// No sound at all.
    pub const NOTHING: Self =
        Self { direct: [0.0; BANDS], specular: [[0.0; BANDS]; PARTS], target: [[0.0; BANDS]; PARTS] };

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

    /// Multiplies every energy.
    pub(crate) fn scale(&mut self, power: f64) {
        let parts = self.specular.iter_mut().chain(&mut self.target);
        parts.chain([&mut self.direct]).flatten().for_each(|energy| *energy *= power);
    }
}

/// Returns the microphones' capsules as the layout hears them: a pair, or one omni twice.
pub fn capsules(microphones: &Microphones, channels: usize) -> [Capsule; 2] {
    if channels == 1 { [Capsule::OMNI; 2] } else { microphones.pair.capsules() }
}

/// Works out what a source sounds like at the microphones with one or two output channels.
///
/// Everything is multiplied by one factor. With a distance fall-off of 0 it
/// keeps the loudness of the dry channel, direct sound and platform together
/// after the balance: 1/L, L^2 the loudness of both. At 100 % it is
/// `sqrt(Q_mid)/L_ref`, `Q_mid` that of `Q_b` `D_b(recording)^2`: a source of constant sound power, unity for an
/// omnidirectional player 4 m away. In between it goes geometrically. Trim
/// counts on top.
///
/// # Source
/// Loudness: ITU-R BS.1770-4.
pub fn acoustics(
    source: &Source,
    platform: &Platform,
    microphones: &Microphones,
    level: &Level,
    channels: usize,
) -> Acoustics {
    let mut heard = unlevelled(source, platform, microphones, channels);
    let family = source.family;
    let kept = 1.0 / loudness(&heard, family, platform, level, channels).sqrt();
    let law = level.law_pct / 100.0;
    let followed = if law == 0.0 {
        1.0
    } else {
        level_in_the_room(family, source.recorded, platform, microphones, level, channels)
    };
    heard.factor_gain = kept.powf(1.0 - law) * followed.powf(law) * gain_of_db(level.trim_db);
    heard.energies.scale(heard.factor_gain * heard.factor_gain);
    heard
}

/// Returns the factor with which a source of a family follows the room: constant power, unity for an omnidirectional player 4 m away.
pub(crate) fn level_in_the_room(
    family: Family,
    recorded: RecordedFrom,
    platform: &Platform,
    microphones: &Microphones,
    level: &Level,
    channels: usize,
) -> f64 {
    let reference = reference_source(platform, microphones);
    let heard = unlevelled(&reference, platform, microphones, channels);
    let loudness = loudness(&heard, reference.family, platform, level, channels);
    (recorded.mid_power_factor(family) / loudness).sqrt()
}

/// Returns an omnidirectional player straight ahead, 4 m from the microphones where the platform has room for that.
pub(crate) fn reference_source(platform: &Platform, microphones: &Microphones) -> Source {
    let seat = crate::acoustics::seat::Seat::default();
    let height_m = seat.source(platform, microphones).position.z.min(microphones.height_m);
    let drop_m = microphones.height_m - height_m;
    let along_m = (REFERENCE_DISTANCE_M * REFERENCE_DISTANCE_M - drop_m * drop_m).max(0.0).sqrt();
    Source {
        position: Vector::new(0.0, microphones.depth_m + along_m, height_m),
        forward: Vector::new(0.0, -1.0, 0.0),
        family: Family::Omnidirectional,
        recorded: RecordedFrom::Axis,
    }
}

/// Works out everything but the level: the factor is 1.
fn unlevelled(source: &Source, platform: &Platform, microphones: &Microphones, channels: usize) -> Acoustics {
    let stage = Stage::new(source, platform);
    let images = images(source.position, platform);
    let capsules = capsules(microphones, channels);
    let arrivals = capsules.map(|capsule| {
        let position = microphones.position() + capsule.offset;
        images.map(|image| stage.arrival(&image, &capsule, position))
    });
    let direct_in_thirds = arrivals.each_ref().map(|arrivals| stage.direct_in_thirds(&arrivals[0]));
    let heard = &capsules[..channels];
    let mut start_m = f64::INFINITY;
    for arrivals in &arrivals[..channels] {
        start_m = smaller(start_m, arrivals[0].path_m);
    }
    let direct_m = (source.position - microphones.position()).length();
    let scattered = scattered(source, platform, microphones, heard, start_m);

    let mixing_time_s = platform.mixing_time_s();
    let speed = platform.air.speed_of_sound_m_s();
    let mut energies = Energies::NOTHING;
    for arrivals in &arrivals[..channels] {
        for (index, arrival) in arrivals.iter().enumerate() {
            let part = usize::from((arrival.path_m - start_m) / speed >= mixing_time_s);
            let sum = if index == 0 { &mut energies.direct } else { &mut energies.specular[part] };
            for (cell, gain) in sum.iter_mut().zip(&arrival.gain) {
                *cell += gain * gain;
            }
        }
    }
    for band in 0..BANDS {
        let early: f64 = scattered.energy.iter().map(|energy| energy[band]).sum();
        energies.target[0][band] = energies.specular[0][band] + early;
        energies.target[1][band] = scattered.late[band];
    }
    Acoustics { direct_m, start_m, factor_gain: 1.0, arrivals, direct_in_thirds, scattered, energies }
}

/// Returns the loudness of direct sound and platform together, as a factor on the energy of a dry channel with the family's usual spectrum.
///
/// `sum_p` `w_p` |`g_d` D + `g_p` R|^2 over frequencies below 708 Hz, D the direct
/// sound and R the reflections there, their gains on straight lines between the
/// midbands, and `sum_b` `w_b` (`g_d`^2 `E_direct` + `g_p`^2 `E_reflected`) over the
/// octaves above; scattered and late sound add to both.
fn loudness(heard: &Acoustics, family: Family, platform: &Platform, level: &Level, channels: usize) -> f64 {
    let weights = LoudnessWeights::of(family);
    let (direct_gain, platform_gain) = balance_gains(level);
    let platform_power = platform_gain * platform_gain;
    let tail = heard.energies.tail();
    let speed = platform.air.speed_of_sound_m_s();
    let mut sum = 0.0;
    for point in 0..LOW_POINTS {
        let (band, share) = place_between_midbands(point_hz(point));
        let between = |values: &PerBand| values[band] + share * (values[band + 1] - values[band]);
        let mut energy = platform_power * (between(&tail[0]) + between(&tail[1]));
        for arrivals in &heard.arrivals[..channels] {
            let (mut re, mut im) = (0.0, 0.0);
            for (index, arrival) in arrivals.iter().enumerate() {
                let gain = between(&arrival.gain) * if index == 0 { direct_gain } else { platform_gain };
                let turn = -TAU * point_hz(point) * (arrival.path_m - heard.start_m) / speed;
                re += gain * turn.cos();
                im += gain * turn.sin();
            }
            energy += re * re + im * im;
        }
        sum += weights.low[point] * energy;
    }
    let reflected = heard.energies.reflected();
    for (band, weight) in weights.high.iter().enumerate() {
        let direct = direct_gain * direct_gain * heard.energies.direct[band];
        sum += weight * (direct + platform_power * (reflected[0][band] + reflected[1][band]));
    }
    sum
}

/// Returns the gains that the platform balance m gives to direct sound and platform: cos(m pi/2) and sin(m pi/2), a blend at
/// equal power.
///
/// At 0 only the player is heard, at 50 % both as in the room, at 100 % only the
/// platform; the level rule keeps their loudness.
pub fn balance_gains(level: &Level) -> (f64, f64) {
    // A quarter turn is no exact number: at its ends nothing is left of the other.
    match level.balance_pct {
        balance if balance <= 0.0 => (1.0, 0.0),
        balance if balance >= 100.0 => (0.0, 1.0),
        balance => {
            let (sin, cos) = (balance / 100.0 * FRAC_PI_2).sin_cos();
            (cos, sin)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::microphones::Pair;
    use crate::settings::Settings;

    fn heard(settings: &Settings) -> Acoustics {
        let source = settings.seat.source(&settings.platform, &settings.microphones);
        acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2)
    }

    /// Traced rays: `tests/data/traced_energy.csv`, default platform, spaced omnis, seats d1 and d4, all reflected sound
    /// from 3 to 500 ms at 1 kHz against the direct sound. The bound is that of the whole table, 1.5 dB.
    #[test]
    fn the_platform_comes_up_with_depth() {
        for (depth_m, bearing_deg, expected) in [(2.5, 0.0, -3.52), (5.0, 0.0, -0.53)] {
            let mut settings = Settings::default();
            settings.seat.depth_m = depth_m;
            settings.seat.bearing_deg = bearing_deg;
            settings.microphones.pair = Pair::SpacedOmnis;
            let energies = heard(&settings).energies;
            let reflected = energies.reflected();
            let got = 10.0 * ((reflected[0][3] + reflected[1][3]) / energies.direct[3]).log10();
            assert!((got - expected).abs() < 1.5, "at {depth_m} m: expected {expected} dB, got {got}");
        }
    }

    /// The sum over the usual spectrum of what comes out is that of the dry channel, at any seat and balance.
    #[test]
    fn without_fall_off_the_whole_keeps_its_loudness_at_every_seat_and_balance() {
        for family in Family::ALL {
            for (depth_m, balance_pct) in [(2.0, 0.0), (2.0, 50.0), (9.0, 30.0), (11.0, 100.0)] {
                let mut settings = Settings::default();
                settings.seat.depth_m = depth_m;
                settings.seat.family = family;
                settings.level.balance_pct = balance_pct;
                let mut heard = heard(&settings);
                // What is levelled counts the factor's square times what is not.
                let factor = heard.factor_gain;
                heard.energies.scale(1.0 / (factor * factor));
                let whole = loudness(&heard, family, &settings.platform, &settings.level, 2);
                assert!((factor * factor * whole - 1.0).abs() < 1e-9, "{}: {whole}", family.name());
            }
        }
    }

    #[test]
    fn with_full_fall_off_the_reference_player_keeps_its_loudness_and_farther_ones_fall() {
        let mut settings = Settings::default();
        settings.level.law_pct = 100.0;
        settings.seat.depth_m = (4.0_f64 * 4.0 - 1.8 * 1.8).sqrt();
        let at_reference = heard(&settings).factor_gain;
        settings.level.law_pct = 0.0;
        let kept = heard(&settings).factor_gain;
        assert!((at_reference / kept - 1.0).abs() < 1e-9, "{at_reference} and {kept}");
        settings.level.law_pct = 100.0;
        settings.seat.depth_m = 10.0;
        let far = heard(&settings).factor_gain;
        assert!((far / at_reference - 1.0).abs() < 1e-9, "one power, one factor: {far} and {at_reference}");
    }

    #[test]
    fn the_balance_goes_from_player_to_platform_without_a_plateau() {
        let ratio = |balance_pct: f64| {
            let (direct, platform) = balance_gains(&Level { balance_pct, ..Level::default() });
            assert!((direct * direct + platform * platform - 1.0).abs() < 1e-12);
            platform.atan2(direct)
        };
        for step in 0..100 {
            assert!(ratio(f64::from(step)) < ratio(f64::from(step + 1)));
        }
        assert_eq!(balance_gains(&Level { balance_pct: 100.0, ..Level::default() }), (0.0, 1.0));
    }
}
