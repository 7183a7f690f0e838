//! Renders a sound through an instance, its tail rung out, faster than it sounds.

use anyhow::{Context as _, Result, bail, ensure};
use clack_extensions::tail::{PluginTail, TailLength};
use clack_host::prelude::*;
use rostra_dsp::measure::RungOut;

use crate::handlers::Host;
use crate::instance::{Instance, Start};
use crate::ports::Ports;

/// Frames handed over at once.
///
/// An ordinary block size, so that what is heard here is what hosts get; the
/// sound does not depend on it.
const BLOCK_FRAMES: usize = 512;

/// Longest tail that is waited for where the plug-in reports one without end, s.
///
/// A hall's decay goes up to 8 s, in the bass up to twice that, and falls 90 dB
/// in three halves of it; before it stands a pre-delay of at most 0.12 s.
const LONGEST_TAIL_S: f64 = 25.0;

impl Instance {
    /// Renders channels and their tail to as many outputs; `progress` is told the input frames of every block.
    ///
    /// The output is as long as the input and the tail: as long as the plug-in
    /// reports, or until 0.2 s stayed 90 dB below the output's peak, whichever
    /// comes first.
    ///
    /// # Errors
    /// When the plug-in has no such layout, does not start, fails, delays its
    /// output, or puts out what is not finite.
    pub fn render(
        mut self,
        input: &[Vec<f32>],
        outputs: usize,
        rate_hz: u32,
        progress: &dyn Fn(usize),
    ) -> Result<Vec<Vec<f32>>> {
        let (inputs, input_frames) = (input.len(), input.first().map_or(0, Vec::len));
        ensure!(input.iter().all(|channel| channel.len() == input_frames), "the channels differ in length");
        let start = Start { inputs, outputs, rate_hz, block_frames: BLOCK_FRAMES, is_offline: true };
        let mut processor = self.start(start)?;
        let mut pass = Pass::new(start);
        let mut at = 0;
        while at < input_frames {
            let frames = BLOCK_FRAMES.min(input_frames - at);
            let block: Vec<&[f32]> = input.iter().map(|channel| &channel[at..at + frames]).collect();
            pass.process(&mut processor, &block, frames)?;
            self.serve();
            progress(frames);
            at += frames;
        }
        let tail = self.extension::<PluginTail>();
        let most_frames = (LONGEST_TAIL_S * f64::from(rate_hz)) as usize;
        let tail_frames = match tail.map(|tail| tail.get(&processor.plugin_handle())) {
            Some(TailLength::Finite(frames)) => (frames as usize).min(most_frames),
            Some(TailLength::Infinite) => most_frames,
            None => 0,
        };
        let silence = [0.0; BLOCK_FRAMES];
        let mut left = tail_frames;
        while left > 0 && !pass.heard.is_over() {
            let frames = BLOCK_FRAMES.min(left);
            let block = vec![&silence[..frames]; inputs];
            pass.process(&mut processor, &block, frames)?;
            self.serve();
            left -= frames;
        }
        self.stop(processor);
        Ok(pass.output)
    }
}

/// One pass through a started instance: its buffers, and what came out so far.
struct Pass {
    inputs: Vec<[f32; BLOCK_FRAMES]>,
    outputs: Vec<[f32; BLOCK_FRAMES]>,
    ports: Ports,
    output: Vec<Vec<f32>>,
    steady_frames: u64,
    rate_hz: u32,
    heard: RungOut,
}

impl Pass {
    fn new(start: Start) -> Self {
        let Start { inputs, outputs, rate_hz, .. } = start;
        Self {
            inputs: vec![[0.0; BLOCK_FRAMES]; inputs],
            outputs: vec![[0.0; BLOCK_FRAMES]; outputs],
            ports: Ports::new(inputs, outputs),
            output: vec![Vec::new(); outputs],
            steady_frames: 0,
            rate_hz,
            heard: RungOut::new(f64::from(rate_hz)),
        }
    }

    fn process(
        &mut self,
        processor: &mut StartedPluginAudioProcessor<Host>,
        block: &[&[f32]],
        frames: usize,
    ) -> Result<()> {
        for (buffer, samples) in self.inputs.iter_mut().zip(block) {
            buffer[..frames].copy_from_slice(samples);
        }
        let inputs = self.inputs.iter_mut().map(|buffer| &mut buffer[..frames]);
        let outputs = self.outputs.iter_mut().map(|buffer| &mut buffer[..frames]);
        let events = InputEvents::empty();
        self.ports.process(processor, inputs, outputs, &events, self.steady_frames).with_context(|| {
            let seconds = self.steady_frames as f64 / f64::from(self.rate_hz);
            format!("the plug-in fails at {seconds:.3} s")
        })?;
        self.steady_frames += frames as u64;
        self.keep(frames)
    }

    fn keep(&mut self, frames: usize) -> Result<()> {
        let done = self.output[0].len();
        let blocks: Vec<&[f32]> = self.outputs.iter().map(|buffer| &buffer[..frames]).collect();
        self.heard.hear(&blocks);
        for (output, buffer) in self.output.iter_mut().zip(&self.outputs) {
            if let Some(frame) = buffer[..frames].iter().position(|sample| !sample.is_finite()) {
                bail!(
                    "the plug-in produced an invalid sample at {:.3} s; this is a bug in the plug-in: please report it",
                    (done + frame) as f64 / f64::from(self.rate_hz)
                );
            }
            output.extend_from_slice(&buffer[..frames]);
        }
        Ok(())
    }
}
