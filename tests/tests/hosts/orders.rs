//! Whatever a host did with an instance before, from the next activation on it is as good as new.

use std::ffi::CStr;

use clack_extensions::audio_ports_config::PluginAudioPortsConfig;
use clack_extensions::params::PluginParams;
use clack_extensions::render::{PluginRender, RenderMode};
use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;
use clack_host::process::PluginAudioProcessor;
use rostra_dsp::kernel::Noise;

use super::block::Block;
use super::clap_host::{Clap, Host, Start};
use super::equality::SEAT;
use super::hall::HALL;
use super::sound::{Sound, assert_same_bits, assert_sounds, largest_difference, noise_burst};
use super::vst3_host::{self, Vst3};

/// Orders that are drawn, and calls in each.
const WALKS: u64 = 16;
const CALLS: usize = 30;
const RATES_HZ: [u32; 4] = [44_100, 48_000, 96_000, 192_000];

/// A plug-in, with settings, and how many layouts it has.
type PlugIn = (&'static CStr, &'static [(&'static str, &'static str)], u32);

const PLUG_INS: [PlugIn; 2] = [(c"rostra.seat", &SEAT, 3), (c"rostra.hall", &HALL, 1)];
/// Channels of the layouts, in the plug-in's order.
const CHANNELS: [(usize, usize); 3] = [(2, 2), (1, 2), (1, 1)];

/// A burst that is shorter than its tail.
fn burst(channels: usize) -> Sound {
    noise_burst(channels).into_iter().map(|channel| channel[..7200].to_vec()).collect()
}

fn state_of(id: &CStr, settings: &[(&str, &str)]) -> Vec<u8> {
    let mut clap = Clap::of(id);
    clap.set(settings);
    clap.save()
}

/// What a fresh instance makes of the burst.
fn fresh(id: &CStr, settings: &[(&str, &str)], start: Start) -> Sound {
    let mut clap = Clap::of(id);
    clap.set(settings);
    let mut playing = clap.start(start);
    let sound = playing.render(&burst(start.inputs), &[]);
    playing.stop();
    assert_sounds(&sound);
    sound
}

/// An instance, active or not, that a host calls in some order.
struct Instance {
    clap: Clap,
    active: Option<PluginAudioProcessor<Host>>,
    channels: (usize, usize),
    rate_hz: u32,
    calls: Vec<String>,
}

impl Instance {
    /// Does something that CLAP allows now.
    fn call(&mut self, noise: &mut Noise, layouts: u32, states: [&[u8]; 2]) {
        let choice = noise.bits() % 9;
        let mut what = String::new();
        match (choice, self.active.take()) {
            (0 | 1, None) => {
                self.rate_hz = RATES_HZ[noise.bits() as usize % RATES_HZ.len()];
                what = format!("activate at {} Hz", self.rate_hz);
                let config = PluginAudioConfiguration {
                    sample_rate: f64::from(self.rate_hz),
                    min_frames_count: 1,
                    max_frames_count: 512,
                };
                self.active = Some(self.clap.plugin.activate(|_, _| (), config).expect("activated").into());
            }
            (2, None) => {
                let index = noise.bits() as u32 % layouts;
                what = format!("layout {index}");
                self.channels = CHANNELS[index as usize];
                let configs = self.clap.extension::<PluginAudioPortsConfig>();
                configs.select(&self.clap.plugin.plugin_handle(), ClapId::new(index)).expect("a layout");
            }
            (0, Some(processor)) => {
                what = "deactivate".into();
                self.clap.plugin.deactivate(processor.into_stopped());
            }
            (1, Some(mut processor)) => {
                what = "reset".into();
                processor.reset();
                self.active = Some(processor);
            }
            (2, Some(processor)) => {
                self.active = Some(if processor.is_started() {
                    what = "stop".into();
                    processor.into_stopped().into()
                } else {
                    what = "start".into();
                    processor.into_started().expect("started").into()
                });
            }
            (3 | 4, Some(mut processor)) => {
                if let Ok(started) = processor.as_started_mut() {
                    what = "process".into();
                    process(started, self.channels, noise);
                }
                self.active = Some(processor);
            }
            (5, active) => {
                self.active = active;
                let is_offline = noise.bits().is_multiple_of(2);
                what = format!("offline: {is_offline}");
                let mode = if is_offline { RenderMode::Offline } else { RenderMode::Realtime };
                let render = self.clap.extension::<PluginRender>();
                render.set(&self.clap.plugin.plugin_handle(), mode).expect("the mode is taken");
            }
            (6, active) => {
                self.active = active;
                what = "load".into();
                assert!(self.clap.load(states[noise.bits() as usize % 2]));
            }
            (7, active) => {
                self.active = active;
                what = "save".into();
                self.clap.save();
            }
            (_, active) => {
                self.active = active;
                what.push_str("flush");
                self.flush(noise);
            }
        }
        self.calls.push(what);
    }

    fn flush(&mut self, noise: &mut Noise) {
        let mut events = EventBuffer::new();
        for parameter in self.clap.parameters() {
            let value = parameter.least + noise.uniform() * (parameter.most - parameter.least);
            events.push(&ParamValueEvent::new(0, parameter.id, Pckn::match_all(), value));
        }
        let params: PluginParams = self.clap.params;
        let mut out = OutputEvents::void();
        if let Some(processor) = &mut self.active {
            params.flush_active(&mut processor.plugin_handle(), &events.as_input(), &mut out);
        } else {
            let mut handle = self.clap.plugin.inactive_plugin_handle().expect("it is not active");
            params.flush(&mut handle, &events.as_input(), &mut out);
        }
    }
}

fn process(
    started: &mut StartedPluginAudioProcessor<Host>,
    (inputs, outputs): (usize, usize),
    noise: &mut Noise,
) {
    for _ in 0..=noise.bits() % 20 {
        let mut block = Block {
            input: vec![(0..512).map(|_| 0.2 * noise.gaussian() as f32).collect(); inputs],
            outputs,
            is_in_place: false,
            is_hinted: false,
            events: EventBuffer::new(),
            steady_frames: None,
            transport: None,
        };
        block.process(started).expect("processed");
    }
}

/// Activated twice or not at all, stopped without a block, loaded in any state, moved between layouts, rates and modes.
#[test]
fn no_order_of_calls_leaves_a_trace() {
    for walk in 0..WALKS {
        let mut noise = Noise::new(walk);
        let (id, settings, layouts) = PLUG_INS[usize::from(walk % 4 == 3)];
        let states = [state_of(id, settings), state_of(id, &[])];
        let mut instance =
            Instance { clap: Clap::of(id), active: None, channels: (2, 2), rate_hz: 0, calls: Vec::new() };
        for _ in 0..CALLS {
            instance.call(&mut noise, layouts, [&states[0], &states[1]]);
        }
        let Instance { mut clap, active, calls, .. } = instance;
        if let Some(processor) = active {
            clap.plugin.deactivate(processor.into_stopped());
        }
        assert!(clap.load(&states[0]));
        let (inputs, outputs) = CHANNELS[(noise.bits() % u64::from(layouts)) as usize];
        let rate_hz = RATES_HZ[noise.bits() as usize % RATES_HZ.len()];
        let is_offline = noise.bits().is_multiple_of(2);
        let start = Start { inputs, outputs, rate_hz, is_offline, ..Start::STEREO };
        let mut playing = clap.start(start);
        let sound = playing.render(&burst(inputs), &[]);
        playing.stop();
        let what = format!("walk {walk}, {start:?}, after {calls:?}");
        assert_same_bits(&what, &fresh(id, settings, start), &sound);
        // The control: another rate is another sound.
        let elsewhere = Start { rate_hz: RATES_HZ[usize::from(rate_hz == RATES_HZ[0])], ..start };
        assert!(largest_difference(&sound, &fresh(id, settings, elsewhere)) > 1e-3, "{what}");
    }
}

#[test]
fn a_reset_in_mid_tail_is_a_new_start() {
    for (id, settings, layouts) in PLUG_INS {
        for (inputs, outputs) in &CHANNELS[..layouts as usize] {
            for is_offline in [true, false] {
                let start = Start { inputs: *inputs, outputs: *outputs, is_offline, ..Start::STEREO };
                let expected = fresh(id, settings, start);
                let mut clap = Clap::of(id);
                clap.set(settings);
                let mut playing = clap.start(start);
                playing.render(&burst(*inputs), &[]);
                playing.reset();
                let again = playing.render(&burst(*inputs), &[]);
                assert_same_bits(&format!("{id:?}, {start:?}, after a reset"), &expected, &again);
                // The control: without a reset the tail of what was before is heard.
                let on_top = playing.render(&burst(*inputs), &[]);
                assert!(largest_difference(&expected, &on_top) > 1e-3);
                let mut playing = playing.restarted(10);
                let again = playing.render(&burst(*inputs), &[]);
                assert_same_bits(&format!("{id:?}, {start:?}, started again"), &expected, &again);
                playing.stop();
            }
        }
    }
}

#[test]
fn an_instance_may_be_destroyed_in_any_state() {
    for (id, settings, _) in PLUG_INS {
        let expected = fresh(id, settings, Start::STEREO);
        for state in 0..4 {
            for is_offline in [true, false] {
                let start = Start { is_offline, ..Start::STEREO };
                let mut clap = Clap::of(id);
                clap.set(settings);
                if state == 0 {
                    continue;
                }
                let mut playing = clap.start(start);
                if state > 1 {
                    playing.render(&burst(2), &[]);
                }
                if state == 3 {
                    playing.reset();
                }
                playing.destroy();
            }
        }
        assert_same_bits("after others were destroyed", &expected, &fresh(id, settings, Start::STEREO));
    }
}

/// The same in VST3, whose host calls all of it from one thread: rates, blocks, layouts, modes, states and parameters in any
/// order, with processing started or stopped.
#[test]
fn no_order_of_calls_leaves_a_trace_in_the_vst3() {
    const BLOCKS_FRAMES: [usize; 4] = [64, 333, 512, 4096];
    let states = [state_of(c"rostra.seat", &SEAT), state_of(c"rostra.seat", &[])];
    let damaged: [&[u8]; 3] = [&states[0][8..states[0].len() / 2], b"no state", &[]];
    for walk in 0..WALKS / 2 {
        let mut noise = Noise::new(walk);
        let start = Start { block_frames: 512, ..Start::STEREO };
        let mut vst3 = Vst3::at(vst3_host::SEAT, start, &states[1][8..]);
        let ids: Vec<u32> =
            vst3.plugin.get_parameters().expect("parameters").iter().map(|of| of.id).collect();
        let mut calls = Vec::new();
        for _ in 0..CALLS {
            let choice = noise.bits() % 8;
            calls.push(choice);
            match choice {
                0 => {
                    let (inputs, outputs) = CHANNELS[noise.bits() as usize % 3];
                    vst3.arrange(Start {
                        inputs,
                        outputs,
                        rate_hz: RATES_HZ[noise.bits() as usize % RATES_HZ.len()],
                        block_frames: BLOCKS_FRAMES[noise.bits() as usize % BLOCKS_FRAMES.len()],
                        is_offline: noise.bits().is_multiple_of(2),
                    });
                }
                1 => vst3.plugin.start_processing().expect("started"),
                2 => vst3.plugin.stop_processing().expect("stopped"),
                3 => vst3
                    .plugin
                    .load_state(&states[noise.bits() as usize % 2][8..])
                    .expect("its own state is taken"),
                4 => drop(vst3.plugin.load_state(damaged[noise.bits() as usize % 3])),
                5 => {
                    for &id in &ids {
                        let share = [0.0, 1.0, noise.uniform()][noise.bits() as usize % 3];
                        vst3.plugin.set_parameter_at(id, share, 0).expect("the value is taken");
                        vst3.plugin.format_parameter(id, share).expect("a text");
                    }
                }
                6 => drop(vst3.plugin.save_state().expect("the state is saved")),
                _ => vst3.play_noise(&mut noise),
            }
        }
        let (inputs, outputs) = CHANNELS[noise.bits() as usize % 3];
        let rate_hz = RATES_HZ[noise.bits() as usize % RATES_HZ.len()];
        let is_offline = noise.bits().is_multiple_of(2);
        let start = Start { inputs, outputs, rate_hz, is_offline, ..Start::STEREO };
        vst3.arrange(start);
        // What was set by parameter and not heard yet arrives before the state.
        vst3.render(&vec![vec![0.0; 512]; inputs]);
        vst3.plugin.load_state(&states[0][8..]).expect("its own state is taken");
        vst3.arrange(start);
        let sound = vst3.render(&burst(inputs));
        let difference = largest_difference(&fresh(c"rostra.seat", &SEAT, start), &sound);
        assert!(difference <= 1e-6, "walk {walk}, {start:?}, after {calls:?}: differs by {difference:e}");
    }
}
