//! A VST3 host of nothing but raw calls: it can count what a call does, and call what a proper host would not.
#![allow(dead_code, reason = "each program that includes this file uses its own part of it")]
#![allow(
    unsafe_code,
    reason = "the interfaces of the standard are raw calls; proper hosts check before they call"
)]

use std::cell::{Cell, RefCell};
use std::ffi::c_void;
use std::ptr;

use vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, IAudioProcessor, IAudioProcessorTrait, IComponent,
    IComponentTrait, IEditController, IEditControllerTrait, IParamValueQueue, IParamValueQueueTrait,
    IParameterChanges, IParameterChangesTrait, ParamID, ParamValue, ParameterInfo, ProcessData,
    ProcessModes_, ProcessSetup, SpeakerArr,
};
use vst3::Steinberg::{
    IBStream, IBStream_, IBStreamTrait, IPluginFactory, IPluginFactoryTrait, int32, int64, kInvalidArgument,
    kResultFalse, kResultOk, tresult,
};
use vst3::{Class, ComPtr, ComWrapper, Interface};

/// Class ids of both plug-ins.
pub(crate) const SEAT: [u8; 16] = *b"RostraSeatPlace1";
pub(crate) const HALL: [u8; 16] = *b"RostraHallBus001";

/// Modes of rendering.
pub(crate) const REALTIME: i32 = ProcessModes_::kRealtime as i32;
pub(crate) const OFFLINE: i32 = ProcessModes_::kOffline as i32;

/// An instance.
#[derive(Clone)]
pub(crate) struct RawVst3 {
    pub(crate) component: ComPtr<IComponent>,
    pub(crate) processor: ComPtr<IAudioProcessor>,
    pub(crate) controller: ComPtr<IEditController>,
}

// SAFETY: VST3 hosts call processor and controller from threads of their own; the plug-in is made for it.
unsafe impl Send for RawVst3 {}

impl RawVst3 {
    /// Makes an instance of a class.
    ///
    /// # Panics
    /// When the factory refuses.
    pub(crate) fn new(factory: &ComPtr<IPluginFactory>, class: &[u8; 16]) -> Self {
        let mut object = ptr::null_mut();
        // SAFETY: both ids are sixteen bytes, and the factory writes an interface of the kind that was asked for.
        let component = unsafe {
            let made = factory.createInstance(
                class.as_ptr().cast(),
                IComponent::IID.as_ptr().cast(),
                &raw mut object,
            );
            assert_eq!(made, kResultOk, "the factory makes an instance");
            ComPtr::from_raw(object.cast::<IComponent>()).expect("an instance")
        };
        let processor = component.cast().expect("a processor");
        let controller = component.cast().expect("a controller");
        Self { component, processor, controller }
    }

    /// Sets up rate, longest block and mode.
    pub(crate) fn set_up(&self, rate_hz: f64, most_frames: i32, mode: i32) -> tresult {
        let mut setup = ProcessSetup {
            processMode: mode,
            symbolicSampleSize: 0,
            maxSamplesPerBlock: most_frames,
            sampleRate: rate_hz,
        };
        // SAFETY: the setup lives through the call.
        unsafe { self.processor.setupProcessing(&raw mut setup) }
    }

    /// Chooses a layout.
    pub(crate) fn arrange(&self, inputs: usize, outputs: usize) -> tresult {
        let arrangement = |channels| if channels == 1 { SpeakerArr::kMono } else { SpeakerArr::kStereo };
        let (mut ins, mut outs) = (arrangement(inputs), arrangement(outputs));
        // SAFETY: one arrangement each, as is said.
        unsafe { self.processor.setBusArrangements(&raw mut ins, 1, &raw mut outs, 1) }
    }

    /// Activates or deactivates.
    pub(crate) fn activate(&self, is_active: bool) -> tresult {
        // SAFETY: a plain call.
        unsafe { self.component.setActive(u8::from(is_active)) }
    }

    /// Starts or ends processing.
    pub(crate) fn play(&self, is_processing: bool) -> tresult {
        // SAFETY: a plain call.
        unsafe { self.processor.setProcessing(u8::from(is_processing)) }
    }

    /// Sets up a rate and blocks, activates and starts.
    ///
    /// # Panics
    /// When the plug-in refuses.
    pub(crate) fn start(&self, rate_hz: f64, most_frames: i32, mode: i32) {
        assert_eq!(self.set_up(rate_hz, most_frames, mode), kResultOk);
        assert_eq!(self.activate(true), kResultOk);
        assert_eq!(self.play(true), kResultOk);
    }

    /// Ends processing and deactivates.
    pub(crate) fn stop(&self) {
        assert_eq!(self.play(false), kResultOk);
        assert_eq!(self.activate(false), kResultOk);
    }

    /// Processes whatever the data say.
    pub(crate) fn process(&self, data: &mut ProcessData) -> tresult {
        // SAFETY: what the data point to is the caller's, and lives through the call; what is wrong in them is what is tried.
        unsafe { self.processor.process(data) }
    }

    /// Returns the tail, in frames.
    pub(crate) fn tail_frames(&self) -> u32 {
        // SAFETY: a plain call.
        unsafe { self.processor.getTailSamples() }
    }

    /// Tells the controller a value.
    pub(crate) fn set(&self, id: ParamID, value: f64) -> tresult {
        // SAFETY: a plain call.
        unsafe { self.controller.setParamNormalized(id, value) }
    }

    /// Asks the controller for a value.
    pub(crate) fn get(&self, id: ParamID) -> f64 {
        // SAFETY: a plain call.
        unsafe { self.controller.getParamNormalized(id) }
    }

    /// Returns what the controller says of every parameter.
    pub(crate) fn parameters(&self) -> Vec<ParameterInfo> {
        // SAFETY: the description is plain data for which there is room.
        unsafe {
            (0..self.controller.getParameterCount())
                .map(|index| {
                    let mut info: ParameterInfo = std::mem::zeroed();
                    assert_eq!(self.controller.getParameterInfo(index, &raw mut info), kResultOk);
                    info
                })
                .collect()
        }
    }

    /// Returns a parameter's number by its name.
    ///
    /// # Panics
    /// When there is none.
    pub(crate) fn id(&self, name: &str) -> ParamID {
        let found = self.parameters().into_iter().find(|info| text(&info.title) == name);
        found.unwrap_or_else(|| panic!("no parameter {name}")).id
    }

    /// Saves the state.
    pub(crate) fn save(&self) -> Vec<u8> {
        let stream = ComWrapper::new(Stream::default());
        // SAFETY: the stream lives through the call.
        let saved =
            unsafe { self.component.getState(stream.as_com_ref::<IBStream>().expect("a stream").as_ptr()) };
        assert_eq!(saved, kResultOk, "the state is saved");
        stream.bytes.take()
    }

    /// Loads a state.
    pub(crate) fn load(&self, state: &[u8]) -> tresult {
        let stream = ComWrapper::new(Stream { bytes: RefCell::new(state.to_vec()), ..Stream::default() });
        // SAFETY: the stream lives through the call.
        unsafe { self.component.setState(stream.as_com_ref::<IBStream>().expect("a stream").as_ptr()) }
    }
}

/// Returns a text of the standard's, up to its zero.
pub(crate) fn text(units: &[u16]) -> String {
    String::from_utf16_lossy(units).trim_end_matches('\0').to_owned()
}

/// A stream in memory.
#[derive(Default)]
pub(crate) struct Stream {
    pub(crate) bytes: RefCell<Vec<u8>>,
    pub(crate) at: Cell<usize>,
    /// What it says to have read, where it lies.
    pub(crate) lie: Option<i32>,
}

impl Class for Stream {
    type Interfaces = (IBStream,);
}

impl IBStreamTrait for Stream {
    unsafe fn read(&self, buffer: *mut c_void, count: int32, read: *mut int32) -> tresult {
        let bytes = self.bytes.borrow();
        let taken = (bytes.len() - self.at.get()).min(usize::try_from(count).unwrap_or(0));
        // SAFETY: the caller has room for `count` bytes, and `taken` is no more.
        unsafe {
            ptr::copy_nonoverlapping(bytes[self.at.get()..].as_ptr(), buffer.cast(), taken);
            if !read.is_null() {
                *read = self.lie.unwrap_or(taken as i32);
            }
        }
        self.at.set(self.at.get() + taken);
        kResultOk
    }

    unsafe fn write(&self, buffer: *mut c_void, count: int32, written: *mut int32) -> tresult {
        // SAFETY: the caller has `count` bytes there.
        unsafe {
            let count_bytes = usize::try_from(count).unwrap_or(0);
            self.bytes.borrow_mut().extend_from_slice(std::slice::from_raw_parts(buffer.cast(), count_bytes));
            if !written.is_null() {
                *written = count;
            }
        }
        kResultOk
    }

    unsafe fn seek(&self, position: int64, mode: int32, result: *mut int64) -> tresult {
        const END: i32 = IBStream_::IStreamSeekMode_::kIBSeekEnd as i32;
        const CURRENT: i32 = IBStream_::IStreamSeekMode_::kIBSeekCur as i32;
        let from = match mode {
            END => self.bytes.borrow().len() as i64,
            CURRENT => self.at.get() as i64,
            _ => 0,
        };
        self.at.set(usize::try_from(from + position).unwrap_or(0));
        if !result.is_null() {
            // SAFETY: the caller has room there.
            unsafe { *result = from + position };
        }
        kResultOk
    }

    unsafe fn tell(&self, position: *mut int64) -> tresult {
        if position.is_null() {
            return kInvalidArgument;
        }
        // SAFETY: the caller has room there.
        unsafe { *position = self.at.get() as i64 };
        kResultOk
    }
}

/// The points of one parameter.
struct Queue {
    id: ParamID,
    points: Vec<(i32, f64)>,
}

impl Class for Queue {
    type Interfaces = (IParamValueQueue,);
}

impl IParamValueQueueTrait for Queue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.id
    }

    unsafe fn getPointCount(&self) -> int32 {
        self.points.len() as i32
    }

    unsafe fn getPoint(&self, index: int32, frame: *mut int32, value: *mut ParamValue) -> tresult {
        let Some(point) = usize::try_from(index).ok().and_then(|index| self.points.get(index)) else {
            return kInvalidArgument;
        };
        // SAFETY: the caller has room there.
        unsafe { (*frame, *value) = *point };
        kResultOk
    }

    unsafe fn addPoint(&self, _frame: int32, _value: ParamValue, _index: *mut int32) -> tresult {
        kResultFalse
    }
}

/// All points of a block.
pub(crate) struct Changes(Vec<ComWrapper<Queue>>);

impl Changes {
    /// Makes them: a parameter, and its points with their frames.
    pub(crate) fn new(queues: impl IntoIterator<Item = (ParamID, Vec<(i32, f64)>)>) -> ComWrapper<Self> {
        let queue = |(id, points)| ComWrapper::new(Queue { id, points });
        ComWrapper::new(Self(queues.into_iter().map(queue).collect()))
    }
}

impl Class for Changes {
    type Interfaces = (IParameterChanges,);
}

impl IParameterChangesTrait for Changes {
    unsafe fn getParameterCount(&self) -> int32 {
        self.0.len() as i32
    }

    unsafe fn getParameterData(&self, index: int32) -> *mut IParamValueQueue {
        let found = usize::try_from(index).ok().and_then(|index| self.0.get(index));
        found.and_then(ComWrapper::as_com_ref).map_or(ptr::null_mut(), |found| found.as_ptr())
    }

    unsafe fn addParameterData(&self, _id: *const ParamID, _index: *mut int32) -> *mut IParamValueQueue {
        ptr::null_mut()
    }
}

/// A block with its memory, one bus in and one out.
pub(crate) struct Block {
    pub(crate) input: Vec<Vec<f32>>,
    pub(crate) output: Vec<Vec<f32>>,
    pointers: [Vec<*mut f32>; 2],
    buses: [AudioBusBuffers; 2],
    changes: Option<ComWrapper<Changes>>,
}

impl Block {
    /// Makes a block of silence, with noise where the output comes.
    pub(crate) fn new(inputs: usize, outputs: usize, frames: usize) -> Self {
        let bus = AudioBusBuffers {
            numChannels: 0,
            silenceFlags: 0,
            __field0: AudioBusBuffers__type0 { channelBuffers32: ptr::null_mut() },
        };
        Self {
            input: vec![vec![0.0; frames]; inputs],
            output: vec![vec![0.7; frames]; outputs],
            pointers: [Vec::new(), Vec::new()],
            buses: [bus, bus],
            changes: None,
        }
    }

    /// Puts points into it.
    pub(crate) fn change(&mut self, changes: ComWrapper<Changes>) {
        self.changes = Some(changes);
    }

    /// Returns the pointers of a side, to be spoilt: 0 is in, 1 out. Valid after [`Self::data`].
    pub(crate) fn pointers(&mut self, side: usize) -> &mut [*mut f32] {
        &mut self.pointers[side]
    }

    /// Returns the bus of a side, to be spoilt. Valid after [`Self::data`].
    pub(crate) fn bus(&mut self, side: usize) -> &mut AudioBusBuffers {
        &mut self.buses[side]
    }

    /// Describes the block; valid until it moves.
    pub(crate) fn data(&mut self) -> ProcessData {
        let frames = self.input.iter().chain(&self.output).map(Vec::len).min().unwrap_or(0);
        for (side, channels) in [&mut self.input, &mut self.output].into_iter().enumerate() {
            self.pointers[side].clear();
            self.pointers[side].extend(channels.iter_mut().map(Vec::as_mut_ptr));
            self.buses[side].numChannels = channels.len() as i32;
            self.buses[side].__field0.channelBuffers32 = self.pointers[side].as_mut_ptr();
        }
        let changes = self.changes.as_ref().and_then(ComWrapper::as_com_ref::<IParameterChanges>);
        ProcessData {
            processMode: REALTIME,
            symbolicSampleSize: 0,
            numSamples: frames as i32,
            numInputs: 1,
            numOutputs: 1,
            inputs: &raw mut self.buses[0],
            outputs: &raw mut self.buses[1],
            inputParameterChanges: changes.map_or(ptr::null_mut(), |found| found.as_ptr()),
            outputParameterChanges: ptr::null_mut(),
            inputEvents: ptr::null_mut(),
            outputEvents: ptr::null_mut(),
            processContext: ptr::null_mut(),
        }
    }
}

/// Renders a sound in blocks of so many frames; the instance was started.
pub(crate) fn render(vst3: &RawVst3, input: &[Vec<f32>], outputs: usize, frames: usize) -> Vec<Vec<f32>> {
    let mut output = vec![Vec::new(); outputs];
    for at in (0..input[0].len()).step_by(frames) {
        let count = frames.min(input[0].len() - at);
        let mut block = Block::new(input.len(), outputs, count);
        for (taken, channel) in block.input.iter_mut().zip(input) {
            taken.copy_from_slice(&channel[at..at + count]);
        }
        assert_eq!(vst3.process(&mut block.data()), kResultOk, "the plug-in processes");
        for (channel, given) in output.iter_mut().zip(&block.output) {
            channel.extend_from_slice(given);
        }
    }
    output
}
