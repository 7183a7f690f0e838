//! The early part of an engine: direct sound and reflections of all sources, and what feeds the tail.
//!
//! Everything a source does is a tap: the channel at some delay, times eight
//! branch weights, added to a bus. The buses of all sources meet in one bank of
//! low-passes.

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::scattering::SCATTERINGS;
use crate::engine::branch_bank::{BUSES, BranchBank};
use crate::engine::delay_line::DelayLine;
use crate::engine::direct::Direct;
use crate::engine::glide::GlideOf;
use crate::engine::players::Players;
use crate::engine::reflector::{Change, Reflector};
use crate::engine::segment::Segment;
use crate::kernel::convolver::INPUTS;
use crate::kernel::instruction_set::{Eight, EightKernel, InstructionSet};
use crate::plan::band_split::{BRANCHES, BranchFrame, SplitDesign, Weights};
use crate::plan::section_plan::SectionPlan;
use crate::plan::source_plan::{SOURCES, SourcePlan};
use crate::plan::tail_feed::LATE_TAPS;

/// Longest delay of a reflection on the largest platform, s.
///
/// Three hits at the side walls, 30 m apart, from 0.3 m before one of them: 105
/// m sideways and 25 m along, less the direct path of at least 15 m, at 331.3
/// m/s is 0.28 s; rounded up for the glides.
pub(crate) const LONGEST_DELAY_S: f64 = 0.33;

/// Most frames of a run: a block of the convolver at 48 kHz.
pub const LONGEST_RUN_FRAMES: usize = 128;

/// Grid steps from one plan of the tail's gains to the next: about 0.17 s (our choice).
///
/// In the low octaves the gain with which a tail meets the reflections turns
/// with every quarter of a wavelength that a player moves, and bends where the
/// tail falls silent. Followed at once that would roughen a moving tone; the
/// tail is a third of a second late instead, and then sounds half a second.
pub(crate) const SLOW_TAIL_STEPS: usize = 16;

/// Sizes of the early part.
#[derive(Clone, Copy, Debug)]
pub struct EarlyConfig {
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    /// Sources, 1 to 3: the middle, and the two ends of a stereo channel.
    pub sources: usize,
    /// Output channels, 1 or 2.
    pub outputs: usize,
    /// Frames of a grid step.
    pub grid_frames: usize,
    /// What the kernels run with.
    pub instruction_set: InstructionSet,
}

/// One source: its recent past and what reads it.
#[derive(Debug)]
struct SourcePart {
    line: DelayLine,
    direct: Direct,
    /// One for each output that is heard.
    reflectors: Vec<Reflector>,
    /// What feeds the two parts of the tail.
    feeds: [Reflector; INPUTS],
    /// The feeds' weights at a level of 1, on their slow way, and the grid steps since their last plan.
    slow_weights: [GlideOf<BRANCHES>; SCATTERINGS + LATE_TAPS],
    /// Likewise the loudness of what is diffuse.
    slow_diffuse: GlideOf<1>,
    slow_steps: usize,
    silent_frames: usize,
}

impl SourcePart {
    fn new(config: &EarlyConfig) -> Self {
        let rate = config.sample_rate_hz;
        Self {
            line: DelayLine::new((LONGEST_DELAY_S * rate) as usize, LONGEST_RUN_FRAMES),
            direct: Direct::new([0.0; 2], [[0.0; BRANCHES]; 2]),
            reflectors: (0..config.outputs)
                .map(|_| Reflector::new(ARRIVALS - 1, rate, config.grid_frames))
                .collect(),
            feeds: [SCATTERINGS, LATE_TAPS].map(|taps| Reflector::new(taps, rate, config.grid_frames)),
            slow_weights: [GlideOf::at([0.0; BRANCHES]); SCATTERINGS + LATE_TAPS],
            slow_diffuse: GlideOf::at([0.0]),
            slow_steps: 0,
            silent_frames: usize::MAX,
        }
    }

    fn reset(&mut self) {
        self.line.reset();
        // All is silent already.
        self.silent_frames = usize::MAX;
    }

    fn jump_to(&mut self, plan: &SourcePlan) {
        self.slow_diffuse = GlideOf::at([plan.diffuse]);
        let gain = plan.gain();
        let capsules = levelled(plan, gain);
        self.direct = Direct::new(
            plan.capsules.each_ref().map(|capsule| capsule.delay_samples[0]),
            capsules.map(|weights| weights[0]),
        );
        for ((reflector, capsule), weights) in self.reflectors.iter_mut().zip(&plan.capsules).zip(&capsules) {
            reflector.reset(&capsule.delay_samples[1..], &weights[1..]);
        }
        let mut levelled = [[0.0; BRANCHES]; SCATTERINGS + LATE_TAPS];
        for ((slow, levelled), weights) in self.slow_weights.iter_mut().zip(&mut levelled).zip(feeding(plan))
        {
            *slow = GlideOf::at(*weights);
            *levelled = weights.map(|weight| weight * plan.tail_level * gain);
        }
        let (early, late) = levelled.split_at(SCATTERINGS);
        self.feeds[0].reset(&plan.early_feed.delay_samples, early);
        self.feeds[1].reset(&plan.late_feed.delay_samples, late);
        self.slow_steps = 0;
    }

    /// Starts the next of the tail's slow steps on the way to a plan.
    fn glide_tail_to(&mut self, plan: &SourcePlan) {
        self.slow_steps = 0;
        for (glide, targets) in self.slow_weights.iter_mut().zip(feeding(plan)) {
            glide.glide_to(*targets);
        }
        self.slow_diffuse.glide_to([plan.diffuse]);
    }

    /// Returns the loudness of what is diffuse at the start of the grid step.
    fn diffuse(&self) -> f32 {
        let [diffuse] = self.slow_diffuse.values(self.slow_steps as f32 / SLOW_TAIL_STEPS as f32);
        diffuse
    }

    fn glide_to(&mut self, plan: &SourcePlan, changed: bool) {
        let at = self.slow_steps as f32 / SLOW_TAIL_STEPS as f32;
        let gain = plan.level.at(self.diffuse());
        let capsules = levelled(plan, gain);
        self.direct.glide_to(
            plan.capsules.each_ref().map(|capsule| capsule.delay_samples[0]),
            capsules.each_ref().map(|weights| &weights[0]),
        );
        let moves_weights = !self.slow_diffuse.rests() || !self.slow_weights.iter().all(GlideOf::rests);
        let change = Change { is_new_plan: changed, moves_weights };
        for ((reflector, capsule), weights) in self.reflectors.iter_mut().zip(&plan.capsules).zip(&capsules) {
            reflector.glide_to(&capsule.delay_samples[1..], &weights[1..], change);
        }
        if change != Change::NONE || !self.feeds.iter().all(Reflector::rests) {
            let mut levelled = [[0.0; BRANCHES]; SCATTERINGS + LATE_TAPS];
            for (levelled, slow) in levelled.iter_mut().zip(&self.slow_weights) {
                *levelled = slow.values(at).map(|weight| weight * plan.tail_level * gain);
            }
            let (early, late) = levelled.split_at(SCATTERINGS);
            self.feeds[0].glide_to(&plan.early_feed.delay_samples, early, change);
            self.feeds[1].glide_to(&plan.late_feed.delay_samples, late, change);
        }
        self.slow_steps = (self.slow_steps + 1).min(SLOW_TAIL_STEPS);
    }

    fn rests(&self) -> bool {
        self.direct.rests()
            && self.reflectors.iter().all(Reflector::rests)
            && self.feeds.iter().all(Reflector::rests)
            && self.slow_weights.iter().all(GlideOf::rests)
            && self.slow_diffuse.rests()
    }

    /// Says whether nothing of what was heard can still sound.
    fn is_silent(&self) -> bool {
        self.silent_frames > self.line.frames()
    }

    #[inline(always)]
    fn process<E: Eight>(
        &mut self,
        eight: E,
        input: &[f32],
        segment: &Segment,
        heard: &mut [[f32; 2]],
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        let count = input.len();
        // Counted from the last sound, not from the run in which it came: a cut of the run changes nothing.
        self.silent_frames = match input.iter().rev().position(|&x| x != 0.0) {
            Some(silent) => silent,
            None => self.silent_frames.saturating_add(count),
        };
        if self.is_silent() {
            return;
        }
        self.line.write(input);
        self.direct.process(eight, &self.line, segment, heard, frames);
        for (bus, reflector) in self.reflectors.iter_mut().enumerate() {
            reflector.process(eight, &self.line, segment, bus, frames);
        }
        for (part, feed) in self.feeds.iter_mut().enumerate() {
            feed.process(eight, &self.line, segment, FIRST_PART + part, frames);
        }
    }
}

/// Returns the weights of a plan's arrivals at a level, by capsule.
fn levelled(plan: &SourcePlan, gain: f32) -> [[Weights; ARRIVALS]; 2] {
    plan.capsules.each_ref().map(|capsule| capsule.weights.map(|weights| weights.map(|weight| gain * weight)))
}

/// Returns the weights with which a plan feeds the tail, both parts in a row.
fn feeding(plan: &SourcePlan) -> impl Iterator<Item = &Weights> {
    plan.early_feed.weights.iter().chain(&plan.late_feed.weights)
}

/// The bus of the tail's first part; left and right come before.
const FIRST_PART: usize = 2;

/// The early part of one engine.
#[derive(Debug)]
pub struct Early {
    instruction_set: InstructionSet,
    design: SplitDesign,
    sources: Vec<SourcePart>,
    players: Players,
    bank: BranchBank,
}

/// Scratch memory of a run.
///
/// It lies on the stack, which all engines of a thread share: what an engine
/// keeps for itself has to come from far memory where there are a hundred.
struct Scratch<'a> {
    /// By frame, then bus, then branch; silent.
    frames: &'a mut [[BranchFrame; BUSES]],
    sums: &'a mut [[f32; BUSES]],
    heard: &'a mut [[f32; 2]],
}

impl Early {
    /// Allocates the early part.
    pub fn new(config: &EarlyConfig) -> Self {
        let sources = config.sources.min(SOURCES);
        let design = SplitDesign::new(config.sample_rate_hz);
        Self {
            instruction_set: config.instruction_set,
            sources: (0..sources).map(|_| SourcePart::new(config)).collect(),
            players: Players::new(config, sources, &design),
            design,
            bank: BranchBank::default(),
        }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.sources.iter_mut().for_each(SourcePart::reset);
        self.players.reset();
        self.bank.reset();
    }

    /// Stands at a plan for each source, without fades.
    pub fn jump_to(&mut self, plans: &[SourcePlan]) {
        for (source, plan) in self.sources.iter_mut().zip(plans) {
            source.jump_to(plan);
        }
    }

    /// Stands at the plan of a section, at the level of the first source's plan, without fades.
    pub(crate) fn stand_players_at(&mut self, section: &SectionPlan, plan: &SourcePlan) {
        self.players.jump_to(section, plan.gain());
    }

    /// Starts the next grid step of a section's places, at the level of the first source's plan; before that of the first
    /// source.
    pub(crate) fn glide_players_to(&mut self, section: &SectionPlan, plan: &SourcePlan, changed: bool) {
        let first = &self.sources[0];
        let moves_weights = !first.slow_diffuse.rests();
        let change = Change { is_new_plan: changed, moves_weights };
        self.players.glide_to(section, plan.level.at(first.diffuse()), change);
    }

    /// Says whether nothing of a section's places moves during the grid step.
    pub(crate) fn players_rest(&self) -> bool {
        self.players.rests()
    }

    /// Stands at a plan for one source of which nothing sounds, without fades.
    pub fn stand_source_at(&mut self, source: usize, plan: &SourcePlan) {
        self.sources[source].jump_to(plan);
    }

    /// Starts the next slow step of what a source feeds the tail, once in `SLOW_TAIL_STEPS` grid steps.
    pub fn glide_tail_to(&mut self, source: usize, plan: &SourcePlan) {
        self.sources[source].glide_tail_to(plan);
    }

    /// Starts the next grid step of a source on the way to a plan; `changed` says whether the plan is a new one.
    pub fn glide_to(&mut self, source: usize, plan: &SourcePlan, changed: bool) {
        self.sources[source].glide_to(plan, changed);
    }

    /// Says whether nothing of what was heard of a source can still sound.
    pub fn source_is_silent(&self, source: usize) -> bool {
        self.sources[source].is_silent()
    }

    /// Says whether nothing of a source moves during the grid step.
    pub fn source_rests(&self, source: usize) -> bool {
        self.sources[source].rests()
    }

    /// Says whether nothing of what was heard can still sound.
    pub fn is_silent(&self) -> bool {
        self.sources.iter().all(SourcePart::is_silent) && self.players.is_silent() && self.bank.is_silent()
    }

    /// Sounds a run of at most [`LONGEST_RUN_FRAMES`], one input for each source; writes left and right, and what feeds both parts of the tail.
    pub fn process(&mut self, inputs: &[&[f32]], segment: &Segment, outputs: [&mut [f32]; BUSES]) {
        // Clearing the scratch memory of a whole run would be most of the work of a short one.
        match inputs.first().map_or(0, |input| input.len()) {
            0..=16 => self.process_on_stack::<16>(inputs, segment, outputs),
            17..=64 => self.process_on_stack::<64>(inputs, segment, outputs),
            _ => self.process_on_stack::<LONGEST_RUN_FRAMES>(inputs, segment, outputs),
        }
    }

    fn process_on_stack<const FRAMES: usize>(
        &mut self,
        inputs: &[&[f32]],
        segment: &Segment,
        outputs: [&mut [f32]; BUSES],
    ) {
        let count = inputs.first().map_or(0, |input| input.len());
        let (mut frames, mut sums) = ([[[0.0; BRANCHES]; BUSES]; FRAMES], [[0.0; BUSES]; FRAMES]);
        let mut heard = [[0.0; 2]; FRAMES];
        let scratch =
            Scratch { frames: &mut frames[..count], sums: &mut sums[..count], heard: &mut heard[..count] };
        let set = self.instruction_set;
        set.run_eight(Run { early: self, inputs, segment, scratch, outputs });
    }
}

struct Run<'a, 'b> {
    early: &'a mut Early,
    inputs: &'a [&'b [f32]],
    segment: &'a Segment,
    scratch: Scratch<'a>,
    outputs: [&'a mut [f32]; BUSES],
}

impl EightKernel for Run<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn run<E: Eight>(self, eight: E) {
        let Self { early, inputs, segment, scratch, outputs } = self;
        let Scratch { frames, sums, heard } = scratch;
        for (source, input) in early.sources.iter_mut().zip(inputs) {
            source.process(eight, input, segment, heard, frames);
        }
        if !early.players.is_idle() {
            let mut copies = [[[0.0; BRANCHES]; BUSES]; LONGEST_RUN_FRAMES];
            let copies = &mut copies[..frames.len()];
            for (index, source) in early.sources.iter().enumerate().filter(|(_, source)| !source.is_silent())
            {
                early.players.copy(eight, index, &source.line, segment, copies);
            }
            early.players.process(eight, &early.design, segment, copies, frames);
        }
        early.bank.process(eight, &early.design, frames, sums);
        for (bus, output) in outputs.into_iter().enumerate() {
            for (out, sum) in output.iter_mut().zip(&*sums) {
                *out = sum[bus];
            }
        }
    }
}
