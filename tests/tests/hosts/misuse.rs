//! What a host must not do and may do all the same: it gets silence or an error, and the instance plays on.
//!
//! The calls are raw, because proper hosts, and the libraries for hosts in Rust,
//! check what they hand over. With the framework as it is published
//! (`cargo xtask bundle --unpatched`) most of these end the program.
#![allow(unsafe_code, reason = "a host that goes wrong is made of raw calls")]

use std::ffi::c_void;
use std::ptr;

use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::entry::clap_plugin_entry;
use clap_sys::events::{clap_event_header, clap_input_events, clap_output_events};
use clap_sys::ext::gui::{
    CLAP_EXT_GUI, CLAP_WINDOW_API_X11, clap_plugin_gui, clap_window, clap_window_handle,
};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_param_info, clap_plugin_params};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_plugin_state};
use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
use clap_sys::host::clap_host;
use clap_sys::plugin::clap_plugin;
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process, clap_process_status};
use clap_sys::stream::{clap_istream, clap_ostream};
use clap_sys::version::CLAP_VERSION;
use vst3::ComWrapper;
use vst3::Steinberg::Vst::{IAudioProcessorTrait, IComponentTrait, IEditControllerTrait};
use vst3::Steinberg::{IBStream, IPlugViewTrait, kInvalidArgument, kResultFalse, kResultOk};

use super::bundle;
use super::clap_host::{Clap, Start};
use super::raw_vst3::{self, Block, HALL, OFFLINE, RawVst3, SEAT, Stream};
use super::sound::{Sound, assert_sounds, noise_burst};
use super::vst3_host::raw;

const FRAMES: usize = 256;

/// What is wrong with the buffers of a block.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Spoilt {
    /// Nothing: the control.
    Nothing,
    MoreOutputs,
    FewerOutputs,
    NoOutputChannels,
    NullOutputChannel,
    NullOutputArray,
    NullOutputBus,
    NoOutputBus,
    MoreInputs,
    FewerInputs,
    NoInputChannels,
    NullInputChannel,
    NullInputArray,
    NullInputBus,
    NoInputBus,
    NegativeOutputs,
    NegativeInputs,
}

use Spoilt::*;

const ALL: [Spoilt; 17] = [
    Nothing,
    MoreOutputs,
    FewerOutputs,
    NoOutputChannels,
    NullOutputChannel,
    NullOutputArray,
    NullOutputBus,
    NoOutputBus,
    MoreInputs,
    FewerInputs,
    NoInputChannels,
    NullInputChannel,
    NullInputArray,
    NullInputBus,
    NoInputBus,
    NegativeOutputs,
    NegativeInputs,
];

impl Spoilt {
    /// Says whether the plug-in gets no whole output.
    fn has_no_output(self) -> bool {
        matches!(
            self,
            FewerOutputs
                | NoOutputChannels
                | NullOutputChannel
                | NullOutputArray
                | NullOutputBus
                | NoOutputBus
                | NegativeOutputs
        )
    }

    /// Says whether the plug-in gets no input at all.
    fn has_no_input(self) -> bool {
        matches!(self, NoInputChannels | NullInputArray | NullInputBus | NoInputBus | NegativeInputs)
    }

    /// Says whether the host still has both output channels.
    fn leaves_outputs(self) -> bool {
        !matches!(self, NoOutputChannels | NullOutputArray | NullOutputBus | NoOutputBus | NegativeOutputs)
    }
}

/// Asserts that what the host still has is silent where it must be.
fn assert_answer(what: &str, spoilt: Spoilt, output: &[Vec<f32>]) {
    for (n, channel) in output.iter().enumerate().take(2) {
        // Where a channel is missing, what is there falls silent; a channel that is hidden keeps what it held.
        let is_hidden = (spoilt == FewerOutputs || spoilt == NullOutputChannel) && n == 1;
        if !spoilt.leaves_outputs() || is_hidden {
            continue;
        }
        assert!(channel.iter().all(|x| x.is_finite()), "{what} {spoilt:?}");
        assert!(!channel.contains(&0.7), "{what} {spoilt:?}: channel {n} was not written");
        if spoilt.has_no_output() {
            assert!(channel.iter().all(|&x| x == 0.0), "{what} {spoilt:?}: channel {n} is not silent");
        }
    }
}

fn wave(frames: usize) -> Vec<f32> {
    (0..frames).map(|n| ((n * 7) % 13) as f32 / 26.0 - 0.25).collect()
}

#[test]
fn the_vst3_takes_any_buffers() {
    for class in [SEAT, HALL] {
        let vst3 = raw(&class);
        assert_ne!(
            vst3.process(&mut Block::new(2, 2, FRAMES).data()),
            kResultOk,
            "before anything is set up"
        );
        vst3.start(48_000.0, FRAMES as i32, OFFLINE);
        for spoilt in ALL {
            let more = usize::from(spoilt == MoreOutputs);
            let mut block = Block::new(2 + usize::from(spoilt == MoreInputs), 2 + more, FRAMES);
            block.input.fill(wave(FRAMES));
            let mut data = block.data();
            let null_array =
                vst3::Steinberg::Vst::AudioBusBuffers__type0 { channelBuffers32: ptr::null_mut() };
            match spoilt {
                Nothing | MoreOutputs | MoreInputs => {}
                FewerOutputs => block.bus(1).numChannels = 1,
                NoOutputChannels => block.bus(1).numChannels = 0,
                NegativeOutputs => block.bus(1).numChannels = -1,
                NullOutputChannel => block.pointers(1)[1] = ptr::null_mut(),
                NullOutputArray => block.bus(1).__field0 = null_array,
                NullOutputBus => data.outputs = ptr::null_mut(),
                NoOutputBus => data.numOutputs = 0,
                FewerInputs => block.bus(0).numChannels = 1,
                NoInputChannels => block.bus(0).numChannels = 0,
                NegativeInputs => block.bus(0).numChannels = -1,
                NullInputChannel => block.pointers(0)[1] = ptr::null_mut(),
                NullInputArray => block.bus(0).__field0 = null_array,
                NullInputBus => data.inputs = ptr::null_mut(),
                NoInputBus => data.numInputs = 0,
            }
            vst3.process(&mut data);
            assert_answer("VST3", spoilt, &block.output);
        }
        assert_plays_on(&vst3);
    }
}

#[test]
fn the_vst3_refuses_any_length_that_was_not_agreed_on() {
    for class in [SEAT, HALL] {
        let vst3 = raw(&class);
        vst3.start(48_000.0, FRAMES as i32, OFFLINE);
        for frames in [-1, i32::MIN, FRAMES as i32 + 1, 1 << 24, i32::MAX] {
            let mut block = Block::new(2, 2, FRAMES);
            let mut data = block.data();
            data.numSamples = frames;
            assert_ne!(vst3.process(&mut data), kResultOk, "{frames} frames");
            assert!(
                block.output.iter().flatten().all(|&x| x == 0.7),
                "{frames} frames: something was written"
            );
        }
        let mut block = Block::new(2, 2, FRAMES);
        let mut data = block.data();
        data.symbolicSampleSize = 1;
        assert_ne!(vst3.process(&mut data), kResultOk, "64-bit samples");
        // No frames are a flush of parameters.
        let mut data = block.data();
        data.numSamples = 0;
        assert_eq!(vst3.process(&mut data), kResultOk);
        // The control: the whole length is taken.
        assert_eq!(vst3.process(&mut block.data()), kResultOk);
        assert_plays_on(&vst3);
    }
}

/// Asserts that a started instance of the VST3 still sounds, and comes to its end in peace.
fn assert_plays_on(vst3: &RawVst3) {
    let mut input: Sound = noise_burst(2);
    for channel in &mut input {
        channel.truncate(9600);
    }
    assert_sounds(&raw_vst3::render(vst3, &input, 2, FRAMES));
    vst3.stop();
}

#[test]
fn the_vst3_takes_null_for_anything() {
    for class in [SEAT, HALL] {
        let vst3 = raw(&class);
        let (id, state) = (vst3.parameters()[0].id, vst3.save());
        // SAFETY: the plug-in promises to look before it follows a pointer; that is what is tried.
        unsafe {
            let null = ptr::null_mut();
            assert_eq!(vst3.component.getState(null), kInvalidArgument);
            assert_eq!(vst3.component.setState(null), kInvalidArgument);
            assert_eq!(vst3.controller.getParameterInfo(0, ptr::null_mut()), kInvalidArgument);
            assert_eq!(vst3.controller.getParamStringByValue(id, 0.5, ptr::null_mut()), kInvalidArgument);
            assert_eq!(
                vst3.controller.getParamValueByString(id, ptr::null_mut(), ptr::null_mut()),
                kInvalidArgument
            );
            assert_eq!(vst3.controller.setComponentHandler(ptr::null_mut()), kResultOk);
            assert_eq!(vst3.component.getBusInfo(0, 0, -1, ptr::null_mut()), kInvalidArgument);
            assert_eq!(vst3.component.getRoutingInfo(ptr::null_mut(), ptr::null_mut()), kInvalidArgument);
            assert_eq!(vst3.processor.process(ptr::null_mut()), kInvalidArgument);
            assert_eq!(vst3.processor.setupProcessing(ptr::null_mut()), kInvalidArgument);
            assert_eq!(vst3.processor.getBusArrangement(0, 0, ptr::null_mut()), kInvalidArgument);
            assert_ne!(vst3.processor.setBusArrangements(ptr::null_mut(), 1, ptr::null_mut(), 1), kResultOk);
            // A view with nothing around it, and a window of another system.
            let view = vst3.controller.createView(ptr::null());
            if let Some(view) = vst3::ComPtr::from_raw(view) {
                assert_ne!(view.isPlatformTypeSupported(ptr::null()), kResultOk);
                assert_ne!(view.attached(ptr::null_mut(), ptr::null()), kResultOk);
                assert_ne!(view.attached(ptr::dangling_mut(), ptr::null()), kResultOk);
                assert_ne!(view.attached(ptr::dangling_mut(), c"NSView".as_ptr()), kResultOk);
                assert_ne!(view.attached(ptr::dangling_mut(), c"HWND".as_ptr()), kResultOk);
                assert_ne!(view.getSize(ptr::null_mut()), kResultOk);
                assert_ne!(view.onSize(ptr::null_mut()), kResultOk);
                assert_ne!(view.checkSizeConstraint(ptr::null_mut()), kResultOk);
                assert_eq!(view.setFrame(ptr::null_mut()), kResultOk);
                let _ = view.removed();
            }
            // A stream that says to have read what it has not.
            for lie in [-1, i32::MAX] {
                let stream = ComWrapper::new(Stream { lie: Some(lie), ..Stream::default() });
                stream.bytes.replace(state.clone());
                let pointer = stream.as_com_ref::<IBStream>().expect("a stream").as_ptr();
                assert_eq!(vst3.component.setState(pointer), kResultFalse, "{lie} bytes");
            }
        }
        // Values that are none, and parameters that are not there.
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1e300, 1e300] {
            for info in vst3.parameters() {
                let before = vst3.get(info.id);
                let was_taken = vst3.set(info.id, value) == kResultOk;
                assert!((0.0..=1.0).contains(&vst3.get(info.id)), "{value} became {}", vst3.get(info.id));
                assert!(was_taken || vst3.get(info.id) == before);
                let mut text = [0; 128];
                // SAFETY: there is room for a text of the standard's.
                unsafe {
                    vst3.controller.getParamStringByValue(info.id, value, &raw mut text);
                    vst3.controller.normalizedParamToPlain(info.id, value);
                    vst3.controller.plainParamToNormalized(info.id, value);
                }
            }
        }
        assert_eq!(vst3.set(u32::MAX, 0.5), kInvalidArgument);
        assert_eq!(vst3.load(&state), kResultOk);
        vst3.start(48_000.0, FRAMES as i32, OFFLINE);
        assert_plays_on(&vst3);
    }
}

/// An instance goes while the shared thread still holds a task of its own; the next one needs that thread.
#[test]
fn a_vst3_may_go_while_a_task_of_its_own_waits() {
    for _ in 0..20 {
        let (stays, goes) = (raw(&SEAT), raw(&SEAT));
        let state = goes.save();
        // Loaded on a thread of its own: the word of it goes through the shared thread.
        std::thread::spawn(move || {
            for _ in 0..50 {
                assert_eq!(goes.load(&state), kResultOk);
            }
            drop(goes);
        })
        .join()
        .expect("the loading thread ends in peace");
        drop(stays);
    }
}

// CLAP

/// Calls `process` of an instance with a block of anything.
fn clap_process(plugin: &clap_plugin, block: &clap_process) -> clap_process_status {
    // SAFETY: the block lives through the call; what is wrong in it is what is tried.
    unsafe { plugin.process.expect("every plug-in has it")(plugin, block) }
}

/// A block as CLAP describes it, with its memory.
struct ClapBlock {
    input: Vec<Vec<f32>>,
    output: Vec<Vec<f32>>,
    pointers: [Vec<*mut f32>; 2],
    ports: [clap_audio_buffer; 2],
}

impl ClapBlock {
    fn new(inputs: usize, outputs: usize, frames: usize) -> Self {
        let port = || clap_audio_buffer {
            data32: ptr::null_mut(),
            data64: ptr::null_mut(),
            channel_count: 0,
            latency: 0,
            constant_mask: 0,
        };
        let mut block = Self {
            input: vec![wave(frames); inputs],
            output: vec![vec![0.7; frames]; outputs],
            pointers: [Vec::new(), Vec::new()],
            ports: [port(), port()],
        };
        for (side, channels) in [&mut block.input, &mut block.output].into_iter().enumerate() {
            block.pointers[side] = channels.iter_mut().map(Vec::as_mut_ptr).collect();
            block.ports[side].data32 = block.pointers[side].as_mut_ptr();
            block.ports[side].channel_count = channels.len() as u32;
        }
        block
    }

    fn data(&mut self) -> clap_process {
        clap_process {
            steady_time: -1,
            frames_count: self.output[0].len() as u32,
            transport: ptr::null(),
            audio_inputs: &raw const self.ports[0],
            audio_outputs: &raw mut self.ports[1],
            audio_inputs_count: 1,
            audio_outputs_count: 1,
            in_events: ptr::null(),
            out_events: ptr::null(),
        }
    }
}

#[test]
fn the_clap_takes_any_buffers() {
    for id in [c"rostra.seat", c"rostra.hall"] {
        let clap = Clap::of(id);
        let before = clap_process(clap.plugin.raw_instance(), &ClapBlock::new(2, 2, FRAMES).data());
        assert_eq!(before, CLAP_PROCESS_ERROR, "before activation");
        let start = Start { block_frames: FRAMES, ..Start::STEREO };
        let (mut main, processor) = clap.start(start).parted();
        for spoilt in ALL {
            let mut block = ClapBlock::new(
                2 + usize::from(spoilt == MoreInputs),
                2 + usize::from(spoilt == MoreOutputs),
                FRAMES,
            );
            let mut data = block.data();
            match spoilt {
                Nothing | MoreOutputs | MoreInputs => {}
                FewerOutputs => block.ports[1].channel_count = 1,
                NoOutputChannels => block.ports[1].channel_count = 0,
                NegativeOutputs => block.ports[1].channel_count = u32::MAX,
                NullOutputChannel => block.pointers[1][1] = ptr::null_mut(),
                NullOutputArray => block.ports[1].data32 = ptr::null_mut(),
                NullOutputBus => data.audio_outputs = ptr::null_mut(),
                NoOutputBus => data.audio_outputs_count = 0,
                FewerInputs => block.ports[0].channel_count = 1,
                NoInputChannels => block.ports[0].channel_count = 0,
                NegativeInputs => block.ports[0].channel_count = u32::MAX,
                NullInputChannel => block.pointers[0][1] = ptr::null_mut(),
                NullInputArray => block.ports[0].data32 = ptr::null_mut(),
                NullInputBus => data.audio_inputs = ptr::null(),
                NoInputBus => data.audio_inputs_count = 0,
            }
            clap_process(main.plugin.raw_instance(), &data);
            assert_answer("CLAP", spoilt, &block.output);
        }
        for frames in [FRAMES as u32 + 1, 1 << 24, u32::MAX] {
            let mut block = ClapBlock::new(2, 2, FRAMES);
            let data = clap_process { frames_count: frames, ..block.data() };
            let status = clap_process(main.plugin.raw_instance(), &data);
            assert_eq!(status, CLAP_PROCESS_ERROR, "{frames} frames");
            assert!(
                block.output.iter().flatten().all(|&x| x == 0.7),
                "{frames} frames: something was written"
            );
        }
        let mut block = ClapBlock::new(2, 2, FRAMES);
        let none = clap_process { frames_count: 0, ..block.data() };
        assert_ne!(clap_process(main.plugin.raw_instance(), &none), CLAP_PROCESS_ERROR, "no frames");
        // The control: the whole length is taken.
        assert_ne!(clap_process(main.plugin.raw_instance(), &block.data()), CLAP_PROCESS_ERROR);
        main.plugin.deactivate(processor.stop_processing());
    }
}

/// No input is silence, and not what stood in the output before.
#[test]
fn without_an_input_nothing_is_heard() {
    for spoilt in ALL.into_iter().filter(|spoilt| spoilt.has_no_input()) {
        let vst3 = raw(&SEAT);
        vst3.start(48_000.0, FRAMES as i32, OFFLINE);
        for _ in 0..20 {
            let mut block = Block::new(2, 2, FRAMES);
            let mut data = block.data();
            match spoilt {
                NoInputChannels => block.bus(0).numChannels = 0,
                NegativeInputs => block.bus(0).numChannels = -1,
                NullInputArray => block.bus(0).__field0.channelBuffers32 = ptr::null_mut(),
                NullInputBus => data.inputs = ptr::null_mut(),
                _ => data.numInputs = 0,
            }
            assert_eq!(vst3.process(&mut data), kResultOk, "{spoilt:?}");
            assert!(block.output.iter().flatten().all(|&x| x == 0.0), "{spoilt:?}: something is heard");
        }
        vst3.stop();
    }
}

/// Lists without functions, lists whose events are nowhere, streams without functions.
#[test]
fn the_clap_takes_null_for_anything() {
    unsafe extern "C" fn three(_list: *const clap_input_events) -> u32 {
        3
    }
    unsafe extern "C" fn nowhere(_list: *const clap_input_events, _index: u32) -> *const clap_event_header {
        ptr::null()
    }
    unsafe extern "C" fn reads_too_much(_stream: *const clap_istream, _to: *mut c_void, bytes: u64) -> i64 {
        bytes as i64 + 8
    }
    let empty = clap_input_events { ctx: ptr::null_mut(), size: None, get: None };
    let lost = clap_input_events { ctx: ptr::null_mut(), size: Some(three), get: Some(nowhere) };
    let half = clap_input_events { ctx: ptr::null_mut(), size: Some(three), get: None };
    let deaf = clap_output_events { ctx: ptr::null_mut(), try_push: None };
    for id in [c"rostra.seat", c"rostra.hall"] {
        let start = Start { block_frames: FRAMES, ..Start::STEREO };
        let (mut main, processor) = Clap::of(id).start(start).parted();
        let plugin: *const clap_plugin = main.plugin.raw_instance();
        // SAFETY: the plug-in promises to look before it follows a pointer; that is what is tried.
        unsafe {
            let extension =
                |name: &std::ffi::CStr| (*plugin).get_extension.expect("it is there")(plugin, name.as_ptr());
            let params = &*extension(CLAP_EXT_PARAMS).cast::<clap_plugin_params>();
            let state = &*extension(CLAP_EXT_STATE).cast::<clap_plugin_state>();
            let gui = &*extension(CLAP_EXT_GUI).cast::<clap_plugin_gui>();
            for events in [&raw const empty, &raw const lost, &raw const half] {
                let mut block = ClapBlock::new(2, 2, FRAMES);
                let data = clap_process { in_events: events, out_events: &raw const deaf, ..block.data() };
                assert_ne!(clap_process(&*plugin, &data), CLAP_PROCESS_ERROR);
                params.flush.expect("it is there")(plugin, events, &raw const deaf);
            }
            assert_eq!((*plugin).process.expect("it is there")(plugin, ptr::null()), CLAP_PROCESS_ERROR);
            params.flush.expect("it is there")(plugin, ptr::null(), ptr::null());
            let mut info: clap_param_info = std::mem::zeroed();
            assert!(params.get_info.expect("it is there")(plugin, 0, &raw mut info));
            assert!(!params.get_info.expect("it is there")(plugin, 0, ptr::null_mut()));
            assert!(!params.get_value.expect("it is there")(plugin, info.id, ptr::null_mut()));
            assert!(!params.value_to_text.expect("it is there")(plugin, info.id, 0.5, ptr::null_mut(), 8));
            assert!(!params.text_to_value.expect("it is there")(
                plugin,
                info.id,
                ptr::null(),
                ptr::null_mut()
            ));
            for value in [f64::NAN, f64::INFINITY, -1e300] {
                let mut text = [0; 64];
                params.value_to_text.expect("it is there")(plugin, info.id, value, text.as_mut_ptr(), 64);
                params.value_to_text.expect("it is there")(plugin, info.id, value, text.as_mut_ptr(), 0);
            }
            let (mute, blind) = (
                clap_ostream { ctx: ptr::null_mut(), write: None },
                clap_istream { ctx: ptr::null_mut(), read: None },
            );
            let liar = clap_istream { ctx: ptr::null_mut(), read: Some(reads_too_much) };
            assert!(!state.save.expect("it is there")(plugin, ptr::null()));
            assert!(!state.load.expect("it is there")(plugin, ptr::null()));
            assert!(!state.save.expect("it is there")(plugin, &raw const mute));
            assert!(!state.load.expect("it is there")(plugin, &raw const blind));
            assert!(!state.load.expect("it is there")(plugin, &raw const liar));
            assert!(!gui.is_api_supported.expect("it is there")(plugin, ptr::null(), false));
            assert!(!gui.create.expect("it is there")(plugin, ptr::null(), false));
            assert!(!gui.adjust_size.expect("it is there")(plugin, ptr::null_mut(), ptr::null_mut()));
            assert!(!gui.set_parent.expect("it is there")(plugin, ptr::null()));
            let window = clap_window { api: ptr::null(), specific: clap_window_handle { x11: 0 } };
            assert!(!gui.set_parent.expect("it is there")(plugin, &raw const window));
            assert_eq!(
                gui.is_api_supported.expect("it is there")(plugin, CLAP_WINDOW_API_X11.as_ptr(), false),
                cfg!(target_os = "linux")
            );
            assert!((*plugin).get_extension.expect("it is there")(plugin, ptr::null()).is_null());
        }
        main.plugin.deactivate(processor.stop_processing());
        // SAFETY: as above.
        unsafe {
            let activate = (*plugin).activate.expect("it is there");
            for (rate_hz, least, most) in [
                (f64::NAN, 1, 256),
                (f64::INFINITY, 1, 256),
                (0.0, 1, 256),
                (-48_000.0, 1, 256),
                (48_000.0, 1, 0),
                (48_000.0, 512, 256),
            ] {
                assert!(!activate(plugin, rate_hz, least, most), "{rate_hz} Hz, {least} to {most} frames");
            }
            (*plugin).destroy.expect("it is there")(ptr::null());
        }
    }
}

/// A host that brings no functions but the name of its version, and none at all.
#[test]
fn the_clap_takes_a_host_that_can_do_nothing() {
    // SAFETY: the library is the plug-in that this workspace builds, and stays for as long as the program.
    unsafe {
        let library =
            Box::leak(Box::new(libloading::Library::new(bundle::clap()).expect("the bundle loads")));
        let entry = **library.get::<*const clap_plugin_entry>(b"clap_entry").expect("an entry");
        assert!(entry.init.expect("it is there")(c"".as_ptr()));
        assert!(entry.get_factory.expect("it is there")(ptr::null()).is_null());
        let factory = entry.get_factory.expect("it is there")(CLAP_PLUGIN_FACTORY_ID.as_ptr());
        let factory = &*factory.cast::<clap_plugin_factory>();
        let create = factory.create_plugin.expect("it is there");
        assert!(factory.get_plugin_descriptor.expect("it is there")(factory, u32::MAX).is_null());
        let host = clap_host {
            clap_version: CLAP_VERSION,
            host_data: ptr::null_mut(),
            name: ptr::null(),
            vendor: ptr::null(),
            url: ptr::null(),
            version: ptr::null(),
            get_extension: None,
            request_restart: None,
            request_process: None,
            request_callback: None,
        };
        assert!(create(factory, ptr::null(), c"rostra.seat".as_ptr()).is_null(), "no host");
        assert!(create(factory, &raw const host, ptr::null()).is_null(), "no name");
        for id in [c"rostra.seat", c"rostra.hall"] {
            let plugin = create(factory, &raw const host, id.as_ptr());
            assert!(!plugin.is_null());
            assert!((*plugin).init.expect("it is there")(plugin));
            assert!((*plugin).activate.expect("it is there")(plugin, 48_000.0, 1, FRAMES as u32));
            assert!((*plugin).start_processing.expect("it is there")(plugin));
            let mut block = ClapBlock::new(2, 2, FRAMES);
            assert_ne!(clap_process(&*plugin, &block.data()), CLAP_PROCESS_ERROR);
            (*plugin).on_main_thread.expect("it is there")(plugin);
            (*plugin).stop_processing.expect("it is there")(plugin);
            (*plugin).deactivate.expect("it is there")(plugin);
            (*plugin).destroy.expect("it is there")(plugin);
        }
    }
}

/// Two threads process one instance at once, and a third flushes: no sound is promised, but the host lives.
#[test]
fn two_threads_that_process_one_instance_end_nothing() {
    struct Shared(*const clap_plugin);
    // SAFETY: that the plug-in stands what must not be done is what is tried.
    unsafe impl Sync for Shared {}
    let start = Start { block_frames: FRAMES, ..Start::STEREO };
    let (mut main, processor) = Clap::new().start(start).parted();
    let shared = Shared(main.plugin.raw_instance());
    let vst3 = raw(&SEAT);
    vst3.start(48_000.0, FRAMES as i32, OFFLINE);
    std::thread::scope(|scope| {
        for _ in 0..3 {
            let (shared, vst3) = (&shared, vst3.clone());
            scope.spawn(move || {
                let mut clap_block = ClapBlock::new(2, 2, FRAMES);
                let mut vst3_block = Block::new(2, 2, FRAMES);
                for _ in 0..5000 {
                    // SAFETY: the instance outlives the scope.
                    clap_process(unsafe { &*shared.0 }, &clap_block.data());
                    vst3.process(&mut vst3_block.data());
                }
            });
        }
    });
    vst3.stop();
    main.plugin.deactivate(processor.stop_processing());
}
