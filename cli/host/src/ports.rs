//! What goes in and comes out of a block: channels, and events at their frames.

use anyhow::Result;
use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;

use crate::handlers::Host;

/// The buffers of one port in and one out.
pub struct Ports {
    input: AudioPorts,
    output: AudioPorts,
}

impl Ports {
    /// Makes them for as many channels.
    pub fn new(inputs: usize, outputs: usize) -> Self {
        Self { input: AudioPorts::with_capacity(inputs, 1), output: AudioPorts::with_capacity(outputs, 1) }
    }

    /// Processes a block in which `events` happen, in the order of their frames; all channels are as long.
    ///
    /// # Errors
    /// When the plug-in fails.
    pub fn process<'a>(
        &'a mut self,
        processor: &mut StartedPluginAudioProcessor<Host>,
        inputs: impl ExactSizeIterator<Item = &'a mut [f32]>,
        outputs: impl ExactSizeIterator<Item = &'a mut [f32]>,
        events: &InputEvents,
        steady_frames: u64,
    ) -> Result<()> {
        let inputs = self.input.with_input_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_input_only(inputs.map(InputChannel::variable)),
        }]);
        let mut outputs = self.output.with_output_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_output_only(outputs),
        }]);
        let mut heard = OutputEvents::void();
        processor.process(&inputs, &mut outputs, events, &mut heard, Some(steady_frames), None)?;
        Ok(())
    }
}

/// Returns changes of parameters as events: frame in the block, parameter, the host's value; in the order of their frames.
pub fn value_events(changes: impl IntoIterator<Item = (u32, ClapId, f64)>) -> EventBuffer {
    let mut events = EventBuffer::new();
    for (frame, id, value) in changes {
        events.push(&ParamValueEvent::new(frame, id, Pckn::match_all(), value));
    }
    events
}

/// Returns channels as slices.
pub(crate) fn slices(buffers: &mut [Vec<f32>]) -> impl ExactSizeIterator<Item = &mut [f32]> {
    buffers.iter_mut().map(|buffer| &mut buffer[..])
}
