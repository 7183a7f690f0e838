//! From settings to what the engine plays: levels, arrivals and the energy left to the tail.

use std::f64::consts::PI;

use crate::arrivals::{ARRIVALS, Arrival, Stage, images};
use crate::bands::{FITTED, LANES, Weights};
use crate::extremes::smaller;
use crate::lane_fit::{BATCH, OctaveFit, THIRDS, ThirdFit};
use crate::low_octaves::{LOW, LowLanes, LowReflections, LowTail};
use crate::octave::{BANDS, PerBand};
use crate::pickup::{Capsule, Pickup};
use crate::platform::{Platform, share_after};
use crate::seat::{Seat, Source};
use crate::settings::{Level, Settings};

/// Parts of the tail: before and after the mixing time.
pub const PARTS: usize = 2;

/// Distance at which "level with distance" changes nothing, m: a player in the middle of the platform (our choice).
pub const REFERENCE_DISTANCE_M: f64 = 4.0;

/// What a source sounds like at the pickup, before the engine's approximations.
#[derive(Clone, Copy, Debug)]
pub struct Acoustics {
    /// Distance from the pickup's centre to the source, m.
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
    /// Returns what the tail has to carry: the target less the reflections, at least nothing.
    pub fn tail(&self) -> [PerBand; PARTS] {
        std::array::from_fn(|part| {
            std::array::from_fn(|band| (self.target[part][band] - self.specular[part][band]).max(0.0))
        })
    }
}

/// Returns the pickup's capsules as the layout hears them: a pair, or one omni twice.
pub fn capsules(pickup: &Pickup, channels: usize) -> [Capsule; 2] {
    if channels == 1 { [Capsule::OMNI; 2] } else { pickup.pair.capsules() }
}

/// Works out what a source sounds like at the pickup with one or two output channels.
///
/// With `r_c` the direct path to capsule c and `M_c` its pattern, everything is
/// multiplied by (`sum_c` (M_c/r_c)^2)^(-1/2) (4 m/r)^law `sqrt(Q_mid)` times trim.
/// All reflected sound carries, against an even source's direct sound,
/// 16 pi `r^2/(R_b` `Q_b`) <sum M^2>/sum M^2(direct), of which exp(-13.82 `t/T_b`)
/// comes after t.
///
/// # Source
/// Hopkins and Stryker (1948).
pub fn acoustics(
    source: &Source,
    platform: &Platform,
    pickup: &Pickup,
    level: &Level,
    channels: usize,
) -> Acoustics {
    let stage = Stage::new(source, platform);
    let images = images(source.place, platform);
    let capsules = capsules(pickup, channels);
    let arrivals = capsules.map(|capsule| {
        let place = pickup.place() + capsule.offset;
        images.map(|image| stage.arrival(&image, &capsule, place))
    });
    let direct_in_thirds = arrivals.each_ref().map(|arrivals| stage.direct_in_thirds(&arrivals[0]));
    let heard = &capsules[..channels];
    let mut direct_power = 0.0;
    let mut start_m = f64::INFINITY;
    for capsule in heard {
        let towards = source.place - (pickup.place() + capsule.offset);
        let path_m = towards.length().max(0.1);
        direct_power += (capsule.gain(towards.unit()) / path_m).powi(2);
        start_m = smaller(start_m, path_m);
    }
    let direct_m = (source.place - pickup.place()).length();
    let q = source.family.directivity_factor();
    let factor_gain = direct_power.sqrt().recip()
        * (REFERENCE_DISTANCE_M / direct_m).powf(level.law_pct / 100.0)
        * source.family.mid_directivity_factor().sqrt()
        * 10_f64.powf(level.trim_db / 20.0);

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
        let all = power * 16.0 * PI * diffuse / (room_m2[band] * q[band]);
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

/// One capsule's arrivals as the engine plays them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CapsulePlan {
    /// Delay of each arrival after the direct sound at the nearer capsule, in samples.
    pub delay_samples: [f64; ARRIVALS],
    /// Lane weights of each arrival.
    pub weights: [Weights; ARRIVALS],
}

/// One source as the engine plays it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SourcePlan {
    /// Left and right; equal for a mono output.
    pub capsules: [CapsulePlan; 2],
    /// Lane weights of what goes into the two parts of the tail.
    pub tail: [Weights; PARTS],
    /// The same at a level of 1, which follows a plan slowly.
    pub tail_at_level_one: [Weights; PARTS],
    /// Level, trim and platform balance, which follow a plan at once.
    pub tail_level: f32,
    /// Energies with the reflections as they meet in the low octaves, before the platform balance.
    pub energies: Energies,
}

/// What a plan is fitted to.
#[derive(Clone, Copy, Debug)]
pub struct Player<'a> {
    /// The fit of the engine's band split to octaves.
    pub fit: &'a OctaveFit,
    /// Its fit to thirds of an octave, for the direct sound.
    pub direct_fit: &'a ThirdFit,
    /// The split's responses in the low octaves.
    pub lanes: &'a LowLanes,
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    /// Output channels.
    pub channels: usize,
    /// The low octaves of the tail that plays, when it is known and fed without detour.
    pub tail: Option<&'a LowTail>,
}

impl SourcePlan {
    /// Silence at once.
    pub const SILENCE: Self = Self {
        capsules: [CapsulePlan { delay_samples: [0.0; ARRIVALS], weights: [[0.0; LANES]; ARRIVALS] }; 2],
        tail: [[0.0; LANES]; PARTS],
        tail_at_level_one: [[0.0; LANES]; PARTS],
        tail_level: 0.0,
        energies: Energies {
            direct: [0.0; BANDS],
            specular: [[0.0; BANDS]; PARTS],
            target: [[0.0; BANDS]; PARTS],
        },
    };

    /// Fits the engine's lanes to a source's acoustics.
    pub fn new(acoustics: &Acoustics, settings: &Settings, player: &Player<'_>) -> Self {
        let speed = settings.platform.air.speed_of_sound_m_s();
        let samples_per_m = player.sample_rate_hz / speed;
        let (direct_gain, platform_gain) = balance_gains(&settings.level);
        let mut capsules = acoustics.arrivals.map(|arrivals| CapsulePlan {
            delay_samples: arrivals.map(|arrival| (arrival.path_m - acoustics.start_m) * samples_per_m),
            weights: [[0.0; LANES]; ARRIVALS],
        });
        for (capsule, arrivals) in capsules.iter_mut().zip(&acoustics.arrivals).take(player.channels) {
            for first in (0..ARRIVALS).step_by(BATCH) {
                let mut gains = [[0.0_f32; BATCH]; FITTED];
                let batch = &arrivals[first..(first + BATCH).min(ARRIVALS)];
                for (i, arrival) in batch.iter().enumerate() {
                    for (row, gain) in gains.iter_mut().zip(arrival.gain.iter().chain([&arrival.top_gain])) {
                        row[i] = (gain * acoustics.factor_gain) as f32;
                    }
                }
                let fitted = player.fit.weights_of_batch(&gains, &gains);
                for i in 0..batch.len() {
                    capsule.weights[first + i] = std::array::from_fn(|lane| fitted[lane][i]);
                }
            }
        }
        let direct = direct_weights(acoustics, player.direct_fit);
        for (capsule, weights) in capsules.iter_mut().zip(direct) {
            capsule.weights[0] = weights;
        }
        if player.channels == 1 {
            capsules[1] = capsules[0];
        }
        let mixing_samples = settings.platform.mixing_time_s() * player.sample_rate_hz;
        let heard = &capsules[..player.channels];
        let low = LowReflections::new(heard, mixing_samples, player.lanes);
        let mut energies = acoustics.energies;
        for (part, specular) in energies.specular.iter_mut().enumerate() {
            for (band, energy) in specular.iter_mut().enumerate().take(LOW) {
                *energy = low.energy(part, band);
            }
        }
        let gains = energies.tail().map(|part| part.map(f64::sqrt));
        let mut tail = fit_tail(&gains, player.fit);
        if let Some(played) = player.tail {
            tail = fit_in_phase(gains, tail, &energies, &low, played, player);
        }
        let direct_gain = direct_gain as f32;
        let platform_gain = platform_gain as f32;
        for capsule in &mut capsules {
            for (index, weights) in capsule.weights.iter_mut().enumerate() {
                let gain = if index == 0 { direct_gain } else { platform_gain };
                for weight in weights.iter_mut() {
                    *weight *= gain;
                }
            }
        }
        let factor = acoustics.factor_gain as f32;
        let tail_at_level_one = tail.map(|part| part.map(|weight| weight / factor));
        for weight in tail.iter_mut().flatten() {
            *weight *= platform_gain;
        }
        Self { capsules, tail, tail_at_level_one, tail_level: factor * platform_gain, energies }
    }
}

/// Fits the direct sound of both capsules to its thirds of an octave.
fn direct_weights(acoustics: &Acoustics, fit: &ThirdFit) -> [Weights; 2] {
    let mut start = [[0.0_f32; BATCH]; FITTED];
    let mut thirds = [[0.0_f32; BATCH]; THIRDS];
    for capsule in 0..2 {
        let direct = &acoustics.arrivals[capsule][0];
        for (row, gain) in start.iter_mut().zip(direct.gain.iter().chain([&direct.top_gain])) {
            row[capsule] = (gain * acoustics.factor_gain) as f32;
        }
        for (row, gain) in thirds.iter_mut().zip(&acoustics.direct_in_thirds[capsule]) {
            row[capsule] = (gain * acoustics.factor_gain) as f32;
        }
    }
    let fitted = fit.weights_of_batch(&start, &thirds);
    std::array::from_fn(|capsule| std::array::from_fn(|lane| fitted[lane][capsule]))
}

/// Gains of the tail's parts, by part, then band.
type TailGains = [PerBand; PARTS];

/// Least gain of a band against its neighbours: 20 dB an octave, a little steeper than the lanes are.
///
/// Asked for more, the fit would miss the louder neighbour.
const STEEPEST: f64 = 0.1;

fn fit_tail(gains: &TailGains, fit: &OctaveFit) -> [Weights; PARTS] {
    let mut batch = [[0.0_f32; BATCH]; FITTED];
    for (part, gains) in gains.iter().enumerate() {
        let mut gains = *gains;
        for band in 0..BANDS {
            let below = if band > 0 { gains[band - 1] } else { 0.0 };
            let above = if band + 1 < BANDS { gains[band + 1] } else { 0.0 };
            gains[band] = gains[band].max(STEEPEST * below.max(above));
        }
        // Above the octave bands the tail goes on as in the highest one.
        for (row, &gain) in batch.iter_mut().zip(gains.iter().chain([&gains[BANDS - 1]])) {
            row[part] = gain as f32;
        }
    }
    let fitted = fit.weights_of_batch(&batch, &batch);
    std::array::from_fn(|part| std::array::from_fn(|lane| fitted[lane][part]))
}

/// rho at which a tail that would cancel reflections is silent, and from which on it is whole.
///
/// At -0.75 the tail would need twice the gain, and the reflections have 60 % of
/// the target or more by themselves; our choice, soft so that a moving seat makes no step.
const CANCELLING: (f64, f64) = (-0.75, -0.65);
/// Rounds in which the tail's gains are brought to the target, and how far each goes of its way.
///
/// Gains of neighbouring octaves bend each other's phase, so that the last round need not be the best.
const MEETING_ROUNDS: usize = 4;
const MEETING_STEP: f64 = 0.7;

/// Finds lane weights with which reflections and tail together carry the target in the low octaves.
///
/// A factor s on the tail solves Es + 2 s X + s^2 Et = target, with Es and Et the
/// energies of reflections and tail and X what they share. With s0 = ((target -
/// Es)/Et)^(1/2), the factor if nothing were shared, and rho = X/(s0 Et), s = s0
/// ((1 + rho^2)^(1/2) - rho). Where the tail would first have to cancel the
/// reflections before it adds to them (rho far under 0, which takes reflections
/// that all but reach the target by themselves), it stays silent instead. Of all
/// rounds the one nearest the target is kept, for each part by itself.
fn fit_in_phase(
    mut gains: TailGains,
    start: [Weights; PARTS],
    energies: &Energies,
    low: &LowReflections,
    played: &LowTail,
    player: &Player<'_>,
) -> [Weights; PARTS] {
    let mut best = start;
    let mut least_error = [f64::INFINITY; PARTS];
    let mut tried = start;
    for _ in 0..=MEETING_ROUNDS {
        for (part, gains) in gains.iter_mut().enumerate() {
            let mut error = 0.0;
            for (band, gain) in gains.iter_mut().enumerate().take(LOW) {
                let target = energies.target[part][band];
                let missing = target - energies.specular[part][band];
                let meeting = low.meet(part, band, played, &tried[part], player.lanes);
                if missing <= 0.0 || meeting.tail <= 0.0 || *gain <= 0.0 {
                    continue;
                }
                let ln_ratio = (meeting.total().max(f64::MIN_POSITIVE) / target).ln();
                error += ln_ratio * ln_ratio;
                let alone = (missing / meeting.tail).sqrt();
                let rho = meeting.shared / (alone * meeting.tail);
                let (silent, whole) = CANCELLING;
                let kept = ((rho - silent) / (whole - silent)).clamp(0.0, 1.0).max(LEAST_KEPT);
                let factor = alone * ((1.0 + rho * rho).sqrt() - rho) * kept * kept * (3.0 - 2.0 * kept);
                *gain *= factor.powf(MEETING_STEP);
            }
            if error < least_error[part] {
                least_error[part] = error;
                best[part] = tried[part];
            }
        }
        tried = fit_tail(&gains, player.fit);
    }
    best
}

/// Share of a tail that is kept where it is called silent, so that a later round can bring it back.
const LEAST_KEPT: f64 = 0.1;

/// The sources of a channel strip: the middle of the seat, and the two ends of a stereo channel.
pub fn sources(seat: &Seat, platform: &Platform, pickup: &Pickup) -> [Source; 3] {
    let [left, right] = seat.sources(platform, pickup);
    [seat.source(platform, pickup), left, right]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pickup::Pair;

    fn even_at(depth_m: f64, pair: Pair) -> (Acoustics, Settings) {
        let mut settings = Settings::default();
        settings.seat.depth_m = depth_m;
        settings.pickup.pair = pair;
        let source = settings.seat.source(&settings.platform, &settings.pickup);
        (acoustics(&source, &settings.platform, &settings.pickup, &settings.level, 2), settings)
    }

    /// Worked by hand from the formula on the default platform with omnis: -3.2
    /// dB at 3.1 m, +1.5 at 5.3 m, +6.9 at 9.9 m, each within its last digit.
    #[test]
    fn the_platform_comes_up_with_depth() {
        for (distance_m, expected) in [(3.1_f64, -3.2), (5.3, 1.5), (9.9, 6.9)] {
            let depth_m = (distance_m * distance_m - 1.8 * 1.8).sqrt();
            let (acoustics, _) = even_at(depth_m, Pair::SpacedOmnis);
            let reflected =
                (0..PARTS).map(|part| crate::octave::mid_mean(&acoustics.energies.target[part])).sum::<f64>();
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
            let source = settings.seat.source(&settings.platform, &settings.pickup);
            let acoustics = acoustics(&source, &settings.platform, &settings.pickup, &settings.level, 2);
            for energy in acoustics.energies.direct {
                assert!((energy - 1.0).abs() < 1e-12, "at {bearing_deg} degrees: got {energy}");
            }
        }
    }
}
