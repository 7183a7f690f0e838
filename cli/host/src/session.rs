//! An instance that plays block by block.

use anyhow::{Context as _, Result};
use clack_host::prelude::*;

use crate::handlers::Host;
use crate::instance::{Instance, Start};
use crate::ports::{Ports, slices};

/// An instance that plays, and the channels of its next and its last block.
pub struct Session {
    instance: Instance,
    processor: StartedPluginAudioProcessor<Host>,
    inputs: Vec<Vec<f32>>,
    outputs: Vec<Vec<f32>>,
    ports: Ports,
    steady_frames: u64,
}

impl Instance {
    /// Starts the instance to play in blocks of one length.
    ///
    /// # Errors
    /// As [`Instance::start`].
    pub fn play(mut self, start: Start) -> Result<Session> {
        let processor = self.start(start)?;
        Ok(Session {
            instance: self,
            processor,
            inputs: vec![vec![0.0; start.block_frames]; start.inputs],
            outputs: vec![vec![0.0; start.block_frames]; start.outputs],
            ports: Ports::new(start.inputs, start.outputs),
            steady_frames: 0,
        })
    }
}

impl Session {
    /// Returns the channels that go into the next block.
    pub fn inputs(&mut self) -> &mut [Vec<f32>] {
        &mut self.inputs
    }

    /// Returns the channels that came out of the last block.
    pub fn outputs(&self) -> &[Vec<f32>] {
        &self.outputs
    }

    /// Plays a block.
    ///
    /// # Errors
    /// When the plug-in fails.
    pub fn process(&mut self) -> Result<()> {
        let frames = self.inputs.first().map_or(0, Vec::len);
        self.ports
            .process(
                &mut self.processor,
                slices(&mut self.inputs),
                slices(&mut self.outputs),
                &InputEvents::empty(),
                self.steady_frames,
            )
            .with_context(|| format!("the plug-in fails after {} frames", self.steady_frames))?;
        self.steady_frames += frames as u64;
        Ok(())
    }

    /// Stops the instance and lets it go.
    pub fn stop(mut self) {
        self.instance.stop(self.processor);
    }
}
