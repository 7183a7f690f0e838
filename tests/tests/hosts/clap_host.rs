//! A CLAP host for tests: loads the bundle, sets, saves, loads, renders.

use std::ffi::{CStr, CString};
use std::io::Cursor;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clack_extensions::audio_ports_config::{AudioPortsConfigBuffer, MainPortInfo, PluginAudioPortsConfig};
use clack_extensions::gui::{GuiApiType, GuiConfiguration, GuiSize, HostGui, HostGuiImpl, PluginGui, Window};
use clack_extensions::latency::PluginLatency;
use clack_extensions::params::{ParamInfoBuffer, ParamInfoFlags, PluginParams};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_extensions::state::PluginState;
use clack_extensions::tail::{PluginTail, TailLength};
use clack_extensions::track_info::{HostTrackInfo, HostTrackInfoImpl, TrackInfo, TrackInfoWriter};
use clack_host::events::event_types::ParamValueEvent;
use clack_host::extensions::{Extension, PluginExtensionSide};
use clack_host::prelude::*;

use super::bundle;
use super::sound::{RATE_HZ, Sound};

/// Room for a value's text; CLAP names are at most this long.
const TEXT_BYTES: usize = 256;

/// What the plug-in may ask for.
#[derive(Default)]
pub(crate) struct Shared {
    is_callback_due: AtomicBool,
}

impl SharedHandler<'_> for Shared {
    fn request_restart(&self) {}
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.is_callback_due.store(true, Ordering::Release);
    }
}

/// The host's word on the editor's window: it stays as it is.
impl HostGuiImpl for Shared {
    fn resize_hints_changed(&self) {}
    fn request_resize(&self, _new_size: GuiSize) -> Result<(), HostError> {
        Err(HostError::Message("the window stays as it is"))
    }
    fn request_show(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn request_hide(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn closed(&self, _was_destroyed: bool) {}
}

/// The track on which an instance stands, where it has a name.
pub(crate) struct Track(Option<&'static str>);

impl MainThreadHandler<'_> for Track {}

impl HostTrackInfoImpl for Track {
    fn get<'a>(&'a self, writer: &mut TrackInfoWriter<'_, 'a>) {
        if let Some(name) = self.0 {
            writer.set(&TrackInfo::new().with_name(Some(name.as_bytes())));
        }
    }
}

/// A host that can hold an editor's window, and names its tracks.
pub(crate) struct Host;

impl HostHandlers for Host {
    type Shared<'a> = Shared;
    type MainThread<'a> = Track;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<Self>, _shared: &Shared) {
        builder.register::<HostGui>().register::<HostTrackInfo>();
    }
}

/// A parameter as the plug-in describes it.
#[derive(Clone, Debug)]
pub(crate) struct Described {
    pub(crate) id: ClapId,
    pub(crate) name: String,
    pub(crate) group: String,
    pub(crate) least: f64,
    pub(crate) most: f64,
    pub(crate) default: f64,
    pub(crate) is_stepped: bool,
    pub(crate) is_automatable: bool,
    pub(crate) is_bypass: bool,
    pub(crate) flags: ParamInfoFlags,
}

/// How an instance is started.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Start {
    pub(crate) inputs: usize,
    pub(crate) outputs: usize,
    pub(crate) rate_hz: u32,
    pub(crate) block_frames: usize,
    pub(crate) is_offline: bool,
}

impl Start {
    /// A stereo channel, rendered offline in blocks of 512.
    pub(crate) const STEREO: Self =
        Self { inputs: 2, outputs: 2, rate_hz: RATE_HZ, block_frames: 512, is_offline: true };
}

/// An instance that is not processing.
pub(crate) struct Clap {
    pub(crate) plugin: PluginInstance<Host>,
    pub(crate) params: PluginParams,
}

impl Clap {
    /// Loads the bundle and makes an instance of the seat.
    ///
    /// # Panics
    /// When the bundle is missing or refuses.
    pub(crate) fn new() -> Self {
        Self::of(c"rostra.seat")
    }

    /// As [`Self::new`], of either plug-in.
    pub(crate) fn of(id: &CStr) -> Self {
        Self::on_track(id, None)
    }

    /// As [`Self::of`], on a track with a name.
    pub(crate) fn on_track(id: &CStr, name: Option<&'static str>) -> Self {
        let path = bundle::clap();
        // SAFETY: loading runs the library's initialisers; it is the plug-in that this workspace builds.
        #[allow(unsafe_code)]
        let entry = unsafe { PluginEntry::load(path.as_os_str()) }
            .unwrap_or_else(|error| panic!("{}: {error}; run `cargo xtask bundle` again", path.display()));
        let factory = entry.get_plugin_factory().expect("a factory");
        let ids: Vec<CString> =
            factory.plugin_descriptors().filter_map(|found| found.id().map(CString::from)).collect();
        assert_eq!(ids, [c"rostra.seat", c"rostra.hall"].map(CString::from), "the plug-ins of the bundle");
        let info = HostInfo::new("Rostra tests", "Rostra", "", env!("CARGO_PKG_VERSION")).expect("no zeros");
        let plugin = PluginInstance::new(|()| Shared::default(), |_| Track(name), &entry, id, &info)
            .expect("an instance");
        let params = plugin
            .plugin_shared_handle()
            .get_extension::<PluginParams>()
            .expect("the plug-in has parameters");
        Self { plugin, params }
    }

    /// Returns an extension that the plug-in must have.
    pub(crate) fn extension<E: Extension<ExtensionSide = PluginExtensionSide>>(&self) -> E {
        self.plugin.plugin_shared_handle().get_extension::<E>().expect("the plug-in has this extension")
    }

    /// Returns all parameters, in the plug-in's order.
    pub(crate) fn parameters(&mut self) -> Vec<Described> {
        let handle = self.plugin.plugin_handle();
        (0..self.params.count(&handle))
            .map(|index| {
                let mut buffer = ParamInfoBuffer::new();
                let info = self.params.get_info(&handle, index, &mut buffer).expect("a description");
                let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("UTF-8");
                Described {
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
                }
            })
            .collect()
    }

    /// Returns the values of all parameters, in the plug-in's order.
    pub(crate) fn values(&mut self) -> Vec<f64> {
        let ids: Vec<ClapId> = self.parameters().into_iter().map(|found| found.id).collect();
        let handle = self.plugin.plugin_handle();
        ids.into_iter().map(|id| self.params.get_value(&handle, id).expect("a value")).collect()
    }

    /// Says whether the plug-in describes a parameter at a place.
    pub(crate) fn describes(&mut self, index: u32) -> bool {
        let handle = self.plugin.plugin_handle();
        let mut buffer = ParamInfoBuffer::new();
        self.params.get_info(&handle, index, &mut buffer).is_some()
    }

    /// Returns the text of a value.
    pub(crate) fn text_of(&mut self, id: ClapId, value: f64) -> String {
        let mut buffer = [0_u8; TEXT_BYTES];
        let text = self
            .params
            .value_to_text(&self.plugin.plugin_handle(), id, value, &mut buffer)
            .expect("every value has a text");
        String::from_utf8(text.to_vec()).expect("UTF-8")
    }

    /// Returns the value of a text, if the plug-in takes it.
    pub(crate) fn value_of(&mut self, id: ClapId, text: &str) -> Option<f64> {
        let text = CString::new(text).expect("no zeros");
        self.params.text_to_value(&self.plugin.plugin_handle(), id, &text)
    }

    /// Returns the text of every parameter as it stands, by name.
    pub(crate) fn texts(&mut self) -> Vec<(String, String)> {
        let described = self.parameters();
        described
            .into_iter()
            .map(|Described { id, name, .. }| {
                let value = self.params.get_value(&self.plugin.plugin_handle(), id).expect("a value");
                (name, self.text_of(id, value))
            })
            .collect()
    }

    /// Returns number and value for a parameter's name and a typed text.
    pub(crate) fn typed(&mut self, name: &str, text: &str) -> (ClapId, f64) {
        let id =
            self.parameters().into_iter().find(|found| found.name == name).expect("the name is known").id;
        let value = self.value_of(id, text).unwrap_or_else(|| panic!("{name} does not take {text:?}"));
        (id, value)
    }

    /// Sets parameters by name to typed texts.
    pub(crate) fn set(&mut self, settings: &[(&str, &str)]) {
        let values: Vec<_> = settings.iter().map(|(name, text)| self.typed(name, text)).collect();
        self.set_values(&values);
    }

    /// Sets parameters by their ids, to values as the plug-in counts them.
    pub(crate) fn set_values(&mut self, values: &[(ClapId, f64)]) {
        let mut events = EventBuffer::new();
        for &(id, value) in values {
            events.push(&ParamValueEvent::new(0, id, Pckn::match_all(), value));
        }
        let mut handle = self.plugin.inactive_plugin_handle().expect("the instance is not active");
        self.params.flush(&mut handle, &events.as_input(), &mut OutputEvents::void());
    }

    /// Saves the state.
    pub(crate) fn save(&mut self) -> Vec<u8> {
        let mut bytes = Vec::new();
        let state = self.extension::<PluginState>();
        state.save(&self.plugin.plugin_handle(), &mut bytes).expect("the state is saved");
        bytes
    }

    /// Loads a state; returns whether the plug-in took it.
    pub(crate) fn load(&mut self, bytes: &[u8]) -> bool {
        let state = self.extension::<PluginState>();
        state.load(&self.plugin.plugin_handle(), &mut Cursor::new(bytes)).is_ok()
    }

    /// Opens the editor inside an X11 window, which must outlive it.
    pub(crate) fn open_window(&mut self, parent: u32) {
        self.open_window_after(parent, Duration::ZERO);
    }

    /// As [`Self::open_window`], with a pause between making the editor and showing it.
    pub(crate) fn open_window_after(&mut self, parent: u32, pause: Duration) {
        let gui = self.extension::<PluginGui>();
        let handle = self.plugin.plugin_handle();
        let configuration = GuiConfiguration { api_type: GuiApiType::X11, is_floating: false };
        gui.create(&handle, configuration).expect("the editor is made");
        std::thread::sleep(pause);
        // SAFETY: the window outlives the editor, as the caller promises.
        #[allow(unsafe_code)]
        unsafe { gui.set_parent(&handle, Window::from_x11_handle(parent.into())) }.expect("a parent");
        // Some hosts never ask to show an embedded window, and some editors have no word for it.
        let _ = gui.show(&handle);
    }

    /// Asks for a size of the window, as a host does whose own window was resized; the plug-in may refuse.
    pub(crate) fn resize_window(&mut self, width: u32, height: u32) {
        let gui = self.extension::<PluginGui>();
        let _ = gui.set_size(&self.plugin.plugin_handle(), GuiSize { width, height });
    }

    /// Does what the plug-in asked the main thread for.
    pub(crate) fn serve(&mut self) {
        let is_due =
            self.plugin.access_shared_handler(|shared| shared.is_callback_due.swap(false, Ordering::AcqRel));
        if is_due {
            self.plugin.call_on_main_thread_callback();
        }
    }

    /// Closes the editor.
    pub(crate) fn close_window(&mut self) {
        self.extension::<PluginGui>().destroy(&self.plugin.plugin_handle());
    }

    /// Returns the latency in frames.
    pub(crate) fn latency_frames(&mut self) -> u32 {
        self.extension::<PluginLatency>().get(&self.plugin.plugin_handle())
    }

    /// Starts processing.
    ///
    /// # Panics
    /// When the plug-in has no such layout or does not start.
    pub(crate) fn start(mut self, start: Start) -> Playing {
        let mode = if start.is_offline { RenderMode::Offline } else { RenderMode::Realtime };
        self.extension::<PluginRender>().set(&self.plugin.plugin_handle(), mode).expect("the mode is taken");
        self.choose_layout(start);
        let configuration = PluginAudioConfiguration {
            sample_rate: f64::from(start.rate_hz),
            min_frames_count: 1,
            max_frames_count: start.block_frames as u32,
        };
        let stopped = self.plugin.activate(|_, _| (), configuration).expect("the plug-in is activated");
        let processor = stopped.start_processing().expect("the plug-in starts");
        Playing { instance: self, processor, start, steady_frames: 0 }
    }

    fn choose_layout(&mut self, start: Start) {
        let configs = self.extension::<PluginAudioPortsConfig>();
        let handle = self.plugin.plugin_handle();
        let channels =
            |port: &Option<MainPortInfo>| port.as_ref().map_or(0, |port| port.channel_count as usize);
        let found = (0..configs.count(&handle)).find_map(|index| {
            let mut buffer = AudioPortsConfigBuffer::new();
            let config = configs.get(&handle, index, &mut buffer)?;
            let fits = channels(&config.main_input) == start.inputs
                && channels(&config.main_output) == start.outputs;
            fits.then_some(config.id)
        });
        let id = found.unwrap_or_else(|| panic!("no layout {} -> {}", start.inputs, start.outputs));
        configs.select(&handle, id).expect("the plug-in takes its own layout");
    }
}

/// An instance that processes.
pub(crate) struct Playing {
    /// The instance, for what the main thread may do meanwhile.
    pub(crate) instance: Clap,
    processor: StartedPluginAudioProcessor<Host>,
    start: Start,
    steady_frames: u64,
}

impl Playing {
    /// Renders a sound in blocks; parameters change before the first sample.
    pub(crate) fn render(&mut self, input: &Sound, changes: &[(ClapId, f64)]) -> Sound {
        let at_once: Vec<_> = changes.iter().map(|&(id, value)| (0, id, value)).collect();
        self.render_automated(input, &at_once)
    }

    /// As [`Self::render`]; each parameter changes at a frame of its own, in the order of frames.
    pub(crate) fn render_automated(&mut self, input: &Sound, changes: &[(usize, ClapId, f64)]) -> Sound {
        let output = process(&mut self.processor, self.start, self.steady_frames, input, changes);
        self.steady_frames += input[0].len() as u64;
        output
    }

    /// Renders on a thread of the host's own, frees the plug-in while that thread lives on, then lets it end.
    pub(crate) fn outlived_by_its_audio_thread(self, input: &Sound) -> Sound {
        let Self { mut instance, mut processor, start, .. } = self;
        let (rendered, was_rendered) = std::sync::mpsc::channel();
        let (freed, was_freed) = std::sync::mpsc::channel();
        let input = input.clone();
        let audio = std::thread::spawn(move || {
            let output = process(&mut processor, start, 0, &input, &[]);
            rendered.send((processor, output)).expect("the main thread waits");
            was_freed.recv().expect("the main thread says when");
        });
        let (processor, output) = was_rendered.recv().expect("the audio thread renders");
        instance.plugin.deactivate(processor.stop_processing());
        // The last instance: the host unloads the bundle here.
        drop(instance);
        freed.send(()).expect("the audio thread waits");
        audio.join().expect("the audio thread ends in peace");
        output
    }

    /// Lends the processor to a thread that does nothing else, and waits for that thread's end.
    pub(crate) fn on_an_audio_thread(
        mut self,
        work: impl FnOnce(&mut StartedPluginAudioProcessor<Host>) + Send + 'static,
    ) -> Clap {
        let mut processor = self.processor;
        let audio = std::thread::spawn(move || {
            work(&mut processor);
            processor
        });
        let processor = audio.join().expect("the audio thread ends in peace");
        self.instance.plugin.deactivate(processor.stop_processing());
        self.instance
    }

    /// Forgets what was heard.
    pub(crate) fn reset(&mut self) {
        self.processor.reset();
        self.steady_frames = 0;
    }

    /// Stops and starts processing, times over, without a block between.
    pub(crate) fn restarted(mut self, times: usize) -> Self {
        for _ in 0..times {
            let stopped = self.processor.stop_processing();
            self.processor = stopped.start_processing().expect("the plug-in starts again");
        }
        self.steady_frames = 0;
        self
    }

    /// Returns the tail that the plug-in reports, in frames.
    ///
    /// # Panics
    /// When it is endless.
    pub(crate) fn tail_frames(&mut self) -> u32 {
        let tail = self.instance.extension::<PluginTail>();
        match tail.get(&self.processor.plugin_handle()) {
            TailLength::Finite(frames) => frames,
            TailLength::Infinite => panic!("the tail has an end"),
        }
    }

    /// Destroys the instance while it plays: the host's library stops and deactivates it then, once nobody holds the processor.
    pub(crate) fn destroy(self) {
        let Self { instance, processor, .. } = self;
        drop(processor);
        drop(instance);
    }

    /// Parts with the processor, for a thread of the host's own.
    pub(crate) fn parted(self) -> (Clap, StartedPluginAudioProcessor<Host>) {
        (self.instance, self.processor)
    }

    /// Ends processing.
    pub(crate) fn stop(mut self) -> Clap {
        self.instance.plugin.deactivate(self.processor.stop_processing());
        self.instance
    }
}

/// Renders a sound in blocks through a started processor.
pub(crate) fn process(
    processor: &mut StartedPluginAudioProcessor<Host>,
    start: Start,
    steady_frames: u64,
    input: &Sound,
    changes: &[(usize, ClapId, f64)],
) -> Sound {
    let Start { inputs, outputs, block_frames, .. } = start;
    let frames = input[0].len();
    let mut output = vec![Vec::with_capacity(frames); outputs];
    let mut input_ports = AudioPorts::with_capacity(inputs, 1);
    let mut output_ports = AudioPorts::with_capacity(outputs, 1);
    for at in (0..frames).step_by(block_frames) {
        let count = block_frames.min(frames - at);
        let mut taken: Sound = input.iter().map(|channel| channel[at..at + count].to_vec()).collect();
        // What is not overwritten shows as a fault.
        let mut given: Sound = vec![vec![f32::NAN; count]; outputs];
        let audio_in = input_ports.with_input_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_input_only(taken.iter_mut().map(InputChannel::variable)),
        }]);
        let mut audio_out = output_ports.with_output_buffers([AudioPortBuffer {
            latency: 0,
            channels: AudioPortBufferType::f32_output_only(given.iter_mut().map(Vec::as_mut_slice)),
        }]);
        let mut events = EventBuffer::new();
        for &(frame, id, value) in changes.iter().filter(|change| (at..at + count).contains(&change.0)) {
            events.push(&ParamValueEvent::new((frame - at) as u32, id, Pckn::match_all(), value));
        }
        let events = events.as_input();
        let steady_frames = Some(steady_frames + at as u64);
        processor
            .process(&audio_in, &mut audio_out, &events, &mut OutputEvents::void(), steady_frames, None)
            .expect("the plug-in processes");
        for (channel, block) in output.iter_mut().zip(&given) {
            channel.extend_from_slice(block);
        }
    }
    output
}

/// Renders a sound through a fresh instance with these settings.
pub(crate) fn placed(settings: &[(&str, &str)], start: Start, input: &Sound) -> Sound {
    let mut clap = Clap::new();
    clap.set(settings);
    let mut playing = clap.start(start);
    let output = playing.render(input, &[]);
    playing.stop();
    output
}
