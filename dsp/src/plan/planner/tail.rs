//! The second part of a plan: what the tail is fed with, and energies.

use super::arrivals::store;
use super::{FeedScratch, HeardSource, Scratch};
use crate::acoustics::octave::BANDS;
use crate::acoustics::platform::PARTS;
use crate::acoustics::scattering::SCATTERINGS;
use crate::extremes::larger;
use crate::kernel::instruction_set::{Kernel, SIMD_WIDTH};
use crate::kernel::polynomial::exp2;
use crate::plan::band_split::FITTED;
use crate::plan::branch_fit::STEEPEST;
use crate::plan::fast_fit::{FastFit, LEAST_OF_STRONGEST};
use crate::plan::fast_low::{FastLowBranches, LowTaps, Part};
use crate::plan::low_octaves::{LOW, LOW_FACTORS};
use crate::plan::low_tail::LowTail;
use crate::plan::planner::scattering::ScatteringTerms;
use crate::plan::source_plan::SourcePlan;
use crate::plan::tail_feed::{LATE_BEGINS, LATE_TAPS, signs};

/// Taps of both parts of the tail, in whole rows of eight.
pub(super) const FEEDS: usize = (SCATTERINGS + LATE_TAPS).next_multiple_of(SIMD_WIDTH);

/// The work of [`Planner::plan_tail`].
pub(super) struct PlanTail<'a> {
    pub(super) scattering: &'a ScatteringTerms,
    /// Factor of the family's mid-band power.
    pub(super) family_gain: f32,
    /// 0 the middle of a channel, 1 and 2 its ends.
    pub(super) source: usize,
    pub(super) fit: &'a FastFit,
    pub(super) branches: &'a FastLowBranches,
    pub(super) heard: &'a HeardSource,
    pub(super) scratch: &'a mut Scratch,
    pub(super) tail: Option<&'a LowTail>,
    pub(super) plan: &'a mut SourcePlan,
}

impl Kernel for PlanTail<'_> {
    type Output = ();

    #[allow(
        clippy::too_many_lines,
        reason = "the steps of a plan in their order, over shared scratch memory"
    )]
    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let late = late_gains::<FUSED>(self.scattering, self.heard);
        let (early_signs, late_signs) = signs(self.source);
        let Self { fit, branches, heard, plan, family_gain, .. } = self;
        let feed = &mut self.scratch.feed;
        let mut energies = heard.energies;
        let missing = energies.tail();

        for band in 0..FITTED {
            for (which, energy) in heard.scattered.energy.iter().enumerate() {
                // Above the octave bands the tail is fed as in the highest one: its kernels fall there by themselves.
                feed.wanted[band][which] = energy[band.min(BANDS - 1)].sqrt();
            }
            for tap in SCATTERINGS..FEEDS {
                feed.wanted[band][tap] = late[band];
            }
        }
        for tap in 0..FEEDS {
            feed.sign[tap] = match tap {
                early if early < SCATTERINGS => early_signs[early],
                late if late < SCATTERINGS + LATE_TAPS => late_signs[late - SCATTERINGS],
                _ => 0.0,
            };
        }
        let delays = plan.early_feed.delay_samples.iter().chain(&plan.late_feed.delay_samples);
        for (cell, delay) in feed.delay.iter_mut().zip(delays) {
            *cell = *delay as f32;
        }
        if let Some(tail) = self.tail {
            // Within an octave the branches turn all taps alike: their sum is as strong as that of their gains.
            for octave in 0..LOW {
                for tap in 0..FEEDS {
                    feed.low_gain[octave][0][tap] = feed.sign[tap] * feed.wanted[octave][tap];
                }
            }
            let [fed_early, fed_late] = &mut feed.sums;
            let taps = LowTaps { delay: &feed.delay, gain: &feed.low_gain, part: &FEED_PARTS };
            taps.sums::<FUSED, { FEEDS + SIMD_WIDTH }>(branches, &mut feed.low, [fed_early, fed_late]);
            for part in 0..PARTS {
                let heard = tail.fast.energies::<FUSED>(part, &feed.sums[part], branches);
                let taps = if part == 0 { 0..SCATTERINGS } else { SCATTERINGS..SCATTERINGS + LATE_TAPS };
                for band in 0..LOW {
                    let (least, most) = LOW_FACTORS;
                    let factor = (missing[part][band] as f32 / heard[band].max(f32::MIN_POSITIVE)).sqrt();
                    for wanted in &mut feed.wanted[band][taps.clone()] {
                        *wanted *= factor.clamp(least, most);
                    }
                }
            }
        }
        feed.fit::<FUSED>(fit);
        for tap in 0..FEEDS {
            for band in fit.bands..FITTED {
                // Above the bands in use all steps are as the last one.
                feed.gain[band][tap] = feed.gain[fit.bands - 1][tap];
            }
        }
        for weight in feed.gain.as_flattened_mut() {
            *weight *= family_gain;
        }
        store(&feed.gain, &mut feed.weights);
        plan.early_feed.weights.copy_from_slice(&feed.weights[..SCATTERINGS]);
        plan.late_feed.weights.copy_from_slice(&feed.weights[SCATTERINGS..SCATTERINGS + LATE_TAPS]);
        plan.diffuse = heard.diffuse;
        let gain = f64::from(plan.gain());
        energies.scale(gain * gain);
        plan.energies = energies;
    }
}

/// Returns the gain of each tap of late sound, by band: what the reflections leave of it, as the kernel's unit energy has to be fed.
///
/// A tap delayed by d adds (E/4) exp(a (`t_begins` + d - `t_mixing`)) of its energy E/4 after
/// the mixing time; four of them together make the late energy.
#[inline(always)]
fn late_gains<const FUSED: bool>(scattering: &ScatteringTerms, heard: &HeardSource) -> [f32; SIMD_WIDTH] {
    let mut late = heard.scattered.late;
    for band in 0..BANDS {
        let specular = heard.energies.specular[1][band] as f32;
        late[band] = (late[band] - specular).max(0.0);
    }
    let earlier_m = (1.0 - LATE_BEGINS as f32) * scattering.mixing_m();
    let mut grown = [0.0_f32; SIMD_WIDTH];
    for later_m in heard.late_later_m {
        for lane in 0..SIMD_WIDTH {
            let nepers = scattering.decay_per_m()[lane] * (later_m - earlier_m);
            grown[lane] += exp2::<FUSED>(std::f32::consts::LOG2_E * nepers);
        }
    }
    let mut gains = [0.0_f32; SIMD_WIDTH];
    for lane in 0..SIMD_WIDTH {
        gains[lane] = (late[lane] / grown[lane]).sqrt();
    }
    // Asked for more than 20 dB from octave to octave, the fit would miss the louder one.
    let wanted = gains;
    for band in 0..BANDS {
        let below = if band > 0 { wanted[band - 1] } else { 0.0 };
        let above = if band + 1 < BANDS { wanted[band + 1] } else { 0.0 };
        gains[band] = gains[band].max(STEEPEST * larger(below, above));
    }
    gains[BANDS] = gains[BANDS - 1];
    gains
}
impl FeedScratch {
    /// Fits the branches to the gains wanted: steps with the taps' signs.
    #[inline(always)]
    fn fit<const FUSED: bool>(&mut self, fit: &FastFit) {
        let mut strongest = [f32::MIN_POSITIVE; FEEDS];
        for band in 0..FITTED {
            for tap in 0..FEEDS {
                strongest[tap] = larger(strongest[tap], self.wanted[band][tap]);
            }
        }
        for band in 0..FITTED {
            for tap in 0..FEEDS {
                self.gain[band][tap] = (self.wanted[band][tap] / strongest[tap]).max(LEAST_OF_STRONGEST);
            }
        }
        fit.corrections::<FUSED, FEEDS>(&self.gain, &mut self.factor, &mut self.fit);
        for tap in 0..FEEDS {
            // A silent tap is worked out as a flat one and scaled to nothing.
            let heard = strongest[tap] > f32::MIN_POSITIVE;
            strongest[tap] = if heard { self.sign[tap] * strongest[tap] } else { 0.0 };
        }
        for band in 0..FITTED {
            for tap in 0..FEEDS {
                self.gain[band][tap] *= self.factor[band][tap] * strongest[tap];
            }
        }
    }
}

/// What each tap feeds.
const FEED_PARTS: [Part; FEEDS] = {
    let mut parts = [Part::None; FEEDS];
    let mut tap = 0;
    while tap < SCATTERINGS + LATE_TAPS {
        parts[tap] = if tap < SCATTERINGS { Part::Early } else { Part::Late };
        tap += 1;
    }
    parts
};
