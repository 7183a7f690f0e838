//! The audio thread's part: a loop through a channel's chain and the hall, block by block.
//!
//! loop -> fade -> chain of the plug-in -> send to the hall -> level -> ceiling -> meter.
//!
//! `process` neither allocates, frees, locks, logs nor asks the time: what it
//! needs comes through one ring, and what it has done with goes back through
//! another to be freed elsewhere.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use anyhow::{Result, anyhow};
use atomic_float::AtomicF32;
use rostra::chain::{Chain, Wanted};
use rostra::meters::Meters;
use rostra::tail_builder::Supply;
use rostra_dsp::acoustics::gain_of_db;
use rostra_dsp::engine::{Config, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::hall::{Hall, HallEngine};
use rtrb::{Consumer, Producer, RingBuffer};

use crate::ceiling::under_ceiling;
use crate::moves::Moves;
use crate::ramp::Ramp;
use crate::scene::{HALL_LEVEL_DB, Placement};
use crate::sound_loop::SoundLoop;
use crate::strike::Strike;

/// Frames that are made at once; bounds the working room, whatever the sound card asks for.
const RUN_FRAMES: usize = 1024;
/// Time of every fade, s: start, stop, another loop, mute. Too long for a click, too short to wait for (our choice).
const FADE_S: f64 = 0.020;
/// Time of the fades at both ends of a loop, s: its end need not fit its start (our choice).
const SEAM_S: f64 = 0.005;
/// Commands that may wait: far more than a hand gives within a block.
const COMMANDS: usize = 256;
/// Parts that may wait to be freed.
const RETIRED: usize = 8;
/// Level at first, dB: low, because nobody knows yet how loud the amplifier is set; the user raises it (our choice).
pub const FIRST_LEVEL_DB: f64 = -20.0;

/// What plays: the sound that comes in, and the chain that it goes through.
pub struct Part {
    chain: Chain,
    source: Source,
}

/// Where the dry sound comes from.
enum Source {
    /// A loop, and the frame that comes next.
    Loop(Box<SoundLoop>, usize),
    /// A microphone.
    Input(Ear),
}

/// What a microphone heard, through a ring.
struct Ear {
    heard: Consumer<f32>,
    /// Frames that were left in the ring the last time; none before it was looked at.
    left: Option<usize>,
    /// Most frames that came at once.
    most: usize,
}

impl Ear {
    /// Lets go of all but the newest two blocks, those of the microphone or of the output, whichever are longer.
    ///
    /// What waited in the ring when the microphone is let in would stay its delay for good.
    fn forget(&mut self, frames: usize) {
        let waiting = self.heard.slots();
        if let Some(left) = self.left {
            self.most = larger(self.most, waiting.saturating_sub(left));
        }
        let late = waiting.saturating_sub(2 * frames.max(self.most));
        if let Ok(late) = self.heard.read_chunk(late) {
            late.commit_all();
        }
    }
}

impl Part {
    /// Prepares a loop at its own rate; allocates.
    ///
    /// # Errors
    /// When the engine cannot run at this rate.
    pub fn of_loop(
        sound: SoundLoop,
        is_offline: bool,
        first: &Wanted,
        meters: Arc<Meters>,
    ) -> Result<Box<Self>> {
        let layout = if sound.channels.len() == 2 { Layout::StereoToStereo } else { Layout::MonoToStereo };
        let config = Config { sample_rate_hz: f64::from(sound.rate_hz), layout };
        let chain = Chain::prepare(config, is_offline, first, meters).map_err(|error| anyhow!("{error}"))?;
        Ok(Box::new(Self { chain, source: Source::Loop(Box::new(sound), 0) }))
    }

    /// Prepares a microphone, one channel, through a ring that its own thread fills; allocates.
    ///
    /// # Errors
    /// When the engine cannot run at this rate.
    pub fn of_input(
        heard: Consumer<f32>,
        rate_hz: u32,
        first: &Wanted,
        meters: Arc<Meters>,
    ) -> Result<Box<Self>> {
        let config = Config { sample_rate_hz: f64::from(rate_hz), layout: Layout::MonoToStereo };
        let chain = Chain::prepare(config, false, first, meters).map_err(|error| anyhow!("{error}"))?;
        Ok(Box::new(Self { chain, source: Source::Input(Ear { heard, left: None, most: 0 }) }))
    }
}

/// What the audio thread is told.
#[expect(clippy::large_enum_variant, reason = "a box would have to be freed on the audio thread")]
pub enum Command {
    /// Another scene.
    Place(Placement),
    /// The dry signal, as loud as the placed one.
    Compare(bool),
    /// The dry signal as it is.
    Bypass(bool),
    /// Whether the loop, or the microphone, is let in.
    Play(bool),
    /// Gain of the output, linear.
    Level(f32),
    /// A click or a hand clap, once.
    Strike(Strike),
    /// Another loop, or a microphone.
    Load(Box<Part>),
    /// Fades everything out; the sound card is about to be let go.
    Close,
}

/// What the audio thread tells: each value stands for itself.
#[derive(Default)]
pub struct Told {
    /// Largest magnitude of the output since it was last looked at, left and right.
    pub peaks: [AtomicF32; 2],
    /// Largest magnitude that came to the ceiling since it was last looked at.
    pub under_ceiling: AtomicF32,
    /// Moves of the script that were made, all repetitions together.
    pub moves: AtomicUsize,
    /// Whether all has been faded out after [`Command::Close`].
    pub is_closed: AtomicBool,
}

/// The other end of a player: what commands it, and frees what it has done with.
pub struct Lead {
    commands: Producer<Command>,
    retired: Consumer<Box<Part>>,
    /// What it tells.
    pub told: Arc<Told>,
}

impl Lead {
    /// Sends a command; says whether there was room for it.
    pub fn tell(&mut self, command: Command) -> bool {
        self.commands.push(command).is_ok()
    }

    /// Frees what the player has done with.
    pub fn free(&mut self) {
        while let Ok(part) = self.retired.pop() {
            drop(part);
        }
    }
}

/// A script in frames.
struct Script {
    /// Frame and scene of each move, by time.
    moves: Vec<(u64, Placement)>,
    repeat_frames: Option<u64>,
    /// The move that comes next.
    next: usize,
    /// Where the present repetition started.
    start_frame: u64,
}

impl Script {
    fn new(moves: &Moves, rate_hz: f64) -> Self {
        let frame = |at_s: f64| (at_s * rate_hz).round() as u64;
        Self {
            moves: moves.moves.iter().map(|at| (frame(at.at_s), at.scene.placement())).collect(),
            repeat_frames: moves.repeat_s.map(frame),
            next: 0,
            start_frame: 0,
        }
    }

    /// Returns the scene of the last move that is due at a frame, and how many are.
    fn due(&mut self, frame: u64) -> Option<(Placement, usize)> {
        let mut newest = None;
        loop {
            if self.next == self.moves.len()
                && let Some(repeat_frames) = self.repeat_frames
            {
                self.next = 0;
                self.start_frame += repeat_frames;
            }
            match self.moves.get(self.next) {
                Some(&(at, placement)) if self.start_frame + at <= frame => {
                    self.next += 1;
                    newest = Some((placement, newest.map_or(1, |(_, count)| count + 1)));
                }
                _ => return newest,
            }
        }
    }

    /// Returns how many frames pass until the next move.
    fn wait_frames(&self, frame: u64) -> usize {
        self.moves.get(self.next).map_or(usize::MAX, |(at, _)| {
            usize::try_from((self.start_frame + at).saturating_sub(frame)).unwrap_or(usize::MAX)
        })
    }
}

/// How a player starts.
pub struct Start<'a> {
    /// What plays.
    pub part: Box<Part>,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// What is wanted of the chain.
    pub wanted: Wanted,
    /// Where it sounds.
    pub placement: Placement,
    /// Seat changes by the clock of the samples.
    pub moves: Option<&'a Moves>,
    /// For a render: tails are built on the spot, and the loop sounds from its first frame, without fades.
    pub is_offline: bool,
    /// Gain of the output, linear; of no account in [`Player::place`].
    pub level: f32,
}

/// What plays, on the audio thread.
pub struct Player {
    part: Box<Part>,
    next_part: Option<Box<Part>>,
    wanted: Wanted,
    hall: HallEngine,
    hall_supply: Supply,
    hall_settings: Hall,
    send: Ramp,
    /// Whether anything was ever sent to the hall.
    has_sent: bool,
    /// Gain on the way to the hall and back: 0 while the dry signal is compared.
    hall_gate: Ramp,
    /// Gain on what comes in.
    input: Ramp,
    /// Gain on what goes out: 0 while a loop gives way to another.
    gate: Ramp,
    level: Ramp,
    is_closing: bool,
    is_offline: bool,
    strikes: [Vec<f32>; Strike::ALL.len()],
    /// The frame of each strike that comes next; at its end where it is silent.
    struck: [usize; Strike::ALL.len()],
    script: Option<Script>,
    seam_frames: usize,
    return_gain: f32,
    frame: u64,
    bus: [Box<[f32]>; 2],
    commands: Consumer<Command>,
    retired: Producer<Box<Part>>,
    told: Arc<Told>,
}

impl Player {
    /// Prepares a player and its lead; allocates.
    ///
    /// # Errors
    /// When the engines cannot run at this rate.
    pub fn new(start: Start) -> Result<(Self, Lead)> {
        let Start { part, rate_hz, mut wanted, placement, moves, is_offline, level } = start;
        let rate_hz = f64::from(rate_hz);
        wanted.settings = placement.settings;
        let hall_settings = placement.hall.map_or_else(Hall::default, |send| send.hall);
        let hall = HallEngine::prepare(rate_hz).map_err(|error| anyhow!("{error}"))?;
        let tail = hall_settings.tail_spec(rate_hz);
        let hall_supply = if is_offline { Supply::offline(&tail) } else { Supply::live(&tail) };
        let (commands, commands_in) = RingBuffer::new(COMMANDS);
        let (retired_out, retired) = RingBuffer::new(RETIRED);
        let told = Arc::new(Told::default());
        let fade_frames = FADE_S * rate_hz;
        let strikes = Strike::ALL.map(|strike| strike.sound(rate_hz));
        let silence = || vec![0.0; RUN_FRAMES].into_boxed_slice();
        let player = Self {
            part,
            next_part: None,
            wanted,
            hall,
            hall_supply,
            hall_settings,
            send: Ramp::new(placement.hall.map_or(0.0, |send| send.gain), fade_frames),
            has_sent: false,
            hall_gate: Ramp::new(if wanted.is_compared { 0.0 } else { 1.0 }, fade_frames),
            input: Ramp::new(if is_offline { 1.0 } else { 0.0 }, fade_frames),
            gate: Ramp::new(if is_offline { 1.0 } else { 0.0 }, fade_frames).to(1.0),
            level: Ramp::new(level, fade_frames),
            is_closing: false,
            is_offline,
            struck: strikes.each_ref().map(Vec::len),
            strikes,
            script: moves.map(|moves| Script::new(moves, rate_hz)),
            seam_frames: (SEAM_S * rate_hz) as usize,
            return_gain: gain_of_db(HALL_LEVEL_DB) as f32,
            frame: 0,
            bus: [silence(), silence()],
            commands: commands_in,
            retired: retired_out,
            told: Arc::clone(&told),
        };
        Ok((player, Lead { commands, retired, told }))
    }

    /// Plays any number of frames: placed, at its level, under the ceiling.
    pub fn process(&mut self, left: &mut [f32], right: &mut [f32]) {
        self.take_commands();
        for (left, right) in left.chunks_mut(RUN_FRAMES).zip(right.chunks_mut(RUN_FRAMES)) {
            self.place(left, right);
            let (mut peaks, mut loudest) = ([0.0_f32; 2], 0.0_f32);
            for (left, right) in left.iter_mut().zip(right) {
                let gain = self.level.step() * self.gate.step();
                for (x, peak) in [left, right].into_iter().zip(&mut peaks) {
                    let raw = *x * gain;
                    loudest = larger(loudest, raw.abs());
                    *x = under_ceiling(raw);
                    *peak = larger(*peak, x.abs());
                }
            }
            for (told, peak) in self.told.peaks.iter().zip(peaks) {
                told.fetch_max(peak, Ordering::Relaxed);
            }
            self.told.under_ceiling.fetch_max(loudest, Ordering::Relaxed);
            self.change_parts();
        }
        if self.is_closing && self.gate.is_at(0.0) {
            self.told.is_closed.store(true, Ordering::Release);
        }
    }

    /// Plays what the seat's chain and the hall put out, before level and ceiling.
    ///
    /// The seat changes at the frames of the script, whatever the blocks.
    pub fn place(&mut self, left: &mut [f32], right: &mut [f32]) {
        let total = left.len().min(right.len());
        let mut done = 0;
        while done < total {
            let mut frames = (total - done).min(RUN_FRAMES);
            if let Some(script) = &mut self.script {
                if let Some((placement, count)) = script.due(self.frame) {
                    self.told.moves.fetch_add(count, Ordering::Relaxed);
                    frames = usize::min(frames, script.wait_frames(self.frame));
                    self.jump_to(&placement);
                } else {
                    frames = usize::min(frames, script.wait_frames(self.frame));
                }
            }
            self.run(&mut left[done..done + frames], &mut right[done..done + frames]);
            self.frame += frames as u64;
            done += frames;
        }
    }

    /// Returns how long the sound goes on after the loop has ended, in frames.
    pub fn tail_frames(&self) -> usize {
        let hall = if self.has_sent { self.hall.tail_frames() } else { 0 };
        self.part.chain.tail_frames() + hall
    }

    /// Stops the loop at once, for the tail of a render.
    pub fn end_loop(&mut self) {
        self.input = Ramp::new(0.0, 1.0);
    }

    fn take_commands(&mut self) {
        // A part that is replaced before it was heard needs room to go back, the one that plays too.
        while self.retired.slots() >= 2
            && let Ok(command) = self.commands.pop()
        {
            match command {
                Command::Place(placement) => self.jump_to(&placement),
                Command::Compare(is_compared) => {
                    self.wanted.is_compared = is_compared;
                    // A hall behind it would be neither dry nor as loud.
                    self.hall_gate.glide_to(if is_compared { 0.0 } else { 1.0 });
                }
                Command::Bypass(is_bypassed) => self.wanted.is_bypassed = is_bypassed,
                Command::Play(is_playing) => self.input.glide_to(if is_playing { 1.0 } else { 0.0 }),
                Command::Level(level) => self.level.glide_to(level),
                Command::Strike(strike) => self.struck[strike as usize] = 0,
                Command::Load(part) => {
                    if let Some(unheard) = self.next_part.replace(part) {
                        self.give_back(unheard);
                    }
                    self.gate.glide_to(0.0);
                }
                Command::Close => {
                    self.is_closing = true;
                    self.gate.glide_to(0.0);
                }
            }
        }
    }

    /// Lets the next part in once the last one has been faded out.
    fn change_parts(&mut self) {
        if self.gate.is_at(0.0)
            && let Some(next) = self.next_part.take()
        {
            let last = std::mem::replace(&mut self.part, next);
            self.give_back(last);
            if !self.is_closing {
                self.gate.glide_to(1.0);
            }
        }
    }

    fn give_back(&mut self, part: Box<Part>) {
        // Room was seen to before the command was taken; losing memory would still be better than freeing it here.
        if let Err(rtrb::PushError::Full(part)) = self.retired.push(part) {
            std::mem::forget(part);
        }
    }

    fn jump_to(&mut self, placement: &Placement) {
        self.wanted.settings = placement.settings;
        match &placement.hall {
            Some(send) => {
                self.hall_settings = send.hall;
                self.send.glide_to(send.gain);
            }
            None => self.send.glide_to(0.0),
        }
    }

    /// Makes at most [`RUN_FRAMES`] frames.
    fn run(&mut self, left: &mut [f32], right: &mut [f32]) {
        self.fill(left, right);
        let wanted = self.wanted;
        self.part.chain.process(|_| wanted, &mut [&mut *left, &mut *right]);
        let frames = left.len();
        let [bus_left, bus_right] = &mut self.bus;
        let (bus_left, bus_right) = (&mut bus_left[..frames], &mut bus_right[..frames]);
        let gate_before = self.hall_gate;
        for n in 0..frames {
            let send = self.send.step() * self.hall_gate.step();
            self.has_sent |= send > 0.0;
            (bus_left[n], bus_right[n]) = (send * left[n], send * right[n]);
        }
        self.hall.process(&self.hall_settings, &mut self.hall_supply, [&mut *bus_left, &mut *bus_right]);
        for (side, bus) in [(left, bus_left), (right, bus_right)] {
            let mut gate = gate_before;
            for (x, answer) in side.iter_mut().zip(bus.iter()) {
                *x += self.return_gain * gate.step() * answer;
            }
        }
    }

    /// Puts the dry sound into the channels that the chain takes.
    fn fill(&mut self, left: &mut [f32], right: &mut [f32]) {
        let seam_frames = if self.is_offline { 0 } else { self.seam_frames };
        match &mut self.part.source {
            Source::Loop(sound, at) => {
                let total = sound.frames();
                for (left, right) in left.iter_mut().zip(right.iter_mut()) {
                    let gain = self.input.step() * seam(*at, total, seam_frames);
                    *left = gain * sound.channels[0][*at];
                    *right = sound.channels.get(1).map_or(0.0, |channel| gain * channel[*at]);
                    *at = if *at + 1 == total { 0 } else { *at + 1 };
                }
            }
            Source::Input(ear) => {
                if self.input.is_at(0.0) {
                    ear.forget(left.len());
                }
                for (left, right) in left.iter_mut().zip(right.iter_mut()) {
                    *left = self.input.step() * ear.heard.pop().unwrap_or(0.0);
                    *right = 0.0;
                }
                ear.left = Some(ear.heard.slots());
            }
        }
        let is_stereo = self.part.chain.layout() == Layout::StereoToStereo;
        for (sound, at) in self.strikes.iter().zip(&mut self.struck) {
            let rest = &sound[*at..];
            let frames = rest.len().min(left.len());
            for (n, x) in rest[..frames].iter().enumerate() {
                left[n] += x;
                if is_stereo {
                    right[n] += x;
                }
            }
            *at += frames;
        }
    }
}

/// Returns the gain at a frame of a loop whose ends are faded.
fn seam(at: usize, total: usize, seam_frames: usize) -> f32 {
    let from_end = (at + 1).min(total - at);
    if from_end >= seam_frames { 1.0 } else { from_end as f32 / seam_frames as f32 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::render::render;
    use crate::scene::{Change, Scene};
    use crate::sound_loop::Listed;
    use rostra_dsp::extremes::larger;

    const BLOCK_FRAMES: usize = 64;

    fn start(part: Box<Part>, scene: &Scene, is_compared: bool) -> (Player, Lead) {
        let placement = scene.placement();
        let wanted = Wanted { settings: placement.settings, is_compared, ..Wanted::default() };
        let start =
            Start { part, rate_hz: 48_000, wanted, placement, moves: None, is_offline: false, level: 1.0 };
        Player::new(start).unwrap()
    }

    fn loop_part(sound: SoundLoop) -> Box<Part> {
        Part::of_loop(sound, false, &Wanted::default(), Arc::default()).unwrap()
    }

    fn peak<'a>(sound: impl IntoIterator<Item = &'a f32>) -> f64 {
        f64::from(sound.into_iter().fold(0.0_f32, |most, x| larger(most, x.abs())))
    }

    #[test]
    fn strikes_are_as_loud_live_as_in_a_render() {
        for strike in Strike::ALL {
            let sound = Listed::of_strikes(strike).load().unwrap();
            let seconds = 2.5;
            let rendered = render(sound.clone(), &Scene::default(), None, Some(seconds)).unwrap();
            let (mut player, mut lead) = start(loop_part(sound), &Scene::default(), false);
            lead.tell(Command::Play(true));
            let (mut left, mut right) = ([0.0; BLOCK_FRAMES], [0.0; BLOCK_FRAMES]);
            let mut most = 0.0_f64;
            for _ in 0..(seconds * 48_000.0) as usize / BLOCK_FRAMES {
                player.process(&mut left, &mut right);
                most = larger(most, peak(left.iter().chain(&right)));
            }
            let wanted = peak(rendered.channels.iter().flatten());
            let off_db = 20.0 * (most / wanted).log10();
            assert!(off_db.abs() < 1.0, "{strike:?}: {off_db:.2} dB beside the render's {wanted}");
        }
    }

    #[test]
    fn what_waited_while_the_microphone_was_shut_is_no_delay_once_it_is_open() {
        const RING_FRAMES: usize = 4800;
        let (mut heard_in, heard) = RingBuffer::new(RING_FRAMES);
        (0..RING_FRAMES).for_each(|_| heard_in.push(0.5).unwrap());
        let part = Part::of_input(heard, 48_000, &Wanted::default(), Arc::default()).unwrap();
        let (mut player, mut lead) = start(part, &Scene::default(), false);
        let (mut left, mut right) = ([0.0; BLOCK_FRAMES], [0.0; BLOCK_FRAMES]);
        player.process(&mut left, &mut right);
        let waiting = RING_FRAMES - heard_in.slots();
        assert!(waiting <= 2 * BLOCK_FRAMES, "{waiting} frames wait");
        // Longer blocks of the microphone's own are kept, twice.
        (0..512).for_each(|_| heard_in.push(0.5).unwrap());
        player.process(&mut left, &mut right);
        let waiting = RING_FRAMES - heard_in.slots();
        assert!((512..=1024).contains(&waiting), "{waiting} frames wait");
        // What waits while it is open is heard.
        lead.tell(Command::Play(true));
        while heard_in.push(0.5).is_ok() {}
        player.process(&mut left, &mut right);
        assert_eq!(heard_in.slots(), BLOCK_FRAMES);
    }

    #[test]
    fn dry_is_dry_with_a_hall_behind_too() {
        let mut with_hall = Scene::default();
        let change = Change { hall: Some("short-cue".into()), ..Change::default() };
        change.make(&mut with_hall, &rostra_files::FileStore::at("no folder of files")).unwrap();
        let play = |scene: &Scene, is_compared: bool| {
            let sound = Listed::of_strikes(Strike::Clap).load().unwrap();
            let (mut player, mut lead) = start(loop_part(sound), scene, is_compared);
            lead.tell(Command::Play(true));
            let (mut left, mut right) = (vec![0.0; 48_000], vec![0.0; 48_000]);
            player.process(&mut left, &mut right);
            left
        };
        let off = |is_compared: bool| {
            let (bare, hall) = (play(&Scene::default(), is_compared), play(&with_hall, is_compared));
            bare.iter().zip(&hall).map(|(a, b)| f64::from((a - b).abs())).fold(0.0, larger)
        };
        assert_eq!(off(true), 0.0);
        // The control: placed, the hall is heard.
        assert!(off(false) > 1e-3, "{}", off(false));
    }
}
