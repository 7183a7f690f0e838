//! The players of a section at work: copies of the channel that are unlike each other, each heard from its own place.
//!
//! The taps of a copy read the line of a source; the low-passes of their branches
//! come after the sum, as for all that is heard. The copies are written into
//! lines of their own, which the reflections of their places read.

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::section::PLACES;
use crate::engine::branch_bank::{BUSES, BranchBank};
use crate::engine::delay_line::DelayLine;
use crate::engine::early::{EarlyConfig, LONGEST_DELAY_S, LONGEST_RUN_FRAMES};
use crate::engine::reflector::{Change, Reflector};
use crate::engine::segment::Segment;
use crate::kernel::instruction_set::Eight;
use crate::plan::band_split::{BRANCHES, BranchFrame, SplitDesign, Weights};
use crate::plan::copies::{TAPS, copy_taps, share_of_source};
use crate::plan::section_plan::SectionPlan;

/// One place: its copy's recent past, and what is heard of it.
#[derive(Debug)]
struct Place {
    line: DelayLine,
    /// One for each output.
    reflectors: Vec<Reflector>,
    copy: ([f64; TAPS], [Weights; TAPS]),
}

/// What changes of a copy with the number of places: its share of each source.
const NEW_SHARES: Change = Change { is_new_plan: false, moves_weights: true };

/// All places of an engine.
#[derive(Debug)]
pub(crate) struct Players {
    places: Vec<Place>,
    /// What makes the copies of each source, by source, then place.
    copiers: Vec<Vec<Reflector>>,
    /// Places for which the copies are made.
    count: usize,
    bank: BranchBank,
    /// Frames since a copy last sounded.
    silent_frames: usize,
    /// Whether nothing has to be worked out: one player, and no trace of a section.
    is_idle: bool,
}

impl Players {
    /// Allocates the places.
    pub(crate) fn new(config: &EarlyConfig, sources: usize, design: &SplitDesign) -> Self {
        let rate = config.sample_rate_hz;
        let reflector = |taps| Reflector::new(taps, rate, config.grid_frames);
        let place = |place| Place {
            line: DelayLine::new((LONGEST_DELAY_S * rate) as usize, LONGEST_RUN_FRAMES),
            reflectors: (0..config.outputs).map(|_| reflector(ARRIVALS)).collect(),
            copy: copy_taps(place, design),
        };
        Self {
            places: (0..PLACES).map(place).collect(),
            copiers: (0..sources).map(|_| (0..PLACES).map(|_| reflector(TAPS)).collect()).collect(),
            count: 0,
            bank: BranchBank::default(),
            silent_frames: usize::MAX,
            is_idle: true,
        }
    }

    /// Forgets all sound.
    pub(crate) fn reset(&mut self) {
        if !self.is_idle {
            self.forget();
        }
    }

    fn forget(&mut self) {
        self.places.iter_mut().for_each(|place| place.line.reset());
        self.bank.reset();
        self.silent_frames = usize::MAX;
    }

    /// Stands at a plan, without fades.
    pub(crate) fn jump_to(&mut self, plan: &SectionPlan, gain: f32) {
        self.is_idle = plan.count == 0;
        self.count = plan.count;
        if self.is_idle {
            return;
        }
        for (index, (place, of)) in self.places.iter_mut().zip(&plan.places).enumerate() {
            for (reflector, capsule) in place.reflectors.iter_mut().zip(&of.capsules) {
                reflector.reset(&capsule.delay_samples, &levelled(&capsule.weights, gain));
            }
            for (source, copiers) in self.copiers.iter_mut().enumerate() {
                let (delays, weights) = &place.copy;
                copiers[index].reset(delays, &levelled(weights, share_of(source, index, plan.count)));
            }
        }
    }

    /// Starts the next grid step on the way to a plan at a level.
    pub(crate) fn glide_to(&mut self, plan: &SectionPlan, gain: f32, change: Change) {
        if self.is_idle {
            if plan.count == 0 {
                return;
            }
            // What was heard of an earlier section is long over.
            self.forget();
            self.is_idle = false;
            for (index, (place, of)) in self.places.iter_mut().zip(&plan.places).enumerate() {
                for (reflector, capsule) in place.reflectors.iter_mut().zip(&of.capsules) {
                    reflector.reset(&capsule.delay_samples, &[[0.0; BRANCHES]; ARRIVALS]);
                }
                for copiers in &mut self.copiers {
                    copiers[index].reset(&place.copy.0, &[[0.0; BRANCHES]; TAPS]);
                }
            }
        }
        for (index, (place, of)) in self.places.iter_mut().zip(&plan.places).enumerate() {
            for (reflector, capsule) in place.reflectors.iter_mut().zip(&of.capsules) {
                reflector.glide_to(&capsule.delay_samples, &levelled(&capsule.weights, gain), change);
            }
            for (source, copiers) in self.copiers.iter_mut().enumerate() {
                // A copy does not follow the seat.
                if plan.count != self.count || !copiers[index].rests() {
                    let (delays, weights) = &place.copy;
                    let weights = levelled(weights, share_of(source, index, plan.count));
                    copiers[index].glide_to(delays, &weights, NEW_SHARES);
                }
            }
        }
        self.count = plan.count;
        let reflectors = || self.places.iter().flat_map(|place| &place.reflectors);
        self.is_idle = plan.count == 0 && reflectors().all(Reflector::is_silent);
    }

    /// Says whether nothing moves during the grid step.
    pub(crate) fn rests(&self) -> bool {
        let reflectors = self.places.iter().flat_map(|place| &place.reflectors);
        self.is_idle || reflectors.chain(self.copiers.iter().flatten()).all(Reflector::rests)
    }

    /// Says whether nothing of what was heard can still sound.
    pub(crate) fn is_silent(&self) -> bool {
        self.is_idle || (self.silent_frames > self.places[0].line.frames() && self.bank.is_silent())
    }

    /// Says whether there is nothing to work out.
    pub(crate) const fn is_idle(&self) -> bool {
        self.is_idle
    }

    /// Adds what a source's line, written last for the run, gives each copy to `copies`.
    #[inline(always)]
    pub(crate) fn copy<E: Eight>(
        &mut self,
        eight: E,
        source: usize,
        line: &DelayLine,
        segment: &Segment,
        copies: &mut [[BranchFrame; BUSES]],
    ) {
        for (place, copier) in self.copiers[source].iter_mut().enumerate() {
            copier.process(eight, line, segment, place, copies);
        }
    }

    /// Sounds the copies from their places: adds to the buses of `frames`.
    #[inline(always)]
    pub(crate) fn process<E: Eight>(
        &mut self,
        eight: E,
        design: &SplitDesign,
        segment: &Segment,
        copies: &[[BranchFrame; BUSES]],
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        let count = frames.len();
        let mut sums = [[0.0; BUSES]; LONGEST_RUN_FRAMES];
        let sums = &mut sums[..count];
        self.bank.process(eight, design, copies, sums);
        // Counted from the last sound, not from the run in which it came: a cut of the run changes nothing.
        self.silent_frames = match sums.iter().rposition(|copies| copies.iter().any(|&x| x != 0.0)) {
            Some(last) => count - 1 - last,
            None => self.silent_frames.saturating_add(count),
        };
        let mut copy = [0.0; LONGEST_RUN_FRAMES];
        let copy = &mut copy[..count];
        for (index, place) in self.places.iter_mut().enumerate() {
            for (cell, sum) in copy.iter_mut().zip(&*sums) {
                *cell = sum[index];
            }
            place.line.write(copy);
            for (bus, reflector) in place.reflectors.iter_mut().enumerate() {
                reflector.process(eight, &place.line, segment, bus, frames);
            }
        }
    }
}

/// Returns how much of a source a place plays; nothing where there is no section.
fn share_of(source: usize, place: usize, places: usize) -> f32 {
    if place < places { share_of_source(source, place, places) } else { 0.0 }
}

fn levelled<const N: usize>(weights: &[Weights; N], gain: f32) -> [Weights; N] {
    weights.map(|weights| weights.map(|weight: f32| weight * gain))
}
