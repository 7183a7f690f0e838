//! Tails and sleep: how long a plug-in says that it sounds, when a CLAP host may let it sleep, and what wakes it.

use std::ffi::CStr;

use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;
use clack_host::process::ProcessStatus;
use vst3::Steinberg::kResultOk;

use super::clap_host::{Clap, Host, Start};
use super::raw_vst3::{HALL, OFFLINE, RawVst3, SEAT, render};
use super::sound::{Sound, assert_sounds, largest_difference, noise_and_silence, noise_burst};
use super::vst3_host::raw;

const FRAMES: usize = 512;
const RATE_HZ: usize = 48_000;
/// Largest difference that a rest makes: the convolver's blocks begin elsewhere afterwards; -100 dB of full scale.
const SAME: f32 = 1e-5;

const PLUG_INS: [(&CStr, usize, usize); 4] =
    [(c"rostra.seat", 2, 2), (c"rostra.seat", 1, 2), (c"rostra.seat", 1, 1), (c"rostra.hall", 2, 2)];

/// Processes a block; returns what comes out and what the host is told.
fn process(
    processor: &mut StartedPluginAudioProcessor<Host>,
    input: &[&[f32]],
    outputs: usize,
    events: &EventBuffer,
) -> (Sound, ProcessStatus) {
    let mut taken: Sound = input.iter().map(|channel| channel.to_vec()).collect();
    let mut given = vec![vec![f32::NAN; input[0].len()]; outputs];
    let mut input_ports = AudioPorts::with_capacity(taken.len(), 1);
    let mut output_ports = AudioPorts::with_capacity(outputs, 1);
    let audio_in = input_ports.with_input_buffers([AudioPortBuffer {
        latency: 0,
        channels: AudioPortBufferType::f32_input_only(taken.iter_mut().map(InputChannel::variable)),
    }]);
    let mut audio_out = output_ports.with_output_buffers([AudioPortBuffer {
        latency: 0,
        channels: AudioPortBufferType::f32_output_only(given.iter_mut().map(Vec::as_mut_slice)),
    }]);
    let status = processor
        .process(&audio_in, &mut audio_out, &events.as_input(), &mut OutputEvents::void(), None, None)
        .expect("the plug-in processes");
    (given, status)
}

#[test]
fn after_its_tail_a_clap_may_sleep_and_sound_or_a_change_wakes_it() {
    for (id, inputs, outputs) in PLUG_INS {
        let mut clap = Clap::of(id);
        let (trim, louder) = clap.typed("Trim", "1 dB");
        let start = Start { inputs, outputs, block_frames: FRAMES, ..Start::STEREO };
        let (mut main, mut processor) = clap.start(start).parted();
        let noise = noise_burst(inputs);
        let silence = [0.0; FRAMES];
        let none = EventBuffer::new();
        let mut change = EventBuffer::new();
        change.push(&ParamValueEvent::new(7, trim, Pckn::match_all(), louder));
        for round in 0..2 {
            for at in 0..20 {
                let block: Vec<&[f32]> =
                    noise.iter().map(|channel| &channel[at * FRAMES..][..FRAMES]).collect();
                let (_, status) = process(&mut processor, &block, outputs, &none);
                assert_eq!(status, ProcessStatus::Continue, "{id:?}: while it sounds");
            }
            let tail = tail_frames(&mut main, &mut processor);
            let silent = vec![&silence[..]; inputs];
            let mut asleep_after = None;
            for block in 0..=tail / FRAMES + 3 {
                let (sound, status) = process(&mut processor, &silent, outputs, &none);
                match status {
                    ProcessStatus::Sleep => {
                        assert!(sound.iter().flatten().all(|&x| x == 0.0), "{id:?}: asleep, and heard");
                        asleep_after.get_or_insert((block + 1) * FRAMES);
                    }
                    ProcessStatus::Continue => assert!(asleep_after.is_none(), "{id:?}: awake for no reason"),
                    other => panic!("{id:?}: {other:?}"),
                }
            }
            let asleep_after =
                asleep_after.unwrap_or_else(|| panic!("{id:?} {inputs}-{outputs}: never asleep"));
            eprintln!("{id:?} {inputs}-{outputs}: a tail of {tail} frames, asleep after {asleep_after}");
            assert!((tail..tail + 2 * FRAMES).contains(&asleep_after), "{asleep_after}, tail {tail}");
            // The tail is still told, for the next sound.
            assert_eq!(tail_frames(&mut main, &mut processor), tail, "{id:?}: the tail while asleep");
            let (_, status) = process(&mut processor, &silent, outputs, &none);
            assert_eq!(status, ProcessStatus::Sleep);
            if round == 0 {
                let (_, status) = process(&mut processor, &silent, outputs, &change);
                assert_eq!(status, ProcessStatus::Continue, "{id:?}: a change wakes");
            }
        }
        main.plugin.deactivate(processor.stop_processing());
    }
}

fn tail_frames(main: &mut Clap, processor: &mut StartedPluginAudioProcessor<Host>) -> usize {
    use clack_extensions::tail::{PluginTail, TailLength};
    let tail = main.extension::<PluginTail>();
    match tail.get(&processor.plugin_handle()) {
        TailLength::Finite(frames) => frames as usize,
        TailLength::Infinite => panic!("the tail has an end"),
    }
}

/// Renders noise, a long silence with a change in it, and noise again; a host that lets sleep calls nothing meanwhile.
fn rested(id: &CStr, inputs: usize, outputs: usize, lets_sleep: bool) -> (Sound, usize) {
    let mut clap = Clap::of(id);
    let (trim, quieter) = clap.typed("Trim", "-3 dB");
    let (decay, shorter) = clap.typed("Decay", "0.6 s");
    let start = Start { inputs, outputs, block_frames: FRAMES, ..Start::STEREO };
    let (mut main, mut processor) = clap.start(start).parted();
    let pause_frames = if inputs == 2 && id == c"rostra.hall" { 10 } else { 3 } * RATE_HZ;
    let mut input: Sound = noise_and_silence(inputs, RATE_HZ / 5, pause_frames);
    for (channel, noise) in input.iter_mut().zip(noise_burst(inputs)) {
        channel.extend_from_slice(&noise[..RATE_HZ / 2]);
    }
    let change_at = (RATE_HZ / 5 + pause_frames * 2 / 3) / FRAMES;
    let mut output: Sound = vec![Vec::new(); outputs];
    let mut is_asleep = false;
    let mut left_out = 0;
    for at in 0..input[0].len() / FRAMES {
        let block: Vec<&[f32]> = input.iter().map(|channel| &channel[at * FRAMES..][..FRAMES]).collect();
        let mut events = EventBuffer::new();
        if at == change_at {
            events.push(&ParamValueEvent::new(99, trim, Pckn::match_all(), quieter));
            events.push(&ParamValueEvent::new(99, decay, Pckn::match_all(), shorter));
        }
        let is_silent = block.iter().all(|channel| channel.iter().all(|&x| x == 0.0));
        if lets_sleep && is_asleep && is_silent && at != change_at {
            left_out += 1;
            for channel in &mut output {
                channel.extend([0.0; FRAMES]);
            }
            continue;
        }
        let (sound, status) = process(&mut processor, &block, outputs, &events);
        is_asleep = status == ProcessStatus::Sleep;
        for (channel, given) in output.iter_mut().zip(&sound) {
            channel.extend_from_slice(given);
        }
    }
    main.plugin.deactivate(processor.stop_processing());
    (output, left_out)
}

#[test]
fn a_host_that_lets_it_sleep_hears_the_same() {
    for (id, inputs, outputs) in PLUG_INS {
        let (awake, none) = rested(id, inputs, outputs, false);
        let (rested, left_out) = rested(id, inputs, outputs, true);
        assert_eq!(none, 0);
        assert!(left_out > 50, "{id:?} {inputs}-{outputs}: slept for {left_out} blocks only");
        assert_sounds(&awake);
        let difference = largest_difference(&awake, &rested);
        eprintln!("{id:?} {inputs}-{outputs}: {left_out} blocks of sleep, a difference of {difference:e}");
        assert!(difference <= SAME, "{id:?} {inputs}-{outputs}: {difference:e}");
    }
}

#[test]
fn the_tail_is_known_before_the_first_block() {
    for (id, inputs, outputs) in PLUG_INS {
        for rate_hz in [44_100, 96_000] {
            for decay in ["0.4 s", "1.9 s"] {
                let mut clap = Clap::of(id);
                clap.set(&[("Decay", decay)]);
                let start = Start { inputs, outputs, rate_hz, block_frames: FRAMES, ..Start::STEREO };
                let mut playing = clap.start(start);
                let before = playing.tail_frames();
                playing.render(&noise_and_silence(inputs, FRAMES, FRAMES), &[]);
                assert_eq!(before, playing.tail_frames(), "{id:?} {inputs}-{outputs}, {decay}, {rate_hz} Hz");
                let decay_s: f64 = decay.trim_end_matches(" s").parse().expect("a number");
                // A tail ends 60 dB down or later, bar what the surfaces swallow.
                assert!(f64::from(before) > 0.5 * decay_s * f64::from(rate_hz), "{before} frames");
                playing.stop();
            }
        }
    }
    for class in [SEAT, HALL] {
        let vst3: RawVst3 = raw(&class);
        assert_eq!(vst3.set_up(48_000.0, FRAMES as i32, OFFLINE), kResultOk);
        assert_eq!(vst3.activate(true), kResultOk);
        let active = vst3.tail_frames();
        assert_eq!(vst3.play(true), kResultOk);
        let started = vst3.tail_frames();
        render(&vst3, &noise_and_silence(2, FRAMES, FRAMES), 2, FRAMES);
        let played = vst3.tail_frames();
        assert_eq!((active, started), (played, played), "active, started");
        assert!(played > 12_000, "{played} frames");
        vst3.stop();
    }
}
