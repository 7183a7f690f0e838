//! One block as a CLAP host hands it over: in place or not, with or without hints, at any place of the song.

use std::ptr;

use clack_host::events::event_types::{ParamValueEvent, TransportEvent};
use clack_host::prelude::*;
use clap_sys::audio_buffer::clap_audio_buffer;

use super::clap_host::{Clap, Host, Start};
use super::sound::Sound;

/// Frames behind every block that belong to the host, and what stands there.
const GUARD_FRAMES: usize = 64;
const GUARD: f32 = -3.25e8;

/// Says whether what is behind a block is as the host left it.
fn is_untouched(channel: &[f32], frames: usize) -> bool {
    channel[frames..].iter().all(|x| x.to_bits() == GUARD.to_bits())
}

/// A block that waits to be processed.
pub(crate) struct Block {
    /// What goes in; after an in-place call, what is left of it.
    pub(crate) input: Sound,
    /// How many channels come out.
    pub(crate) outputs: usize,
    /// Whether input and output share their memory, as far as there are channels of both.
    pub(crate) is_in_place: bool,
    /// Whether channels that hold one value are told to be constant.
    pub(crate) is_hinted: bool,
    /// What happens in it, in order of time.
    pub(crate) events: EventBuffer,
    /// Frames since processing started, where the host counts them.
    pub(crate) steady_frames: Option<u64>,
    /// Where in the song it lies, where the host has a song.
    pub(crate) transport: Option<TransportEvent>,
}

impl Block {
    /// Returns the frames of the block.
    pub(crate) fn frames(&self) -> usize {
        self.input[0].len()
    }

    /// Processes the block; returns what comes out.
    ///
    /// # Errors
    /// When the plug-in says that it cannot.
    pub(crate) fn process(
        &mut self,
        processor: &mut StartedPluginAudioProcessor<Host>,
    ) -> Result<Sound, String> {
        let frames = self.frames();
        let constant_mask = if self.is_hinted {
            let is_constant =
                |channel: &Vec<f32>| channel.iter().all(|x| x.to_bits() == channel[0].to_bits());
            self.input.iter().enumerate().map(|(n, channel)| u64::from(is_constant(channel)) << n).sum()
        } else {
            0
        };
        // What is not overwritten shows as a fault, and what is written behind the block too.
        let mut output = vec![vec![f32::NAN; frames]; self.outputs];
        for channel in output.iter_mut().chain(&mut self.input) {
            channel.resize(frames + GUARD_FRAMES, GUARD);
        }
        let mut taken: Vec<*mut f32> = self.input.iter_mut().map(Vec::as_mut_ptr).collect();
        let mut given: Vec<*mut f32> = output.iter_mut().map(Vec::as_mut_ptr).collect();
        let shared = if self.is_in_place { taken.len().min(given.len()) } else { 0 };
        given[..shared].copy_from_slice(&taken[..shared]);
        let buffer = |channels: &mut Vec<*mut f32>, constant_mask| clap_audio_buffer {
            data32: channels.as_mut_ptr(),
            data64: ptr::null_mut(),
            channel_count: channels.len() as u32,
            latency: 0,
            constant_mask,
        };
        let input_ports = [buffer(&mut taken, constant_mask)];
        let mut output_ports = [buffer(&mut given, 0)];
        // SAFETY: each pointer is the start of a vector of `frames` samples and more that outlives the call and that nobody else
        // touches meanwhile; CLAP allows both sides to share their memory (`in_place_pair`).
        #[allow(unsafe_code)]
        let (audio_in, mut audio_out) = unsafe {
            (
                InputAudioBuffers::from_raw_buffers(&input_ports, frames as u32),
                OutputAudioBuffers::from_raw_buffers(&mut output_ports, frames as u32),
            )
        };
        let processed = processor.process(
            &audio_in,
            &mut audio_out,
            &self.events.as_input(),
            &mut OutputEvents::void(),
            self.steady_frames,
            self.transport.as_ref(),
        );
        for channel in output.iter_mut().chain(&mut self.input) {
            if !is_untouched(channel, frames) {
                return Err("samples behind the block were written".to_owned());
            }
            channel.truncate(frames);
        }
        if let Err(error) = processed {
            return Err(format!("the plug-in does not process: {error}"));
        }
        for (given, shared) in output.iter_mut().zip(&self.input[..shared]) {
            given.copy_from_slice(shared);
        }
        Ok(output)
    }
}

/// A block of silence for two channels.
fn silence(frames: usize, events: EventBuffer, is_in_place: bool) -> Block {
    Block {
        input: vec![vec![0.0; frames]; 2],
        outputs: 2,
        is_in_place,
        is_hinted: false,
        events,
        steady_frames: None,
        transport: None,
    }
}

/// CLAP forbids it, and hosts whose blocks change may do it all the same: what comes too late comes with the last frame.
///
/// The framework as it is published processes up to the event, behind the host's block, or leaves it out.
#[test]
fn an_event_behind_the_block_arrives_with_its_last_frame() {
    const FRAMES: usize = 100;
    let mut faults = Vec::new();
    for is_in_place in [false, true] {
        for time in [FRAMES - 1, FRAMES, FRAMES + 1, FRAMES + GUARD_FRAMES - 1] {
            let clap = Clap::new();
            let (mut main, mut processor) = clap.start(Start::STEREO).parted();
            let (id, value) = main.typed("Depth", "9 m");
            let (trim, gain) = main.typed("Trim", "-6 dB");
            let mut events = EventBuffer::new();
            events.push(&ParamValueEvent::new(50, trim, Pckn::match_all(), gain));
            events.push(&ParamValueEvent::new(time as u32, id, Pckn::match_all(), value));
            match silence(FRAMES, events, is_in_place).process(&mut processor) {
                Ok(output) => assert!(output.iter().flatten().all(|x| *x == 0.0), "silence stays silence"),
                Err(fault) => faults.push(format!("an event at {time} of {FRAMES}: {fault}")),
            }
            let params = main.params;
            let depth = params.get_value(&main.plugin.plugin_handle(), id).expect("a value");
            if (depth - value).abs() > 1e-6 {
                faults.push(format!("an event at {time} of {FRAMES} is lost"));
            }
            main.plugin.deactivate(processor.stop_processing());
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}

/// The control: a sample behind the block is seen.
#[test]
fn a_sample_behind_the_block_is_seen() {
    let mut block = silence(10, EventBuffer::new(), false);
    assert_eq!(block.frames(), 10);
    block.input[1].resize(10 + GUARD_FRAMES, GUARD);
    block.input[1][10 + GUARD_FRAMES - 1] = 0.0;
    assert!(!is_untouched(&block.input[1], 10));
    block.input[1][10 + GUARD_FRAMES - 1] = GUARD;
    assert!(is_untouched(&block.input[1], 10));
}
