//! The listening booth: what is played, from which seat, through which output. The window and the terminal both sit in it.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use anyhow::{Result, bail};
use rostra::chain::Wanted;
use rostra::editor::values::Edit;
use rostra::meters::{Meters, Reading};
use rostra_dsp::acoustics::gain_of_db;
use rostra_dsp::settings::{BYPASSED, DRY};
use rostra_files::FileStore;
use rtrb::Consumer;

use crate::ceiling::KNEE;
use crate::lesson_match::LessonMatch;
use crate::lessons::Lesson;
use crate::moves::Moves;
use crate::output::{Counted, Output, Playing, STALLED, Tally};
use crate::player::{Command, FIRST_LEVEL_DB, Lead, Part, Player, Start};
use crate::priority::{Promotion, run_first};
use crate::scene::{Change, Scene};
use crate::sound_loop::Listed;
use crate::strike::Strike;

/// Range of the output's level, dB: below it is silence, above it nothing is asked for (our choice).
pub const LEVELS_DB: (f64, f64) = (-60.0, 0.0);
/// Longest wait for a fade before an output is let go (our choice: ten times the fade).
const FADE_OUT: Duration = Duration::from_millis(200);
/// Blocks that are awaited after a fade: the one in which it ended, which may not be counted yet, and the two that a device
/// of two periods holds.
const BLOCKS_HELD: u32 = 3;
/// What is said at the first and at the last seat of the lessons.
const ENDS: [&str; 2] = ["This is the first seat.", "That was the last seat."];
/// Seats on the keys 1 to 3 at first: left in front, in the middle, at the back.
const FIRST_SEATS: [&str; 3] = ["violins-1", "flute", "horns"];

/// What an opened microphone gives: a ring with what it hears, and what keeps it open.
pub type Heard = (Consumer<f32>, Box<dyn Playing>);
/// Opens a microphone by its name, at a rate.
pub type Listen = fn(&str, u32) -> Result<Heard>;

/// What the booth starts with.
pub struct Setup {
    /// The loops at hand.
    pub loops: Vec<Listed>,
    /// The one that plays first.
    pub chosen: usize,
    /// A microphone instead of them.
    pub input: Option<String>,
    /// What opens it.
    pub listen: Listen,
    /// Where the sound goes.
    pub output: Box<dyn Output>,
    /// Rate that is asked for, Hz.
    pub rate_hz: Option<u32>,
    /// Block that is asked for, frames.
    pub block_frames: Option<u32>,
    /// Where it sounds at first.
    pub scene: Scene,
    /// Seat changes by the clock of the samples.
    pub moves: Option<Moves>,
    /// The lessons at hand.
    pub lessons: Vec<Lesson>,
}

/// A seat that is remembered.
#[derive(Clone, Debug, PartialEq)]
pub struct Remembered {
    /// What it is called.
    pub name: String,
    /// Where it is.
    pub scene: Scene,
}

/// Something that is said to the user.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Said {
    /// A line.
    pub line: String,
    /// Whether it is something to heed.
    pub is_fault: bool,
}

/// What plays.
struct Stage {
    playing: Box<dyn Playing>,
    ear: Option<Box<dyn Playing>>,
    lead: Lead,
    tally: Arc<Tally>,
    rate_hz: u32,
    /// Blocks when they were last looked at, and when that number last changed.
    watched: (u64, Instant),
    /// Moves of the script that are shown.
    shown_moves: usize,
}

/// The booth.
pub struct Booth {
    setup: Setup,
    /// Where it sounds now.
    pub scene: Scene,
    /// Seats on the keys 1 to 3.
    pub seats: [Option<Remembered>; 3],
    /// The lesson and the seat of it that is shown.
    pub lesson: Option<(usize, usize)>,
    /// What finds the loudness of the lessons, once one of them was opened.
    lesson_match: Option<LessonMatch>,
    /// What was said last.
    pub said: Said,
    is_playing: bool,
    level_db: f64,
    meters: Arc<Meters>,
    stage: Option<Stage>,
}

impl Booth {
    /// Sets the booth up; nothing plays yet.
    pub fn new(setup: Setup) -> Self {
        let store = FileStore::at("no folder of files");
        let remembered = |name: &str| {
            let change = Change { seat: Some(PathBuf::from(name)), ..Change::default() };
            let mut scene = setup.scene.clone();
            change.make(&mut scene, &store).ok()?;
            Some(Remembered { name: name.replace('-', " "), scene })
        };
        let meters = Arc::new(Meters::default());
        // Loudness is known, then, before the dry signal is asked for.
        meters.watch(true);
        Self {
            scene: setup.scene.clone(),
            seats: FIRST_SEATS.map(remembered),
            lesson: None,
            lesson_match: None,
            said: Said::default(),
            // A microphone beside a loudspeaker howls: it is let in by hand.
            is_playing: setup.input.is_none(),
            level_db: FIRST_LEVEL_DB,
            meters,
            stage: None,
            setup,
        }
    }

    /// Starts the output, with what stands in the booth now; fades in.
    ///
    /// # Errors
    /// In a line, when loop, rate or device cannot be had; nothing plays then.
    pub fn start(&mut self) -> Result<()> {
        self.stop();
        // Another loudspeaker may be there by now: the microphone is let in by hand each time, and low at first.
        self.shut_microphone();
        let outcome = self.open();
        if let Err(error) = &outcome {
            self.warn(format!("{error:#}"));
        }
        self.stage = Some(outcome?);
        self.say(self.plays_text());
        Ok(())
    }

    /// Says through what it plays, if it does.
    fn plays_text(&self) -> String {
        self.stage.as_ref().map_or_else(String::new, |stage| {
            format!("Output: {} at {} Hz.", self.setup.output.name(), stage.rate_hz)
        })
    }

    fn open(&self) -> Result<Stage> {
        let Setup { loops, chosen, input, listen, output, rate_hz, block_frames, moves, .. } = &self.setup;
        let placement = self.scene.placement();
        let values = &self.scene.values;
        let (is_compared, is_bypassed) = (values.is_on(DRY), values.is_on(BYPASSED));
        let wanted = Wanted { settings: placement.settings, is_compared, is_bypassed };
        let meters = Arc::clone(&self.meters);
        let (part, ear, rate_hz) = if let Some(name) = input {
            let rate_hz = output.rate_hz(*rate_hz, 48_000)?;
            let (heard, ear) = listen(name, rate_hz)?;
            (Part::of_input(heard, rate_hz, &wanted, meters)?, Some(ear), rate_hz)
        } else {
            let Some(listed) = loops.get(*chosen) else {
                bail!("there is no loop to play; give a recording with --stem")
            };
            let sound = listed.load()?;
            let rate_hz = output.rate_hz(*rate_hz, sound.rate_hz)?;
            (Part::of_loop(sound.at_rate(rate_hz)?, false, &wanted, meters)?, None, rate_hz)
        };
        let level = linear(self.level_db);
        let start =
            Start { part, rate_hz, wanted, placement, moves: moves.as_ref(), is_offline: false, level };
        let (mut player, mut lead) = Player::new(start)?;
        lead.tell(Command::Play(self.is_playing));
        let tally = Arc::new(Tally::default());
        let (told, mut promotion) = (Arc::clone(&tally), Promotion::new(rate_hz));
        let play = Box::new(move |left: &mut [f32], right: &mut [f32]| {
            if promotion.is_due(left.len(), now) && !run_first() {
                told.is_refused_priority.store(true, Ordering::Relaxed);
            }
            player.process(left, right);
        });
        let playing = output.start(rate_hz, *block_frames, play, Arc::clone(&tally))?;
        Ok(Stage { playing, ear, lead, tally, rate_hz, watched: (0, now()), shown_moves: 0 })
    }

    /// Shuts the microphone, where there is one, and turns down to the level of a start.
    fn shut_microphone(&mut self) {
        if self.input().is_some() {
            self.play(false);
            self.set_level_db(self.level_db.min(FIRST_LEVEL_DB));
        }
    }

    /// Fades out and lets the output go.
    pub fn stop(&mut self) {
        let Some(mut stage) = self.stage.take() else { return };
        stage.lead.tell(Command::Close);
        let start = now();
        let counted = stage.tally.counted();
        let blocks_s = f64::from(BLOCKS_HELD) * f64::from(counted.block_frames) / f64::from(stage.rate_hz);
        let longest = FADE_OUT + Duration::from_secs_f64(blocks_s);
        let is_closed = || stage.lead.told.is_closed.load(Ordering::Acquire);
        while !is_closed() && now() - start < longest {
            std::thread::sleep(Duration::from_millis(2));
        }
        // The end of the fade is made by then, but not yet heard: the device still holds it.
        let (closed, blocks) = (now(), stage.tally.counted().blocks);
        while is_closed()
            && stage.tally.counted().blocks < blocks + u64::from(BLOCKS_HELD)
            && now() - closed < longest
        {
            std::thread::sleep(Duration::from_millis(2));
        }
        drop(stage.playing);
        drop(stage.ear);
        stage.lead.free();
    }

    /// Looks after what plays: takes lessons whose loudness was found, frees what was done with, follows the script, and
    /// notices a device that is gone.
    pub fn look(&mut self) {
        self.take_matched();
        let Some(stage) = &mut self.stage else { return };
        stage.lead.free();
        if let Some(moves) = &self.setup.moves {
            let made = stage.lead.told.moves.load(Ordering::Relaxed);
            // Once for each move: what a hand does afterwards stays until the next one.
            if made != stage.shown_moves
                && let Some(newest) = made.checked_sub(1)
            {
                stage.shown_moves = made;
                let mut scene = moves.moves[newest % moves.moves.len()].scene.clone();
                scene.values.keep_session_of(&self.scene.values);
                self.scene = scene;
            }
        }
        let blocks = stage.tally.counted().blocks;
        if blocks != stage.watched.0 {
            stage.watched = (blocks, now());
        }
        let is_stalled = now() - stage.watched.1 > STALLED;
        let ear_fault = stage.ear.as_mut().and_then(|ear| ear.fault());
        let ear_has_moved = stage.ear.as_mut().is_some_and(|ear| ear.has_moved());
        let has_moved = stage.playing.has_moved() || ear_has_moved;
        let fault = stage.playing.fault().or_else(|| {
            is_stalled.then(|| {
                format!(
                    "{} has stopped; check that it is connected, then try again",
                    self.setup.output.name()
                )
            })
        });
        if let Some(fault) = fault {
            // There is nothing left to fade.
            self.stage = None;
            self.shut_microphone();
            self.warn(fault);
        } else if let Some(fault) = ear_fault {
            self.stop();
            self.shut_microphone();
            self.warn(fault);
        } else if has_moved && self.input().is_some() {
            self.shut_microphone();
            self.warn(
                "The system has switched to another device: the microphone is muted and the level turned down. Unmute it once you know where it plays."
                    .into(),
            );
        }
    }

    /// Takes the lessons whose seats were brought to one loudness; where one of them plays, its trim follows.
    fn take_matched(&mut self) {
        while let Some((place, lesson)) = self.lesson_match.as_ref().and_then(LessonMatch::take) {
            let known = &mut self.setup.lessons[place];
            let now = self.lesson.filter(|now| now.0 == place).map(|now| now.1);
            let is_heard = now.is_some_and(|seat| known.seats[seat].scene.sounds_as(&self.scene));
            *known = lesson;
            if let Some(seat) = now.filter(|_| is_heard) {
                let scene = known.seats[seat].scene.clone();
                self.jump_to(&scene);
            }
        }
    }

    /// Says whether an output is open.
    pub const fn is_open(&self) -> bool {
        self.stage.is_some()
    }

    /// Says whether the loop, or the microphone, is let in.
    pub const fn is_playing(&self) -> bool {
        self.is_playing
    }

    /// Returns the microphone's name, where there is one.
    pub fn input(&self) -> Option<&str> {
        self.setup.input.as_deref()
    }

    /// Returns the loops, and the place of the one that plays.
    pub fn loops(&self) -> (&[Listed], usize) {
        (&self.setup.loops, self.setup.chosen)
    }

    /// Returns the lessons.
    pub fn lessons(&self) -> &[Lesson] {
        &self.setup.lessons
    }

    /// Returns the level of the output, dB.
    pub const fn level_db(&self) -> f64 {
        self.level_db
    }

    /// Lets the loop, or the microphone, in or out; a microphone stays shut while nothing plays.
    pub fn play(&mut self, is_playing: bool) {
        self.is_playing = is_playing && (self.is_open() || self.input().is_none());
        self.tell(Command::Play(is_playing));
    }

    /// Sets the level of the output, dB.
    pub fn set_level_db(&mut self, level_db: f64) {
        self.level_db = level_db.clamp(LEVELS_DB.0, LEVELS_DB.1);
        self.tell(Command::Level(linear(self.level_db)));
    }

    /// Strikes once.
    pub fn strike(&mut self, strike: Strike) {
        self.tell(Command::Strike(strike));
    }

    /// Does what a hand did on the sheet.
    pub fn apply(&mut self, edits: Vec<Edit>) {
        for edit in edits {
            self.scene.apply([edit]);
            match edit {
                Edit::Throw(switch, is_on) if switch.id == DRY.id => self.tell(Command::Compare(is_on)),
                Edit::Throw(_, is_on) => self.tell(Command::Bypass(is_on)),
                Edit::Set(..) | Edit::Choose(..) => self.place(),
                Edit::Begin(_) | Edit::End(_) => {}
            }
        }
    }

    /// Remembers the present seat on one of the keys 1 to 3.
    pub fn remember(&mut self, key: usize) {
        let name = self.scene.place_text();
        self.say(format!("Stored on key {}: {name}.", key + 1));
        if let Some(seat) = self.seats.get_mut(key) {
            *seat = Some(Remembered { name, scene: self.scene.clone() });
        }
    }

    /// Jumps to the seat that one of the keys 1 to 3 remembers.
    pub fn jump(&mut self, key: usize) {
        match self.seats.get(key).cloned().flatten() {
            Some(seat) => self.jump_to(&seat.scene),
            None => self.say(format!("There is no seat on key {} yet.", key + 1)),
        }
    }

    /// Says whether no seat sounds: the dry signal is compared, or the seat is bypassed.
    pub fn is_dry(&self) -> bool {
        self.scene.values.is_on(DRY) || self.scene.values.is_on(BYPASSED)
    }

    /// Returns the key whose seat sounds now, if one does: the first where two remember the same.
    pub fn present(&self) -> Option<usize> {
        if self.is_dry() {
            return None;
        }
        let is_here = |seat: &Remembered| seat.scene.sounds_as(&self.scene);
        self.seats.iter().position(|seat| seat.as_ref().is_some_and(is_here))
    }

    /// Goes to the next seat of the lessons, or back to the last one.
    pub fn turn(&mut self, is_forward: bool) {
        let pages: Vec<(usize, usize)> = self
            .setup
            .lessons
            .iter()
            .enumerate()
            .flat_map(|(lesson, of)| (0..of.seats.len()).map(move |seat| (lesson, seat)))
            .collect();
        let at = self.lesson.and_then(|now| pages.iter().position(|page| *page == now));
        let next = match at {
            None => 0,
            Some(at) if is_forward => (at + 1).min(pages.len() - 1),
            Some(at) => at.saturating_sub(1),
        };
        let Some(&page) = pages.get(next) else {
            self.say("There are no lessons.".into());
            return;
        };
        // A fault is not hidden by a hint, and a hint goes with the next page.
        if at == Some(next) && !self.said.is_fault {
            self.say(ENDS[usize::from(is_forward)].into());
        } else if ENDS.contains(&self.said.line.as_str()) {
            self.say(self.plays_text());
        }
        self.lesson = Some(page);
        if self.lesson_match.is_none() {
            self.lesson_match = LessonMatch::start(&self.setup.lessons, page.0);
        }
        let lesson = &self.setup.lessons[page.0];
        let (scene, file) = (lesson.seats[page.1].scene.clone(), lesson.loop_file.clone());
        // By where it comes from: a recording of the user's own may have the same name.
        let origin = Listed::of_file(file).origin;
        if let Some(place) = self.setup.loops.iter().position(|known| known.origin == origin) {
            self.choose_loop(place);
        }
        self.jump_to(&scene);
    }

    /// Plays another loop: the old one fades out, the new one in.
    pub fn choose_loop(&mut self, place: usize) {
        if self.setup.input.is_some() || (place == self.setup.chosen && self.stage.is_some()) {
            return;
        }
        let Some(listed) = self.setup.loops.get(place).cloned() else { return };
        let wanted = Wanted {
            settings: self.scene.values.settings(),
            is_compared: self.scene.values.is_on(DRY),
            is_bypassed: self.scene.values.is_on(BYPASSED),
        };
        let meters = Arc::clone(&self.meters);
        let Some(rate_hz) = self.stage.as_ref().map(|stage| stage.rate_hz) else {
            self.setup.chosen = place;
            return;
        };
        let part = listed
            .load()
            .and_then(|sound| sound.at_rate(rate_hz))
            .and_then(|sound| Part::of_loop(sound, false, &wanted, meters));
        match part {
            Ok(part) => {
                self.setup.chosen = place;
                self.tell(Command::Load(part));
            }
            Err(error) => self.warn(format!("{error:#}")),
        }
    }

    /// Returns peaks of the output since they were last read, left and right, and whether the ceiling was at work.
    pub fn peaks(&self) -> ([f32; 2], bool) {
        let Some(stage) = &self.stage else { return ([0.0; 2], false) };
        let told = &stage.lead.told;
        let peaks = told.peaks.each_ref().map(|peak| peak.swap(0.0, Ordering::Relaxed));
        (peaks, told.under_ceiling.swap(0.0, Ordering::Relaxed) > KNEE)
    }

    /// Returns levels before and after the seat.
    pub fn reading(&self) -> Reading {
        self.meters.read()
    }

    /// Returns what was counted of blocks, and the rate.
    pub fn counted(&self) -> Option<(Counted, u32)> {
        self.stage.as_ref().map(|stage| (stage.tally.counted(), stage.rate_hz))
    }

    /// Says something.
    pub fn say(&mut self, line: String) {
        self.said = Said { line, is_fault: false };
    }

    fn warn(&mut self, line: String) {
        self.said = Said { line, is_fault: true };
    }

    fn jump_to(&mut self, scene: &Scene) {
        let mut scene = scene.clone();
        // What is compared is no part of a seat.
        scene.values.keep_session_of(&self.scene.values);
        self.scene = scene;
        self.place();
    }

    fn place(&mut self) {
        let placement = self.scene.placement();
        self.tell(Command::Place(placement));
    }

    fn tell(&mut self, command: Command) {
        if let Some(stage) = &mut self.stage
            && !stage.lead.tell(command)
        {
            // Only a device that has stopped asking lets commands pile up; the next look tells of it.
            self.said = Said { line: "The output does not respond.".into(), is_fault: true };
        }
    }
}

impl Drop for Booth {
    fn drop(&mut self) {
        self.stop();
    }
}

fn linear(level_db: f64) -> f32 {
    if level_db <= LEVELS_DB.0 { 0.0 } else { gain_of_db(level_db) as f32 }
}

#[allow(clippy::disallowed_methods, reason = "the thread of the window, not of the sound")]
fn now() -> Instant {
    Instant::now()
}

#[cfg(test)]
mod tests {
    use rostra_dsp::Settings;

    use std::sync::mpsc::{Receiver, channel};

    use super::*;
    use rostra_dsp::settings::TRIM;

    use crate::dummy::{Block, Dummy};
    use crate::sound_loop::Origin;
    use rostra_dsp::extremes::larger;

    fn no_ear(_: &str, _: u32) -> Result<Heard> {
        bail!("no ear")
    }

    fn setup(output: Dummy) -> Setup {
        Setup {
            loops: Strike::ALL.map(Listed::of_strikes).to_vec(),
            chosen: 1,
            input: None,
            listen: no_ear,
            output: Box::new(output),
            rate_hz: None,
            block_frames: Some(256),
            scene: Scene::default(),
            moves: None,
            lessons: Vec::new(),
        }
    }

    /// Looks after the booth until something is so, 20 s at most: test machines are busy.
    fn wait(booth: &mut Booth, mut is_so: impl FnMut(&mut Booth) -> bool) {
        for _ in 0..4000 {
            booth.look();
            if is_so(booth) {
                return;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        panic!("not within 20 s: {:?}", booth.said);
    }

    fn hearing() -> (Dummy, Receiver<Block>) {
        let (heard_out, heard) = channel();
        (Dummy { heard: Some(heard_out), ..Dummy::default() }, heard)
    }

    /// The first channel of all that was heard up to now.
    fn left(heard: &Receiver<Block>) -> Vec<f32> {
        heard.try_iter().flat_map(|(left, _)| left).collect()
    }

    #[test]
    fn a_card_that_is_unplugged_in_mid_play_is_told_of_and_can_be_tried_again() {
        let (dummy, heard) = hearing();
        let mut booth = Booth::new(setup(Dummy { unplugged_after: Some(40), ..dummy }));
        booth.start().unwrap();
        wait(&mut booth, |booth| !booth.is_open());
        assert!(booth.said.is_fault && booth.said.line.contains("unplugged"), "{:?}", booth.said);
        eprintln!("{}", booth.said.line);
        let before = left(&heard);
        assert_eq!(before.len(), 40 * 256);
        assert!(before.iter().all(|x| x.is_finite()));
        // Again: it starts from silence.
        booth.start().unwrap();
        wait(&mut booth, |booth| !booth.is_open());
        let again = left(&heard);
        assert!(again[0].abs() < 1e-3, "starts at {}", again[0]);
        assert!(again.iter().any(|x| *x != 0.0), "the second time it sounds, too");
    }

    #[test]
    fn busy_cards_wrong_rates_and_stems_of_nothing_are_a_line_and_no_sound() {
        let (dummy, heard) = hearing();
        let busy = setup(Dummy { is_busy: true, ..dummy.clone() });
        let one_rate = Dummy { only_rate_hz: Some(44_100), ..dummy.clone() };
        let wrong_rate = Setup { rate_hz: Some(96_000), ..setup(one_rate.clone()) };
        let wrong_block = Setup { block_frames: Some(1_000_000), ..setup(dummy.clone()) };
        let nothing = Listed { name: "none".into(), origin: Origin::File("none.wav".into()) };
        let no_stem = Setup { loops: vec![nothing], chosen: 0, ..setup(dummy.clone()) };
        let no_ear = Setup { input: Some("no ear".into()), ..setup(dummy) };
        for (setup, said) in [
            (busy, "busy"),
            (wrong_rate, "44100 Hz only"),
            (wrong_block, "takes 1 to 8192 frames"),
            (no_stem, "none.wav: there is no such file"),
            (no_ear, "no ear"),
        ] {
            let mut booth = Booth::new(setup);
            let refused = format!("{:#}", booth.start().unwrap_err());
            assert!(refused.contains(said) && !refused.contains('\n'), "{refused}");
            assert!(!booth.is_open() && booth.said.is_fault && booth.said.line == refused);
            // What is done meanwhile does no harm.
            booth.strike(Strike::Click);
            booth.jump(0);
            booth.look();
        }
        assert!(left(&heard).is_empty(), "nothing was played");
        // A card of another rate than the loop's plays it all the same.
        let mut booth = Booth::new(setup(one_rate));
        booth.start().unwrap();
        assert_eq!(booth.counted().map(|(_, rate_hz)| rate_hz), Some(44_100));
    }

    /// A quiet sine that fits its loop, as a file.
    fn sine_file(folder: &std::path::Path) -> Listed {
        let path = folder.join("sine.wav");
        let channel = (0..96_000).map(|n| (0.1 * (SINE_STEP * f64::from(n)).sin()) as f32).collect();
        rostra_recording::Recording { rate_hz: 48_000, channels: vec![channel] }.write(&path).unwrap();
        Listed::of_file(path)
    }

    /// Angle from frame to frame of a sine of 100 Hz at 48 kHz, rad.
    const SINE_STEP: f64 = std::f64::consts::TAU * 100.0 / 48_000.0;

    fn most_step(sound: &[f32]) -> f64 {
        sound.windows(2).map(|pair| f64::from((pair[1] - pair[0]).abs())).fold(0.0, larger)
    }

    /// A sine has no step larger than its own; fades add their slope to it, and whatever bursts more than that.
    #[test]
    fn nothing_starts_stops_or_changes_with_a_burst() {
        let folder = tempfile::tempdir().unwrap();
        let sine = sine_file(folder.path());
        let (dummy, heard) = hearing();
        let mut booth = Booth::new(Setup { loops: vec![sine.clone(), sine], ..setup(dummy) });
        booth.set_level_db(0.0);
        booth.start().unwrap();
        let mut sound = Vec::new();
        for step in 0..60 {
            match step % 6 {
                0 => booth.jump(step / 6 % 3),
                2 => booth.choose_loop(step / 6 % 2),
                4 => booth.play(step / 6 % 2 == 1),
                _ => {}
            }
            booth.look();
            std::thread::sleep(Duration::from_millis(15));
            sound.extend(left(&heard));
        }
        booth.stop();
        sound.extend(left(&heard));
        assert!(sound.iter().all(|x| x.is_finite()));
        let loudest = sound.iter().fold(0.0_f32, |most, x| larger(most, x.abs()));
        assert!(loudest > 0.03, "the sound is not silence: {loudest}");
        // The platform adds to the sine: as loud as it gets, A, is what steps are held against. Under a gain g that changes by
        // g' a frame, a sine of w a frame steps by at most A hypot(g w, g'). Fades that may fall together: the 5 ms of a
        // loop's start, the 20 ms of loops that change, and the 20 ms of what is let in.
        let fades = 1.0 / (0.005 * 48_000.0) + 2.0 / (0.020 * 48_000.0);
        let bound = f64::from(loudest) * SINE_STEP.hypot(fades);
        eprintln!("loudest {loudest}, most step {}, bound {bound}", most_step(&sound));
        assert!(most_step(&sound) <= bound, "{} over {bound}", most_step(&sound));
        let end =
            sound[sound.len().saturating_sub(32)..].iter().fold(0.0_f32, |most, x| larger(most, x.abs()));
        assert!(end < 1e-3, "it ends at {end}");
        // The control: a fade of one frame, half as loud as the sine gets, is a burst.
        let half = sound.iter().position(|x| x.abs() > 0.5 * loudest).unwrap();
        sound[half..].fill(0.0);
        assert!(most_step(&sound) > bound, "{} within {bound}", most_step(&sound));
    }

    /// What plays follows once the lesson's loudness is known; another scene of the user's own is left alone.
    #[test]
    fn an_open_lesson_gets_its_trim_and_nothing_else_does() {
        let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../presets-demo");
        // Far and near differ by more than the trim's step, whatever the level does.
        let mut lesson = crate::lessons::all(&demo).unwrap().remove(0);
        lesson.seats[0].scene.apply(Edit::whole(TRIM, 6.0));
        let own = Edit::of_words::<Settings>("depth", "7 m").unwrap();
        for is_left in [false, true] {
            let mut booth = Booth::new(Setup { lessons: vec![lesson.clone()], ..setup(Dummy::default()) });
            booth.turn(true);
            if is_left {
                booth.apply(vec![own]);
            }
            wait(&mut booth, |booth| booth.lessons()[0].matched_lufs.is_some());
            let matched_db = booth.lessons()[0].seats[0].scene.values.value(TRIM);
            assert!(matched_db < 5.0, "trimmed to {matched_db} dB");
            let playing_db = booth.scene.values.value(TRIM);
            assert_eq!(playing_db, if is_left { 6.0 } else { matched_db });
        }
    }

    #[test]
    fn strikes_stay_under_the_ceiling() {
        let (dummy, heard) = hearing();
        let mut booth = Booth::new(setup(dummy));
        booth.set_level_db(0.0);
        booth.start().unwrap();
        for _ in 0..10 {
            booth.strike(Strike::Clap);
            booth.look();
            std::thread::sleep(Duration::from_millis(20));
        }
        booth.stop();
        let sound = left(&heard);
        assert!(sound.iter().all(|x| x.is_finite() && x.abs() <= crate::ceiling::CEILING));
        assert!(sound.iter().any(|x| x.abs() > 0.01), "the sound is not silence");
    }

    /// Seconds of what `--seconds` does for minutes; how many blocks come too late is the machine's affair.
    #[test]
    fn a_script_is_played_by_the_clock_of_the_samples_and_shown() {
        let at = |at_s: f64, depth: &str| {
            let mut scene = Scene::default();
            scene.apply([Edit::of_words::<Settings>("depth", depth).unwrap()]);
            crate::moves::Move { at_s, scene }
        };
        let moves = Moves { moves: vec![at(0.0, "3 m"), at(0.25, "9 m")], repeat_s: Some(0.5) };
        let (dummy, heard) = hearing();
        let script = Setup { moves: Some(moves), block_frames: Some(64), ..setup(dummy) };
        let mut booth = Booth::new(script);
        booth.start().unwrap();
        let mut seen = Vec::new();
        wait(&mut booth, |booth| {
            let depth_m = booth.scene.values.settings().seat.depth_m;
            if seen.last() != Some(&depth_m) {
                seen.push(depth_m);
            }
            booth.counted().is_some_and(|(counted, rate_hz)| counted.frames > 2 * u64::from(rate_hz))
        });
        let is_near = |wanted: f64| seen.iter().any(|depth_m| (depth_m - wanted).abs() < 1e-6);
        assert!(is_near(3.0) && is_near(9.0), "{seen:?}");
        let sound = left(&heard);
        assert!(sound.iter().all(|x| x.is_finite()) && sound.iter().any(|x| x.abs() > 1e-3));
    }

    #[test]
    fn a_microphone_starts_shut() {
        let (dummy, heard) = hearing();
        let mut booth = with_ear(dummy, |_, _| hear(0, 0));
        booth.start().unwrap();
        wait(&mut booth, |booth| booth.counted().is_some_and(|(counted, _)| counted.blocks > 20));
        assert!(left(&heard).iter().all(|x| *x == 0.0), "nothing of the microphone before it is let in");
        booth.play(true);
        let mut sound = Vec::new();
        wait(&mut booth, |_| {
            sound.extend(left(&heard));
            sound.iter().any(|x| x.abs() > 1e-3)
        });
    }

    /// A microphone that hears a sine, breaks after a number of looks, and moves after another.
    struct EarOf {
        looks: u32,
        breaks_at: u32,
        moves_at: u32,
    }

    impl Playing for EarOf {
        fn fault(&mut self) -> Option<String> {
            self.looks += 1;
            (self.looks == self.breaks_at).then(|| "the ear was unplugged".into())
        }

        fn has_moved(&mut self) -> bool {
            self.looks == self.moves_at
        }
    }

    /// Opens one that goes on while it is shut, as a microphone does.
    #[expect(clippy::unnecessary_wraps, reason = "others can fail")]
    fn hear(breaks_at: u32, moves_at: u32) -> Result<Heard> {
        let (mut heard_in, heard) = rtrb::RingBuffer::new(4800);
        std::thread::spawn(move || {
            let mut n = 0.0;
            while !heard_in.is_abandoned() {
                while heard_in.push((n * 0.1_f32).sin()).is_ok() {
                    n += 1.0;
                }
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        Ok((heard, Box::new(EarOf { looks: 0, breaks_at, moves_at })))
    }

    fn with_ear(output: Dummy, listen: Listen) -> Booth {
        Booth::new(Setup { input: Some("ear".into()), listen, ..setup(output) })
    }

    #[test]
    fn a_microphone_is_shut_and_low_again_after_a_fault() {
        let (dummy, _heard) = hearing();
        let dummy = Dummy { unplugged_after: Some(40), ..dummy };
        let mut booth = with_ear(dummy, |_, _| hear(0, 0));
        booth.start().unwrap();
        booth.play(true);
        booth.set_level_db(0.0);
        wait(&mut booth, |booth| !booth.is_open());
        assert!(!booth.is_playing());
        booth.play(true);
        assert!(!booth.is_playing(), "it stays shut while nothing plays");
        booth.start().unwrap();
        assert!(!booth.is_playing() && booth.level_db() <= FIRST_LEVEL_DB, "{} dB", booth.level_db());
    }

    #[test]
    fn a_microphone_is_shut_where_the_system_changes_to_another_device() {
        let mut booth = with_ear(Dummy::default(), |_, _| hear(0, 5));
        booth.start().unwrap();
        booth.play(true);
        booth.set_level_db(0.0);
        wait(&mut booth, |booth| !booth.is_playing());
        assert!(
            booth.is_open() && booth.said.is_fault && booth.level_db() <= FIRST_LEVEL_DB,
            "{:?}",
            booth.said
        );
    }

    #[test]
    fn a_microphone_that_breaks_takes_the_hall_and_the_platform_with_it_by_a_fade() {
        let (dummy, heard) = hearing();
        let mut booth = with_ear(dummy, |_, _| hear(30, 0));
        booth.start().unwrap();
        booth.play(true);
        wait(&mut booth, |booth| !booth.is_open());
        assert!(booth.said.is_fault && booth.said.line.contains("ear was unplugged"), "{:?}", booth.said);
        let sound = left(&heard);
        assert!(sound.iter().any(|x| x.abs() > 1e-3), "it was heard");
        assert!(sound[sound.len() - 32..].iter().all(|x| *x == 0.0), "it was faded out");
    }

    #[test]
    fn a_stop_waits_until_its_fade_is_heard() {
        let (dummy, heard) = hearing();
        let mut booth = Booth::new(setup(dummy));
        booth.start().unwrap();
        wait(&mut booth, |booth| booth.counted().is_some_and(|(counted, _)| counted.blocks > 20));
        booth.stop();
        let blocks: Vec<Block> = heard.try_iter().collect();
        for (left, right) in &blocks[blocks.len() - 2..] {
            assert!(left.iter().chain(right).all(|x| *x == 0.0), "the device still holds sound");
        }
    }

    #[test]
    fn a_hand_moves_on_from_where_a_script_has_put_the_seat() {
        let edit = |depth: &str| Edit::of_words::<Settings>("depth", depth).unwrap();
        let mut scene = Scene::default();
        scene.apply([edit("3 m")]);
        let moves = Moves { moves: vec![crate::moves::Move { at_s: 0.0, scene }], repeat_s: None };
        let mut booth = Booth::new(Setup { moves: Some(moves), ..setup(Dummy::default()) });
        let depth_m = |booth: &Booth| booth.scene.values.settings().seat.depth_m;
        booth.start().unwrap();
        wait(&mut booth, |booth| (depth_m(booth) - 3.0).abs() < 1e-6);
        booth.apply(vec![edit("9 m")]);
        booth.look();
        assert!((depth_m(&booth) - 9.0).abs() < 1e-6, "{}", depth_m(&booth));
    }

    #[test]
    fn seats_are_remembered_and_jumped_to_without_what_is_compared() {
        let mut booth = Booth::new(setup(Dummy::default()));
        booth.apply(vec![Edit::of_words::<Settings>("depth", "8 m").unwrap(), Edit::Throw(DRY, true)]);
        booth.remember(1);
        booth.apply(vec![Edit::of_words::<Settings>("depth", "3 m").unwrap(), Edit::Throw(DRY, false)]);
        booth.jump(1);
        assert_eq!(booth.scene.values.settings().seat.depth_m, 8.0);
        assert!(!booth.scene.values.is_on(DRY));
        booth.seats[2] = None;
        booth.jump(2);
        assert_eq!(booth.scene.values.settings().seat.depth_m, 8.0);
        booth.set_level_db(f64::MAX);
        assert_eq!(booth.level_db(), LEVELS_DB.1);
    }
}
