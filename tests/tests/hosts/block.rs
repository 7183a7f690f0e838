//! One block as a CLAP host hands it over: in place or not, with or without hints, at any place of the song.

use std::ptr;

use clack_host::events::event_types::TransportEvent;
use clack_host::prelude::*;
use clap_sys::audio_buffer::clap_audio_buffer;

use super::clap_host::Host;
use super::sound::Sound;

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
        // What is not overwritten shows as a fault.
        let mut output = vec![vec![f32::NAN; frames]; self.outputs];
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
        // SAFETY: each pointer is the start of a vector of `frames` samples that outlives the call and that nobody else
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
        if let Err(error) = processed {
            return Err(format!("the plug-in does not process: {error}"));
        }
        for (given, shared) in output.iter_mut().zip(&self.input[..shared]) {
            given.copy_from_slice(shared);
        }
        Ok(output)
    }
}
