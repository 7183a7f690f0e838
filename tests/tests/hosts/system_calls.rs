//! The audio thread calls nothing of the system while it processes, whatever moves.
//!
//! This test starts itself once more under `strace`. There the audio thread
//! asks for its parent's number before and after each `process`: a harmless
//! call that nothing else here makes. Between two of these marks the log of that
//! thread must be empty. What `strace` is and logs: its manual, strace(1).

use rostra_dsp::extremes::larger;
use std::hint::black_box;
use std::io::Write as _;
use std::os::unix::process::parent_id;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;

use super::clap_host::{Clap, Host, Start};
use super::raw_vst3::{Block, Changes, HALL, REALTIME, SEAT};
use super::vst3_host::{View, raw};
use super::window::{LEAST_COLOURS, Screen, Server, has_open_gl, threads, wait_for_threads_of_windows};

/// Says to the traced run what it has to do.
const ROLE: &str = "ROSTRA_TRACED_ROLE";
/// The mark: what `parent_id` calls.
const MARK: &str = "getppid(";
const BLOCK_FRAMES: usize = 128;
const BLOCKS: usize = 1500;
/// Pause after a block: long enough that the builder's tails come back while blocks run.
const PAUSE: Duration = Duration::from_millis(1);

/// A parameter that moves: its name, and what it is set to in turn.
type Automated = (&'static str, &'static [&'static str]);

/// What moves, every fifth block: seat, lists, tails, and bypass.
const AUTOMATION: [Automated; 8] = [
    ("Depth", &["2 m", "2.5 m", "3 m", "9 m", "8 m"]),
    ("Bearing", &["-50", "-20", "10", "40"]),
    ("Radiation", &["omnidirectional", "rear bell", "top plate"]),
    ("Platform balance", &["50", "80", "20"]),
    ("Decay", &["0.5 s", "0.9 s", "0.3 s", "0.7 s", "0.4 s"]),
    ("Main microphones", &["coincident", "near-coincident", "spaced omnis"]),
    ("Rear wall", &["brick", "curtain"]),
    ("Bypass", &["off", "off", "on"]),
];

/// Processes live while everything moves, with marks around each block; `foul` does between them what it must not.
fn play(mut clap: Clap, inputs: usize, outputs: usize, foul: bool) -> Clap {
    let values: Vec<(ClapId, Vec<f64>)> = AUTOMATION
        .iter()
        .map(|(name, texts)| {
            let typed: Vec<_> = texts.iter().map(|text| clap.typed(name, text)).collect();
            (typed[0].0, typed.iter().map(|&(_, value)| value).collect())
        })
        .collect();
    let start = Start { inputs, outputs, block_frames: BLOCK_FRAMES, is_offline: false, ..Start::STEREO };
    clap.start(start).on_an_audio_thread(move |processor| {
        let mut loudest = 0.0_f32;
        for block in 0..BLOCKS {
            let mut events = EventBuffer::new();
            if block % 5 == 0 {
                for (index, (id, values)) in values.iter().enumerate() {
                    // Each at its own frame of the block, and at its own pace.
                    let value = values[block / (5 * (index + 1)) % values.len()];
                    events.push(&ParamValueEvent::new(16 * index as u32, *id, Pckn::match_all(), value));
                }
            }
            loudest = larger(loudest, process(processor, inputs, outputs, block, &events, foul));
            std::thread::sleep(PAUSE);
        }
        assert!(loudest > 0.01, "the sound is not silence");
    })
}

/// As [`play`], the VST3, stereo; everything that it can be automated in moves, and the host echoes it.
fn play_vst3(class: &[u8; 16], screen: Option<&Screen>, foul: bool) {
    let vst3 = raw(class);
    let parameters = vst3.parameters();
    vst3.start(48_000.0, BLOCK_FRAMES as i32, REALTIME);
    let view = screen.map(|screen| {
        let view = View::open(&vst3, screen.parent);
        wait_for_sheet(screen);
        view
    });
    let player = vst3.clone();
    let ids: Vec<u32> = parameters.iter().map(|info| info.id).collect();
    let audio = std::thread::spawn(move || {
        let mut loudest = 0.0_f32;
        for block in 0..BLOCKS {
            let mut memory = Block::new(2, 2, BLOCK_FRAMES);
            for (side, channel) in memory.input.iter_mut().enumerate() {
                let wave = |n: usize| ((n * 7 + block) % 13) as f32 / 26.0 - 0.25;
                channel.iter_mut().enumerate().for_each(|(n, x)| *x = wave(n * (1 + side)));
            }
            // Each at its own frame, and at its own pace; the bypass, which is the last, is off most of the time.
            let value = |n: usize| {
                let turn = block / (5 * (1 + n % 7)) + n;
                if n + 1 == ids.len() {
                    f64::from(u8::from(turn.is_multiple_of(5)))
                } else {
                    (turn as f64 * 0.37).fract()
                }
            };
            if block % 5 == 0 {
                let points = |n: usize| vec![(n as i32, value(n)), (60 + n as i32, value(n) * 0.99)];
                memory.change(Changes::new(ids.iter().enumerate().map(|(n, &id)| (id, points(n)))));
            }
            let mut data = memory.data();
            black_box(parent_id());
            let processed = player.process(&mut data);
            if foul && block == BLOCKS / 2 {
                foul_the_thread();
            }
            black_box(parent_id());
            assert_eq!(processed, vst3::Steinberg::kResultOk, "the plug-in processes");
            loudest = memory.output.iter().flatten().fold(loudest, |most, x| larger(most, x.abs()));
            std::thread::sleep(PAUSE);
        }
        assert!(loudest > 0.01, "the sound is not silence");
    });
    audio.join().expect("the audio thread ends in peace");
    if let Some(view) = view {
        view.close();
    }
    vst3.stop();
}

/// Waits until the window shows its sheet.
fn wait_for_sheet(screen: &Screen) {
    for _ in 0..2400 {
        if screen.colours() >= LEAST_COLOURS {
            return;
        }
        std::thread::sleep(Duration::from_millis(25));
    }
    panic!("the window stays blank");
}

/// Does what a role says; returns whether it is one.
fn act(role: &str) -> bool {
    let before = threads();
    match role {
        "mono" => drop(play(Clap::new(), 1, 2, false)),
        "stereo" => drop(play(Clap::new(), 2, 2, false)),
        "control" => drop(play(Clap::new(), 1, 2, true)),
        "window" => {
            let screen = Screen::open();
            let mut clap = Clap::new();
            clap.open_window(screen.parent);
            wait_for_sheet(&screen);
            play(clap, 2, 2, false).close_window();
            wait_for_threads_of_windows(&before);
        }
        "VST3" => play_vst3(&SEAT, None, false),
        "VST3 hall" => play_vst3(&HALL, None, false),
        "VST3 control" => play_vst3(&SEAT, None, true),
        "VST3 window" => {
            play_vst3(&SEAT, Some(&Screen::open()), false);
            wait_for_threads_of_windows(&before);
        }
        "VST3 window control" => {
            play_vst3(&SEAT, Some(&Screen::open()), true);
            wait_for_threads_of_windows(&before);
        }
        _ => return false,
    }
    true
}

/// Processes one block between two marks; returns its largest sample.
fn process(
    processor: &mut StartedPluginAudioProcessor<Host>,
    inputs: usize,
    outputs: usize,
    block: usize,
    events: &EventBuffer,
    foul: bool,
) -> f32 {
    let wave = |n: usize| ((n * 7 + block) % 13) as f32 / 26.0 - 0.25;
    let mut taken: Vec<Vec<f32>> =
        (0..inputs).map(|side| (0..BLOCK_FRAMES).map(|n| wave(n * (1 + side))).collect()).collect();
    let mut given = vec![vec![0.0_f32; BLOCK_FRAMES]; outputs];
    let mut input_ports = AudioPorts::with_capacity(inputs, 1);
    let mut output_ports = AudioPorts::with_capacity(outputs, 1);
    let audio_in = input_ports.with_input_buffers([AudioPortBuffer {
        latency: 0,
        channels: AudioPortBufferType::f32_input_only(taken.iter_mut().map(InputChannel::variable)),
    }]);
    let mut audio_out = output_ports.with_output_buffers([AudioPortBuffer {
        latency: 0,
        channels: AudioPortBufferType::f32_output_only(given.iter_mut().map(Vec::as_mut_slice)),
    }]);
    let steady = Some((block * BLOCK_FRAMES) as u64);
    let (events, mut out_events) = (events.as_input(), OutputEvents::void());
    black_box(parent_id());
    let processed = processor.process(&audio_in, &mut audio_out, &events, &mut out_events, steady, None);
    if foul && block == BLOCKS / 2 {
        foul_the_thread();
    }
    black_box(parent_id());
    processed.expect("the plug-in processes");
    given.iter().flatten().fold(0.0, |most, x| larger(most, x.abs()))
}

/// Allocates 64 MiB, more than an allocator keeps in store (at most 32 MiB, mallopt(3)), and writes a file: what an audio
/// thread must not do.
fn foul_the_thread() {
    let mut block = black_box(Vec::with_capacity(64 << 20));
    block.extend([1_u8; 16]);
    let mut file = tempfile::tempfile().expect("a file");
    file.write_all(&block[..16]).expect("room for a few bytes");
}

/// What the log of an audio thread says.
#[derive(Debug, Default)]
struct Log {
    /// Blocks that were processed between two marks.
    blocks: usize,
    /// Calls between a pair of marks.
    calls: Vec<String>,
}

impl Log {
    /// Reads the logs of all threads; only the audio thread's has marks.
    fn read(folder: &Path) -> Self {
        let mut log = Self::default();
        for entry in std::fs::read_dir(folder).expect("the folder of logs") {
            let text = std::fs::read_to_string(entry.expect("a log").path()).expect("a log in UTF-8");
            let mut is_inside = false;
            for line in text.lines() {
                if line.starts_with(MARK) {
                    is_inside = !is_inside;
                    log.blocks += usize::from(!is_inside);
                } else if is_inside {
                    log.calls.push(line.to_owned());
                }
            }
            assert!(!is_inside, "a block began and did not end");
        }
        log
    }
}

/// Says why nothing can be traced here, if so.
fn untraceable() -> Option<String> {
    match Command::new("strace").args(["-f", "-o", "/dev/null", "true"]).output() {
        Err(error) => Some(format!("strace cannot be run: {error}")),
        Ok(output) if !output.status.success() => {
            Some(format!("strace cannot trace here: {}", String::from_utf8_lossy(&output.stderr).trim()))
        }
        Ok(_) => None,
    }
}

/// Starts this test again in a role under `strace`, and reads the logs.
fn traced(test: &str, role: &str, display: &str) -> Log {
    let folder = tempfile::tempdir().expect("a folder for the logs");
    let program = std::env::current_exe().expect("this program has a path");
    let output = Command::new("strace")
        // One file a thread; `-qq` leaves messages of strace's own out.
        .args(["-ff", "-qq", "-o"])
        .arg(folder.path().join("thread"))
        .arg(program)
        .args(["--exact", test, "--nocapture"])
        .env(ROLE, role)
        .env("DISPLAY", display)
        .output()
        .expect("strace runs");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{role}: the traced run failed: {said}");
    Log::read(folder.path())
}

#[test]
fn the_audio_thread_calls_nothing_of_the_system() {
    const TEST: &str = "system_calls::the_audio_thread_calls_nothing_of_the_system";
    if std::env::var(ROLE).is_ok_and(|role| act(&role)) {
        return;
    }
    if let Some(why) = untraceable() {
        // Past the test runner, which would swallow it.
        let _ = writeln!(std::io::stderr(), "Skipped: {TEST}: {why}");
        return;
    }
    let server = Server::start().filter(|_| has_open_gl());
    let mut roles = vec!["mono", "stereo", "VST3", "VST3 hall"];
    let mut controls = vec!["control", "VST3 control"];
    if server.is_some() {
        roles.extend(["window", "VST3 window"]);
        controls.push("VST3 window control");
    } else {
        let _ = writeln!(std::io::stderr(), "Skipped: {TEST}, the windows: there is no Xvfb or no OpenGL");
    }
    let display = server.as_ref().map_or("", |server| &server.display);
    let mut faults = Vec::new();
    for role in roles {
        let log = traced(TEST, role, display);
        assert_eq!(log.blocks, BLOCKS, "{role}: blocks between marks");
        eprintln!("{role}: {} system calls in {BLOCKS} blocks", log.calls.len());
        if let Some(first) = log.calls.first() {
            faults.push(format!("{role}: {} system calls in process, the first is {first}", log.calls.len()));
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
    // The controls: an allocation and a file are noticed.
    for role in controls {
        let log = traced(TEST, role, display);
        assert_eq!(log.blocks, BLOCKS, "{role}: blocks between marks");
        for call in ["mmap(", "write("] {
            assert!(
                log.calls.iter().any(|line| line.starts_with(call)),
                "{role}: no {call} in {:#?}",
                log.calls
            );
        }
    }
}
