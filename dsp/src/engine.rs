//! The engine: from a dry channel to a player on the platform.
//!
//! input -> distance tone -> branches -> direct sound, reflections and tail -> output.
//!
//! A plan is made on a fixed grid of frames counted from reset, whatever the
//! blocks of the host: the same settings at the same frames give the same sound.

pub(crate) mod glide;
pub(crate) mod segment;

pub(crate) mod side_levels;
pub(crate) mod sound_gate;
pub(crate) mod stereo_input;

pub(crate) mod distance_tone;

pub(crate) mod branch_bank;
pub(crate) mod delay_line;

pub(crate) mod direct;
pub(crate) mod reflector;

pub(crate) mod players;

pub(crate) mod early;
pub(crate) mod tail_stage;

/// What the engine is made of, one by one: for benches and for tests.
pub mod parts {
    pub use super::branch_bank::{BUSES, BranchBank};
    pub use super::delay_line::DelayLine;
    pub use super::direct::Direct;
    pub use super::early::{Early, EarlyConfig, LONGEST_RUN_FRAMES};
    pub use super::glide::Glide;
    pub use super::reflector::{Change, Reflector};
    pub use super::segment::{STEPS, Segment};
}

pub use distance_tone::{DistanceTone, TonePlan, tone_gain};

use crate::engine::distance_tone::ringing_s;
use crate::engine::early::{Early, EarlyConfig, LONGEST_RUN_FRAMES, SLOW_TAIL_STEPS};
use crate::engine::segment::{STEPS, Segment};
use crate::engine::side_levels::SideLevels;
use crate::engine::sound_gate::{LetIn, LetOut};
use crate::engine::stereo_input::StereoInput;
use crate::engine::tail_stage::TailStage;
use crate::extremes::largest;
use crate::kernel::convolver::INPUTS;
use crate::kernel::instruction_set::InstructionSet;
use crate::kernel::stagger::Stagger;
use crate::plan::band_split::SplitDesign;
use crate::plan::copies::COPY_LASTS_S;
use crate::plan::planner::Planner;
use crate::plan::section_plan::SectionPlan;
use crate::plan::source_plan::{SOURCES, SourcePlan};
use crate::settings::Settings;
use crate::tail::{TailSpec, TailSupply, onset_frames};

/// Channels in and out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layout {
    /// One channel in, one out: a single omni instead of a pair.
    MonoToMono,
    /// One channel in, left and right out.
    MonoToStereo,
    /// Left and right in, left and right out.
    StereoToStereo,
}

impl Layout {
    /// Returns the number of output channels.
    pub const fn outputs(self) -> usize {
        match self {
            Self::MonoToMono => 1,
            Self::MonoToStereo | Self::StereoToStereo => 2,
        }
    }

    /// Returns the number of sources that the layout can sound: the middle, or the middle and both ends.
    const fn sources(self) -> usize {
        match self {
            Self::MonoToMono | Self::MonoToStereo => 1,
            Self::StereoToStereo => SOURCES,
        }
    }
}

/// What an engine is prepared for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Config {
    /// Sample rate, 1000 to 768 000 Hz.
    pub sample_rate_hz: f64,
    /// Channels in and out.
    pub layout: Layout,
}

/// Lowest and highest sample rate, Hz.
///
/// Sound is meant for 8 kHz, speech, to sixteen times 48 kHz. CLAP has no word
/// for a rate that is refused but to fail, and its validator tries 1 kHz; from
/// there to 8 kHz the octaves that fit play, and nothing more is promised.
const SAMPLE_RATES_HZ: (f64, f64) = (1_000.0, 768_000.0);
/// Blocks of the convolver in a grid step: 4 blocks of at most 3 ms make a grid of about 10 ms.
const BLOCKS_IN_GRID: usize = 4;
/// How long the low-passes ring, s: from the loudest input, +120 dB, down to 1e-6 (measured: 0.04 s).
const LOW_PASSES_RING_S: f64 = 0.06;

/// Why an engine could not be prepared.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PrepareError {
    /// The sample rate lies outside what the engine can run at.
    #[error("sample rate {got_hz} Hz is outside {least_hz} to {most_hz} Hz")]
    SampleRate {
        /// The rate asked for.
        got_hz: f64,
        /// The lowest rate.
        least_hz: f64,
        /// The highest rate.
        most_hz: f64,
    },
}

/// Says whether engines, the hall's included, run at a sample rate, Hz.
///
/// # Errors
/// When they do not.
pub fn check_sample_rate(got_hz: f64) -> Result<(), PrepareError> {
    let (least_hz, most_hz) = SAMPLE_RATES_HZ;
    if (least_hz..=most_hz).contains(&got_hz) {
        Ok(())
    } else {
        Err(PrepareError::SampleRate { got_hz, least_hz, most_hz })
    }
}

/// Scratch memory of a run of frames.
#[derive(Debug)]
struct Scratch {
    raw: [Vec<f32>; 2],
    toned: [Vec<f32>; 2],
    sources: [Vec<f32>; SOURCES],
    parts: [Vec<f32>; INPUTS],
    outputs: [Vec<f32>; 2],
}

impl Scratch {
    fn new(frames: usize) -> Self {
        let line = || vec![0.0; frames];
        Self {
            raw: [line(), line()],
            toned: [line(), line()],
            sources: [line(), line(), line()],
            parts: [line(), line()],
            outputs: [line(), line()],
        }
    }
}

/// A prepared engine.
///
/// ```
/// use rostra_dsp::Settings;
/// use rostra_dsp::engine::{Config, Engine, Layout};
/// use rostra_dsp::tail::BuildAtOnce;
///
/// let config = Config { sample_rate_hz: 48_000.0, layout: Layout::MonoToStereo };
/// let mut engine = Engine::prepare(config)?;
/// let mut settings = Settings::default();
/// settings.seat.depth_m = 9.0;
///
/// // A click goes in on the first channel; the player on the platform comes out on both.
/// let (mut left, mut right) = (vec![0.0; 4800], vec![0.0; 4800]);
/// left[0] = 1.0;
/// engine.process(&settings, &mut BuildAtOnce::default(), &mut [&mut left, &mut right]);
/// assert!(left[0] != 0.0 && right[0] != 0.0, "the direct sound has no latency");
/// # Ok::<(), rostra_dsp::engine::PrepareError>(())
/// ```
#[derive(Debug)]
pub struct Engine {
    config: Config,
    instruction_set: InstructionSet,
    planner: Planner,
    block_frames: usize,
    grid_frames: usize,
    /// Frames since reset.
    clock_frames: usize,
    settings: Option<Settings>,
    tail_spec: Option<TailSpec>,
    plans: Vec<SourcePlan>,
    section: SectionPlan,
    /// Whether each plan is the newest: none is made for a source that is silent.
    planned: [bool; SOURCES],
    /// Whether the tail's gains of the newest plans were worked out, too.
    tail_planned: bool,
    tone_plan: TonePlan,
    tones: [DistanceTone; 2],
    stereo_input: StereoInput,
    side_levels: SideLevels,
    early: Early,
    tails: TailStage,
    scratch: Scratch,
    rests: bool,
}

impl Engine {
    /// Allocates an engine for the widest instructions of this processor; the first tail is asked of the supply at the first frame processed.
    ///
    /// # Errors
    /// When the sample rate lies outside 1000 to 768 000 Hz.
    pub fn prepare(config: Config) -> Result<Self, PrepareError> {
        Self::prepare_on(config, InstructionSet::widest())
    }

    /// Allocates an engine that runs with a given instruction set.
    ///
    /// # Errors
    /// When the sample rate lies outside 1000 to 768 000 Hz.
    pub fn prepare_on(config: Config, instruction_set: InstructionSet) -> Result<Self, PrepareError> {
        let rate = config.sample_rate_hz;
        check_sample_rate(rate)?;
        let block_frames = onset_frames(rate);
        let grid_frames = BLOCKS_IN_GRID * block_frames;
        let design = SplitDesign::new(rate);
        let settings = Settings::default();
        let tone_plan = TonePlan::new(&settings.tone, settings.platform.air.speed_of_sound_m_s(), rate);
        let count = config.layout.sources();
        let mut engine = Self {
            config,
            instruction_set,
            planner: Planner::new(&design, config.layout.outputs(), instruction_set),
            block_frames,
            grid_frames,
            clock_frames: 0,
            settings: None,
            tail_spec: None,
            plans: vec![SourcePlan::SILENCE; count],
            section: SectionPlan::new(),
            planned: [true; SOURCES],
            tail_planned: true,
            tone_plan,
            tones: [DistanceTone::new(&tone_plan), DistanceTone::new(&tone_plan)],
            stereo_input: StereoInput::new(rate),
            side_levels: SideLevels::new(settings.seat.lean_db),
            early: Early::new(&EarlyConfig {
                sample_rate_hz: rate,
                sources: count,
                outputs: config.layout.outputs(),
                grid_frames,
                instruction_set,
            }),
            tails: TailStage::new(block_frames, rate),
            scratch: Scratch::new(LONGEST_RUN_FRAMES),
            rests: true,
        };
        engine.plan_all(&settings);
        Ok(engine)
    }

    /// Returns the tail that an engine asks for at these settings.
    pub fn tail_spec(config: &Config, settings: &Settings) -> TailSpec {
        let settings = settings.snapped();
        let pair = (config.layout.outputs() == 2).then_some(settings.microphones.pair);
        TailSpec::new(&settings.platform, pair, config.sample_rate_hz)
    }

    /// Forgets all sound; the next frame starts a new grid of plans, at the then current settings, without fades.
    pub fn reset(&mut self) {
        self.clock_frames = 0;
        self.settings = None;
        self.early.reset();
        self.stereo_input.reset();
        self.tails.reset();
    }

    /// Processes in place: `channels` holds the input on entry (its first channel
    /// for a mono input) and the output on return; all slices have one length.
    ///
    /// `settings` hold from the first to the last frame of the call. Input that
    /// is not finite is silence; output is always finite and never subnormal.
    pub fn process(&mut self, settings: &Settings, supply: &mut dyn TailSupply, channels: &mut [&mut [f32]]) {
        let total = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        let mut done = 0;
        while done < total {
            if self.clock_frames.is_multiple_of(self.grid_frames) {
                self.replan(settings, supply);
            } else if self.clock_frames % self.grid_frames == self.grid_frames / 2 {
                self.plan_tails();
            }
            let frames = self.run_frames().min(total - done);
            self.run(channels, done, frames);
            self.clock_frames += frames;
            done += frames;
        }
    }

    /// Says whether nothing moved since the last grid step: all has arrived at the newest plan.
    pub const fn rests(&self) -> bool {
        self.rests
    }

    /// Returns the latency: always 0 frames.
    pub const fn latency_frames(&self) -> usize {
        0
    }

    /// Returns how long the output may sound after the input ended, in frames, at the newest plan.
    pub fn tail_frames(&self) -> usize {
        self.longest_frames(&self.settings.unwrap_or_default(), self.tails.frames())
    }

    /// Returns the same for settings and a tail of so many frames that are yet to come; before the first frame.
    pub fn first_tail_frames(&mut self, settings: &Settings, tail_frames: usize) -> usize {
        let settings = settings.snapped();
        // All of it is planned anew at the first frame.
        self.plan_all(&settings);
        self.longest_frames(&settings, tail_frames)
    }

    fn longest_frames(&self, Settings { tone, platform, .. }: &Settings, tail_frames: usize) -> usize {
        let places = &self.section.places[..self.section.count];
        let capsules = self.plans.iter().chain(places).flat_map(|plan| &plan.capsules);
        let copies_s = if self.section.count > 0 { COPY_LASTS_S } else { 0.0 };
        let reflections = largest(capsules.flat_map(|capsule| capsule.delay_samples)).ceil() as usize
            + (copies_s * self.config.sample_rate_hz) as usize;
        let feeds = self
            .plans
            .iter()
            .flat_map(|plan| plan.early_feed.delay_samples.into_iter().chain(plan.late_feed.delay_samples));
        let fed_until = largest(feeds).ceil() as usize;
        let tone_s = ringing_s(tone, platform.air.speed_of_sound_m_s());
        let ringing = ((LOW_PASSES_RING_S + tone_s) * self.config.sample_rate_hz) as usize;
        (tail_frames + fed_until).max(reflections) + self.block_frames + ringing
    }

    /// Makes the whole plan of one source.
    fn plan(&mut self, index: usize, settings: &Settings) {
        self.plan_arrivals(index, settings);
        self.plan_tail(index);
    }

    fn plan_arrivals(&mut self, index: usize, settings: &Settings) {
        self.planner.plan_arrivals(settings, index, &mut self.plans[index]);
        self.section.relieve(&mut self.plans[index]);
        self.planned[index] = true;
    }

    fn plan_tail(&mut self, index: usize) {
        self.planner.plan_tail(index, self.tails.low(), &mut self.plans[index]);
    }

    fn plan_all(&mut self, settings: &Settings) {
        self.section.plan(settings, &mut self.planner);
        for index in 0..self.plans.len() {
            self.plan(index, settings);
        }
    }

    /// Works out the tail's gains for the newest arrivals, once in a slow step of the tail and half a grid step ahead of it.
    ///
    /// The arrivals are planned at grid samples; both at once would make one block expensive.
    fn plan_tails(&mut self) {
        let next_step = self.clock_frames / self.grid_frames + 1;
        if self.tail_planned || !next_step.is_multiple_of(SLOW_TAIL_STEPS) {
            return;
        }
        for index in 0..self.plans.len() {
            if self.planned[index] {
                self.plan_tail(index);
            }
        }
        self.tail_planned = true;
    }

    /// Makes a plan, if settings or tail changed, and starts the next grid step.
    fn replan(&mut self, settings: &Settings, supply: &mut dyn TailSupply) {
        let settings = settings.snapped();
        let first = self.settings.is_none();
        if self.settings != Some(settings) {
            let spec = Self::tail_spec(&self.config, &settings);
            if self.tail_spec != Some(spec) {
                self.tail_spec = Some(spec);
                supply.ask(&spec);
            }
        }
        if first {
            let seat = &settings.seat;
            let numbers = [seat.depth_m, seat.bearing_deg, seat.riser_m, seat.facing_deg, seat.width_m];
            self.tails.stagger_by(Stagger::of(&numbers));
        }
        let tail_changed = self.tails.collect(supply, first);
        let changed = tail_changed || self.settings != Some(settings);
        let slow = (self.clock_frames / self.grid_frames).is_multiple_of(SLOW_TAIL_STEPS);
        if slow && !first {
            // Before the arrivals are planned anew: gain and level of the tail are those of one plan.
            for index in 0..self.plans.len() {
                if self.planned[index] {
                    self.early.glide_tail_to(index, &self.plans[index]);
                }
            }
        }
        if first {
            self.plan_all(&settings);
            self.tail_planned = true;
        } else if changed {
            self.section.plan(&settings, &mut self.planner);
            for index in 0..self.plans.len() {
                // What is silent is planned when it wakes, and then nothing of it has to fade; but the level of a section's
                // places is that of the first plan.
                let is_needed = index == 0 && self.section.count > 0;
                if self.early.source_is_silent(index) && !is_needed {
                    self.planned[index] = false;
                } else {
                    self.plan_arrivals(index, &settings);
                }
            }
            self.tail_planned = false;
        }
        if changed {
            let speed = settings.platform.air.speed_of_sound_m_s();
            self.tone_plan = TonePlan::new(&settings.tone, speed, self.config.sample_rate_hz);
            self.settings = Some(settings);
        }
        if first {
            self.tones.iter_mut().for_each(|tone| tone.reset(&self.tone_plan));
            self.side_levels = SideLevels::new(settings.seat.lean_db);
            self.early.jump_to(&self.plans);
            self.early.stand_players_at(&self.section, &self.plans[0]);
        } else {
            self.tones.iter_mut().for_each(|tone| tone.glide_to(&self.tone_plan));
            self.side_levels.glide_to(settings.seat.lean_db);
            self.early.glide_players_to(&self.section, &self.plans[0], changed);
            for index in 0..self.plans.len() {
                if self.planned[index] {
                    self.early.glide_to(index, &self.plans[index], changed);
                }
            }
        }
        let early = &self.early;
        let rests = |index: usize| !self.planned[index] || early.source_rests(index);
        self.rests = self.tones.iter().all(DistanceTone::rests)
            && self.side_levels.rests()
            && early.players_rest()
            && (0..self.plans.len()).all(rests);
    }

    /// Returns how many frames may run at once: within the block, and within the grid's step while something moves.
    fn run_frames(&self) -> usize {
        let span = if self.rests { self.block_frames } else { self.grid_frames / STEPS };
        let span = span.min(LONGEST_RUN_FRAMES);
        span - self.clock_frames % span
    }

    fn run(&mut self, channels: &mut [&mut [f32]], start: usize, frames: usize) {
        let segment =
            Segment { offset_frames: self.clock_frames % self.grid_frames, grid_frames: self.grid_frames };
        let stereo = self.config.layout == Layout::StereoToStereo;
        let outputs = self.config.layout.outputs();
        let scratch = &mut self.scratch;
        let shares = (segment.share(0), segment.share_per_frame());
        let sides = 1 + usize::from(stereo);
        let mut silent = true;
        for side in 0..sides {
            let raw = &mut scratch.raw[side][..frames];
            let input = &channels[side][start..start + frames];
            silent &= self.instruction_set.run(LetIn { input, raw });
        }
        if silent && self.is_silent() {
            // Nothing sounds, and nothing is to be done but to keep step.
            self.tails.pass_silence(frames);
            self.stereo_input.pass_silence(frames);
            for channel in channels.iter_mut().take(outputs) {
                channel[start..start + frames].fill(0.0);
            }
            return;
        }
        let scratch = &mut self.scratch;
        for side in 0..sides {
            let toned = &mut scratch.toned[side][..frames];
            toned.copy_from_slice(&scratch.raw[side][..frames]);
            self.tones[side].process(shares, toned);
        }
        if stereo {
            let [left, right] = &scratch.raw;
            let [toned_left, toned_right] = &scratch.toned;
            let [middle, low, high] = &mut scratch.sources;
            self.stereo_input.split(
                [&left[..frames], &right[..frames]],
                [&toned_left[..frames], &toned_right[..frames]],
                [&mut middle[..frames], &mut low[..frames], &mut high[..frames]],
            );
            self.side_levels.process(shares, [&mut low[..frames], &mut high[..frames]]);
        }
        self.wake(frames);
        let scratch = &mut self.scratch;
        let [left, right] = &mut scratch.outputs;
        let [first, second] = &mut scratch.parts;
        let [middle, low, high] = &scratch.sources;
        let middle = if stereo { middle } else { &scratch.toned[0] };
        let sources = [&middle[..frames], &low[..frames], &high[..frames]];
        self.early.process(
            &sources[..self.plans.len()],
            &segment,
            [&mut left[..frames], &mut right[..frames], &mut first[..frames], &mut second[..frames]],
        );
        let [early, late] = &scratch.parts;
        let [left, right] = &mut scratch.outputs;
        let mut heard = [&mut left[..frames], &mut right[..frames]];
        self.tails.process([&early[..frames], &late[..frames]], &mut heard[..outputs]);
        for (channel, heard) in channels.iter_mut().zip(&scratch.outputs).take(outputs) {
            let output = &mut channel[start..start + frames];
            self.instruction_set.run(LetOut { heard: &heard[..frames], output });
        }
    }

    /// Plans the sources that were silent and are about to sound; nothing of them sounds yet, so nothing fades.
    fn wake(&mut self, frames: usize) {
        let Some(settings) = self.settings else { return };
        let stereo = self.config.layout == Layout::StereoToStereo;
        for index in 0..self.plans.len() {
            let input = if stereo { &self.scratch.sources[index] } else { &self.scratch.toned[0] };
            if !self.planned[index] && input[..frames].iter().any(|&x| x != 0.0) {
                self.plan(index, &settings);
                self.early.stand_source_at(index, &self.plans[index]);
            }
        }
    }

    /// Says whether nothing of what was heard still sounds.
    fn is_silent(&self) -> bool {
        self.tails.is_silent() && self.early.is_silent() && self.tones.iter().all(DistanceTone::is_silent)
    }
}
