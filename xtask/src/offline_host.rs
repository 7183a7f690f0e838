//! A host without a clock or a window: loads the built plug-in, renders through it, or plays it block by block.

use std::ffi::{CStr, CString};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, PluginAudioPortsConfig};
use clack_extensions::latency::PluginLatency;
use clack_extensions::params::{ParamInfoBuffer, ParamInfoFlags, PluginParams};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_extensions::tail::{PluginTail, TailLength};
use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;
use rostra_dsp::extremes::larger;

use crate::parameter::{Parameter, Plain, Values, Wish, find, id_of_name, leading_number};
use crate::recording::Recording;

/// Frames handed over at once.
///
/// An ordinary block size, so that what is heard here is what hosts get; the
/// sound does not depend on it.
const BLOCK_FRAMES: usize = 512;

/// Level under its peak at which an output has rung out, dB: below the least of 16-bit sound's steps.
const RUNG_OUT_DB: f64 = -90.0;

/// How long an output stays below [`RUNG_OUT_DB`] before it has rung out, s.
///
/// Longer than any gap between two reflections on the largest platform.
const RUNG_OUT_S: f64 = 0.2;

/// Longest tail that is waited for where the plug-in reports one without end, s.
///
/// A hall's decay goes up to 8 s, in the bass up to twice that, and falls 90 dB
/// in three halves of it; before it stands a pre-delay of at most 0.12 s.
const LONGEST_TAIL_S: f64 = 25.0;

/// Room for a value's text; CLAP names are at most this long.
const TEXT_BYTES: usize = 256;

/// The hall's id in the library; it never changes.
const HALL_ID: &CStr = c"rostra.hall";

/// The built plug-in, loaded.
pub(crate) struct Library {
    entry: PluginEntry,
    plugin_id: CString,
}

impl Library {
    /// Loads a `.clap` and finds the plug-in in it.
    ///
    /// # Errors
    /// When it cannot be loaded or holds no plug-in.
    pub(crate) fn load(path: &Path) -> Result<Self> {
        let shown = path.display();
        // `dlopen` looks through the system's folders for a name without a slash.
        let path = path.canonicalize().with_context(|| format!("{shown}: there is no such plug-in"))?;
        // SAFETY: loading runs the library's initialisers. It is the plug-in
        // that this workspace builds, or the one that the user named.
        #[allow(unsafe_code)]
        let entry = unsafe { PluginEntry::load(path.as_os_str()) }.map_err(|error| {
            anyhow!("{shown}: cannot be loaded ({error}); run `cargo xtask bundle` again")
        })?;
        let plugin_id = entry
            .get_plugin_factory()
            .and_then(|factory| factory.plugin_descriptors().find_map(|found| found.id().map(CString::from)))
            .ok_or_else(|| anyhow!("{shown}: holds no plug-in; run `cargo xtask bundle` again"))?;
        Ok(Self { entry, plugin_id })
    }

    /// Makes an instance; it belongs to the thread that made it.
    ///
    /// # Errors
    /// When the plug-in refuses, or lacks what an offline host needs.
    pub(crate) fn instance(&self) -> Result<Instance> {
        self.instance_of(&self.plugin_id)
    }

    /// Makes an instance of the hall, which is in the same library.
    ///
    /// # Errors
    /// When there is none in it, or as [`Library::instance`].
    pub(crate) fn hall(&self) -> Result<Instance> {
        self.instance_of(HALL_ID)
    }

    fn instance_of(&self, id: &CStr) -> Result<Instance> {
        let info = HostInfo::new("Rostra offline", "Rostra", "", env!("CARGO_PKG_VERSION"))?;
        let plugin = PluginInstance::new(|()| Shared::default(), |_| (), &self.entry, id, &info)
            .map_err(|error| anyhow!("the plug-in makes no instance ({error})"))?;
        let params = plugin
            .plugin_shared_handle()
            .get_extension::<PluginParams>()
            .ok_or_else(|| anyhow!("the plug-in has no parameters"))?;
        Ok(Instance { plugin, params })
    }
}

/// What the plug-in may ask of the host from any thread.
#[derive(Default)]
struct Shared {
    wants_main_thread: AtomicBool,
}

impl SharedHandler<'_> for Shared {
    /// Nothing that needs a restart changes while a recording is placed.
    fn request_restart(&self) {}
    /// It is processed all the time.
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.wants_main_thread.store(true, Ordering::Release);
    }
}

struct OfflineHost;

impl HostHandlers for OfflineHost {
    type Shared<'a> = Shared;
    type MainThread<'a> = ();
    type AudioProcessor<'a> = ();
}

/// A parameter set to a value: in plain words, and as the plug-in counts it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Setting {
    /// Our id.
    pub(crate) id: &'static str,
    /// In plain words.
    pub(crate) plain: Plain,
    /// The host's number of the parameter.
    clap_id: ClapId,
    /// The host's value.
    clap_value: f64,
}

/// Channels in and out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Layout {
    /// Channels in.
    pub(crate) inputs: usize,
    /// Channels out.
    pub(crate) outputs: usize,
}

/// An instance of the plug-in.
pub(crate) struct Instance {
    plugin: PluginInstance<OfflineHost>,
    params: PluginParams,
}

impl Instance {
    /// Asks the plug-in for its parameters.
    ///
    /// # Errors
    /// When it has one that this program does not know.
    pub(crate) fn parameters(&mut self) -> Result<Vec<Parameter>> {
        let count = self.params.count(&self.plugin.plugin_handle());
        (0..count)
            .map(|index| {
                let mut buffer = ParamInfoBuffer::new();
                let (name, group, clap_id, is_stepped, least, most) = {
                    let handle = self.plugin.plugin_handle();
                    let info = self
                        .params
                        .get_info(&handle, index, &mut buffer)
                        .ok_or_else(|| anyhow!("the plug-in does not describe its parameter {index}"))?;
                    let name = String::from_utf8_lossy(info.name).into_owned();
                    let is_stepped = info.flags.contains(ParamInfoFlags::IS_STEPPED);
                    let group = String::from_utf8_lossy(info.module).into_owned();
                    (name, group, info.id, is_stepped, info.min_value, info.max_value)
                };
                let id = id_of_name(&name).ok_or_else(|| {
                    anyhow!(
                        "the plug-in has a parameter \"{name}\" that is not in xtask/src/parameter.rs; add it"
                    )
                })?;
                let values = if is_stepped {
                    let steps = least.round() as i64..=most.round() as i64;
                    let mut names: Vec<String> =
                        steps.map(|step| self.text_of(clap_id, step as f64)).collect::<Result<_>>()?;
                    // The places behind the entries are kept for later ones, and no choice.
                    names.retain(|name| !name.starts_with("unused "));
                    Values::Choices(names)
                } else {
                    self.numbers(clap_id, least, most)?
                };
                Ok(Parameter { id, name, group, clap_id, values })
            })
            .collect()
    }

    /// Returns the default of a parameter, as the plug-in writes it.
    ///
    /// # Errors
    /// When it has no such parameter.
    pub(crate) fn default_text(&mut self, id: &str) -> Result<String> {
        let count = self.params.count(&self.plugin.plugin_handle());
        for index in 0..count {
            let mut buffer = ParamInfoBuffer::new();
            let found = {
                let handle = self.plugin.plugin_handle();
                self.params.get_info(&handle, index, &mut buffer).and_then(|info| {
                    let name = String::from_utf8_lossy(info.name);
                    (id_of_name(&name) == Some(id)).then_some((info.id, info.default_value))
                })
            };
            if let Some((clap_id, value)) = found {
                return self.text_of(clap_id, value);
            }
        }
        bail!("the plug-in has no parameter \"{id}\"")
    }

    fn numbers(&mut self, clap_id: ClapId, least: f64, most: f64) -> Result<Values> {
        let ends = [self.text_of(clap_id, least)?, self.text_of(clap_id, most)?];
        let numbers = [self.number_at_end(clap_id, least, most)?, self.number_at_end(clap_id, most, least)?];
        Ok(Values::Numbers { least: numbers[0], most: numbers[1], ends })
    }

    /// Returns the number at the end `end` of a range that goes on to `other`.
    ///
    /// An end may be a word ("off"): then it stands one shown step beyond the
    /// last number before it.
    fn number_at_end(&mut self, clap_id: ClapId, end: f64, other: f64) -> Result<f64> {
        for share in [0.0, 1e-4, 1e-3, 1e-2] {
            let text = self.text_of(clap_id, end + (other - end) * share)?;
            let Some((number, unit)) = leading_number(&text) else { continue };
            if share == 0.0 {
                return Ok(number);
            }
            let shown = text.trim_end_matches(unit).trim();
            let decimals = shown.split_once('.').map_or(0, |(_, decimals)| decimals.len());
            let step = 10_f64.powi(-(decimals as i32));
            return Ok(if end > other { number + step } else { number - step });
        }
        bail!("the plug-in shows no number near \"{}\"", self.text_of(clap_id, end)?)
    }

    fn text_of(&mut self, clap_id: ClapId, value: f64) -> Result<String> {
        let mut buffer = [0_u8; TEXT_BYTES];
        let text = self
            .params
            .value_to_text(&self.plugin.plugin_handle(), clap_id, value, &mut buffer)
            .map_err(|_| anyhow!("the plug-in has no text for a value"))?;
        Ok(String::from_utf8_lossy(text).into_owned())
    }

    /// Turns wishes into settings, the later ones winning.
    ///
    /// # Errors
    /// When a wish names no parameter, or a value that the parameter cannot have.
    pub(crate) fn settings(&mut self, parameters: &[Parameter], wishes: &[Wish]) -> Result<Vec<Setting>> {
        let mut settings: Vec<Setting> = Vec::new();
        for wish in wishes {
            let parameter = find(parameters, wish)?;
            let (plain, text) = parameter.read(wish)?;
            let text = CString::new(text)?;
            let clap_value = self
                .params
                .text_to_value(&self.plugin.plugin_handle(), parameter.clap_id, &text)
                .ok_or_else(|| anyhow!("{}: the plug-in does not take \"{}\"", wish.from, wish.value))?;
            settings.retain(|setting| setting.id != parameter.id);
            settings.push(Setting { id: parameter.id, plain, clap_id: parameter.clap_id, clap_value });
        }
        Ok(settings)
    }

    /// Renders a recording and its tail; `progress` is told the input frames of every block.
    ///
    /// The output is as long as the input and the tail: as long as the plug-in
    /// reports, or until 0.2 s stayed 90 dB below the output's peak, whichever
    /// comes first.
    ///
    /// # Errors
    /// When the plug-in has no such layout, does not start, fails, delays its
    /// output, or puts out what is not finite.
    pub(crate) fn render(
        mut self,
        layout: Layout,
        settings: &[Setting],
        input: &Recording,
        progress: &dyn Fn(usize),
    ) -> Result<Recording> {
        ensure!(input.channels.len() == layout.inputs, "the layout takes {} channels", layout.inputs);
        self.choose_layout(layout, RenderMode::Offline)?;
        self.set(settings)?;
        let latency = self.extension::<PluginLatency>();
        let configuration = PluginAudioConfiguration {
            sample_rate: f64::from(input.rate_hz),
            min_frames_count: 1,
            max_frames_count: BLOCK_FRAMES as u32,
        };
        let stopped = self
            .plugin
            .activate(|_, ()| (), configuration)
            .map_err(|error| anyhow!("the plug-in does not start at {} Hz ({error})", input.rate_hz))?;
        let latency_frames = latency.map_or(0, |latency| latency.get(&self.plugin.plugin_handle()));
        ensure!(latency_frames == 0, "the plug-in delays its output by {latency_frames} frames; it must not");
        let mut processor = stopped
            .start_processing()
            .map_err(|error| anyhow!("the plug-in does not start at {} Hz ({error})", input.rate_hz))?;

        let mut pass = Pass::new(layout, input.rate_hz);
        let mut at = 0;
        while at < input.frames() {
            let frames = BLOCK_FRAMES.min(input.frames() - at);
            let block: Vec<&[f32]> = input.channels.iter().map(|channel| &channel[at..at + frames]).collect();
            pass.process(&mut processor, &block, frames)?;
            self.serve();
            progress(frames);
            at += frames;
        }
        let tail = self.extension::<PluginTail>();
        let most_frames = (LONGEST_TAIL_S * f64::from(input.rate_hz)) as usize;
        let tail_frames = match tail.map(|tail| tail.get(&processor.plugin_handle())) {
            Some(TailLength::Finite(frames)) => (frames as usize).min(most_frames),
            Some(TailLength::Infinite) => most_frames,
            None => 0,
        };
        let silence = [0.0; BLOCK_FRAMES];
        let mut left = tail_frames;
        while left > 0 && !pass.has_rung_out() {
            let frames = BLOCK_FRAMES.min(left);
            let block = vec![&silence[..frames]; layout.inputs];
            pass.process(&mut processor, &block, frames)?;
            self.serve();
            left -= frames;
        }
        self.plugin.deactivate(processor.stop_processing());
        Ok(Recording { rate_hz: input.rate_hz, channels: pass.output })
    }

    /// Starts the instance to play in real time, in blocks of one length.
    ///
    /// # Errors
    /// When the plug-in has no such layout or does not start.
    pub(crate) fn play(
        mut self,
        layout: Layout,
        settings: &[Setting],
        rate_hz: f64,
        block_frames: usize,
    ) -> Result<Session> {
        self.choose_layout(layout, RenderMode::Realtime)?;
        self.set(settings)?;
        let configuration = PluginAudioConfiguration {
            sample_rate: rate_hz,
            min_frames_count: block_frames as u32,
            max_frames_count: block_frames as u32,
        };
        let processor = self
            .plugin
            .activate(|_, ()| (), configuration)
            .map_err(|error| anyhow!("the plug-in does not start at {rate_hz} Hz ({error})"))?
            .start_processing()
            .map_err(|error| anyhow!("the plug-in does not start at {rate_hz} Hz ({error})"))?;
        Ok(Session {
            plugin: self.plugin,
            processor,
            inputs: vec![vec![0.0; block_frames]; layout.inputs],
            outputs: vec![vec![0.0; block_frames]; layout.outputs],
            ports: Ports::new(layout.inputs, layout.outputs),
            steady_frames: 0,
        })
    }

    fn extension<E>(&self) -> Option<E>
    where
        E: clack_host::extensions::Extension<ExtensionSide = clack_host::extensions::PluginExtensionSide>,
    {
        self.plugin.plugin_shared_handle().get_extension::<E>()
    }

    fn choose_layout(&mut self, layout: Layout, mode: RenderMode) -> Result<()> {
        if let Some(render) = self.extension::<PluginRender>() {
            render
                .set(&self.plugin.plugin_handle(), mode)
                .map_err(|error| anyhow!("the plug-in does not run as {mode:?} ({error})"))?;
        }
        let configs = self
            .extension::<PluginAudioPortsConfig>()
            .ok_or_else(|| anyhow!("the plug-in offers no choice of layouts"))?;
        let handle = self.plugin.plugin_handle();
        for index in 0..configs.count(&handle) {
            let mut buffer = AudioPortsConfigBuffer::new();
            let Some(config) = configs.get(&handle, index, &mut buffer) else { continue };
            let channels = |port: &Option<clack_extensions::audio_ports_config::MainPortInfo>| {
                port.as_ref().map_or(0, |port| port.channel_count as usize)
            };
            if channels(&config.main_input) == layout.inputs
                && channels(&config.main_output) == layout.outputs
            {
                let id = config.id;
                return configs
                    .select(&handle, id)
                    .map_err(|error| anyhow!("the plug-in refuses its own layout ({error})"));
            }
        }
        bail!("the plug-in has no layout {} -> {}", layout.inputs, layout.outputs)
    }

    fn set(&mut self, settings: &[Setting]) -> Result<()> {
        let mut events = EventBuffer::with_capacity(settings.len());
        for setting in settings {
            events.push(&ParamValueEvent::new(0, setting.clap_id, Pckn::match_all(), setting.clap_value));
        }
        let mut handle = self
            .plugin
            .inactive_plugin_handle()
            .ok_or_else(|| anyhow!("the plug-in was started before its parameters were set"))?;
        self.params.flush(&mut handle, &events.as_input(), &mut OutputEvents::void());
        Ok(())
    }

    /// Gives the plug-in the main thread if it asked for it.
    fn serve(&mut self) {
        let is_wanted = self
            .plugin
            .access_shared_handler(|shared| shared.wants_main_thread.swap(false, Ordering::AcqRel));
        if is_wanted {
            self.plugin.call_on_main_thread_callback();
        }
    }
}

/// The buffers of one port in and one out.
struct Ports {
    input: AudioPorts,
    output: AudioPorts,
}

impl Ports {
    fn new(inputs: usize, outputs: usize) -> Self {
        Self { input: AudioPorts::with_capacity(inputs, 1), output: AudioPorts::with_capacity(outputs, 1) }
    }

    /// Plays a block, without events.
    fn play<'a>(
        &'a mut self,
        processor: &mut StartedPluginAudioProcessor<OfflineHost>,
        inputs: impl ExactSizeIterator<Item = &'a mut [f32]>,
        outputs: impl ExactSizeIterator<Item = &'a mut [f32]>,
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
        let (events, mut heard) = (InputEvents::empty(), OutputEvents::void());
        processor.process(&inputs, &mut outputs, &events, &mut heard, Some(steady_frames), None)?;
        Ok(())
    }
}

/// Returns channels as slices.
fn channels(buffers: &mut [Vec<f32>]) -> impl ExactSizeIterator<Item = &mut [f32]> {
    buffers.iter_mut().map(|buffer| &mut buffer[..])
}

/// An instance that plays in real time.
pub(crate) struct Session {
    plugin: PluginInstance<OfflineHost>,
    processor: StartedPluginAudioProcessor<OfflineHost>,
    inputs: Vec<Vec<f32>>,
    outputs: Vec<Vec<f32>>,
    ports: Ports,
    steady_frames: u64,
}

impl Session {
    /// Returns the channels that go into the next block.
    pub(crate) fn inputs(&mut self) -> &mut [Vec<f32>] {
        &mut self.inputs
    }

    /// Returns the channels that came out of the last block.
    pub(crate) fn outputs(&self) -> &[Vec<f32>] {
        &self.outputs
    }

    /// Plays a block.
    ///
    /// # Errors
    /// When the plug-in fails.
    pub(crate) fn process(&mut self) -> Result<()> {
        let frames = self.inputs.first().map_or(0, Vec::len);
        self.ports
            .play(
                &mut self.processor,
                channels(&mut self.inputs),
                channels(&mut self.outputs),
                self.steady_frames,
            )
            .with_context(|| format!("the plug-in fails after {} frames", self.steady_frames))?;
        self.steady_frames += frames as u64;
        Ok(())
    }

    /// Stops the instance and lets it go.
    pub(crate) fn stop(mut self) {
        self.plugin.deactivate(self.processor.stop_processing());
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
    peak: f32,
    last_loud_frame: usize,
}

impl Pass {
    fn new(layout: Layout, rate_hz: u32) -> Self {
        Self {
            inputs: vec![[0.0; BLOCK_FRAMES]; layout.inputs],
            outputs: vec![[0.0; BLOCK_FRAMES]; layout.outputs],
            ports: Ports::new(layout.inputs, layout.outputs),
            output: vec![Vec::new(); layout.outputs],
            steady_frames: 0,
            rate_hz,
            peak: 0.0,
            last_loud_frame: 0,
        }
    }

    fn process(
        &mut self,
        processor: &mut StartedPluginAudioProcessor<OfflineHost>,
        block: &[&[f32]],
        frames: usize,
    ) -> Result<()> {
        for (buffer, samples) in self.inputs.iter_mut().zip(block) {
            buffer[..frames].copy_from_slice(samples);
        }
        let inputs = self.inputs.iter_mut().map(|buffer| &mut buffer[..frames]);
        let outputs = self.outputs.iter_mut().map(|buffer| &mut buffer[..frames]);
        self.ports.play(processor, inputs, outputs, self.steady_frames).with_context(|| {
            let seconds = self.steady_frames as f64 / f64::from(self.rate_hz);
            format!("the plug-in fails at {seconds:.3} s")
        })?;
        self.steady_frames += frames as u64;
        self.keep(frames)
    }

    fn keep(&mut self, frames: usize) -> Result<()> {
        let done = self.output[0].len();
        for buffer in &self.outputs {
            for sample in &buffer[..frames] {
                self.peak = larger(self.peak, sample.abs());
            }
        }
        let loud = self.peak * 10_f64.powf(RUNG_OUT_DB / 20.0) as f32;
        for (output, buffer) in self.output.iter_mut().zip(&self.outputs) {
            if let Some(frame) = buffer[..frames].iter().position(|sample| !sample.is_finite()) {
                bail!(
                    "the plug-in puts out a sample that is not finite at {:.3} s; this is its fault: please report it",
                    (done + frame) as f64 / f64::from(self.rate_hz)
                );
            }
            if let Some(frame) = buffer[..frames].iter().rposition(|sample| sample.abs() > loud) {
                self.last_loud_frame = larger(self.last_loud_frame, done + frame);
            }
            output.extend_from_slice(&buffer[..frames]);
        }
        Ok(())
    }

    fn has_rung_out(&self) -> bool {
        let quiet_frames = self.output[0].len().saturating_sub(self.last_loud_frame);
        quiet_frames as f64 > RUNG_OUT_S * f64::from(self.rate_hz)
    }
}
