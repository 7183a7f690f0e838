//! The plug-in's `process`, framework and all, neither allocates nor frees while everything moves.
//!
//! The CLAP that this crate exports is hosted within the test program, so that
//! the program's own allocator counts what the plug-in does: allocations and
//! frees, on the audio thread alone. A control shows that it would notice. The
//! framework's own guard (feature `assert_process_allocs`) brings an allocator
//! too, and a program can have one only: with the feature on nothing is counted,
//! and the guard ends the program at the first allocation (`allocation_guard`).

mod in_process;
#[path = "in_process/raw_vst3.rs"]
mod raw_vst3;

use rostra_dsp::extremes::larger;
use std::time::Duration;

use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, PluginAudioPortsConfig};
use clack_extensions::params::{ParamInfoBuffer, PluginParams};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_extensions::tail::{PluginTail, TailLength};
use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;
use in_process::{Host, Shared, entry, vst3_factory};
use raw_vst3::{Block, Changes, HALL, REALTIME, RawVst3, SEAT};
use vst3::Steinberg::kResultOk;

/// Counts with an allocator of its own.
#[cfg(not(feature = "assert_process_allocs"))]
mod counter {
    use std::alloc::{GlobalAlloc, Layout as Memory, System};
    use std::cell::Cell;

    /// The system's allocator, counting the calls of each thread.
    struct Counting;

    thread_local! {
        static ALLOCATIONS: Cell<usize> = const { Cell::new(0) };
        static FREES: Cell<usize> = const { Cell::new(0) };
    }

    fn count(calls: &'static std::thread::LocalKey<Cell<usize>>) {
        // A thread that is ending has no counter any more; nobody looks then.
        let _ = calls.try_with(|calls| calls.set(calls.get() + 1));
    }

    // SAFETY: every call is handed on to the system's allocator unchanged.
    #[allow(unsafe_code, reason = "a global allocator cannot be written otherwise")]
    unsafe impl GlobalAlloc for Counting {
        unsafe fn alloc(&self, memory: Memory) -> *mut u8 {
            count(&ALLOCATIONS);
            // SAFETY: the caller keeps the contract of `GlobalAlloc`.
            unsafe { System.alloc(memory) }
        }
        unsafe fn dealloc(&self, pointer: *mut u8, memory: Memory) {
            count(&FREES);
            // SAFETY: the caller keeps the contract of `GlobalAlloc`.
            unsafe { System.dealloc(pointer, memory) }
        }
    }

    #[global_allocator]
    static ALLOCATOR: Counting = Counting;

    /// Returns how often a piece of work allocated and freed.
    pub(super) fn calls_during(work: impl FnOnce()) -> (usize, usize) {
        let before = (ALLOCATIONS.with(Cell::get), FREES.with(Cell::get));
        work();
        (ALLOCATIONS.with(Cell::get) - before.0, FREES.with(Cell::get) - before.1)
    }

    /// The control: the counters notice a vector that comes and goes.
    #[test]
    fn the_counters_notice_an_allocation_and_a_free() {
        let calls = calls_during(|| drop(std::hint::black_box(vec![1_u8; 16])));
        assert_eq!(calls, (1, 1));
    }
}

/// Leaves it to the framework's guard.
#[cfg(feature = "assert_process_allocs")]
mod counter {
    use std::process::Command;

    /// Asks for the allocation that the guard is to catch.
    const ALLOCATE: &str = "ROSTRA_TESTS_ALLOCATE";

    /// Does the work; the guard, not this, looks at what the plug-in does in it.
    pub(super) fn calls_during(work: impl FnOnce()) -> (usize, usize) {
        work();
        (0, 0)
    }

    /// The control: the guard ends a program of its own that allocates where it must not.
    #[test]
    fn the_guard_ends_a_program_that_allocates() {
        if std::env::var_os(ALLOCATE).is_some() {
            nice_assert_no_alloc::assert_no_alloc(|| drop(std::hint::black_box(vec![1_u8; 16])));
            return;
        }
        // Without the name of the program, which is no part of a test's.
        let name = concat!(module_path!(), "::the_guard_ends_a_program_that_allocates");
        let name = name.split_once("::").expect("a program and a test").1;
        let run = |allocates: bool| {
            let mut program = Command::new(std::env::current_exe().expect("this program"));
            program.args(["--exact", name]);
            if allocates {
                program.env(ALLOCATE, "1");
            } else {
                program.args(["--list"]);
            }
            program.output().expect("it starts").status
        };
        assert!(run(false).success(), "the program itself is in order");
        let status = run(true);
        assert!(!status.success(), "the guard let an allocation pass: {status}");
    }
}

use counter::calls_during;

/// A parameter: its id, and its range.
#[derive(Clone, Copy, Debug)]
struct Automated {
    id: ClapId,
    least: f64,
    most: f64,
    is_bypass: bool,
    is_comparison: bool,
}

/// Returns every parameter of an instance.
fn parameters(plugin: &mut PluginInstance<Host>) -> Vec<Automated> {
    let params = plugin.plugin_shared_handle().get_extension::<PluginParams>().expect("there are parameters");
    let handle = plugin.plugin_handle();
    (0..params.count(&handle))
        .map(|index| {
            let mut buffer = ParamInfoBuffer::new();
            let info = params.get_info(&handle, index, &mut buffer).expect("a description");
            let is_bypass = info.name == b"Bypass";
            let is_comparison = info.name == b"Compare dry";
            Automated { id: info.id, least: info.min_value, most: info.max_value, is_bypass, is_comparison }
        })
        .collect()
}

/// Chooses the layout with this place in the plug-in's order.
fn choose_layout(plugin: &mut PluginInstance<Host>, index: usize) -> (usize, usize) {
    let configs =
        plugin.plugin_shared_handle().get_extension::<PluginAudioPortsConfig>().expect("there are layouts");
    let handle = plugin.plugin_handle();
    let mut buffer = AudioPortsConfigBuffer::new();
    let config = configs.get(&handle, index as u32, &mut buffer).expect("a layout");
    let channels = |count: Option<u32>| count.expect("a main port") as usize;
    let counts = (
        channels(config.main_input.as_ref().map(|port| port.channel_count)),
        channels(config.main_output.as_ref().map(|port| port.channel_count)),
    );
    let id = config.id;
    configs.select(&handle, id).expect("the plug-in takes its own layout");
    counts
}

const BLOCK_FRAMES: usize = 256;
const BLOCKS: usize = 1200;
/// Blocks from one event of a parameter to its next; parameters take turns.
///
/// The framework queues a task for each event, 4096 at most, until a host's main thread takes them: nobody does here, and
/// with 33 parameters in three quarters of the blocks there are 3700.
const EVENT_BLOCKS: usize = 8;
/// Pause after a block: long enough that the builder's tails come back while blocks run.
const PAUSE: Duration = Duration::from_millis(1);

/// Returns the events of a block: every parameter jumps now and then, at its own frame.
fn events_of(block: usize, parameters: &[Automated]) -> EventBuffer {
    let mut events = EventBuffer::new();
    for (index, parameter) in parameters.iter().enumerate() {
        // A jump of 0.37 of the range visits it all; the bypass is off most of the time.
        let turn = block / EVENT_BLOCKS + index;
        // The comparison stays on for a quarter, 1.6 s: long enough that loudness is known and matched.
        let is_compared = parameter.is_comparison && (BLOCKS / 2..BLOCKS * 3 / 4).contains(&block);
        let share = if is_compared {
            1.0
        } else if parameter.is_bypass {
            f64::from(u8::from(turn.is_multiple_of(5)))
        } else {
            (turn as f64 * 0.37).fract()
        };
        let value = parameter.least + share * (parameter.most - parameter.least);
        if block >= BLOCKS / 4 && (block + index).is_multiple_of(EVENT_BLOCKS) {
            // A host sends them in the order of time.
            let frame = (index * BLOCK_FRAMES / parameters.len()) as u32;
            events.push(&ParamValueEvent::new(frame, parameter.id, Pckn::match_all(), value));
        }
    }
    events
}

/// What an audio thread did.
#[derive(Debug, Default)]
struct Counted {
    allocations: usize,
    frees: usize,
    loudest: f32,
    /// Lengths of tail that the plug-in told, one after the other.
    tails_frames: Vec<u32>,
}

fn play(
    processor: &mut StartedPluginAudioProcessor<Host>,
    counts: (usize, usize),
    parameters: &[Automated],
) -> Counted {
    let tail = processor.plugin_handle().get_extension::<PluginTail>().expect("there is a tail");
    let mut counted = Counted::default();
    let (mut input_ports, mut output_ports) =
        (AudioPorts::with_capacity(counts.0, 1), AudioPorts::with_capacity(counts.1, 1));
    for block in 0..BLOCKS {
        let events = events_of(block, parameters);
        let wave = |n: usize| ((n * 7 + block) % 13) as f32 / 26.0 - 0.25;
        let mut taken: Vec<Vec<f32>> =
            (0..counts.0).map(|side| (0..BLOCK_FRAMES).map(|n| wave(n * (1 + side))).collect()).collect();
        let mut given = vec![vec![0.0_f32; BLOCK_FRAMES]; counts.1];
        let audio_in = input_ports.with_input_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_input_only(taken.iter_mut().map(InputChannel::variable)),
        }]);
        let mut audio_out = output_ports.with_output_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_output_only(given.iter_mut().map(Vec::as_mut_slice)),
        }]);
        let (events, steady) = (events.as_input(), Some((block * BLOCK_FRAMES) as u64));
        let mut out_events = OutputEvents::void();
        let (allocations, frees) = calls_during(|| {
            processor
                .process(&audio_in, &mut audio_out, &events, &mut out_events, steady, None)
                .expect("the plug-in processes");
        });
        counted.allocations += allocations;
        counted.frees += frees;
        counted.loudest = given.iter().flatten().fold(counted.loudest, |most, x| larger(most, x.abs()));
        if let TailLength::Finite(frames) = tail.get(&processor.plugin_handle())
            && counted.tails_frames.last() != Some(&frames)
        {
            counted.tails_frames.push(frames);
        }
        std::thread::sleep(PAUSE);
    }
    let (allocations, frees) = calls_during(|| processor.reset());
    counted.allocations += allocations;
    counted.frees += frees;
    counted
}

#[test]
fn process_and_reset_neither_allocate_nor_free() {
    let entry = entry();
    let info = HostInfo::new("Rostra tests", "Rostra", "", env!("CARGO_PKG_VERSION")).expect("no zeros");
    let (seat, hall) = (c"rostra.seat", c"rostra.hall");
    for (id, layout) in [(seat, 0), (seat, 1), (seat, 2), (hall, 0)] {
        let mut plugin =
            PluginInstance::<Host>::new(|()| Shared, |_| (), &entry, id, &info).expect("an instance");
        let counts = choose_layout(&mut plugin, layout);
        let parameters = parameters(&mut plugin);
        assert!(parameters.iter().any(|parameter| parameter.is_bypass), "{parameters:?}");
        let render = plugin.plugin_shared_handle().get_extension::<PluginRender>().expect("there are modes");
        render.set(&plugin.plugin_handle(), RenderMode::Realtime).expect("the mode is taken");
        let configuration = PluginAudioConfiguration {
            sample_rate: 48_000.0,
            min_frames_count: 1,
            max_frames_count: BLOCK_FRAMES as u32,
        };
        let stopped = plugin.activate(|_, ()| (), configuration).expect("the plug-in is activated");
        let mut processor = stopped.start_processing().expect("the plug-in starts");
        let audio = std::thread::spawn(move || {
            let counted = play(&mut processor, counts, &parameters);
            (processor, counted)
        });
        let (processor, counted) = audio.join().expect("the audio thread ends in peace");
        plugin.deactivate(processor.stop_processing());
        let Counted { allocations, frees, loudest, tails_frames } = counted;
        assert!(loudest > 0.01, "{id:?} {counts:?}: the sound is not silence");
        assert!(tails_frames.len() > 5, "{id:?} {counts:?}: tails changed too seldom: {tails_frames:?}");
        assert_eq!((allocations, frees), (0, 0), "{id:?} {counts:?}: allocations and frees");
    }
}

/// Plays the VST3, automated at several frames of a block at once; returns what the audio thread did.
fn play_vst3(vst3: &RawVst3, ids: &[u32]) -> Counted {
    let mut counted = Counted::default();
    for block in 0..BLOCKS {
        let mut memory = Block::new(2, 2, BLOCK_FRAMES);
        for (side, channel) in memory.input.iter_mut().enumerate() {
            let wave = |n: usize| ((n * 7 + block) % 13) as f32 / 26.0 - 0.25;
            channel.iter_mut().enumerate().for_each(|(n, x)| *x = wave(n * (1 + side)));
        }
        // A jump of 0.37 of the range visits it all; the bypass, which is the last, is off most of the time.
        let value = |n: usize| {
            let turn = block / EVENT_BLOCKS + n;
            let is_bypass = n + 1 == ids.len();
            if is_bypass { f64::from(u8::from(turn.is_multiple_of(5))) } else { (turn as f64 * 0.37).fract() }
        };
        let moving = ids.iter().enumerate().filter(|(n, _)| (block + n).is_multiple_of(EVENT_BLOCKS));
        memory.change(Changes::new(moving.map(|(n, &id)| {
            let frame = 8 * n as i32 % (BLOCK_FRAMES as i32 - 9);
            (id, vec![(frame, value(n)), (frame + 9, 0.99 * value(n))])
        })));
        let mut data = memory.data();
        let mut processed = 0;
        let (allocations, frees) = calls_during(|| processed = vst3.process(&mut data));
        assert_eq!(processed, kResultOk, "the plug-in processes");
        counted.allocations += allocations;
        counted.frees += frees;
        counted.loudest =
            memory.output.iter().flatten().fold(counted.loudest, |most, x| larger(most, x.abs()));
        let tail = vst3.tail_frames();
        if counted.tails_frames.last() != Some(&tail) {
            counted.tails_frames.push(tail);
        }
        std::thread::sleep(PAUSE);
    }
    counted
}

#[test]
fn the_vst3_neither_allocates_nor_frees_under_automation() {
    let factory = vst3_factory();
    for class in [SEAT, HALL] {
        let vst3 = RawVst3::new(&factory, &class);
        let ids: Vec<u32> = vst3.parameters().iter().map(|info| info.id).collect();
        vst3.start(48_000.0, BLOCK_FRAMES as i32, REALTIME);
        let player = vst3.clone();
        let audio = std::thread::spawn(move || play_vst3(&player, &ids));
        let Counted { allocations, frees, loudest, tails_frames } =
            audio.join().expect("the audio thread ends in peace");
        vst3.stop();
        assert!(loudest > 0.01, "the sound is not silence");
        assert!(tails_frames.len() > 5, "tails changed too seldom: {tails_frames:?}");
        assert_eq!((allocations, frees), (0, 0), "allocations and frees");
    }
}
