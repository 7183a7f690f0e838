//! The CLAP host of the commands, for tests: what goes wrong fails the test, and what only tests do is added.

use std::ffi::{CStr, CString};
use std::ops::{Deref, DerefMut};
use std::time::Duration;

use clack_extensions::gui::{GuiApiType, GuiConfiguration, GuiSize, PluginGui, Window};
use clack_extensions::params::ParamInfoBuffer;
use clack_extensions::tail::{PluginTail, TailLength};
use clack_host::extensions::{Extension, PluginExtensionSide};
use clack_host::prelude::*;
use rostra_host::{HALL_ID, Instance, Library, Ports, SEAT_ID, Track, value_events};

pub(crate) use rostra_host::{Described, Host, Start};

use super::bundle;
use super::sound::Sound;

/// An instance that is not processing.
pub(crate) struct Clap(Instance);

impl Deref for Clap {
    type Target = Instance;

    fn deref(&self) -> &Instance {
        &self.0
    }
}

impl DerefMut for Clap {
    fn deref_mut(&mut self) -> &mut Instance {
        &mut self.0
    }
}

impl Clap {
    /// Loads the bundle and makes an instance of the seat.
    ///
    /// # Panics
    /// When the bundle is missing or refuses.
    pub(crate) fn new() -> Self {
        Self::of(SEAT_ID)
    }

    /// As [`Self::new`], of either plug-in.
    pub(crate) fn of(id: &CStr) -> Self {
        Self::on_track(id, None)
    }

    /// As [`Self::of`], on a track with a name.
    pub(crate) fn on_track(id: &CStr, name: Option<&'static str>) -> Self {
        let library = Library::load(&bundle::clap())
            .unwrap_or_else(|error| panic!("{error:#}; run `cargo xtask bundle` again"));
        assert_eq!(library.ids(), [SEAT_ID, HALL_ID].map(CString::from), "the plug-ins of the bundle");
        Self(library.instance(id, Track(name)).expect("an instance"))
    }

    /// Returns an extension that the plug-in must have.
    pub(crate) fn extension<E: Extension<ExtensionSide = PluginExtensionSide>>(&self) -> E {
        self.0.extension().expect("the plug-in has this extension")
    }

    /// Returns all parameters, in the plug-in's order.
    pub(crate) fn parameters(&mut self) -> Vec<Described> {
        self.0.parameters().expect("a description of each")
    }

    /// Returns the values of all parameters, in the plug-in's order.
    pub(crate) fn values(&mut self) -> Vec<f64> {
        self.parameters().into_iter().map(|found| self.0.value(found.id).expect("a value")).collect()
    }

    /// Says whether the plug-in describes a parameter at a place.
    pub(crate) fn describes(&mut self, index: u32) -> bool {
        let Instance { plugin, params } = &mut self.0;
        let mut buffer = ParamInfoBuffer::new();
        params.get_info(&plugin.plugin_handle(), index, &mut buffer).is_some()
    }

    /// Returns the text of a value.
    pub(crate) fn text_of(&mut self, id: ClapId, value: f64) -> String {
        self.0.text_of(id, value).expect("every value has a text")
    }

    /// Returns the text of every parameter as it stands, by name.
    pub(crate) fn texts(&mut self) -> Vec<(String, String)> {
        let described = self.parameters();
        described
            .into_iter()
            .map(|Described { id, name, .. }| {
                let value = self.0.value(id).expect("a value");
                (name, self.text_of(id, value))
            })
            .collect()
    }

    /// Returns number and value for a parameter's name and a typed text.
    pub(crate) fn typed(&mut self, name: &str, text: &str) -> (ClapId, f64) {
        let id =
            self.parameters().into_iter().find(|found| found.name == name).expect("the name is known").id;
        let value = self.0.value_of(id, text).unwrap_or_else(|| panic!("{name} does not take {text:?}"));
        (id, value)
    }

    /// Sets parameters by name to typed texts.
    pub(crate) fn set(&mut self, settings: &[(&str, &str)]) {
        let values: Vec<_> = settings.iter().map(|(name, text)| self.typed(name, text)).collect();
        self.set_values(&values);
    }

    /// Sets parameters by their ids, to values as the plug-in counts them.
    pub(crate) fn set_values(&mut self, values: &[(ClapId, f64)]) {
        self.0.set(values).expect("the instance is not active");
    }

    /// Saves the state.
    pub(crate) fn save(&mut self) -> Vec<u8> {
        self.0.save().expect("the state is saved")
    }

    /// Opens the editor inside an X11 window, which must outlive it.
    pub(crate) fn open_window(&mut self, parent: u32) {
        self.open_window_after(parent, Duration::ZERO);
    }

    /// As [`Self::open_window`], with a pause between making the editor and showing it.
    pub(crate) fn open_window_after(&mut self, parent: u32, pause: Duration) {
        let gui = self.extension::<PluginGui>();
        let handle = self.0.plugin.plugin_handle();
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
        let _ = gui.set_size(&self.0.plugin.plugin_handle(), GuiSize { width, height });
    }

    /// Closes the editor.
    pub(crate) fn close_window(&mut self) {
        self.extension::<PluginGui>().destroy(&self.0.plugin.plugin_handle());
    }

    /// Starts processing.
    ///
    /// # Panics
    /// When the plug-in has no such layout or does not start.
    pub(crate) fn start(mut self, start: Start) -> Playing {
        let processor = self.0.start(start).expect("the plug-in starts");
        Playing { instance: self, processor, start, steady_frames: 0 }
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
    let mut ports = Ports::new(inputs, outputs);
    for at in (0..frames).step_by(block_frames) {
        let count = block_frames.min(frames - at);
        let mut taken: Sound = input.iter().map(|channel| channel[at..at + count].to_vec()).collect();
        // What is not overwritten shows as a fault.
        let mut given: Sound = vec![vec![f32::NAN; count]; outputs];
        let within = changes.iter().filter(|change| (at..at + count).contains(&change.0));
        let events = value_events(within.map(|&(frame, id, value)| ((frame - at) as u32, id, value)));
        ports
            .process(
                processor,
                taken.iter_mut().map(Vec::as_mut_slice),
                given.iter_mut().map(Vec::as_mut_slice),
                &events.as_input(),
                steady_frames + at as u64,
            )
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
