//! A storm: every function of every extension, in every state that CLAP allows, in random order, with random values.
//!
//! CLAP's rules of threads are kept (clap/plugin.h and clap/ext of CLAP 1.2): what belongs to the main thread happens on the
//! test's thread, what belongs to the audio thread on one of its own, and both at once where the standard lets them.
//! Events stay in order and within their block; everything else is drawn at random.
//!
//! `ROSTRA_STORM_S` sets how many seconds it lasts, `ROSTRA_STORM_SEED` another seed. A storm runs in a process of its own and
//! writes down each step before it takes it, so that even one that ends the process can be repeated: with the
//! same seed and the same steps.

use std::collections::BTreeMap;
use std::ffi::{CStr, CString};
use std::fs::File;
use std::io::{Cursor, Read, Seek as _, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use clack_extensions::audio_ports::{AudioPortInfoBuffer, PluginAudioPorts};
use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, PluginAudioPortsConfig};
use clack_extensions::gui::{GuiApiType, GuiConfiguration, PluginGui};
use clack_extensions::latency::PluginLatency;
use clack_extensions::params::ParamInfoBuffer;
use clack_extensions::remote_controls::{PluginRemoteControls, RemoteControlsPageBuffer};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_extensions::state::PluginState;
use clack_extensions::tail::{PluginTail, TailLength};
use clack_extensions::track_info::PluginTrackInfo;
use clack_host::events::event_types::{
    Midi2Event, MidiEvent, NoteChokeEvent, NoteOffEvent, NoteOnEvent, ParamGestureBeginEvent,
    ParamGestureEndEvent, ParamModEvent, ParamValueEvent, TransportEvent, TransportFlags,
};
use clack_host::events::{EventFlags, EventHeader};
use clack_host::prelude::*;
use clack_host::process::PluginAudioProcessor;
use clack_host::utils::{BeatTime, SecondsTime};
use rostra_dsp::kernel::Noise;

use super::audio_thread::AudioThread;
use super::block::Block;
use super::clap_host::{Clap, Described, Host, Start};
use super::rough_sound::{self, Heard};
use super::sound::{Sound, assert_same_bits, noise_and_silence};

/// Says to the inner run what it has to do.
const ROLE: &str = "ROSTRA_STORM_ROLE";
/// Seconds of a storm that nobody asked to last longer.
const SHORT_S: f64 = 10.0;
/// The seed that nobody chose.
const SEED: u64 = 20_261_126;
/// The file in which a storm writes down its steps.
const LOG: &str = "storm.log";
/// Most instances that live at once.
const MOST_LIVES: usize = 5;
/// Rates that hosts offer, some that lie between, and those that the engine refuses, Hz.
const RATES_HZ: [f64; 15] = [
    8000.0, 22_050.0, 32_000.0, 44_100.0, 44_100.5, 48_000.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0,
    192_000.0, 384_000.0, 768_000.0, 999.0, 768_001.0,
];
/// Rates that the engine takes, Hz (`dsp/src/engine.rs`).
const TAKEN_HZ: (f64, f64) = (8_000.0, 768_000.0);
const LONGEST_BLOCK_FRAMES: u32 = 8192;

const SEAT: &CStr = c"rostra.seat";
const HALL: &CStr = c"rostra.hall";

/// What an instance does.
enum Stage {
    Idle,
    Active {
        processor: PluginAudioProcessor<Host>,
        config: PluginAudioConfiguration,
        heard: Heard,
        frames: u64,
    },
    /// Only while a step is under way.
    Between,
}

/// A live instance.
struct Life {
    clap: Clap,
    id: &'static CStr,
    described: Vec<Described>,
    channels: (usize, usize),
    may_share_memory: bool,
    stage: Stage,
}

/// What a storm did.
#[derive(Default)]
struct Tally {
    steps: BTreeMap<&'static str, u64>,
    lives: u64,
    blocks: u64,
    audio_s: f64,
    /// Blocks in which something was heard: the checks look at sound and not at silence.
    heard: u64,
    events: u64,
}

struct Storm {
    noise: Noise,
    seed: u64,
    step: u64,
    log: File,
    audio: AudioThread,
    lives: Vec<Life>,
    /// States that were saved, with the plug-in whose they are.
    states: Vec<(&'static CStr, Vec<u8>)>,
    /// What fresh instances of the seat and of the hall make of a burst, and their state.
    fresh: [(Vec<u8>, Sound); 2],
    /// Whether the check is broken on purpose, so that it finds a fault in any sound.
    is_broken: bool,
    tally: Tally,
}

/// A burst that is shorter than its tail.
fn burst() -> Sound {
    noise_and_silence(2, 2400, 2400)
}

/// What a fresh instance makes of the burst, and its state.
fn fresh(id: &CStr) -> (Vec<u8>, Sound) {
    let mut clap = Clap::of(id);
    let state = clap.save();
    let mut playing = clap.start(Start::STEREO);
    let sound = playing.render(&burst(), &[]);
    playing.stop();
    assert!(sound.iter().flatten().any(|x| x.abs() > 0.01), "a fresh instance sounds");
    (state, sound)
}

/// Steps of the main thread that any state allows, also while audio is processed.
type MainStep = (&'static str, fn(&mut Noise, &mut Life, &mut Vec<(&'static CStr, Vec<u8>)>));

const ANY_TIME: [MainStep; 15] = [
    ("describe a parameter", |noise, life, _| describe(noise, life)),
    ("read a value", |noise, life, _| read_value(noise, life)),
    ("read a value", |noise, life, _| read_value(noise, life)),
    ("write a value as text", |noise, life, _| write_text(noise, life)),
    ("write a value as text", |noise, life, _| write_text(noise, life)),
    ("read a value from text", |noise, life, _| read_text(noise, life)),
    ("save", |noise, life, states| save(noise, life, states)),
    ("load", load),
    ("load", load),
    ("describe the ports", |noise, life, _| describe_ports(noise, life)),
    ("describe the layouts", |noise, life, _| describe_layouts(noise, life)),
    ("set the mode", |noise, life, _| set_mode(noise, life)),
    ("ask for remote controls", |noise, life, _| ask_for_remote_controls(noise, life)),
    ("say that the track has changed", |_, life, _| {
        let track = life.clap.extension::<PluginTrackInfo>();
        track.changed(&life.clap.plugin.plugin_handle());
    }),
    ("ask about windows, serve", |noise, life, _| ask_about_windows(noise, life)),
];

fn one_of<T: Copy>(noise: &mut Noise, all: &[T]) -> T {
    all[noise.bits() as usize % all.len()]
}

fn chance(noise: &mut Noise, share: f64) -> bool {
    noise.uniform() < share
}

/// Returns a parameter's id, one time in ten one that nobody has.
fn any_id(noise: &mut Noise, described: &[Described]) -> ClapId {
    if chance(noise, 0.1) {
        return ClapId::from_raw(noise.bits() as u32).unwrap_or(ClapId::new(0));
    }
    described[noise.bits() as usize % described.len()].id
}

/// Returns a value: mostly within the range, else its ends, far outside, or no number.
fn any_value(noise: &mut Noise, described: &[Described], id: ClapId) -> f64 {
    let (least, most) =
        described.iter().find(|found| found.id == id).map_or((0.0, 1.0), |found| (found.least, found.most));
    match noise.bits() % 20 {
        0 | 1 => least,
        2 | 3 => most,
        4 => one_of(noise, &[f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300, 1e30, -1e30]),
        5 => one_of(noise, &[-0.0, 5e-324, -1.0, f64::from(f32::MAX), f64::EPSILON, most + 1.0, least - 1.0]),
        _ => least + noise.uniform() * (most - least),
    }
}

fn describe(noise: &mut Noise, life: &mut Life) {
    let params = life.clap.params;
    let handle = life.clap.plugin.plugin_handle();
    let count = params.count(&handle);
    assert_eq!(count as usize, life.described.len(), "the number of parameters changes");
    let index =
        one_of(noise, &[0, count - 1, count, count + 1, u32::MAX, noise.clone().bits() as u32 % count]);
    let mut buffer = ParamInfoBuffer::new();
    let info = params.get_info(&handle, index, &mut buffer);
    assert_eq!(info.is_some(), index < count, "parameter {index} of {count}");
    if let Some(info) = info {
        assert_eq!(info.id, life.described[index as usize].id, "parameter {index} changes");
    }
}

fn read_value(noise: &mut Noise, life: &mut Life) {
    let id = any_id(noise, &life.described);
    let known = life.described.iter().find(|found| found.id == id);
    let params = life.clap.params;
    let value = params.get_value(&life.clap.plugin.plugin_handle(), id);
    assert_eq!(value.is_some(), known.is_some(), "{id:?}");
    if let (Some(value), Some(known)) = (value, known) {
        let range = known.least..=known.most;
        assert!(range.contains(&value), "{} is {value}, outside {range:?}", known.name);
    }
}

fn write_text(noise: &mut Noise, life: &mut Life) {
    let id = any_id(noise, &life.described);
    let value = any_value(noise, &life.described, id);
    let room = one_of(noise, &[0, 1, 2, 5, 64, 256, 256]);
    let mut buffer = vec![0xff_u8; room];
    let params = life.clap.params;
    let text = params.value_to_text(&life.clap.plugin.plugin_handle(), id, value, &mut buffer);
    let is_known = life.described.iter().any(|found| found.id == id);
    assert_eq!(text.is_ok(), is_known, "{id:?}");
    if let Ok(text) = text {
        assert!(text.len() < room.max(1), "a text of {} bytes in {room}", text.len());
    }
}

fn read_text(noise: &mut Noise, life: &mut Life) {
    let id = any_id(noise, &life.described);
    let text: Vec<u8> = match noise.bits() % 8 {
        0 => Vec::new(),
        1 => (0..noise.bits() % 300).map(|_| 1 + (noise.bits() % 255) as u8).collect(),
        2 => b"9".repeat(1 + noise.bits() as usize % 4000),
        3 => format!("{} m", noise.gaussian() * 1e3).into_bytes(),
        4 => one_of(
            noise,
            &["nan", "inf", "-inf m", "1e999", "off", "\u{2212}12\u{b0}", "- -", "1e-400 s", "\u{1d7d8} dB"],
        )
        .into(),
        5 => format!("{}", noise.uniform()).into_bytes(),
        6 => {
            one_of(noise, &["carpet", "brick", "rear bell", "spaced omnis", "Carpet ", "on", "off", "1", "4"])
                .into()
        }
        _ => {
            let value = any_value(noise, &life.described, id);
            let mut buffer = [0_u8; 256];
            let params = life.clap.params;
            let handle = life.clap.plugin.plugin_handle();
            let text = params.value_to_text(&handle, id, value, &mut buffer);
            text.map(|text| text.to_vec()).unwrap_or_default()
        }
    };
    let text = CString::new(text).expect("no zeros");
    let params = life.clap.params;
    let value = params.text_to_value(&life.clap.plugin.plugin_handle(), id, &text);
    if let (Some(value), Some(known)) = (value, life.described.iter().find(|found| found.id == id)) {
        let range = known.least..=known.most;
        assert!(range.contains(&value), "{}: {text:?} is {value}, outside {range:?}", known.name);
    }
}

/// A stream that gives or takes a few bytes at a time, and fails at a place.
struct Trickle<S> {
    stream: S,
    at_once: usize,
    left: usize,
}

impl<S: Read> Read for Trickle<S> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.at_once.min(buffer.len());
        if count > self.left {
            return Err(std::io::ErrorKind::BrokenPipe.into());
        }
        self.left -= count;
        self.stream.read(&mut buffer[..count])
    }
}

impl<S: Write> Write for Trickle<S> {
    fn write(&mut self, buffer: &[u8]) -> std::io::Result<usize> {
        let count = self.at_once.min(buffer.len());
        if count > self.left {
            return Err(std::io::ErrorKind::StorageFull.into());
        }
        self.left -= count;
        self.stream.write(&buffer[..count])
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

fn save(noise: &mut Noise, life: &mut Life, states: &mut Vec<(&'static CStr, Vec<u8>)>) {
    let breaks_off = chance(noise, 0.2);
    // No state is shorter than this.
    let left = if breaks_off { noise.bits() as usize % 150 } else { usize::MAX };
    let mut stream = Trickle { stream: Vec::new(), at_once: one_of(noise, &[1, 7, 4096]), left };
    let saved = life.clap.extension::<PluginState>().save(&life.clap.plugin.plugin_handle(), &mut stream);
    assert_eq!(saved.is_ok(), !breaks_off, "saved to a stream that takes {left} bytes");
    if !breaks_off {
        let place = noise.bits() as usize % 40;
        if place < states.len() {
            states[place] = (life.id, stream.stream);
        } else {
            states.push((life.id, stream.stream));
        }
    }
}

fn load(noise: &mut Noise, life: &mut Life, states: &mut Vec<(&'static CStr, Vec<u8>)>) {
    if states.is_empty() {
        return save(noise, life, states);
    }
    let (id, mut bytes) = states[noise.bits() as usize % states.len()].clone();
    let whole = bytes.len();
    let mut left = usize::MAX;
    // Whether it must be taken, or refused; `None` where either is right.
    let is_taken = match noise.bits() % 8 {
        0 => {
            bytes.truncate(noise.bits() as usize % whole);
            Some(false)
        }
        1 => {
            let place = noise.bits() as usize % whole;
            bytes[place] ^= 1 << (noise.bits() % 8);
            None
        }
        2 => {
            bytes = (0..noise.bits() % 2000).map(|_| noise.bits() as u8).collect();
            Some(false)
        }
        3 => {
            left = noise.bits() as usize % whole;
            Some(false)
        }
        4 => {
            // A number of it is another number, a text, or a list.
            let text = String::from_utf8(bytes[8..].to_vec()).expect("JSON");
            let digits: Vec<usize> =
                text.char_indices().filter(|(_, c)| c.is_ascii_digit()).map(|(n, _)| n).collect();
            let place = digits[noise.bits() as usize % digits.len()];
            let other =
                one_of(noise, &["1e38", "-9e99", "1e400", "null", "\"x\"", "[]", "true", "99999999999999"]);
            let text = [&text[..place], other, &text[place + 1..]].concat();
            bytes = [&(text.len() as u64).to_le_bytes(), text.as_bytes()].concat();
            None
        }
        // The other plug-in's state is a state: what it has in common is taken.
        _ => (id == life.id).then_some(true),
    };
    let at_once = if left == usize::MAX { one_of(noise, &[1, 7, 4096]) } else { 1 };
    let mut stream = Trickle { stream: Cursor::new(bytes), at_once, left };
    let loaded = life.clap.extension::<PluginState>().load(&life.clap.plugin.plugin_handle(), &mut stream);
    if let Some(is_taken) = is_taken {
        assert_eq!(loaded.is_ok(), is_taken, "a state of {id:?} for {:?}", life.id);
    }
}

fn describe_ports(noise: &mut Noise, life: &mut Life) {
    let ports = life.clap.extension::<PluginAudioPorts>();
    let handle = life.clap.plugin.plugin_handle();
    let (inputs, outputs) = life.channels;
    for (is_input, channels) in [(true, inputs), (false, outputs)] {
        assert_eq!(ports.count(&handle, is_input), 1);
        let mut buffer = AudioPortInfoBuffer::new();
        let port = ports.get(&handle, 0, is_input, &mut buffer).expect("the one port");
        assert_eq!(port.channel_count as usize, channels, "input: {is_input}");
        life.may_share_memory = port.in_place_pair.is_some();
        let beyond = 1 + noise.bits() as u32 % u32::MAX;
        assert!(ports.get(&handle, beyond, is_input, &mut buffer).is_none(), "port {beyond}");
    }
}

fn describe_layouts(noise: &mut Noise, life: &mut Life) {
    let configs = life.clap.extension::<PluginAudioPortsConfig>();
    let handle = life.clap.plugin.plugin_handle();
    let count = configs.count(&handle);
    let mut buffer = AudioPortsConfigBuffer::new();
    let index = one_of(noise, &[0, count - 1, count, u32::MAX]);
    assert_eq!(
        configs.get(&handle, index, &mut buffer).is_some(),
        index < count,
        "layout {index} of {count}"
    );
}

/// Selects a layout, now and then one that there is not; only of an instance that is not active.
fn choose_layout(noise: &mut Noise, life: &mut Life) {
    let configs = life.clap.extension::<PluginAudioPortsConfig>();
    let handle = life.clap.plugin.plugin_handle();
    let count = configs.count(&handle);
    if chance(noise, 0.1) {
        let beyond = ClapId::new(count + noise.bits() as u32 % 1000);
        assert!(configs.select(&handle, beyond).is_err(), "{beyond:?}");
        return;
    }
    let index = noise.bits() as u32 % count;
    let mut buffer = AudioPortsConfigBuffer::new();
    let config = configs.get(&handle, index, &mut buffer).expect("a layout");
    let channels = |port: &Option<clack_extensions::audio_ports_config::MainPortInfo>| {
        port.as_ref().map_or(0, |port| port.channel_count as usize)
    };
    life.channels = (channels(&config.main_input), channels(&config.main_output));
    configs.select(&handle, config.id).expect("the plug-in takes its own layout");
    describe_ports(noise, life);
}

fn set_mode(noise: &mut Noise, life: &mut Life) {
    let render = life.clap.extension::<PluginRender>();
    let handle = life.clap.plugin.plugin_handle();
    assert!(!render.has_realtime_requirement(&handle));
    let mode = if chance(noise, 0.5) { RenderMode::Offline } else { RenderMode::Realtime };
    render.set(&handle, mode).expect("both modes are taken at any time");
}

fn ask_for_remote_controls(noise: &mut Noise, life: &mut Life) {
    // Where there are no pages, there need not be this extension.
    let Some(remote) = life.clap.plugin.plugin_shared_handle().get_extension::<PluginRemoteControls>() else {
        return;
    };
    let handle = life.clap.plugin.plugin_handle();
    let count = remote.count(&handle);
    let mut buffer = RemoteControlsPageBuffer::new();
    for index in [count, u32::MAX, noise.bits() as u32 % (count + 1)] {
        let page = remote.get(&handle, index, &mut buffer);
        assert_eq!(page.is_some(), index < count, "page {index} of {count}");
    }
}

fn ask_about_windows(noise: &mut Noise, life: &mut Life) {
    let gui = life.clap.extension::<PluginGui>();
    let handle = life.clap.plugin.plugin_handle();
    for api_type in [GuiApiType::X11, GuiApiType::WIN32, GuiApiType::COCOA, GuiApiType::WAYLAND] {
        let configuration = GuiConfiguration { api_type, is_floating: chance(noise, 0.3) };
        let _ = gui.is_api_supported(&handle, configuration);
    }
    assert!(gui.get_preferred_api(&handle).is_some());
    life.clap.serve();
}

/// Draws what happens in a block, in order of time; returns how many things.
fn draw_events(noise: &mut Noise, described: &[Described], frames: usize) -> EventBuffer {
    let count = if chance(noise, 0.01) { 300 } else { one_of(noise, &[0, 0, 0, 0, 1, 1, 2, 3, 8, 24]) };
    let mut times: Vec<u32> = (0..count)
        .map(|_| match noise.bits() % 4 {
            0 => 0,
            1 => frames as u32 - 1,
            _ => noise.bits() as u32 % frames as u32,
        })
        .collect();
    times.sort_unstable();
    let mut events = EventBuffer::with_capacity(count);
    let all = Pckn::match_all();
    for time in times {
        let id = any_id(noise, described);
        let value = any_value(noise, described, id);
        match noise.bits() % 24 {
            0 => events.push(&ParamGestureBeginEvent::new(time, id)),
            1 => events.push(&ParamGestureEndEvent::new(time, id)),
            2 | 3 => {
                let amount = value * one_of(noise, &[1.0, -1.0, 0.1, 0.0]);
                events.push(&ParamModEvent::new(time, id, all, amount));
            }
            // A plug-in without note ports gets no notes; one that does all the same must not care.
            4 => events.push(&NoteOnEvent::new(time, Pckn::new(0_u16, 0_u16, 60_u16, 1_u32), value)),
            5 => events.push(&NoteOffEvent::new(time, Pckn::new(0_u16, 15_u16, 127_u16, 1_u32), value)),
            6 => events.push(&NoteChokeEvent::new(time, all)),
            7 => events.push(&MidiEvent::new(
                time,
                0,
                (noise.bits() as u32).to_le_bytes()[..3].try_into().expect("3"),
            )),
            8 => events.push(&Midi2Event::new(time, 0, [noise.bits() as u32; 4])),
            9 => events.push(&draw_transport(noise, time)),
            _ => events.push(&ParamValueEvent::new(time, id, all, value)),
        }
    }
    events
}

fn draw_transport(noise: &mut Noise, time: u32) -> TransportEvent {
    let mut bits = || noise.bits() as i64;
    let beats = [bits(), bits(), bits(), bits()].map(BeatTime::from_bits);
    let seconds = [bits(), bits(), bits()].map(SecondsTime::from_bits);
    let (bar_number, flags, signature) = (bits() as i32, bits() as u32, bits() as u32);
    TransportEvent {
        header: EventHeader::new_core(time, EventFlags::empty()),
        flags: TransportFlags::from_bits_truncate(flags),
        song_pos_beats: beats[0],
        song_pos_seconds: seconds[0],
        tempo: one_of(noise, &[120.0, 0.0, -1.0, 1e308, f64::NAN, f64::INFINITY]),
        tempo_inc: one_of(noise, &[0.0, 1.0, f64::NAN]),
        loop_start_beats: beats[1],
        loop_end_beats: beats[2],
        loop_start_seconds: seconds[1],
        loop_end_seconds: seconds[2],
        bar_start: beats[3],
        bar_number,
        time_signature_numerator: signature as u16,
        time_signature_denominator: (signature >> 16) as u16,
    }
}

/// What a run of blocks comes to: the processor, and the blocks in which something was heard, or a fault.
type Played = (PluginAudioProcessor<Host>, Result<u64, String>);

/// Processes blocks and looks at what comes out; on the audio thread.
fn play(mut processor: PluginAudioProcessor<Host>, blocks: Vec<(Block, f32)>) -> Played {
    let mut heard = 0;
    let started = processor.as_started_mut().expect("only one that is started is played");
    for (number, (mut block, most)) in blocks.into_iter().enumerate() {
        let output: Sound = match block.process(started) {
            Ok(output) => output,
            Err(error) => return (processor, Err(format!("block {number}: {error}"))),
        };
        if let Some(fault) = rough_sound::fault(&output, most) {
            return (processor, Err(format!("block {number} of {} frames: {fault}", block.frames())));
        }
        heard += u64::from(output.iter().flatten().any(|x| x.abs() > 1e-4));
    }
    (processor, Ok(heard))
}

impl Storm {
    fn new(seed: u64, log: &Path, is_broken: bool) -> Self {
        let log = File::create(log).unwrap_or_else(|error| panic!("{}: {error}", log.display()));
        Self {
            noise: Noise::new(seed),
            seed,
            step: 0,
            log,
            audio: AudioThread::new(),
            lives: Vec::new(),
            states: Vec::new(),
            fresh: [SEAT, HALL].map(fresh),
            is_broken,
            tally: Tally::default(),
        }
    }

    /// Counts a step and writes it down before it is taken.
    fn note(&mut self, what: &'static str) {
        *self.tally.steps.entry(what).or_default() += 1;
        let line = format!("seed {}, step {}: {what:<40}\n", self.seed, self.step);
        self.log.rewind().and_then(|()| self.log.write_all(line.as_bytes())).expect("room for a line");
    }

    /// Takes one step.
    fn step(&mut self) {
        self.step += 1;
        if self.lives.is_empty() || (self.lives.len() < MOST_LIVES && chance(&mut self.noise, 0.02)) {
            return self.make();
        }
        let index = self.noise.bits() as usize % self.lives.len();
        let mut life = self.lives.swap_remove(index);
        let choice = self.noise.uniform();
        let stage = std::mem::replace(&mut life.stage, Stage::Between);
        life.stage = match stage {
            Stage::Idle if choice < 0.05 => {
                self.note("destroy");
                return;
            }
            Stage::Idle if choice < 0.15 => {
                self.come_back(life);
                return;
            }
            Stage::Active { processor, .. } if choice < 0.01 => {
                self.note("destroy while active");
                // The host's library deactivates what is destroyed while active.
                drop(processor);
                return;
            }
            stage if choice < 0.3 => {
                life.stage = stage;
                self.main_step(&mut life);
                std::mem::replace(&mut life.stage, Stage::Between)
            }
            Stage::Idle => self.idle_step(&mut life, choice),
            Stage::Active { processor, config, heard, frames } => {
                let kept = (processor, config, heard, frames);
                self.active_step(&mut life, kept, (choice - 0.3) / 0.7)
            }
            Stage::Between => unreachable!("a step ends with a stage"),
        };
        self.lives.push(life);
    }

    fn make(&mut self) {
        self.note("make");
        let id = if chance(&mut self.noise, 0.25) { HALL } else { SEAT };
        let track =
            one_of(&mut self.noise, &[None, Some("Horns 2"), Some(""), Some("\u{1f3ba} viola da gamba")]);
        let mut clap = Clap::on_track(id, track);
        let described = clap.parameters();
        let mut life =
            Life { clap, id, described, channels: (2, 2), may_share_memory: false, stage: Stage::Idle };
        describe_ports(&mut self.noise, &mut life);
        self.tally.lives += 1;
        self.lives.push(life);
    }

    /// Whatever was done to an instance: with a fresh one's state it is a fresh one, to the bit.
    fn come_back(&mut self, life: Life) {
        self.note("come back");
        let Life { mut clap, id, described, .. } = life;
        let (state, expected) = &self.fresh[usize::from(id == HALL)];
        // What a modulation adds is no part of a state: a host that stops modulating says so.
        let mut events = EventBuffer::new();
        for of in &described {
            events.push(&ParamModEvent::new(0, of.id, Pckn::match_all(), 0.0));
        }
        let params = clap.params;
        let mut handle = clap.plugin.inactive_plugin_handle().expect("it is idle");
        params.flush(&mut handle, &events.as_input(), &mut OutputEvents::void());
        assert!(clap.load(state), "{id:?} refuses a fresh one's state");
        let mut playing = clap.start(Start::STEREO);
        let sound = playing.render(&burst(), &[]);
        playing.stop();
        assert_same_bits(&format!("seed {}, step {}: {id:?}", self.seed, self.step), expected, &sound);
    }

    fn main_step(&mut self, life: &mut Life) {
        let (what, step) = one_of(&mut self.noise, &ANY_TIME);
        self.note(what);
        step(&mut self.noise, life, &mut self.states);
        if matches!(life.stage, Stage::Active { .. }) {
            let latency = life.clap.extension::<PluginLatency>();
            assert_eq!(latency.get(&life.clap.plugin.plugin_handle()), 0, "the latency");
        }
    }

    fn idle_step(&mut self, life: &mut Life, choice: f64) -> Stage {
        if choice < 0.4 {
            self.note("choose a layout");
            choose_layout(&mut self.noise, life);
            return Stage::Idle;
        }
        if choice < 0.5 {
            self.note("flush while idle");
            let events = draw_events(&mut self.noise, &life.described, 1);
            let params = life.clap.params;
            let mut handle = life.clap.plugin.inactive_plugin_handle().expect("it is idle");
            params.flush(&mut handle, &events.as_input(), &mut OutputEvents::void());
            return Stage::Idle;
        }
        self.note("activate");
        let max_frames_count =
            one_of(&mut self.noise, &[1, 16, 63, 64, 333, 512, 1024, 4096, LONGEST_BLOCK_FRAMES]);
        let config = PluginAudioConfiguration {
            sample_rate: one_of(&mut self.noise, &RATES_HZ),
            min_frames_count: 1 + self.noise.bits() as u32 % max_frames_count,
            max_frames_count,
        };
        let is_taken = (TAKEN_HZ.0..=TAKEN_HZ.1).contains(&config.sample_rate);
        match life.clap.plugin.activate(|_, _| (), config) {
            Ok(stopped) => {
                assert!(is_taken, "{} Hz are taken", config.sample_rate);
                Stage::Active { processor: stopped.into(), config, heard: Heard::default(), frames: 0 }
            }
            Err(error) => {
                assert!(!is_taken, "{} Hz are refused: {error}", config.sample_rate);
                Stage::Idle
            }
        }
    }

    fn active_step(
        &mut self,
        life: &mut Life,
        (processor, config, mut heard, mut frames): (
            PluginAudioProcessor<Host>,
            PluginAudioConfiguration,
            Heard,
            u64,
        ),
        choice: f64,
    ) -> Stage {
        if choice < 0.03 {
            self.note("deactivate");
            let processor = if chance(&mut self.noise, 0.9) {
                self.audio.call(|| processor.into_stopped())
            } else {
                // The host's library stops what is deactivated while it is started.
                processor.into_stopped()
            };
            life.clap.plugin.deactivate(processor);
            return Stage::Idle;
        }
        let processor = if choice < 0.08 {
            self.note("reset");
            (heard, frames) = (Heard::default(), 0);
            self.audio.call(move || {
                let mut processor = processor;
                processor.reset();
                processor
            })
        } else if choice < 0.12 {
            self.note("flush while active");
            let events = draw_events(&mut self.noise, &life.described, 1);
            let params = life.clap.params;
            self.audio.call(move || {
                let mut processor = processor;
                let mut handle = processor.plugin_handle();
                params.flush_active(&mut handle, &events.as_input(), &mut OutputEvents::void());
                processor
            })
        } else if choice < 0.16 {
            self.note("ask for the tail");
            let tail = life.clap.extension::<PluginTail>();
            self.audio.call(move || {
                let mut processor = processor;
                let tail = tail.get(&processor.plugin_handle());
                assert!(matches!(tail, TailLength::Finite(_)), "the tail has an end");
                processor
            })
        } else if !processor.is_started() {
            self.note("start");
            (heard, frames) = (Heard::default(), 0);
            self.audio.call(|| PluginAudioProcessor::from(processor.into_started().expect("it starts")))
        } else if choice < 0.2 {
            self.note("stop");
            self.audio.call(|| PluginAudioProcessor::from(processor.into_stopped()))
        } else {
            let blocks = self.draw_blocks(life, config, &mut heard, &mut frames);
            self.play(life, processor, blocks, choice < 0.45)
        };
        Stage::Active { processor, config, heard, frames }
    }

    fn draw_blocks(
        &mut self,
        life: &Life,
        config: PluginAudioConfiguration,
        heard: &mut Heard,
        frames: &mut u64,
    ) -> Vec<(Block, f32)> {
        let noise = &mut self.noise;
        let (least, most) = (config.min_frames_count, config.max_frames_count);
        // Runs of small blocks are longer.
        let count = 1 + noise.bits() % (2000 / u64::from(most) + 3).min(80);
        (0..count)
            .map(|_| {
                let length = match noise.bits() % 4 {
                    0 => most,
                    1 => least,
                    _ => least + noise.bits() as u32 % (most - least + 1),
                } as usize;
                let (inputs, outputs) = life.channels;
                let mut input = vec![rough_sound::channel(noise, length)];
                if inputs == 2 {
                    // A stereo channel often carries the same signal twice.
                    let other = if chance(noise, 0.3) {
                        input[0].clone()
                    } else {
                        rough_sound::channel(noise, length)
                    };
                    input.push(other);
                }
                heard.add(&input);
                let events = draw_events(noise, &life.described, length);
                let block = Block {
                    input,
                    outputs,
                    is_in_place: life.may_share_memory && chance(noise, 0.5),
                    is_hinted: chance(noise, 0.5),
                    events,
                    steady_frames: chance(noise, 0.7).then_some(*frames),
                    transport: chance(noise, 0.5).then(|| draw_transport(noise, 0)),
                };
                *frames += length as u64;
                self.tally.blocks += 1;
                self.tally.events += u64::from(block.events.len());
                self.tally.audio_s += length as f64 / config.sample_rate;
                (block, if self.is_broken { 1e-3 } else { heard.most() })
            })
            .collect()
    }

    /// Lets the audio thread play; the main thread meanwhile waits, or does what it may.
    fn play(
        &mut self,
        life: &mut Life,
        processor: PluginAudioProcessor<Host>,
        blocks: Vec<(Block, f32)>,
        is_busy: bool,
    ) -> PluginAudioProcessor<Host> {
        self.note(if is_busy { "play, and be busy meanwhile" } else { "play" });
        let played = self.audio.begin(move || play(processor, blocks));
        if is_busy {
            for _ in 0..=self.noise.bits() % 12 {
                let (what, step) = one_of(&mut self.noise, &ANY_TIME);
                *self.tally.steps.entry(what).or_default() += 1;
                step(&mut self.noise, life, &mut self.states);
            }
        }
        let (processor, result) = played.recv().expect("the audio thread does not panic");
        self.tally.heard += result.unwrap_or_else(|fault| {
            panic!("seed {}, step {}: {:?} {:?}: {fault}", self.seed, self.step, life.id, life.channels)
        });
        processor
    }
}

impl Drop for Storm {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("The storm broke off: seed {}, step {}", self.seed, self.step);
        }
        // Processors go before their instances.
        for life in &mut self.lives {
            life.stage = Stage::Idle;
        }
    }
}

fn seed() -> u64 {
    std::env::var("ROSTRA_STORM_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(SEED)
}

fn lasts_s() -> Option<f64> {
    std::env::var("ROSTRA_STORM_S").ok().and_then(|seconds| seconds.parse().ok())
}

fn log_path() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{}-{LOG}", seed()))
}

/// Says what is held in memory, where the system tells.
fn memory_text() -> String {
    #[cfg(target_os = "linux")]
    return format!("{:.1} MiB held", super::memory::held_mib());
    #[cfg(not(target_os = "linux"))]
    "memory is not told here".to_owned()
}

/// The storm itself.
fn rage(seconds: f64, is_broken: bool) {
    // The clock says when to end; nothing is held against it.
    #[allow(clippy::disallowed_methods)]
    let start = Instant::now();
    let mut minutes = 0;
    let mut storm = Storm::new(seed(), &log_path(), is_broken);
    while start.elapsed().as_secs_f64() < seconds {
        storm.step();
        if start.elapsed() >= Duration::from_mins(minutes) {
            eprintln!(
                "minute {minutes}: step {}, {} lives, {:.0} s of audio, {}",
                storm.step,
                storm.tally.lives,
                storm.tally.audio_s,
                memory_text()
            );
            minutes += 1;
        }
    }
    let tally = std::mem::take(&mut storm.tally);
    let steps = storm.step;
    drop(storm);
    for (what, count) in &tally.steps {
        eprintln!("{count:>9}  {what}");
    }
    eprintln!(
        "seed {}: {steps} steps and {} calls, {} instances, {} blocks ({} with sound), {} events, {:.1} s of audio in {:.0} s; all gone: {}",
        seed(),
        tally.steps.values().sum::<u64>(),
        tally.lives,
        tally.blocks,
        tally.heard,
        tally.events,
        tally.audio_s,
        start.elapsed().as_secs_f64(),
        memory_text()
    );
    assert!(tally.blocks > 0 && 5 * tally.heard > tally.blocks, "too little is heard to say anything");
}

/// Starts a test of this file again in a process of its own; returns its output and what it said.
fn inside(test: &str, role: &str, is_watched: bool) -> (Output, String) {
    let mut command = Command::new(std::env::current_exe().expect("this program has a path"));
    command.args(["--exact", test, "--nocapture"]).env(ROLE, role);
    // glibc would keep what was freed (mallopt(3)): this way what is held is what is used.
    command.envs([
        ("MALLOC_ARENA_MAX", "1"),
        ("MALLOC_TRIM_THRESHOLD_", "0"),
        ("MALLOC_MMAP_THRESHOLD_", "131072"),
    ]);
    // The framework logs each refusal, and what a thread panics with.
    let plug_in_log = log_path().with_extension("plug-in.log");
    let _ = std::fs::remove_file(&plug_in_log);
    command.env("NICE_LOG", &plug_in_log);
    if is_watched {
        command.stderr(Stdio::inherit());
    }
    let output = command.output().expect("this program starts");
    let last = std::fs::read_to_string(log_path()).unwrap_or_default();
    let logged = std::fs::read_to_string(&plug_in_log).unwrap_or_default();
    let logged: Vec<&str> = logged.lines().collect();
    let logged = logged[logged.len().saturating_sub(30)..].join("\n");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let said = if output.status.success() { said } else { format!("last: {last}\n{said}\n{logged}") };
    (output, said)
}

#[test]
fn a_storm_of_calls_breaks_nothing() {
    const TEST: &str = "storm::a_storm_of_calls_breaks_nothing";
    if std::env::var_os(ROLE).is_some() {
        return rage(lasts_s().unwrap_or(SHORT_S), false);
    }
    // Someone who asks for a long one waits and wants to see.
    let (output, said) = inside(TEST, "storm", lasts_s().is_some());
    assert!(output.status.success(), "{}; {said}", output.status);
    eprintln!("{said}");
}

/// The control: a fault is found, told with its seed and step, and found there again.
#[test]
fn a_fault_is_told_with_the_step_that_finds_it_again() {
    const TEST: &str = "storm::a_fault_is_told_with_the_step_that_finds_it_again";
    if std::env::var_os(ROLE).is_some() {
        return rage(60.0, true);
    }
    let faults: Vec<String> = (0..2)
        .map(|_| {
            let (output, said) = inside(TEST, "broken", false);
            assert!(!output.status.success(), "no fault is found: {said}");
            let told = said.lines().find(|line| line.starts_with("seed ") && line.contains("at most 1e-3"));
            told.or(said.lines().find(|line| line.contains("at most 1e-3")))
                .expect("the fault is told")
                .to_owned()
        })
        .collect();
    let place = |fault: &str| fault[fault.find("seed ").expect("a seed")..].to_owned();
    assert_eq!(place(&faults[0]), place(&faults[1]), "the same seed finds another fault");
    eprintln!("{}", faults[0]);
}
