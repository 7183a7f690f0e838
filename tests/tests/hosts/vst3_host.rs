//! A VST3 host for tests.

use std::path::PathBuf;

use rostra_dsp::kernel::Noise;
use vst3::Steinberg::Linux::{
    FileDescriptor, IEventHandler, IRunLoop, IRunLoopTrait, ITimerHandler, TimerInterval,
};
use vst3::Steinberg::Vst::IEditControllerTrait;
use vst3::Steinberg::{
    IPlugFrame, IPlugFrameTrait, IPlugView, IPlugViewTrait, IPluginFactory, ViewRect, kResultFalse,
    kResultOk, tresult,
};
use vst3::{Class, ComPtr, ComWrapper};
use vst3_host::{AudioBuffers, Plugin, ProcessMode, SpeakerArrangement, Vst3Host};

use super::bundle;
use super::clap_host::Start;
use super::raw_vst3::RawVst3;
use super::sound::Sound;

/// Frames of a block: not those of the CLAP host, on purpose.
pub(crate) const BLOCK_FRAMES: usize = 480;

/// The seat's class id, sixteen bytes of text: `RostraSeatPlace1`.
pub(crate) const SEAT: &str = "526F7374726153656174506C61636531";

/// Returns the library within the bundle.
fn library() -> PathBuf {
    let arch = std::env::consts::ARCH;
    let (folder, file) = match std::env::consts::OS {
        "macos" => ("MacOS".to_owned(), "rostra"),
        "windows" => (format!("{arch}-win"), "rostra.vst3"),
        _ => (format!("{arch}-linux"), "rostra.so"),
    };
    bundle::vst3().join("Contents").join(folder).join(file)
}

/// Makes an instance in a host of raw calls.
///
/// # Panics
/// When the bundle is missing or refuses.
pub(crate) fn raw(class: &[u8; 16]) -> RawVst3 {
    // SAFETY: the library is the plug-in that this workspace builds, and stays for as long as the program.
    #[allow(unsafe_code)]
    let factory = unsafe {
        let library = Box::leak(Box::new(libloading::Library::new(library()).expect("the bundle loads")));
        let get = library
            .get::<unsafe extern "system" fn() -> *mut IPluginFactory>(b"GetPluginFactory")
            .expect("a factory");
        ComPtr::from_raw(get()).expect("a factory")
    };
    RawVst3::new(&factory, class)
}

/// A window of the raw host's: it has a loop of events, as hosts on Linux have, in which nothing is ever due.
pub(crate) struct View {
    view: ComPtr<IPlugView>,
    _frame: ComWrapper<Frame>,
}

/// The host's side of a window.
pub(crate) struct Frame;

impl Class for Frame {
    type Interfaces = (IPlugFrame, IRunLoop);
}

#[allow(unsafe_code, reason = "the interfaces of the standard are raw calls")]
impl IPlugFrameTrait for Frame {
    unsafe fn resizeView(&self, _view: *mut IPlugView, _size: *mut ViewRect) -> tresult {
        kResultFalse
    }
}

#[allow(unsafe_code, reason = "the interfaces of the standard are raw calls")]
impl IRunLoopTrait for Frame {
    unsafe fn registerEventHandler(&self, _handler: *mut IEventHandler, _file: FileDescriptor) -> tresult {
        kResultOk
    }

    unsafe fn unregisterEventHandler(&self, _handler: *mut IEventHandler) -> tresult {
        kResultOk
    }

    unsafe fn registerTimer(&self, _handler: *mut ITimerHandler, _interval: TimerInterval) -> tresult {
        kResultOk
    }

    unsafe fn unregisterTimer(&self, _handler: *mut ITimerHandler) -> tresult {
        kResultOk
    }
}

#[allow(unsafe_code, reason = "the interfaces of the standard are raw calls")]
impl View {
    /// Opens the editor inside an X11 window, which must outlive it.
    ///
    /// # Panics
    /// When it does not open.
    pub(crate) fn open(vst3: &RawVst3, parent: u32) -> Self {
        let frame = ComWrapper::new(Frame);
        // SAFETY: frame and parent outlive the view.
        unsafe {
            let view = vst3.controller.createView(c"editor".as_ptr());
            let view = ComPtr::from_raw(view).expect("an editor");
            assert_eq!(view.setFrame(frame.as_com_ref::<IPlugFrame>().expect("a frame").as_ptr()), kResultOk);
            let attached = view.attached(parent as usize as *mut _, c"X11EmbedWindowID".as_ptr());
            assert_eq!(attached, kResultOk, "the editor opens");
            Self { view, _frame: frame }
        }
    }

    /// Closes it.
    pub(crate) fn close(self) {
        // SAFETY: plain calls.
        unsafe {
            assert_eq!(self.view.removed(), kResultOk);
            assert_eq!(self.view.setFrame(std::ptr::null_mut()), kResultOk);
        }
    }
}

/// An instance of the VST3.
pub(crate) struct Vst3 {
    // Before the host: it goes first.
    pub(crate) plugin: Plugin,
    _host: Vst3Host,
    start: Start,
}

impl Vst3 {
    /// Loads the bundle with a layout and a state, to be rendered offline.
    ///
    /// # Panics
    /// When the bundle is missing or the plug-in refuses.
    pub(crate) fn new(inputs: usize, outputs: usize, state: &[u8]) -> Self {
        Self::of(SEAT, inputs, outputs, state)
    }

    /// As [`Self::new`], of the plug-in with a class id.
    pub(crate) fn of(class: &str, inputs: usize, outputs: usize, state: &[u8]) -> Self {
        Self::at(class, Start { inputs, outputs, block_frames: BLOCK_FRAMES, ..Start::STEREO }, state)
    }

    /// As [`Self::of`], at any rate, in any blocks, offline or not.
    pub(crate) fn at(class: &str, start: Start, state: &[u8]) -> Self {
        let Start { inputs, outputs, rate_hz, block_frames, .. } = start;
        let mut host = Vst3Host::builder()
            .sample_rate(f64::from(rate_hz))
            .block_size(block_frames)
            .input_channels(inputs)
            .output_channels(outputs)
            .build()
            .expect("a host");
        let plugin = host.load_plugin_class(bundle::vst3(), class).expect("the bundle loads");
        let mut vst3 = Self { plugin, _host: host, start };
        vst3.plugin.load_state(state).expect("the state is taken");
        vst3.arrange(start);
        vst3
    }

    /// Stops, and takes another layout, rate, block and mode.
    pub(crate) fn arrange(&mut self, start: Start) {
        let Start { inputs, outputs, rate_hz, block_frames, is_offline } = start;
        let arrangement =
            |channels| if channels == 1 { SpeakerArrangement::MONO } else { SpeakerArrangement::STEREO };
        self.plugin.stop_processing().expect("the plug-in stops");
        self.plugin
            .set_bus_arrangements(&[arrangement(inputs)], &[arrangement(outputs)])
            .expect("the layout is taken");
        self.plugin.reconfigure(f64::from(rate_hz), block_frames).expect("rate and block are taken");
        let mode = if is_offline { ProcessMode::Offline } else { ProcessMode::Realtime };
        self.plugin.set_process_mode(mode).expect("the mode is taken");
        self.start = start;
    }

    /// Plays a few blocks of noise, if processing was started.
    pub(crate) fn play_noise(&mut self, noise: &mut Noise) {
        let mut buffers = self.buffers();
        for _ in 0..4 {
            for x in buffers.inputs.iter_mut().flatten() {
                *x = 0.2 * noise.gaussian() as f32;
            }
            let processed = self.plugin.process_audio(&mut buffers);
            assert_eq!(processed.is_ok(), self.plugin.is_processing(), "{processed:?}");
            assert!(buffers.outputs.iter().flatten().all(|x| x.is_finite() && !x.is_subnormal()));
        }
    }

    /// Buffers for a block.
    fn buffers(&self) -> AudioBuffers {
        let Start { inputs, outputs, rate_hz, block_frames, .. } = self.start;
        AudioBuffers::new(inputs, outputs, block_frames, f64::from(rate_hz))
    }

    /// Sets a parameter by name, as a share of its range.
    pub(crate) fn set(&mut self, name: &str, normalised: f64) {
        let id = self.plugin.find_parameter(name).expect("the name is known").id;
        self.plugin.set_parameter(id, normalised).expect("the value is taken");
    }

    /// Returns the depth of a seat, m: a logarithmic range, 0.5 to 25 m.
    pub(crate) fn depth_m(&self) -> f64 {
        0.5 * 50_f64.powf(self.plugin.find_parameter("Depth").expect("the name is known").value)
    }

    /// Plays a few blocks of silence, with a change of every parameter named in each.
    pub(crate) fn automate(&mut self, ids: &[u32], round: usize) {
        self.plugin.start_processing().expect("the plug-in starts");
        let mut buffers = self.buffers();
        for block in 0..40 {
            for (place, &id) in ids.iter().enumerate() {
                let share = ((round * 7 + block * 3 + place * 11) % 100) as f64 / 100.0;
                self.plugin.set_parameter(id, share).expect("the value is taken");
            }
            self.plugin.process_audio(&mut buffers).expect("the plug-in processes");
        }
    }

    /// Renders a sound in blocks.
    pub(crate) fn render(&mut self, input: &Sound) -> Sound {
        self.plugin.start_processing().expect("the plug-in starts");
        let frames = input[0].len();
        let mut output = vec![Vec::with_capacity(frames); self.start.outputs];
        let block_frames = self.start.block_frames;
        let mut buffers = self.buffers();
        for at in (0..frames).step_by(block_frames) {
            let count = block_frames.min(frames - at);
            for (buffer, channel) in buffers.inputs.iter_mut().zip(input) {
                buffer[..count].copy_from_slice(&channel[at..at + count]);
                buffer[count..].fill(0.0);
            }
            self.plugin.process_audio(&mut buffers).expect("the plug-in processes");
            for (channel, buffer) in output.iter_mut().zip(&buffers.outputs) {
                channel.extend_from_slice(&buffer[..count]);
            }
        }
        self.plugin.stop_processing().expect("the plug-in stops");
        output
    }
}
