//! The hall's engine: from the shared bus to the hall around it.
//!
//! input -> gap -> first reflections and tail -> width -> output.
//!
//! Settings are taken up at the start of each block of frames counted from
//! reset, whatever the blocks of the host. All gains go in straight lines over
//! a block; gap, reflections and tail give way to new ones over 50 ms.

use super::Hall;
use super::diffuser::DIFFUSER_RINGS_S;
use super::early::Early;
use super::pre_delay::{PreDelay, longest_pre_delay_s};
use super::ramp::Ramp;
use crate::acoustics::decibel::gain_of_db;
use crate::engine::early::LONGEST_RUN_FRAMES;
use crate::engine::sound_gate::{LetIn, LetOut};
use crate::engine::tail_stage::TailStage;
use crate::engine::{PrepareError, check_sample_rate};
use crate::hall::decorrelator::{Decorrelator, RINGS_S};
use crate::kernel::convolver::INPUTS;
use crate::kernel::instruction_set::{InstructionSet, Kernel};
use crate::tail::{TailSpec, TailSupply, hall_onset_frames};

/// How long the low-passes of the reflections ring, s: from +120 dB down to their silent state, 420 dB at the least
/// coefficient, rounded up.
const LOW_PASSES_RING_S: f64 = 0.02;
/// Longest delay of a reflection, s: as in [`super::early`].
const REFLECTIONS_S: f64 = 0.18;

/// Gains of an output.
#[derive(Clone, Copy, Debug, Default)]
struct Gains {
    /// Of what comes before the mixing time.
    early: Ramp,
    /// Of what both channels have in common, and of what they have not.
    mid: Ramp,
    side: Ramp,
    /// Of the input as it is.
    dry: Ramp,
}

impl Gains {
    /// Returns early, mid, side and dry of a hall.
    ///
    /// With w the width, mid = s sqrt(2/(1+w^2)) and side = w mid, s the share of
    /// the hall: two channels that have nothing in common keep their power.
    fn wanted(hall: &Hall) -> [f64; 4] {
        let from_db = |db: f64| gain_of_db(db);
        let (width, wet) = (hall.width_pct / 100.0, hall.wet_pct / 100.0);
        let trim = from_db(hall.trim_db);
        let mid = trim * wet * (2.0 / (1.0 + width * width)).sqrt();
        [from_db(hall.early_db), mid, width * mid, trim * (1.0 - wet)]
    }

    fn ramps(&mut self) -> [&mut Ramp; 4] {
        [&mut self.early, &mut self.mid, &mut self.side, &mut self.dry]
    }
}

/// Scratch memory of a run of frames.
#[derive(Debug)]
struct Scratch {
    raw: [Vec<f32>; 2],
    late: [Vec<f32>; 2],
    parts: [Vec<f32>; INPUTS],
    early: [Vec<f32>; 2],
    hall: [Vec<f32>; 2],
}

/// A prepared hall, two channels in and two out.
#[derive(Debug)]
pub struct HallEngine {
    sample_rate_hz: f64,
    set: InstructionSet,
    block_frames: usize,
    /// Frames since reset.
    clock_frames: usize,
    /// The newest settings that were taken up.
    hall: Option<Hall>,
    tail_spec: Option<TailSpec>,
    /// Whether the reflections are still those of an older hall.
    early_is_old: bool,
    gains: Gains,
    pre_delay: PreDelay,
    early: Early,
    decorrelators: [Decorrelator; 2],
    tails: TailStage,
    scratch: Scratch,
    /// Frames since the last input that was no silence, up to [`Self::rung_frames`].
    quiet_frames: usize,
}

impl HallEngine {
    /// Allocates a hall; the first tail is asked of the supply at the first frame processed.
    ///
    /// # Errors
    /// When the sample rate lies outside 1000 to 768 000 Hz.
    pub fn prepare(sample_rate_hz: f64) -> Result<Self, PrepareError> {
        Self::prepare_on(sample_rate_hz, InstructionSet::widest())
    }

    /// Allocates a hall that runs with a given instruction set.
    ///
    /// # Errors
    /// When the sample rate lies outside 1000 to 768 000 Hz.
    pub fn prepare_on(sample_rate_hz: f64, set: InstructionSet) -> Result<Self, PrepareError> {
        check_sample_rate(sample_rate_hz)?;
        let block_frames = hall_onset_frames(sample_rate_hz);
        let line = || vec![0.0; LONGEST_RUN_FRAMES];
        let lines = || [line(), line()];
        let mut engine = Self {
            sample_rate_hz,
            set,
            block_frames,
            clock_frames: 0,
            hall: None,
            tail_spec: None,
            early_is_old: false,
            gains: Gains::default(),
            pre_delay: PreDelay::new(sample_rate_hz),
            early: Early::new(set, sample_rate_hz),
            decorrelators: [false, true].map(|right| Decorrelator::new(right, sample_rate_hz)),
            tails: TailStage::new(LONGEST_RUN_FRAMES, sample_rate_hz),
            scratch: Scratch { raw: lines(), late: lines(), parts: lines(), early: lines(), hall: lines() },
            quiet_frames: 0,
        };
        engine.reset();
        Ok(engine)
    }

    /// Forgets all sound; the next frame starts in the then current hall, without fades.
    pub fn reset(&mut self) {
        self.clock_frames = 0;
        self.hall = None;
        self.early_is_old = false;
        self.pre_delay.reset();
        self.early.reset();
        self.decorrelators.iter_mut().for_each(Decorrelator::reset);
        self.tails.reset();
        self.quiet_frames = self.rung_frames();
    }

    /// Returns the latency: always 0 frames.
    pub const fn latency_frames(&self) -> usize {
        0
    }

    /// Returns how long the output may sound after the input ended, in frames.
    pub fn tail_frames(&self) -> usize {
        self.first_tail_frames(self.tails.frames())
    }

    /// Returns the same for a tail of so many frames that is yet to come.
    pub fn first_tail_frames(&self, tail_frames: usize) -> usize {
        self.rung_frames() + tail_frames + self.block_frames
    }

    /// Returns the frames after which nothing before the tail sounds any more.
    fn rung_frames(&self) -> usize {
        ((longest_pre_delay_s() + DIFFUSER_RINGS_S + REFLECTIONS_S + LOW_PASSES_RING_S)
            .max(longest_pre_delay_s() + RINGS_S)
            * self.sample_rate_hz) as usize
    }

    /// Says whether nothing of what was heard still sounds.
    fn is_silent(&self) -> bool {
        self.quiet_frames > self.rung_frames() && self.tails.is_silent()
    }

    /// Processes in place: the input on entry, the output on return; both slices have one length.
    ///
    /// `hall` holds from the first to the last frame of the call. Input that is
    /// not finite is silence; output is always finite and never subnormal.
    pub fn process(&mut self, hall: &Hall, supply: &mut dyn TailSupply, channels: [&mut [f32]; 2]) {
        let [left, right] = channels;
        let total = left.len().min(right.len());
        let mut done = 0;
        while done < total {
            let at = self.clock_frames % self.block_frames;
            if at == 0 {
                self.take_up(hall, supply);
            }
            let frames = (self.block_frames - at).min(LONGEST_RUN_FRAMES).min(total - done);
            self.run(at, [&mut left[done..done + frames], &mut right[done..done + frames]]);
            self.clock_frames += frames;
            done += frames;
        }
    }

    /// Takes up the settings at the start of a block.
    fn take_up(&mut self, hall: &Hall, supply: &mut dyn TailSupply) {
        let hall = hall.snapped();
        let first = self.hall.is_none();
        let changed = self.hall != Some(hall);
        if changed {
            let spec = hall.tail_spec(self.sample_rate_hz);
            if self.tail_spec != Some(spec) {
                self.early_is_old = self.tail_spec.is_some();
                self.tail_spec = Some(spec);
                supply.ask(&spec);
            }
            self.hall = Some(hall);
        }
        self.tails.collect(supply, first);
        let wanted = Gains::wanted(&hall);
        for (ramp, wanted) in self.gains.ramps().into_iter().zip(wanted) {
            if first {
                ramp.jump_to(wanted);
            } else {
                ramp.glide_to(wanted);
            }
        }
        // Where nothing sounds, nothing has to fade: the next sound starts in the newest hall.
        if first || self.is_silent() {
            self.pre_delay.jump_to(hall.pre_delay_s);
            if first || self.early_is_old || self.early.is_fading() {
                self.early.jump_to(&hall);
            }
            self.early_is_old = false;
        } else {
            self.pre_delay.glide_to(hall.pre_delay_s);
            if self.early_is_old {
                self.early_is_old = !self.early.glide_to(&hall);
            }
        }
    }

    fn run(&mut self, at: usize, channels: [&mut [f32]; 2]) {
        let frames = channels[0].len();
        let rung_frames = self.rung_frames();
        let scratch = &mut self.scratch;
        let mut silent = true;
        for (raw, channel) in scratch.raw.iter_mut().zip(&channels) {
            silent &= self.set.run(LetIn { input: channel, raw: &mut raw[..frames] });
        }
        if silent {
            self.quiet_frames = self.quiet_frames.saturating_add(frames);
        } else {
            // Counted from the last sound itself, so that the host's blocks do not matter.
            let last = |raw: &Vec<f32>| raw[..frames].iter().rposition(|&x| x != 0.0).map_or(0, |n| n + 1);
            self.quiet_frames = frames - scratch.raw.iter().map(last).max().unwrap_or(0);
        }
        if self.quiet_frames > rung_frames && self.tails.is_silent() {
            self.tails.pass_silence(frames);
            for channel in channels {
                channel.fill(0.0);
            }
            return;
        }
        let [raw_left, raw_right] = scratch.raw.each_ref().map(|line| &line[..frames]);
        let [late_left, late_right] = scratch.late.each_mut().map(|line| &mut line[..frames]);
        self.pre_delay.process([raw_left, raw_right], [late_left, late_right]);
        let late = scratch.late.each_ref().map(|line| &line[..frames]);
        let mut early = scratch.early.each_mut().map(|line| &mut line[..frames]);
        for line in &mut early {
            line.fill(0.0);
        }
        self.early.process(late, early);

        // Both channels drive one tail, through all-passes that keep opposite sides from cancelling.
        let [first, second] = scratch.parts.each_mut().map(|line| &mut line[..frames]);
        let [of_left, of_right] = &mut self.decorrelators;
        of_left.filter(late[0], second);
        of_right.filter(late[1], first);
        let mut hall = scratch.hall.each_mut().map(|line| &mut line[..frames]);
        let [early_left, early_right] = scratch.early.each_ref().map(|line| &line[..frames]);
        let [left, right] = &mut hall;
        let gain = self.gains.early.at(at, self.block_frames);
        self.set.run(Feed { gain, first, second, early: [early_left, early_right], hall: [left, right] });
        let parts = scratch.parts.each_ref().map(|line| &line[..frames]);
        self.tails.process(parts, &mut hall);

        let [mid, side, dry] =
            [self.gains.mid, self.gains.side, self.gains.dry].map(|ramp| ramp.at(at, self.block_frames));
        let [left, right] = scratch.hall.each_mut().map(|line| &mut line[..frames]);
        let raw = scratch.raw.each_ref().map(|line| &line[..frames]);
        self.set.run(Join { mid, side, dry, raw, left, right });
        for (channel, heard) in channels.into_iter().zip(&scratch.hall) {
            self.set.run(LetOut { heard: &heard[..frames], output: channel });
        }
    }
}

/// A gain at the first frame of a run, and its change per frame.
type Gain = (f32, f32);

/// Feeds both parts of the tail with both channels together, and starts the hall with its reflections.
struct Feed<'a> {
    gain: Gain,
    /// The right channel on entry, what feeds the first part on return.
    first: &'a mut [f32],
    /// The left channel on entry, what feeds the second part on return.
    second: &'a mut [f32],
    early: [&'a [f32]; 2],
    hall: [&'a mut [f32]; 2],
}

impl Kernel for Feed<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let (from, step) = self.gain;
        for (n, (before, after)) in self.first.iter_mut().zip(self.second).enumerate() {
            *after += *before;
            *before = *after * (from + step * n as f32);
        }
        for (hall, early) in self.hall.into_iter().zip(self.early) {
            for (n, (out, x)) in hall.iter_mut().zip(early).enumerate() {
                *out = x * (from + step * n as f32);
            }
        }
    }
}

/// Sets width, level and dry share.
struct Join<'a> {
    mid: Gain,
    side: Gain,
    dry: Gain,
    raw: [&'a [f32]; 2],
    left: &'a mut [f32],
    right: &'a mut [f32],
}

impl Kernel for Join<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let heard = self.left.iter_mut().zip(self.right);
        for (n, ((left, right), (dry_left, dry_right))) in
            heard.zip(self.raw[0].iter().zip(self.raw[1])).enumerate()
        {
            let gain = |(from, step): Gain| from + step * n as f32;
            let common = 0.5 * gain(self.mid) * (*left + *right);
            let apart = 0.5 * gain(self.side) * (*left - *right);
            *left = common + apart + gain(self.dry) * dry_left;
            *right = common - apart + gain(self.dry) * dry_right;
        }
    }
}
