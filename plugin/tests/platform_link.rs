//! Eighty instances in one CLAP host, on eight audio threads, on one shared platform: all follow one edit, and nothing clicks.
//!
//! Held against what the design asks for (100 ms), counted in sound that was
//! played: blocks are paced in real time or slower.

mod in_process;

use rostra_dsp::extremes::larger;
use std::sync::Barrier;
use std::time::Duration;

use clack_extensions::params::{ParamInfoBuffer, PluginParams};
use clack_extensions::state::PluginState;
use clack_extensions::tail::{PluginTail, TailLength};
use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;
use in_process::{Host, Shared, entry};

const RATE_HZ: f64 = 48_000.0;
const BLOCK_FRAMES: usize = 256;
const THREADS: usize = 8;
const PER_THREAD: usize = 10;
/// Blocks until all have joined and are steady, one second; then the edit; then a second more.
const EDIT_BLOCK: usize = 188;
const BLOCKS: usize = 2 * EDIT_BLOCK;
/// Most time from the edit until the last instance plays the new platform, s.
const MOST_S: f64 = 0.1;
/// Most that the sound may jump against the larger of the steady ones; as in the test of steps.
const MOST_JUMP: f64 = 2.0;
/// The instance that does not join, by thread and place: the control.
const ALONE: (usize, usize) = (7, 9);
/// Decays before and after the edit, 0.5 and 1 s, as hosts have them: shares of the range from 0.2 to 2 s.
const DEFAULT_DECAY: f64 = (0.5 - 0.2) / (2.0 - 0.2);
const EDITED_DECAY: f64 = (1.0 - 0.2) / (2.0 - 0.2);

/// One instance under test.
struct Playing {
    processor: StartedPluginAudioProcessor<Host>,
    link: ClapId,
    decay: ClapId,
    sound: Vec<f32>,
    /// Length of the tail after each block, in frames.
    tails_frames: Vec<u32>,
}

fn id_of(plugin: &mut PluginInstance<Host>, name: &str) -> ClapId {
    let params = plugin.plugin_shared_handle().get_extension::<PluginParams>().expect("there are parameters");
    let handle = plugin.plugin_handle();
    (0..params.count(&handle))
        .find_map(|index| {
            let mut buffer = ParamInfoBuffer::new();
            let info = params.get_info(&handle, index, &mut buffer)?;
            (info.name == name.as_bytes()).then_some(info.id)
        })
        .expect("a parameter of that name")
}

impl Playing {
    /// Plays a block of a steady tone; `edits` are set at its first frame.
    fn block(&mut self, block: usize, edits: &[(ClapId, f64)]) {
        let mut events = EventBuffer::new();
        for &(id, value) in edits {
            events.push(&ParamValueEvent::new(0, id, Pckn::match_all(), value));
        }
        let tone = |n: usize| {
            let phase = std::f64::consts::TAU * 250.0 * (block * BLOCK_FRAMES + n) as f64 / RATE_HZ;
            (0.25 * phase.sin()) as f32
        };
        let mut taken: Vec<Vec<f32>> = vec![(0..BLOCK_FRAMES).map(tone).collect(); 2];
        let mut given = vec![vec![0.0_f32; BLOCK_FRAMES]; 2];
        let (mut inputs, mut outputs) = (AudioPorts::with_capacity(2, 1), AudioPorts::with_capacity(2, 1));
        let audio_in = inputs.with_input_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_input_only(taken.iter_mut().map(InputChannel::variable)),
        }]);
        let mut audio_out = outputs.with_output_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_output_only(given.iter_mut().map(Vec::as_mut_slice)),
        }]);
        let steady = Some((block * BLOCK_FRAMES) as u64);
        self.processor
            .process(&audio_in, &mut audio_out, &events.as_input(), &mut OutputEvents::void(), steady, None)
            .expect("the plug-in processes");
        self.sound.extend(&given[0]);
        let tail = self.processor.plugin_handle().get_extension::<PluginTail>().expect("there is a tail");
        let frames = match tail.get(&self.processor.plugin_handle()) {
            TailLength::Finite(frames) => frames,
            TailLength::Infinite => u32::MAX,
        };
        self.tails_frames.push(frames);
    }
}

fn largest_jump(sound: &[f32]) -> f64 {
    sound.windows(2).map(|pair| f64::from((pair[1] - pair[0]).abs())).fold(0.0, larger)
}

/// Returns the memory of this program that is in use, MiB; 0 where the system does not tell.
fn resident_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap_or("0 kB");
    line.trim().trim_end_matches(" kB").trim().parse::<f64>().unwrap_or(0.0) / 1024.0
}

#[test]
fn eighty_linked_instances_follow_one_edit_without_a_click() {
    let entry = entry();
    let info = HostInfo::new("Rostra tests", "Rostra", "", env!("CARGO_PKG_VERSION")).expect("no zeros");
    let before_mib = resident_mib();
    let mut plugins = Vec::new();
    let mut all = Vec::new();
    for _ in 0..THREADS * PER_THREAD {
        let mut plugin = PluginInstance::<Host>::new(|()| Shared, |_| (), &entry, c"org.rostra.seat", &info)
            .expect("an instance");
        let (link, decay) = (id_of(&mut plugin, "Platform link"), id_of(&mut plugin, "Decay"));
        let configuration = PluginAudioConfiguration {
            sample_rate: RATE_HZ,
            min_frames_count: 1,
            max_frames_count: BLOCK_FRAMES as u32,
        };
        let stopped = plugin.activate(|_, ()| (), configuration).expect("the plug-in is activated");
        let processor = stopped.start_processing().expect("the plug-in starts");
        all.push(Playing { processor, link, decay, sound: Vec::new(), tails_frames: Vec::new() });
        plugins.push(plugin);
    }
    let grown_mib = resident_mib() - before_mib;

    let barrier = Barrier::new(THREADS);
    std::thread::scope(|scope| {
        for (thread, mine) in all.chunks_mut(PER_THREAD).enumerate() {
            let barrier = &barrier;
            scope.spawn(move || {
                for block in 0..BLOCKS {
                    for (index, playing) in mine.iter_mut().enumerate() {
                        let joins = block == 0 && (thread, index) != ALONE;
                        let edits = block == EDIT_BLOCK && (thread, index) == (3, 4);
                        let edits: &[(ClapId, f64)] = match (joins, edits) {
                            (true, _) => &[(playing.link, 1.0)],
                            (_, true) => &[(playing.decay, EDITED_DECAY)],
                            _ => &[],
                        };
                        playing.block(block, edits);
                    }
                    std::thread::sleep(Duration::from_secs_f64(BLOCK_FRAMES as f64 / RATE_HZ));
                    // No thread is ahead of another, as in a host that plays one song.
                    barrier.wait();
                }
            });
        }
    });

    let mut latest_s: f64 = 0.0;
    let mut worst_jump: f64 = 0.0;
    let alone = ALONE.0 * PER_THREAD + ALONE.1;
    let tails_frames = &all[alone].tails_frames[EDIT_BLOCK - 1..];
    assert!(tails_frames.iter().all(|frames| *frames == tails_frames[0]), "one that did not join followed");
    for playing in all.iter().enumerate().filter(|(index, _)| *index != alone).map(|(_, playing)| playing) {
        let steady = playing.tails_frames[EDIT_BLOCK - 1];
        let followed = playing.tails_frames[EDIT_BLOCK..].iter().position(|&frames| frames > steady);
        let followed = followed.expect("an instance did not follow");
        latest_s = larger(latest_s, (followed + 1) as f64 * BLOCK_FRAMES as f64 / RATE_HZ);
        let edit = EDIT_BLOCK * BLOCK_FRAMES;
        let quarter = RATE_HZ as usize / 4;
        let ends = [&playing.sound[edit - quarter..edit], &playing.sound[playing.sound.len() - quarter..]];
        let steady = ends.map(largest_jump).into_iter().fold(0.0, larger);
        assert!(steady > 1e-3, "the sound is not silence");
        worst_jump = larger(worst_jump, largest_jump(&playing.sound[edit - 1..]) / steady);
    }
    eprintln!(
        "{} instances on {THREADS} threads, all but one linked: the last plays the new decay after {:.0} ms; jumps at most {worst_jump:.2} of the steady ones; {grown_mib:.0} MiB more memory",
        all.len(),
        latest_s * 1e3,
    );
    assert!(latest_s <= MOST_S, "{latest_s} s");
    assert!(worst_jump <= MOST_JUMP, "{worst_jump}");

    // A follower that is saved and reopened alone stands on the platform that it stood on.
    let (decay, link) = (all[0].decay, all[0].link);
    for (playing, plugin) in all.into_iter().zip(&mut plugins) {
        plugin.deactivate(playing.processor.stop_processing());
    }
    assert!(
        (value_of(&mut plugins[0], decay) - DEFAULT_DECAY).abs() < 1e-6,
        "nothing was written into the host's parameter"
    );
    let mut saved = Vec::new();
    let state = plugins[0].plugin_shared_handle().get_extension::<PluginState>().expect("there is a state");
    state.save(&plugins[0].plugin_handle(), &mut saved).expect("it is saved");
    drop(plugins);
    let mut reopened = PluginInstance::<Host>::new(|()| Shared, |_| (), &entry, c"org.rostra.seat", &info)
        .expect("an instance");
    let state = reopened.plugin_shared_handle().get_extension::<PluginState>().expect("there is a state");
    state.load(&reopened.plugin_handle(), &mut saved.as_slice()).expect("it is loaded");
    assert!((value_of(&mut reopened, decay) - EDITED_DECAY).abs() < 1e-6);
    assert_eq!(value_of(&mut reopened, link), 1.0);
}

fn value_of(plugin: &mut PluginInstance<Host>, id: ClapId) -> f64 {
    let params = plugin.plugin_shared_handle().get_extension::<PluginParams>().expect("there are parameters");
    params.get_value(&plugin.plugin_handle(), id).expect("a value")
}
