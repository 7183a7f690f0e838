//! The plan as slowly and obviously as it can be made: what the fast one is held against.

mod branch_fit;
mod low_octaves;

pub(crate) use low_octaves::{Fed, LowBranches, tail_energy};

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::octave::{BANDS, PerBand, THIRDS};
use crate::acoustics::platform::{DECAY_EXPONENT, PARTS};
use crate::acoustics::scattering::SCATTERINGS;
use crate::kernel::instruction_set::SIMD_WIDTH;
use crate::plan::band_split::{BRANCHES, FITTED, Weights};
use crate::plan::branch_fit::{OctaveFit, STEEPEST, ThirdFit};
use crate::plan::low_octaves::{LOW, LOW_FACTORS};
use crate::plan::low_tail::LowTail;
use crate::plan::source_acoustics::{Acoustics, balance_gains};
use crate::plan::source_plan::{CapsulePlan, PlanLevel, SourcePlan};
use crate::plan::tail_feed::{
    LATE_BEGINS, LATE_FOLLOWS, LATE_SHARE, LATE_TAPS, TailFeed, delay_before_onset, signs,
};
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
                        row[i] = *gain as f32;
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
        let (mut early_feed, mut late_feed) = feeds(acoustics, settings, player);
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
        let family_gain = settings.seat.recorded.mid_power_factor(settings.seat.family).sqrt() as f32;
        for weight in early_feed.weights.iter_mut().chain(&mut late_feed.weights).flatten() {
            *weight *= family_gain;
        }
        let tail_level = platform_gain / family_gain;
        let level =
            PlanLevel { clear: 1.0, platform_power: 0.0, keeps: 1.0, rest: acoustics.factor_gain as f32 };
        Self {
            capsules,
            early_feed,
            late_feed,
            tail_level,
            level,
            diffuse: 0.0,
            energies: acoustics.energies,
        }
    }
}

/// Fits the direct sound of both capsules to its thirds of an octave.
fn direct_weights(acoustics: &Acoustics, fit: &ThirdFit) -> [Weights; 2] {
    let mut start = [[0.0_f32; SIMD_WIDTH]; FITTED];
    let mut thirds = [[0.0_f32; SIMD_WIDTH]; THIRDS];
    for capsule in 0..2 {
        let direct = &acoustics.arrivals[capsule][0];
        for (row, gain) in start.iter_mut().zip(direct.gain.iter().chain([&direct.top_gain])) {
            row[capsule] = *gain as f32;
        }
        for (row, gain) in thirds.iter_mut().zip(&acoustics.direct_in_thirds[capsule]) {
            row[capsule] = *gain as f32;
        }
    }
    let fitted = fit.weights_of_batch(&start, &thirds);
    std::array::from_fn(|capsule| std::array::from_fn(|branch| fitted[branch][capsule]))
}

/// Rounds in which the low octaves are brought to their energy: neighbours reach into each other.
const LOW_ROUNDS: usize = 4;

/// What feeds both parts of the tail.
type Feeds = (TailFeed<SCATTERINGS>, TailFeed<LATE_TAPS>);

/// Works out what feeds the tail of the middle of a channel, so that it carries its energy in the low octaves.
fn feeds(acoustics: &Acoustics, settings: &Settings, player: &Player<'_>) -> Feeds {
    let scattered = &acoustics.scattered;
    let speed = settings.platform.air.speed_of_sound_m_s();
    let samples_per_m = player.sample_rate_hz / speed;
    let later_m = scattered.path_m.map(|path_m| (path_m - acoustics.start_m).max(0.0));
    let (early_signs, late_signs) = signs(0);
    let mut early = TailFeed {
        delay_samples: later_m
            .map(|later_m| delay_before_onset(later_m * samples_per_m, player.sample_rate_hz)),
        ..TailFeed::SILENCE
    };
    let mut late = TailFeed {
        delay_samples: LATE_FOLLOWS.map(|followed| LATE_SHARE * later_m[followed] * samples_per_m),
        ..TailFeed::SILENCE
    };
    let mixing_s = settings.platform.mixing_time_s();
    let decays_s = settings.platform.band_decay_s();
    let specular = unlevelled_specular(acoustics, settings, player.channels);
    let late_gain: PerBand = std::array::from_fn(|band| {
        let grown: f64 = late
            .delay_samples
            .iter()
            .map(|delay| {
                let early_s = (1.0 - LATE_BEGINS) * mixing_s - delay / player.sample_rate_hz;
                (-DECAY_EXPONENT / decays_s[band] * early_s).exp()
            })
            .sum();
        ((scattered.late[band] - specular[band]).max(0.0) / grown).sqrt()
    });
    let mut factors = [[1.0_f64; BANDS]; PARTS];
    let fit = |factors: &[PerBand; PARTS],
               early: &mut TailFeed<SCATTERINGS>,
               late: &mut TailFeed<LATE_TAPS>| {
        for (which, weights) in early.weights.iter_mut().enumerate() {
            let gain = std::array::from_fn(|band| scattered.energy[which][band].sqrt() * factors[0][band]);
            *weights = fit_gains(&gain, player.fit).map(|weight| weight * early_signs[which]);
        }
        let gain = std::array::from_fn(|band| late_gain[band] * factors[1][band]);
        let weights = fit_gains(&gain, player.fit);
        for (cell, sign) in late.weights.iter_mut().zip(late_signs) {
            *cell = weights.map(|weight| weight * sign);
        }
    };
    fit(&factors, &mut early, &mut late);
    let Some(played) = player.tail else { return (early, late) };
    let missing = acoustics.energies.tail();
    let power = acoustics.factor_gain * acoustics.factor_gain;
    for _ in 0..LOW_ROUNDS {
        for part in 0..PARTS {
            let fed = if part == 0 {
                player.branches.fed(&early.delay_samples, &early.weights)
            } else {
                player.branches.fed(&late.delay_samples, &late.weights)
            };
            for band in 0..LOW {
                let heard = power * tail_energy(played, part, band, &fed);
                let wanted = (missing[part][band] / heard.max(f64::MIN_POSITIVE)).sqrt();
                let (least, most) = LOW_FACTORS;
                factors[part][band] = (factors[part][band] * wanted).clamp(least.into(), most.into());
            }
        }
        fit(&factors, &mut early, &mut late);
    }
    (early, late)
}

/// Returns the energy of the reflections after the mixing time, before the factor.
fn unlevelled_specular(acoustics: &Acoustics, settings: &Settings, channels: usize) -> PerBand {
    let speed = settings.platform.air.speed_of_sound_m_s();
    let mut energy = [0.0; BANDS];
    for arrival in acoustics.arrivals[..channels].iter().flat_map(|arrivals| &arrivals[1..]) {
        if (arrival.path_m - acoustics.start_m) / speed >= settings.platform.mixing_time_s() {
            for (cell, gain) in energy.iter_mut().zip(&arrival.gain) {
                *cell += gain * gain;
            }
        }
    }
    energy
}

fn fit_gains(gain: &PerBand, fit: &OctaveFit) -> Weights {
    let mut batch = [[0.0_f32; SIMD_WIDTH]; FITTED];
    for band in 0..BANDS {
        let below = if band > 0 { gain[band - 1] } else { 0.0 };
        let above = if band + 1 < BANDS { gain[band + 1] } else { 0.0 };
        batch[band][0] = gain[band].max(f64::from(STEEPEST) * below.max(above)) as f32;
    }
    // Above the octave bands the tail is fed as in the highest one.
    batch[BANDS][0] = batch[BANDS - 1][0];
    let fitted = fit.weights_of_batch(&batch, &batch);
    std::array::from_fn(|branch| fitted[branch][0])
}
