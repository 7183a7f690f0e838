//! An instance that does not process: its parameters, its state, its layouts, its editor's host.

use std::ffi::{CStr, CString};
use std::io::Cursor;

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, MainPortInfo, PluginAudioPortsConfig};
use clack_extensions::latency::PluginLatency;
use clack_extensions::params::{ParamInfoBuffer, ParamInfoFlags, PluginParams};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_extensions::state::PluginState;
use clack_host::extensions::{Extension, PluginExtensionSide};
use clack_host::prelude::*;

use crate::handlers::{Host, Shared, Track};
use crate::library::{HALL_ID, Library, SEAT_ID};
use crate::ports::value_events;

/// Room for a value's text, bytes; CLAP names are at most this long.
const TEXT_BYTES: usize = 256;

/// An instance of a plug-in; it belongs to the thread that made it.
pub struct Instance {
    /// The plug-in.
    pub plugin: PluginInstance<Host>,
    /// How its parameters are reached.
    pub params: PluginParams,
}

/// A parameter as the plug-in describes it.
#[derive(Clone, Debug)]
pub struct Described {
    /// The host's number for it.
    pub id: ClapId,
    /// The name under which hosts list it.
    pub name: String,
    /// The group in which hosts list it; empty for none.
    pub group: String,
    /// Lowest of the host's values.
    pub least: f64,
    /// Highest of the host's values.
    pub most: f64,
    /// The host's value at first.
    pub default: f64,
    /// Whether its values are whole numbers, one for each entry of a list.
    pub is_stepped: bool,
    /// Whether hosts may automate it.
    pub is_automatable: bool,
    /// Whether it is what hosts throw to bypass the plug-in.
    pub is_bypass: bool,
    /// All that the plug-in says of how it behaves.
    pub flags: ParamInfoFlags,
}

/// How an instance is started.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Start {
    /// Channels in.
    pub inputs: usize,
    /// Channels out.
    pub outputs: usize,
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// Most frames handed over at once.
    pub block_frames: usize,
    /// Whether nobody waits for the sound.
    pub is_offline: bool,
}

impl Start {
    /// A stereo channel at 48 kHz, rendered offline in blocks of 512.
    pub const STEREO: Self =
        Self { inputs: 2, outputs: 2, rate_hz: 48_000, block_frames: 512, is_offline: true };
}

impl Library {
    /// Makes an instance of the seat.
    ///
    /// # Errors
    /// When the plug-in refuses, or has no parameters.
    pub fn seat(&self) -> Result<Instance> {
        self.instance(SEAT_ID, Track::default())
    }

    /// Makes an instance of the hall, which is in the same library.
    ///
    /// # Errors
    /// When there is none in it, or as [`Library::seat`].
    pub fn hall(&self) -> Result<Instance> {
        self.instance(HALL_ID, Track::default())
    }

    /// Makes an instance of a plug-in by its id, on a track.
    ///
    /// # Errors
    /// As [`Library::seat`].
    pub fn instance(&self, id: &CStr, track: Track) -> Result<Instance> {
        let info = HostInfo::new("Rostra offline", "Rostra", "", env!("CARGO_PKG_VERSION"))?;
        let plugin = PluginInstance::new(|()| Shared::default(), |_| track, &self.entry, id, &info)
            .map_err(|error| anyhow!("the plug-in cannot be instantiated ({error})"))?;
        let params = plugin
            .plugin_shared_handle()
            .get_extension::<PluginParams>()
            .context("the plug-in has no parameters")?;
        Ok(Instance { plugin, params })
    }
}

impl Instance {
    /// Returns an extension of the plug-in's, if it has it.
    pub fn extension<E: Extension<ExtensionSide = PluginExtensionSide>>(&self) -> Option<E> {
        self.plugin.plugin_shared_handle().get_extension::<E>()
    }

    /// Asks the plug-in for its parameters, in its own order.
    ///
    /// # Errors
    /// When it does not describe one of them.
    pub fn parameters(&mut self) -> Result<Vec<Described>> {
        let handle = self.plugin.plugin_handle();
        (0..self.params.count(&handle))
            .map(|index| {
                let mut buffer = ParamInfoBuffer::new();
                let info = self
                    .params
                    .get_info(&handle, index, &mut buffer)
                    .ok_or_else(|| anyhow!("the plug-in does not describe its parameter {index}"))?;
                let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
                Ok(Described {
                    id: info.id,
                    name: text(info.name),
                    group: text(info.module),
                    least: info.min_value,
                    most: info.max_value,
                    default: info.default_value,
                    is_stepped: info.flags.contains(ParamInfoFlags::IS_STEPPED),
                    is_automatable: info.flags.contains(ParamInfoFlags::IS_AUTOMATABLE),
                    is_bypass: info.flags.contains(ParamInfoFlags::IS_BYPASS),
                    flags: info.flags,
                })
            })
            .collect()
    }

    /// Returns the value of a parameter, as the host counts it; `None` where the plug-in has no such parameter.
    pub fn value(&mut self, id: ClapId) -> Option<f64> {
        self.params.get_value(&self.plugin.plugin_handle(), id)
    }

    /// Returns the plug-in's text for a value.
    ///
    /// # Errors
    /// When it has none.
    pub fn text_of(&mut self, id: ClapId, value: f64) -> Result<String> {
        let mut buffer = [0_u8; TEXT_BYTES];
        let text = self
            .params
            .value_to_text(&self.plugin.plugin_handle(), id, value, &mut buffer)
            .map_err(|_| anyhow!("the plug-in has no text for a value"))?;
        Ok(String::from_utf8_lossy(text).into_owned())
    }

    /// Returns the value of a text; `None` where the plug-in does not accept it, or where it holds a zero.
    pub fn value_of(&mut self, id: ClapId, text: &str) -> Option<f64> {
        let text = CString::new(text).ok()?;
        self.params.text_to_value(&self.plugin.plugin_handle(), id, &text)
    }

    /// Sets parameters to values as the host counts them.
    ///
    /// # Errors
    /// When the instance was started.
    pub fn set(&mut self, values: &[(ClapId, f64)]) -> Result<()> {
        let events = value_events(values.iter().map(|&(id, value)| (0, id, value)));
        let mut handle = self
            .plugin
            .inactive_plugin_handle()
            .context("the plug-in was started before its parameters were set")?;
        self.params.flush(&mut handle, &events.as_input(), &mut OutputEvents::void());
        Ok(())
    }

    /// Saves the state.
    ///
    /// # Errors
    /// When the plug-in keeps none, or does not give it.
    pub fn save(&mut self) -> Result<Vec<u8>> {
        let state = self.extension::<PluginState>().context("the plug-in keeps no state")?;
        let mut bytes = Vec::new();
        state
            .save(&self.plugin.plugin_handle(), &mut bytes)
            .map_err(|error| anyhow!("the plug-in does not save its state ({error})"))?;
        Ok(bytes)
    }

    /// Loads a state; returns whether the plug-in took it.
    pub fn load(&mut self, bytes: &[u8]) -> bool {
        let state = self.extension::<PluginState>();
        state.is_some_and(|state| state.load(&self.plugin.plugin_handle(), &mut Cursor::new(bytes)).is_ok())
    }

    /// Returns the latency, frames.
    pub fn latency_frames(&mut self) -> u32 {
        self.extension::<PluginLatency>().map_or(0, |latency| latency.get(&self.plugin.plugin_handle()))
    }

    /// Does what the plug-in asked the main thread for, if it asked.
    pub fn serve(&mut self) {
        if self.plugin.access_shared_handler(Shared::take_callback) {
            self.plugin.call_on_main_thread_callback();
        }
    }

    /// Starts processing; the instance stays with whoever serves it meanwhile.
    ///
    /// # Errors
    /// When the plug-in has no such layout, does not start, or delays its output.
    pub fn start(&mut self, start: Start) -> Result<StartedPluginAudioProcessor<Host>> {
        self.choose_mode(start.is_offline)?;
        self.choose_layout(start.inputs, start.outputs)?;
        let configuration = PluginAudioConfiguration {
            sample_rate: f64::from(start.rate_hz),
            min_frames_count: 1,
            max_frames_count: start.block_frames as u32,
        };
        let stopped = self
            .plugin
            .activate(|_, _| (), configuration)
            .map_err(|error| anyhow!("the plug-in does not start at {} Hz ({error})", start.rate_hz))?;
        let latency_frames = self.latency_frames();
        ensure!(
            latency_frames == 0,
            "the plug-in reports a latency of {latency_frames} frames, and 0 is required"
        );
        stopped
            .start_processing()
            .map_err(|error| anyhow!("the plug-in does not start at {} Hz ({error})", start.rate_hz))
    }

    /// Ends processing.
    pub fn stop(&mut self, processor: StartedPluginAudioProcessor<Host>) {
        self.plugin.deactivate(processor.stop_processing());
    }

    fn choose_mode(&mut self, is_offline: bool) -> Result<()> {
        let Some(render) = self.extension::<PluginRender>() else { return Ok(()) };
        let mode = if is_offline { RenderMode::Offline } else { RenderMode::Realtime };
        render
            .set(&self.plugin.plugin_handle(), mode)
            .map_err(|error| anyhow!("the plug-in does not run as {mode:?} ({error})"))
    }

    fn choose_layout(&mut self, inputs: usize, outputs: usize) -> Result<()> {
        let configs =
            self.extension::<PluginAudioPortsConfig>().context("the plug-in offers no choice of layouts")?;
        let handle = self.plugin.plugin_handle();
        let channels =
            |port: &Option<MainPortInfo>| port.as_ref().map_or(0, |port| port.channel_count as usize);
        for index in 0..configs.count(&handle) {
            let mut buffer = AudioPortsConfigBuffer::new();
            let Some(config) = configs.get(&handle, index, &mut buffer) else { continue };
            if channels(&config.main_input) == inputs && channels(&config.main_output) == outputs {
                let id = config.id;
                return configs
                    .select(&handle, id)
                    .map_err(|error| anyhow!("the plug-in rejects its own channel layout ({error})"));
            }
        }
        bail!("the plug-in has no channel layout {inputs} -> {outputs}")
    }
}
