//! Sound cards: found by name, opened at a rate and a block, and told of in one line when they refuse.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::time::{Duration, Instant};

use anyhow::{Result, anyhow, ensure};
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Device, ErrorKind, FromSample, Sample, SampleFormat, SizedSample, Stream, StreamConfig,
    SupportedBufferSize, SupportedStreamConfigRange,
};
use rostra_recording::RATES_HZ;
use rtrb::{Consumer, RingBuffer};

use crate::output::{Output, Play, Playing, STALLED, Tally};

/// Frames that are made at once; bounds the working room, whatever the card asks for.
const RUN_FRAMES: usize = 1024;
/// Longest wait for a card that does not answer, s (our choice).
const PATIENCE: Duration = Duration::from_secs(3);
/// Time without a complaint after which what was complained of has passed (our choice).
const CALM: Duration = Duration::from_millis(500);
/// Longest wait until a stream has let its device go (our choice): what takes longer is left behind.
const LETTING_GO: Duration = Duration::from_millis(500);
/// Sound from a microphone that may wait, s (our choice): more would be an echo.
const HEARD_S: f64 = 0.1;

/// A sound card, by name or the system's own choice.
#[derive(Clone, Debug)]
pub struct SoundCard {
    name: Option<String>,
}

/// Which way sound goes through a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    In,
    Out,
}

impl Way {
    const fn word(self) -> &'static str {
        match self {
            Self::In => "input",
            Self::Out => "output",
        }
    }

    const fn option(self) -> &'static str {
        match self {
            Self::In => "--input",
            Self::Out => "--device",
        }
    }
}

impl SoundCard {
    /// Names a card; the system's own choice where none is named.
    pub const fn new(name: Option<String>) -> Self {
        Self { name }
    }

    fn device(&self) -> Result<Device> {
        find(self.name.as_deref(), Way::Out)
    }
}

/// Keeps what the system's library would write to the terminal out of it; faults are told in a line of ours.
fn hush() {
    #[cfg(target_os = "linux")]
    {
        // Without it the library writes to the terminal, which harms nobody.
        let _ = alsa::Output::local_error_handler();
    }
}

/// Returns what devices of a way are called: the name that is given, and what the system says of it.
fn names(way: Way) -> Vec<(String, String)> {
    hush();
    let named = |device: Device| {
        let id = device.id().ok()?.id().to_owned();
        let says = device.description().map_or_else(|_| String::new(), |told| told.name().to_owned());
        Some((id, says))
    };
    let host = cpal::default_host();
    let devices: Vec<Device> = match way {
        Way::In => host.input_devices().map(Iterator::collect),
        Way::Out => host.output_devices().map(Iterator::collect),
    }
    .unwrap_or_default();
    devices.into_iter().filter_map(named).collect()
}

fn find(name: Option<&str>, way: Way) -> Result<Device> {
    hush();
    let host = cpal::default_host();
    let Some(name) = name else {
        let device = match way {
            Way::In => host.default_input_device(),
            Way::Out => host.default_output_device(),
        };
        return device.ok_or_else(|| anyhow!("this system has no sound {}", way.word()));
    };
    // Those of this way first: one name may stand for two devices, one for each way.
    let of_way: Vec<Device> = match way {
        Way::In => host.input_devices().map(Iterator::collect),
        Way::Out => host.output_devices().map(Iterator::collect),
    }
    .unwrap_or_default();
    let rest: Vec<Device> = host.devices().map(Iterator::collect).unwrap_or_default();
    let called = |device: &Device| {
        let told = device.description().is_ok_and(|told| told.name() == name);
        told || device.id().is_ok_and(|id| id.id() == name)
    };
    of_way.into_iter().chain(rest).find(called).ok_or_else(|| {
        let mut known: Vec<String> = names(way).into_iter().map(|(id, _)| format!("\"{id}\"")).collect();
        if way == Way::Out {
            known.push("\"silent\"".into());
        }
        let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
        anyhow!("{} \"{name}\": there is no such device; there are: {known}", way.option())
    })
}

/// Says in a line what a device's refusal means and what to do.
fn told(error: &cpal::Error, device: &str) -> String {
    match error.kind() {
        ErrorKind::DeviceBusy => {
            format!("the device {device} is busy: another program has it; close that program and try again")
        }
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable | ErrorKind::StreamInvalidated => {
            format!("the device {device} is missing or was unplugged; plug it in and try again")
        }
        ErrorKind::PermissionDenied => {
            format!(
                "you do not have permission to use the device {device}; on Linux join the group \"audio\""
            )
        }
        ErrorKind::UnsupportedConfig => {
            format!(
                "the device {device} does not accept these settings; try another --rate or --block, or leave them out"
            )
        }
        _ => format!(
            "the device {device} cannot be opened; check that the system's sound is running, then try again ({})",
            error.to_string().replace('\n', " ")
        ),
    }
}

/// Returns what a device is called, and the configurations that it has one way.
fn configurations(device: &Device, way: Way) -> Result<(String, Vec<SupportedStreamConfigRange>)> {
    let name = device.id().map_or_else(|_| "unnamed".to_owned(), |id| format!("\"{}\"", id.id()));
    let told = |error: cpal::Error| anyhow!("{}", told(&error, &name));
    let all: Vec<_> = match way {
        Way::In => device.supported_input_configs().map_err(told)?.collect(),
        Way::Out => device.supported_output_configs().map_err(told)?.collect(),
    };
    ensure!(
        !all.is_empty(),
        "the device {name} has no sound {}; name another with {}",
        way.word(),
        way.option()
    );
    Ok((name, all))
}

/// Says which rates a device has, as ranges.
fn rates_text(all: &[SupportedStreamConfigRange]) -> String {
    let mut ranges: Vec<(u32, u32)> =
        all.iter().map(|range| (range.min_sample_rate(), range.max_sample_rate())).collect();
    ranges.sort_unstable();
    ranges.dedup();
    let text = |&(low, high): &(u32, u32)| {
        if low == high { format!("{low} Hz") } else { format!("{low} to {high} Hz") }
    };
    ranges.iter().map(text).collect::<Vec<_>>().join(", ")
}

/// Returns the best configuration at a rate: two channels before more and one, 32-bit float before whole numbers.
fn best(all: &[SupportedStreamConfigRange], rate_hz: u32) -> Option<&SupportedStreamConfigRange> {
    let formats = [SampleFormat::F32, SampleFormat::I32, SampleFormat::I16, SampleFormat::U16];
    let rank = |range: &&SupportedStreamConfigRange| {
        let channels = match range.channels() {
            2 => 0,
            1 => 1000,
            more => usize::from(more),
        };
        let format = formats.iter().position(|&format| format == range.sample_format());
        (channels, format.unwrap_or(formats.len()))
    };
    all.iter()
        .filter(|range| (range.min_sample_rate()..=range.max_sample_rate()).contains(&rate_hz))
        .filter(|range| formats.contains(&range.sample_format()))
        .min_by_key(rank)
}

impl Output for SoundCard {
    fn name(&self) -> String {
        self.name.clone().unwrap_or_else(|| "the system's sound output".into())
    }

    fn rate_hz(&self, wished_hz: Option<u32>, loop_rate_hz: u32) -> Result<u32> {
        let (name, all) = configurations(&self.device()?, Way::Out)?;
        if let Some(wished) = wished_hz {
            ensure!(
                RATES_HZ.contains(&wished),
                "--rate {wished}: is out of range; give {} to {} Hz",
                RATES_HZ.start(),
                RATES_HZ.end()
            );
            ensure!(
                best(&all, wished).is_some(),
                "--rate {wished}: the device {name} does not have it; it has {}",
                rates_text(&all)
            );
            return Ok(wished);
        }
        if best(&all, loop_rate_hz).is_some() {
            return Ok(loop_rate_hz);
        }
        let nearest = all
            .iter()
            .map(|range| loop_rate_hz.clamp(range.min_sample_rate(), range.max_sample_rate()))
            .filter(|rate_hz| RATES_HZ.contains(rate_hz))
            .min_by_key(|rate_hz| rate_hz.abs_diff(loop_rate_hz));
        nearest.ok_or_else(|| {
            anyhow!(
                "the device {name} has {}, none of which the engine supports; choose another device",
                rates_text(&all)
            )
        })
    }

    fn start(
        &self,
        rate_hz: u32,
        block_frames: Option<u32>,
        play: Play,
        tally: Arc<Tally>,
    ) -> Result<Box<dyn Playing>> {
        let device = self.device()?;
        let (name, all) = configurations(&device, Way::Out)?;
        let found = best(&all, rate_hz);
        let found =
            found.ok_or_else(|| anyhow!("the device {name} has {}, not {rate_hz} Hz", rates_text(&all)))?;
        if let (Some(asked), SupportedBufferSize::Range { min, max }) = (block_frames, found.buffer_size()) {
            ensure!(
                (*min..=*max).contains(&asked),
                "--block {asked}: the device {name} takes {min} to {max} frames"
            );
        }
        let config = StreamConfig {
            channels: found.channels(),
            sample_rate: rate_hz,
            buffer_size: block_frames.map_or(BufferSize::Default, BufferSize::Fixed),
        };
        let (ears, watch) = line(&name, Way::Out, Some(Arc::clone(&tally)));
        let cue = Cue { play, tally, ears, device: &device, config };
        Ok(Box::new(watch.over(built(found.sample_format(), cue), &name)?))
    }
}

/// What opens a stream of samples of any kind.
trait Opening {
    fn open<T: SizedSample + FromSample<f32>>(self) -> Result<Stream, cpal::Error>
    where
        f32: FromSample<T>;
}

/// Opens a stream of a kind of sample.
fn built(format: SampleFormat, opening: impl Opening) -> Result<Stream, cpal::Error> {
    match format {
        SampleFormat::F32 => opening.open::<f32>(),
        SampleFormat::I32 => opening.open::<i32>(),
        SampleFormat::I16 => opening.open::<i16>(),
        SampleFormat::U16 => opening.open::<u16>(),
        // `best` takes none of these.
        _ => Err(cpal::Error::new(ErrorKind::UnsupportedConfig)),
    }
}

/// What a running stream and whoever watches it know of each other.
#[derive(Default)]
struct Signs {
    /// Blocks that were made or taken.
    blocks: AtomicU64,
    /// Complaints of the device that may pass.
    complaints: AtomicU64,
    moved: AtomicBool,
}

/// Takes in what a device says while its stream runs.
struct Ears {
    signs: Arc<Signs>,
    /// Counts gaps, where anybody wants to know of them.
    tally: Option<Arc<Tally>>,
    fault: Sender<String>,
    /// Has room for one.
    complaint: SyncSender<String>,
    name: String,
    /// Blocks at the last complaint; none before the first.
    blocks: Option<u64>,
}

impl Ears {
    fn hear(&mut self, error: &cpal::Error) {
        match error.kind() {
            ErrorKind::Xrun => self.miss(),
            // Goes on through another device: nothing to stop for, but a microphone may stand beside that one.
            ErrorKind::DeviceChanged => self.signs.moved.store(true, Ordering::Release),
            // Without priority: nothing to stop for.
            ErrorKind::RealtimeDenied => {}
            // A sound server may stumble and go on: it has been seen to lose a query of how much it holds.
            ErrorKind::BackendError => {
                let blocks = self.signs.blocks.load(Ordering::Acquire);
                // What complains again without having gone on is the same gap.
                if self.blocks != Some(blocks) {
                    self.blocks = Some(blocks);
                    if blocks > 0 {
                        self.miss();
                    }
                    // Where one waits already, that stands for both.
                    let _ = self.complaint.try_send(told(error, &self.name));
                }
                self.signs.complaints.fetch_add(1, Ordering::Release);
            }
            // Nobody may listen any more.
            _ => drop(self.fault.send(told(error, &self.name))),
        }
    }

    fn miss(&self) {
        if let Some(tally) = &self.tally {
            tally.miss();
        }
    }
}

/// Watches a stream: whether what it complains of passes, and whether it goes on.
struct Watch {
    signs: Arc<Signs>,
    fault: Receiver<String>,
    complaint: Receiver<String>,
    /// What to say of a stream that does not go on; nothing of one that is watched elsewhere.
    stall: Option<String>,
    complaints: u64,
    /// Since when it complains, and when it did so last.
    troubled: Option<(Instant, Instant)>,
    /// Blocks when they were last seen to go on, and when that was.
    went_on: (u64, Instant),
}

/// Returns both ends of what a device says.
fn line(name: &str, way: Way, tally: Option<Arc<Tally>>) -> (Ears, Watch) {
    let (fault_out, fault) = channel();
    let (complaint_out, complaint) = sync_channel(1);
    let signs = Arc::<Signs>::default();
    let ears = Ears {
        signs: Arc::clone(&signs),
        tally,
        fault: fault_out,
        complaint: complaint_out,
        name: name.to_owned(),
        blocks: None,
    };
    // The output's blocks are watched by whoever counts them.
    let stall = (way == Way::In)
        .then(|| format!("the input {name} has stopped; check that it is connected, then try again"));
    let watch = Watch { signs, fault, complaint, stall, complaints: 0, troubled: None, went_on: (0, now()) };
    (ears, watch)
}

impl Watch {
    /// Returns why the stream plays or hears no more, in a line.
    fn fault(&mut self, now: Instant) -> Option<String> {
        if let Ok(fault) = self.fault.try_recv() {
            return Some(fault);
        }
        let blocks = self.signs.blocks.load(Ordering::Acquire);
        let goes_on = blocks != self.went_on.0;
        if goes_on {
            self.went_on = (blocks, now);
        }
        let complaints = self.signs.complaints.load(Ordering::Acquire);
        if complaints != self.complaints {
            self.complaints = complaints;
            self.troubled = Some((self.troubled.map_or(now, |(since, _)| since), now));
        }
        if let Some((since, last)) = self.troubled {
            if goes_on && now - last > CALM {
                self.troubled = None;
                let _ = self.complaint.try_recv();
            } else if now - since > PATIENCE {
                self.troubled = None;
                return self.complaint.try_recv().ok();
            }
        }
        if now - self.went_on.1 > STALLED {
            self.went_on.1 = now;
            return self.stall.clone();
        }
        None
    }

    /// Lets a stream run.
    ///
    /// # Errors
    /// In a line, when it could not be opened or does not start.
    fn over(self, stream: Result<Stream, cpal::Error>, name: &str) -> Result<Running> {
        let told = |error: cpal::Error| anyhow!("{}", told(&error, name));
        let stream = stream.map_err(told)?;
        // From here on it is let go of as one that runs.
        let running = Running { stream: Some(stream), watch: self };
        running.stream.as_ref().map_or(Ok(()), StreamTrait::play).map_err(told)?;
        Ok(running)
    }
}

#[allow(clippy::disallowed_methods, reason = "the thread of the window, not of the sound")]
fn now() -> Instant {
    Instant::now()
}

/// What a stream of the output is opened with.
struct Cue<'a> {
    play: Play,
    tally: Arc<Tally>,
    ears: Ears,
    device: &'a Device,
    config: StreamConfig,
}

impl Opening for Cue<'_> {
    fn open<T: SizedSample + FromSample<f32>>(self) -> Result<Stream, cpal::Error> {
        let Cue { mut play, tally, mut ears, device, config } = self;
        let signs = Arc::clone(&ears.signs);
        let channels = usize::from(config.channels);
        let rate_hz = f64::from(config.sample_rate);
        let (mut left, mut right) = (vec![0.0_f32; RUN_FRAMES], vec![0.0_f32; RUN_FRAMES]);
        device.build_output_stream::<T, _, _>(
            config,
            move |data, _| {
                // The time of a block is taken beside the player, to tell how near to its limit the machine is.
                #[allow(clippy::disallowed_methods, reason = "not in the player")]
                let asked = Instant::now();
                for run in data.chunks_mut(RUN_FRAMES * channels) {
                    let frames = run.len() / channels;
                    let (left, right) = (&mut left[..frames], &mut right[..frames]);
                    play(left, right);
                    for ((frame, left), right) in run.chunks_mut(channels).zip(left.iter()).zip(right.iter())
                    {
                        if let [mono] = frame {
                            *mono = T::from_sample(0.5 * (left + right));
                            continue;
                        }
                        for (channel, sample) in frame.iter_mut().enumerate() {
                            *sample = T::from_sample(match channel {
                                0 => *left,
                                1 => *right,
                                _ => 0.0,
                            });
                        }
                    }
                }
                signs.blocks.fetch_add(1, Ordering::Release);
                let frames = data.len() / channels;
                tally.add(frames, asked.elapsed().as_secs_f64() * rate_hz / frames.max(1) as f64);
            },
            move |error| ears.hear(&error),
            Some(PATIENCE),
        )
    }
}

struct Running {
    /// There until it is dropped.
    stream: Option<Stream>,
    watch: Watch,
}

impl Playing for Running {
    fn fault(&mut self) -> Option<String> {
        self.watch.fault(now())
    }

    fn has_moved(&mut self) -> bool {
        self.watch.signs.moved.swap(false, Ordering::AcqRel)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let_go(self.stream.take(), LETTING_GO);
    }
}

/// Drops something on a thread of its own, and waits for that only so long.
///
/// The system's library may wait for ever: that of a sound server has been seen
/// to, once its server was killed, and the window would hang with it.
fn let_go<T: Send + 'static>(thing: T, longest: Duration) {
    let (gone_out, gone) = channel();
    let thread = std::thread::Builder::new().name("rostra lets go".to_owned()).spawn(move || {
        drop(thing);
        // Nobody may wait any more.
        let _ = gone_out.send(());
    });
    // Without a thread it has been dropped here.
    if thread.is_ok() {
        // Whether it is gone or not: what is left of it ends with the program.
        let _ = gone.recv_timeout(longest);
    }
}

/// Opens a microphone at a rate: what it hears on its first channel comes through the ring.
///
/// # Errors
/// In a line, when there is no such device, or it is busy or does not have the rate.
pub fn listen(name: &str, rate_hz: u32) -> Result<(Consumer<f32>, Box<dyn Playing>)> {
    let device = find((name != "default").then_some(name), Way::In)?;
    let (name, all) = configurations(&device, Way::In)?;
    let found = best(&all, rate_hz);
    let found = found.ok_or_else(|| {
        anyhow!(
            "the input {name} has {}, but the output plays at {rate_hz} Hz; give --rate",
            rates_text(&all)
        )
    })?;
    let config =
        StreamConfig { channels: found.channels(), sample_rate: rate_hz, buffer_size: BufferSize::Default };
    let (heard_in, heard) = RingBuffer::new((HEARD_S * f64::from(rate_hz)) as usize);
    // What a microphone loses is no gap of the output.
    let (ears, watch) = line(&name, Way::In, None);
    let ear = Microphone { heard: heard_in, ears, device: &device, config };
    Ok((heard, Box::new(watch.over(built(found.sample_format(), ear), &name)?)))
}

/// What a microphone's stream is opened with.
struct Microphone<'a> {
    heard: rtrb::Producer<f32>,
    ears: Ears,
    device: &'a Device,
    config: StreamConfig,
}

impl Opening for Microphone<'_> {
    fn open<T: SizedSample>(self) -> Result<Stream, cpal::Error>
    where
        f32: FromSample<T>,
    {
        let Microphone { mut heard, mut ears, device, config } = self;
        let signs = Arc::clone(&ears.signs);
        let channels = usize::from(config.channels);
        device.build_input_stream::<T, _, _>(
            config,
            move |data, _| {
                for frame in data.chunks(channels) {
                    // What finds no room is lost: late sound would be an echo.
                    let _ = heard.push(f32::from_sample(frame[0]));
                }
                signs.blocks.fetch_add(1, Ordering::Release);
            },
            move |error| ears.hear(&error),
            Some(PATIENCE),
        )
    }
}

/// Returns a line for each device of both ways, for people.
pub fn devices_text() -> String {
    let text = |way: Way| {
        let lines: Vec<String> = names(way).into_iter().map(|(id, says)| format!("  {id}  {says}")).collect();
        let lines = if lines.is_empty() { "  none".into() } else { lines.join("\n") };
        format!("{}:\n{lines}", way.option())
    };
    format!("{}\n{}", text(Way::In), text(Way::Out))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_that_is_not_there_is_refused_with_those_that_are() {
        let refused =
            SoundCard::new(Some("No Such Card".into())).rate_hz(None, 48_000).unwrap_err().to_string();
        assert!(
            refused.starts_with("--device \"No Such Card\": there is no such device; there are: "),
            "{refused}"
        );
        assert!(!refused.contains('\n'), "{refused}");
        let refused = listen("No Such Ear", 48_000).err().unwrap().to_string();
        assert!(refused.starts_with("--input \"No Such Ear\": there is no such device"), "{refused}");
    }

    #[test]
    fn every_refusal_is_a_line_that_names_the_device_and_says_what_to_do() {
        for (kind, said) in [
            (ErrorKind::DeviceBusy, "busy"),
            (ErrorKind::DeviceNotAvailable, "unplugged"),
            (ErrorKind::PermissionDenied, "group"),
            (ErrorKind::UnsupportedConfig, "try another --rate or --block"),
            (ErrorKind::BackendError, "check that the system's sound is running"),
        ] {
            let line = told(&cpal::Error::new(kind), "\"card\"");
            assert!(line.contains("\"card\"") && line.contains(said) && !line.contains('\n'), "{line}");
        }
    }

    #[test]
    #[allow(clippy::disallowed_methods, reason = "it is about time")]
    fn what_does_not_let_go_is_left_behind_and_what_does_is_awaited() {
        struct Slow(Receiver<()>, Sender<()>);
        impl Drop for Slow {
            fn drop(&mut self) {
                let _ = self.0.recv();
                let _ = self.1.send(());
            }
        }
        let (let_out, held) = channel();
        let (ended_out, ended) = channel();
        let start = Instant::now();
        let_go(Slow(held, ended_out), Duration::from_millis(50));
        assert!(start.elapsed() < Duration::from_secs(5), "it waited {:?}", start.elapsed());
        assert!(ended.try_recv().is_err(), "it has not let go yet");
        let_out.send(()).unwrap();
        assert!(ended.recv_timeout(Duration::from_secs(5)).is_ok(), "it lets go behind the back");
        // One that can let go has done so by the return.
        let (held_out, held) = channel();
        held_out.send(()).unwrap();
        let (ended_out, ended) = channel();
        let_go(Slow(held, ended_out), Duration::from_secs(5));
        assert!(ended.try_recv().is_ok());
    }

    /// A stream of nothing, and a time that is told.
    struct Scene {
        ears: Ears,
        watch: Watch,
        start: Instant,
        tally: Arc<Tally>,
    }

    impl Scene {
        fn new(way: Way) -> Self {
            let tally = Arc::<Tally>::default();
            let (ears, watch) = line("\"card\"", way, Some(Arc::clone(&tally)));
            let start = watch.went_on.1;
            Self { ears, watch, start, tally }
        }

        fn complain(&mut self) {
            self.ears.hear(&cpal::Error::with_message(ErrorKind::BackendError, "I/O error"));
        }

        fn block(&self) {
            self.watch.signs.blocks.fetch_add(1, Ordering::Release);
        }

        fn fault(&mut self, after_s: f64) -> Option<String> {
            self.watch.fault(self.start + Duration::from_secs_f64(after_s))
        }
    }

    #[test]
    fn a_stumble_is_a_gap_and_no_fault() {
        let mut scene = Scene::new(Way::Out);
        scene.block();
        (0..3).for_each(|_| scene.complain());
        assert_eq!(scene.fault(0.1), None);
        assert_eq!(scene.tally.counted().missed, 1, "three complaints of one gap");
        // Blocks go on, and it is forgotten: the next one, much later, is another.
        for after_s in [0.5, 1.0, 2.0, 10.0] {
            scene.block();
            assert_eq!(scene.fault(after_s), None, "{after_s}");
        }
        scene.complain();
        assert_eq!(scene.fault(20.0), None);
        assert_eq!(scene.tally.counted().missed, 2);
    }

    #[test]
    fn a_fault_that_lasts_is_told() {
        let patience_s = PATIENCE.as_secs_f64();
        // One complaint and then silence.
        let mut silent = Scene::new(Way::Out);
        silent.complain();
        assert_eq!(silent.fault(0.0), None);
        assert_eq!(silent.fault(0.9 * patience_s), None);
        let lasting = silent.fault(1.1 * patience_s).expect("a fault");
        assert!(
            lasting.contains("\"card\" cannot be opened; check that") && lasting.ends_with("(I/O error)"),
            "{lasting}"
        );
        // Blocks that are made and never taken: each is complained of.
        let mut refusing = Scene::new(Way::Out);
        let mut told = None;
        for tenths in 0..100 {
            refusing.block();
            refusing.complain();
            told = told.or(refusing.fault(f64::from(tenths) / 10.0).map(|_| f64::from(tenths) / 10.0));
        }
        assert!(told.is_some_and(|after_s| after_s < patience_s + 0.2), "{told:?}");
        // What cannot pass is told at once.
        let mut gone = Scene::new(Way::Out);
        gone.ears.hear(&cpal::Error::new(ErrorKind::DeviceNotAvailable));
        assert!(gone.fault(0.0).is_some_and(|line| line.contains("unplugged")));
    }

    #[test]
    fn a_microphone_that_says_nothing_any_more_is_told_and_an_output_is_watched_elsewhere() {
        let after_s = STALLED.as_secs_f64() + 0.1;
        assert_eq!(Scene::new(Way::Out).fault(after_s), None);
        let mut ear = Scene::new(Way::In);
        ear.block();
        assert_eq!(ear.fault(1.0), None);
        assert_eq!(ear.fault(after_s), None, "counted from the last block");
        assert!(ear.fault(1.0 + after_s).is_some_and(|line| line.contains("has stopped")));
    }

    #[test]
    fn two_channels_of_floats_are_taken_before_the_rest_and_an_unknown_rate_is_not() {
        let range = |channels, rate_hz, format| {
            SupportedStreamConfigRange::new(channels, 44_100, rate_hz, SupportedBufferSize::Unknown, format)
        };
        let all = [
            range(1, 48_000, SampleFormat::F32),
            range(8, 48_000, SampleFormat::F32),
            range(2, 48_000, SampleFormat::I16),
            range(2, 48_000, SampleFormat::F32),
            range(2, 48_000, SampleFormat::U8),
        ];
        let found = best(&all, 48_000).unwrap();
        assert_eq!((found.channels(), found.sample_format()), (2, SampleFormat::F32));
        assert!(best(&all, 96_000).is_none());
        assert_eq!(rates_text(&all), "44100 to 48000 Hz");
    }
}
