//! The plan as slowly and obviously as it can be made: what the fast one is held against.

mod branch_fit;
mod low_octaves;

pub(crate) use low_octaves::{LowBranches, LowReflections};

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::octave::{BANDS, PerBand, THIRDS};
use crate::acoustics::platform::PARTS;
use crate::kernel::instruction_set::SIMD_WIDTH;
use crate::plan::band_split::{BRANCHES, FITTED, Weights};
use crate::plan::branch_fit::{OctaveFit, STEEPEST, ThirdFit};
use crate::plan::low_octaves::{CANCELLING, COHERENT_STEP, LEAST_KEPT, LOW};
use crate::plan::low_tail::LowTail;
use crate::plan::source_acoustics::{Acoustics, Energies, balance_gains};
use crate::plan::source_plan::{CapsulePlan, SourcePlan};
use crate::settings::Settings;

/// What a plan is fitted to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Player<'a> {
    /// The fit of the engine's band split to octaves.
    pub(crate) fit: &'a OctaveFit,
    /// Its fit to thirds of an octave, for the direct sound.
    pub(crate) direct_fit: &'a ThirdFit,
    /// The split's responses in the low octaves.
    pub branches: &'a LowBranches,
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    /// Output channels.
    pub channels: usize,
    /// The low octaves of the tail that plays, when it is known and fed without detour.
    pub tail: Option<&'a LowTail>,
}

impl SourcePlan {
    /// Fits the engine's branches to a source's acoustics.
    pub(crate) fn new(acoustics: &Acoustics, settings: &Settings, player: &Player<'_>) -> Self {
        let speed = settings.platform.air.speed_of_sound_m_s();
        let samples_per_m = player.sample_rate_hz / speed;
        let (direct_gain, platform_gain) = balance_gains(&settings.level);
        let mut capsules = acoustics.arrivals.map(|arrivals| CapsulePlan {
            delay_samples: arrivals.map(|arrival| (arrival.path_m - acoustics.start_m) * samples_per_m),
            weights: [[0.0; BRANCHES]; ARRIVALS],
        });
        for (capsule, arrivals) in capsules.iter_mut().zip(&acoustics.arrivals).take(player.channels) {
            for first in (0..ARRIVALS).step_by(SIMD_WIDTH) {
                let mut gains = [[0.0_f32; SIMD_WIDTH]; FITTED];
                let batch = &arrivals[first..(first + SIMD_WIDTH).min(ARRIVALS)];
                for (i, arrival) in batch.iter().enumerate() {
                    for (row, gain) in gains.iter_mut().zip(arrival.gain.iter().chain([&arrival.top_gain])) {
                        row[i] = (gain * acoustics.factor_gain) as f32;
                    }
                }
                let fitted = player.fit.weights_of_batch(&gains, &gains);
                for i in 0..batch.len() {
                    capsule.weights[first + i] = std::array::from_fn(|branch| fitted[branch][i]);
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
        let low = LowReflections::new(heard, mixing_samples, player.branches);
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
        let family_power = settings.seat.recorded.mid_power_factor(settings.seat.family);
        let level = (acoustics.factor_gain / family_power.sqrt()) as f32;
        let tail_at_level_one = tail.map(|part| part.map(|weight| weight / level));
        for weight in tail.iter_mut().flatten() {
            *weight *= platform_gain;
        }
        Self { capsules, tail, tail_at_level_one, tail_level: level * platform_gain, energies }
    }
}

/// Fits the direct sound of both capsules to its thirds of an octave.
fn direct_weights(acoustics: &Acoustics, fit: &ThirdFit) -> [Weights; 2] {
    let mut start = [[0.0_f32; SIMD_WIDTH]; FITTED];
    let mut thirds = [[0.0_f32; SIMD_WIDTH]; THIRDS];
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
    std::array::from_fn(|capsule| std::array::from_fn(|branch| fitted[branch][capsule]))
}

/// Gains of the tail's parts, by part, then band.
type TailGains = [PerBand; PARTS];

fn fit_tail(gains: &TailGains, fit: &OctaveFit) -> [Weights; PARTS] {
    let mut batch = [[0.0_f32; SIMD_WIDTH]; FITTED];
    for (part, gains) in gains.iter().enumerate() {
        let mut gains = *gains;
        for band in 0..BANDS {
            let below = if band > 0 { gains[band - 1] } else { 0.0 };
            let above = if band + 1 < BANDS { gains[band + 1] } else { 0.0 };
            gains[band] = gains[band].max(f64::from(STEEPEST) * below.max(above));
        }
        // Above the octave bands the tail goes on as in the highest one.
        for (row, &gain) in batch.iter_mut().zip(gains.iter().chain([&gains[BANDS - 1]])) {
            row[part] = gain as f32;
        }
    }
    let fitted = fit.weights_of_batch(&batch, &batch);
    std::array::from_fn(|part| std::array::from_fn(|branch| fitted[branch][part]))
}

/// Rounds in which the tail's gains are brought to the target, after the start.
///
/// Gains of neighbouring octaves bend each other's phase, so that the last round need not be the best.
const COHERENT_ROUNDS: usize = 4;

/// Finds branch weights with which reflections and tail together carry the target in the low octaves.
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
    for _ in 0..=COHERENT_ROUNDS {
        for (part, gains) in gains.iter_mut().enumerate() {
            let mut error = 0.0;
            for (band, gain) in gains.iter_mut().enumerate().take(LOW) {
                let target = energies.target[part][band];
                let missing = target - energies.specular[part][band];
                let sum = low.with_tail(part, band, played, &tried[part], player.branches);
                if missing <= 0.0 || sum.tail <= 0.0 || *gain <= 0.0 {
                    continue;
                }
                let ln_ratio = (sum.total().max(f64::MIN_POSITIVE) / target).ln();
                error += ln_ratio * ln_ratio;
                let alone = (missing / sum.tail).sqrt();
                let rho = sum.cross / (alone * sum.tail);
                let (silent, whole) = (f64::from(CANCELLING.0), f64::from(CANCELLING.1));
                let kept = ((rho - silent) / (whole - silent)).clamp(0.0, 1.0).max(f64::from(LEAST_KEPT));
                let factor = alone * ((1.0 + rho * rho).sqrt() - rho) * kept * kept * (3.0 - 2.0 * kept);
                *gain *= factor.powf(f64::from(COHERENT_STEP));
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
