//! Where an instance's tails come from: a builder beside the audio thread, shared by all instances.
//!
//! Live, a request goes out through a ring, one thread builds for the whole
//! process, and the finished voice comes back through another ring; a voice
//! that fell silent goes back through a third and is freed by the builder.
//! Nothing on the audio thread allocates, frees, locks or calls the system;
//! the builder looks for requests by itself every few milliseconds. Offline, the
//! tail is built on the spot, so that a render never depends on the clock.
//!
//! A build that fails ends nothing: the tail that plays goes on, the supply says
//! that its newest request failed, and the next request is tried again. Whoever leaves
//! waits for no queue: what is built for one that is gone is given up.
//!
//! Spectra are shared: instances that request equal tails get the same ones,
//! live or offline, for as long as anyone plays them. So is the workshop in
//! which they are made: it is open while anyone has a supply.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, PoisonError, Weak};
use std::thread::JoinHandle;
use std::time::Duration;

use nice_plug::nice_error;
use nice_plug::util::permit_alloc;
use rostra_dsp::tail::{TailSpec, TailSpectra, TailSupply, TailVoice, TailWorkshop};
use rtrb::{Consumer, Producer, RingBuffer};

/// A lock between threads of which none is an audio thread.
#[allow(clippy::disallowed_types, reason = "only builder, main and offline threads ever take it")]
type Lock<T> = std::sync::Mutex<T>;

/// The supply of one instance.
#[derive(Debug)]
pub enum Supply {
    /// For playing: built by the shared thread.
    Live(Box<LiveSupply>),
    /// For rendering: built on the spot.
    Offline(OfflineSupply),
}

impl Supply {
    /// Makes a supply for playing that hands out the first tail at once; off the audio thread.
    pub fn live(first: &TailSpec) -> Self {
        Self::Live(Box::new(LiveSupply::new(first)))
    }

    /// Makes a supply for rendering that hands out the first tail at once; off the audio thread.
    pub fn offline(first: &TailSpec) -> Self {
        Self::Offline(OfflineSupply::new(first))
    }

    /// Says whether the newest tail that was tried could not be made; the one before it plays on.
    pub fn has_failed(&self) -> bool {
        match self {
            Self::Live(supply) => supply.has_failed.load(Ordering::Relaxed),
            Self::Offline(supply) => supply.has_failed,
        }
    }

    /// Makes a supply of an instance whose host may change the mode of rendering at any time; off the audio thread.
    pub fn of_mode(first: &TailSpec, is_rendered: bool) -> Self {
        let mut supply = Self::live(first);
        supply.render(is_rendered);
        supply
    }

    /// Tells a supply for playing whether a render is on: then it builds on the spot, too; any thread.
    pub fn render(&mut self, is_rendered: bool) {
        if let Self::Live(supply) = self {
            supply.is_rendered = is_rendered;
        }
    }

    /// Returns how long the tail sounds that waits to be taken, in frames; 0 when none does.
    pub fn waiting_frames(&self) -> usize {
        let ready = match self {
            Self::Live(supply) => &supply.ready,
            Self::Offline(supply) => &supply.ready,
        };
        ready.as_ref().map_or(0, |voice| voice.spectra().frames())
    }

    /// Says whether a tail that was asked for is not there yet.
    pub fn is_awaited(&self) -> bool {
        matches!(self, Self::Live(supply) if supply.awaited.is_some())
    }
}

impl TailSupply for Supply {
    fn ask(&mut self, spec: &TailSpec) {
        match self {
            Self::Live(supply) => supply.ask(spec),
            Self::Offline(supply) => supply.ask(spec),
        }
    }

    fn take(&mut self) -> Option<Box<TailVoice>> {
        match self {
            Self::Live(supply) => supply.take(),
            Self::Offline(supply) => supply.take(),
        }
    }

    fn give_back(&mut self, voice: Box<TailVoice>) {
        match self {
            Self::Live(supply) => supply.give_back(voice),
            Self::Offline(supply) => supply.give_back(voice),
        }
    }
}

/// The instance's end of the rings to and from the builder.
#[derive(Debug)]
pub struct LiveSupply {
    _visit: Visit,
    /// Whether the newest tail that was tried could not be made; the builder says so.
    has_failed: Arc<AtomicBool>,
    /// The first voice, built before processing starts.
    ready: Option<Box<TailVoice>>,
    /// The newest request that no voice has answered yet.
    awaited: Option<TailSpec>,
    /// The newest request, while the ring has no room for it.
    unsent: Option<TailSpec>,
    /// Whether a render is on, which may wait: tails are built on the spot.
    is_rendered: bool,
    /// Voices built on the spot that have not come back.
    own_out: usize,
    requests: Producer<TailSpec>,
    finished: Consumer<Box<TailVoice>>,
    retired: Producer<Box<TailVoice>>,
}

impl LiveSupply {
    /// Builds the first voice, then joins the shared builder, starting it if this is the first instance.
    fn new(first: &TailSpec) -> Self {
        let visit = Visit::begin();
        let ready = build(first, &|| false).ok();
        let has_failed = Arc::new(AtomicBool::new(ready.is_none()));
        let (requests, requests_out) = RingBuffer::new(REQUESTS);
        let (finished_out, finished) = RingBuffer::new(VOICES);
        let (retired, retired_in) = RingBuffer::new(VOICES);
        join(BuilderEnd {
            request: None,
            has_failed: Arc::clone(&has_failed),
            voices_out: usize::from(ready.is_some()),
            requests: requests_out,
            finished: finished_out,
            retired: retired_in,
        });
        Self {
            _visit: visit,
            has_failed,
            awaited: ready.is_some().then_some(*first),
            ready,
            unsent: None,
            is_rendered: false,
            own_out: 0,
            requests,
            finished,
            retired,
        }
    }

    /// Builds on the spot, as a render does.
    fn build_now(&mut self, spec: &TailSpec) {
        (self.awaited, self.unsent) = (None, None);
        if self.ready.as_ref().is_none_or(|voice| voice.spectra().spec() != spec) {
            // A render may wait: the allocation check is for playing.
            let Ok(voice) = permit_alloc(|| build(spec, &|| false)) else {
                self.has_failed.store(true, Ordering::Relaxed);
                return;
            };
            self.has_failed.store(false, Ordering::Relaxed);
            self.own_out += 1;
            if let Some(before) = self.ready.replace(voice) {
                self.give_back(before);
            }
        }
    }

    /// Sends the newest request as soon as the ring has room.
    fn send(&mut self) {
        if let Some(spec) = self.unsent.take()
            && self.requests.push(spec).is_err()
        {
            self.unsent = Some(spec);
        }
    }
}

impl TailSupply for LiveSupply {
    fn ask(&mut self, spec: &TailSpec) {
        if self.is_rendered {
            self.build_now(spec);
            return;
        }
        // A request repeated while its voice is on the way needs no second voice.
        if self.awaited != Some(*spec) {
            self.awaited = Some(*spec);
            self.unsent = Some(*spec);
        }
        self.send();
    }

    fn take(&mut self) -> Option<Box<TailVoice>> {
        if self.is_rendered {
            if let Some(spec) = self.awaited {
                // Asked for while it played.
                self.build_now(&spec);
            }
            while let Ok(voice) = self.finished.pop() {
                self.give_back(voice);
            }
            return self.ready.take();
        }
        self.send();
        let mut newest = self.ready.take();
        while let Ok(voice) = self.finished.pop() {
            if let Some(older) = newest.replace(voice) {
                self.give_back(older);
            }
        }
        if let Some(voice) = &newest
            && self.awaited == Some(*voice.spectra().spec())
        {
            self.awaited = None;
        }
        newest
    }

    fn give_back(&mut self, voice: Box<TailVoice>) {
        if self.is_rendered && self.own_out > 0 {
            // Voices are alike: as many as were built here are freed here.
            self.own_out -= 1;
            permit_alloc(|| drop(voice));
            return;
        }
        // The builder lets no more voices out than the ring holds, so there is
        // always room. If a voice ever came from elsewhere, losing its memory
        // would still be better than freeing it here.
        if let Err(rtrb::PushError::Full(voice)) = self.retired.push(voice) {
            std::mem::forget(voice);
        }
    }
}

impl Drop for LiveSupply {
    fn drop(&mut self) {
        leave();
    }
}

/// A supply that builds on the thread that asks; for rendering offline only.
#[derive(Debug)]
pub struct OfflineSupply {
    _visit: Visit,
    has_failed: bool,
    ready: Option<Box<TailVoice>>,
}

impl OfflineSupply {
    /// Builds the first voice.
    fn new(first: &TailSpec) -> Self {
        let mut supply = Self { _visit: Visit::begin(), has_failed: false, ready: None };
        supply.build(first);
        supply
    }

    fn build(&mut self, spec: &TailSpec) {
        self.ready = build(spec, &|| false).ok();
        self.has_failed = self.ready.is_none();
    }
}

impl TailSupply for OfflineSupply {
    fn ask(&mut self, spec: &TailSpec) {
        let is_ready = self.ready.as_ref().is_some_and(|voice| voice.spectra().spec() == spec);
        if !is_ready {
            // A render may wait: the allocation check is for playing.
            permit_alloc(|| self.build(spec));
        }
    }

    fn take(&mut self) -> Option<Box<TailVoice>> {
        self.ready.take()
    }

    fn give_back(&mut self, voice: Box<TailVoice>) {
        permit_alloc(|| drop(voice));
    }
}

/// Wishes that may wait for the builder, per instance.
///
/// The engine asks at most once a grid step (10 ms), the builder looks every
/// [`LOOK_EVERY`] and takes all: 16 covers a builder that is busy for 160 ms.
const REQUESTS: usize = 16;
/// Voices of one instance that may be away from the builder at once.
///
/// One that sounds, one that fades, one on its way and one on its way back are
/// four; twice that leaves room for a builder that falls behind.
const VOICES: usize = 8;
/// Pause between two looks of the builder.
///
/// Far below the time in which a tail is faded in, and rare enough to cost nothing.
const LOOK_EVERY: Duration = Duration::from_millis(4);

/// The builder's end of one instance's rings.
#[derive(Debug)]
struct BuilderEnd {
    /// The newest request not yet built.
    request: Option<TailSpec>,
    has_failed: Arc<AtomicBool>,
    /// Voices of this instance that have not come back.
    voices_out: usize,
    requests: Consumer<TailSpec>,
    finished: Producer<Box<TailVoice>>,
    retired: Consumer<Box<TailVoice>>,
}

impl BuilderEnd {
    /// Frees what came back, then builds the newest request, unless the thread closes or the instance goes meanwhile.
    fn serve(&mut self, is_closing: &AtomicBool) {
        while let Ok(voice) = self.retired.pop() {
            drop(voice);
            // One that was built on the spot during a render may come back as well.
            self.voices_out = self.voices_out.saturating_sub(1);
        }
        while let Ok(spec) = self.requests.pop() {
            self.request = Some(spec);
        }
        if self.voices_out < VOICES
            && let Some(spec) = self.request.take()
        {
            let requests = &self.requests;
            let is_given_up = || is_closing.load(Ordering::Acquire) || requests.is_abandoned();
            match build(&spec, &is_given_up) {
                Ok(voice) => {
                    self.has_failed.store(false, Ordering::Relaxed);
                    self.voices_out += 1;
                    if self.finished.push(voice).is_err() {
                        // It was freed here, where that is harmless; the next look tries again.
                        self.voices_out -= 1;
                        self.request = Some(spec);
                    }
                }
                // Tried again, it would fail again: the next request is another one.
                Err(Unbuilt::Failed) => self.has_failed.store(true, Ordering::Relaxed),
                Err(Unbuilt::GivenUp) => {}
            }
        }
    }

    /// Says whether the instance is gone.
    fn is_abandoned(&self) -> bool {
        self.requests.is_abandoned()
    }
}

/// What the builder thread and those who start and stop it share.
#[derive(Debug)]
struct BuilderShared {
    /// Ends that the thread has not taken over yet.
    arrivals: Lock<Vec<BuilderEnd>>,
    /// Ends that it looks after, for as long as it looks; they outlive it.
    ends: Lock<Vec<BuilderEnd>>,
    /// Tells the thread to end.
    is_closing: AtomicBool,
}

/// The builder thread while any instance lives.
#[derive(Debug)]
struct Builder {
    shared: Arc<BuilderShared>,
    /// `None` while the system refuses to start a thread.
    thread: Option<JoinHandle<()>>,
    instances: usize,
}

static BUILDER: Lock<Option<Builder>> = Lock::new(None);

/// The tails of the process: those in use, and where new ones are made.
#[derive(Debug)]
struct Stock {
    /// Spectra in use, so that equal requests share them.
    in_use: Vec<Weak<TailSpectra>>,
    /// Keeps what tails have in common, some megabytes; closed while there is no supply.
    workshop: Option<TailWorkshop>,
}

static STOCK: Lock<Stock> = Lock::new(Stock { in_use: Vec::new(), workshop: None });

/// Supplies of either kind. Coming and going wait for no build, which holds the stock's lock.
static SUPPLIES: AtomicUsize = AtomicUsize::new(0);

/// Counts a supply while it lives; the last one closes the workshop.
#[derive(Debug)]
struct Visit(());

impl Visit {
    fn begin() -> Self {
        SUPPLIES.fetch_add(1, Ordering::AcqRel);
        Self(())
    }
}

impl Drop for Visit {
    fn drop(&mut self) {
        if SUPPLIES.fetch_sub(1, Ordering::AcqRel) > 1 {
            return;
        }
        let mut stock = STOCK.lock().unwrap_or_else(PoisonError::into_inner);
        // Unless another one came meanwhile.
        if SUPPLIES.load(Ordering::Acquire) == 0 {
            stock.workshop = None;
        }
    }
}

/// Why there is no voice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Unbuilt {
    /// Nobody wants it any more.
    GivenUp,
    /// Building it ended by a fault of ours.
    Failed,
}

/// Builds a voice on shared spectra, unless it is given up; allocates, and may wait for another build.
///
/// A panic ends here: whoever asked hears on what they hear.
fn build(spec: &TailSpec, is_given_up: &dyn Fn() -> bool) -> Result<Box<TailVoice>, Unbuilt> {
    let spectra = shared_spectra(spec, is_given_up)?;
    unless_it_panics(|| Some(Box::new(TailVoice::new(spectra))))
}

fn unless_it_panics<T>(make: impl FnOnce() -> Option<T>) -> Result<T, Unbuilt> {
    if let Ok(made) = catch_unwind(AssertUnwindSafe(make)) {
        made.ok_or(Unbuilt::GivenUp)
    } else {
        nice_error!("a tail could not be built; the previous one keeps playing");
        Err(Unbuilt::Failed)
    }
}

/// Returns the spectra of a tail, building them unless someone plays them already.
///
/// The lock is held while building, so that instances that request the same at
/// the same time wait for one build instead of building twice.
fn shared_spectra(spec: &TailSpec, is_given_up: &dyn Fn() -> bool) -> Result<Arc<TailSpectra>, Unbuilt> {
    let mut stock = STOCK.lock().unwrap_or_else(PoisonError::into_inner);
    stock.in_use.retain(|spectra| spectra.strong_count() > 0);
    if let Some(spectra) =
        stock.in_use.iter().filter_map(Weak::upgrade).find(|spectra| spectra.spec() == spec)
    {
        return Ok(spectra);
    }
    // Caught within the lock, which is therefore never poisoned.
    let built = unless_it_panics(|| {
        stock.workshop.get_or_insert_default().build_unless(spec, is_given_up).map(Arc::new)
    });
    match &built {
        Ok(spectra) => stock.in_use.push(Arc::downgrade(spectra)),
        // Whatever state it was left in: the next one opens a new workshop.
        Err(Unbuilt::Failed) => stock.workshop = None,
        Err(Unbuilt::GivenUp) => {}
    }
    built
}

/// Gives an instance's end to the builder and counts the instance.
fn join(end: BuilderEnd) {
    let mut builder = BUILDER.lock().unwrap_or_else(PoisonError::into_inner);
    let builder = builder.get_or_insert_with(|| Builder {
        shared: Arc::new(BuilderShared {
            arrivals: Lock::new(Vec::new()),
            ends: Lock::new(Vec::new()),
            is_closing: AtomicBool::new(false),
        }),
        thread: None,
        instances: 0,
    });
    builder.instances += 1;
    let has_failed = Arc::clone(&end.has_failed);
    builder.shared.arrivals.lock().unwrap_or_else(PoisonError::into_inner).push(end);
    // One that ended by a fault is started anew: the ends are still there.
    if builder.thread.as_ref().is_none_or(JoinHandle::is_finished) {
        let shared = Arc::clone(&builder.shared);
        match std::thread::Builder::new().name("rostra tails".to_owned()).spawn(move || work(&shared)) {
            Ok(thread) => builder.thread = Some(thread),
            Err(error) => {
                builder.thread = None;
                has_failed.store(true, Ordering::Relaxed);
                nice_error!(
                    "the thread that builds tails could not be started; the current tail stays: {error}"
                );
            }
        }
    }
}

/// Counts an instance out; the last one waits for the thread's end.
///
/// The host may unload the library right after its last instance: no thread may
/// still run in it then.
fn leave() {
    let last = {
        let mut builder = BUILDER.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(builder) = builder.as_mut() {
            builder.instances -= 1;
        }
        builder.take_if(|builder| builder.instances == 0)
    };
    if let Some(Builder { shared, thread: Some(thread), .. }) = last {
        shared.is_closing.store(true, Ordering::Release);
        thread.thread().unpark();
        if thread.join().is_err() {
            nice_error!("the thread that builds tails stopped after a fault");
        }
    }
}

/// The builder thread: looks after every end in turn, then rests.
fn work(shared: &BuilderShared) {
    let is_closing = || shared.is_closing.load(Ordering::Acquire);
    while !is_closing() {
        let mut ends = shared.ends.lock().unwrap_or_else(PoisonError::into_inner);
        ends.append(&mut shared.arrivals.lock().unwrap_or_else(PoisonError::into_inner));
        ends.retain(|end| !end.is_abandoned());
        for end in ends.iter_mut() {
            if is_closing() {
                return;
            }
            end.serve(&shared.is_closing);
        }
        drop(ends);
        std::thread::park_timeout(LOOK_EVERY);
    }
}

/// Keeps other tests with live supplies out while the guard lives: some count the instances of the process.
#[cfg(test)]
pub(crate) fn only_live_test() -> impl Sized {
    static ONE_AT_A_TIME: Lock<()> = Lock::new(());
    ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use rostra_dsp::Settings;
    use rostra_dsp::engine::{Config, Engine, Layout};

    use super::*;

    /// The `n`th of many different tails, all short, so that they are soon built.
    fn spec(n: u32) -> TailSpec {
        let mut settings = Settings::default();
        settings.platform.decay_s = 0.2 + 0.001 * f64::from(n);
        Engine::tail_spec(&Config { sample_rate_hz: 22_050.0, layout: Layout::MonoToMono }, &settings)
    }

    /// Tries until it gets something, 60 s at most: test machines are busy.
    fn wait_for<T>(mut attempt: impl FnMut() -> Option<T>) -> T {
        for _ in 0..60_000 {
            if let Some(found) = attempt() {
                return found;
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        panic!("nothing came within 60 s");
    }

    #[test]
    fn the_first_tail_is_there_at_once_and_asking_for_it_again_brings_no_other() {
        let _alone = only_live_test();
        let first = spec(0);
        let mut supply = LiveSupply::new(&first);
        supply.ask(&first);
        let voice = supply.take().expect("the first voice");
        assert_eq!(*voice.spectra().spec(), first);
        std::thread::sleep(LOOK_EVERY * 5);
        assert!(supply.take().is_none());
    }

    #[test]
    fn equal_requests_share_their_spectra_and_others_do_not() {
        let _alone = only_live_test();
        let (a, b) = (spec(1), spec(2));
        let (mut one, mut two) = (LiveSupply::new(&a), LiveSupply::new(&b));
        let (voice_a, voice_b) = (one.take().expect("a voice"), two.take().expect("a voice"));
        assert!(!Arc::ptr_eq(voice_a.spectra(), voice_b.spectra()));
        two.ask(&a);
        let built_by_thread = wait_for(|| two.take());
        assert!(Arc::ptr_eq(voice_a.spectra(), built_by_thread.spectra()));
        let mut offline = Supply::offline(&a);
        let rendered = offline.take().expect("a voice");
        assert!(Arc::ptr_eq(voice_a.spectra(), rendered.spectra()));
    }

    /// The instance's ends of its rings: for requests, for voices that come, for voices that go back.
    type Ends = (Producer<TailSpec>, Consumer<Box<TailVoice>>, Producer<Box<TailVoice>>);

    /// An end without a thread, and the instance's ends of its rings.
    fn end() -> (BuilderEnd, Ends) {
        let (requests, requests_out) = RingBuffer::new(REQUESTS);
        let (finished_out, finished) = RingBuffer::new(VOICES);
        let (retired, retired_in) = RingBuffer::new(VOICES);
        let end = BuilderEnd {
            request: None,
            has_failed: Arc::default(),
            voices_out: 0,
            requests: requests_out,
            finished: finished_out,
            retired: retired_in,
        };
        (end, (requests, finished, retired))
    }

    #[test]
    fn the_newest_request_is_all_that_a_look_builds() {
        let _alone = only_live_test();
        let (mut end, (mut requests, mut finished, _retired)) = end();
        for n in 0..REQUESTS as u32 {
            requests.push(spec(n)).expect("there is room");
        }
        end.serve(&AtomicBool::new(false));
        let voice = finished.pop().expect("a voice");
        assert_eq!(*voice.spectra().spec(), spec(REQUESTS as u32 - 1));
        end.serve(&AtomicBool::new(false));
        assert!(finished.pop().is_err(), "an older request was built, too");
    }

    #[test]
    fn nothing_is_built_for_an_instance_that_is_gone_nor_while_the_thread_closes() {
        let _alone = only_live_test();
        let (mut gone, (mut requests, mut finished, _retired)) = end();
        requests.push(spec(0)).expect("there is room");
        drop(requests);
        gone.serve(&AtomicBool::new(false));
        assert!(finished.pop().is_err());
        let (mut end, (mut requests, mut finished, _retired)) = self::end();
        requests.push(spec(0)).expect("there is room");
        end.serve(&AtomicBool::new(true));
        assert!(finished.pop().is_err());
        // The control: open, and with an instance, it is.
        requests.push(spec(0)).expect("there is room");
        end.serve(&AtomicBool::new(false));
        assert!(finished.pop().is_ok());
    }

    /// A tail whose build panics: the convolver takes blocks of a multiple of eight frames only.
    fn broken() -> TailSpec {
        TailSpec { onset_frames: 12, ..spec(50) }
    }

    #[test]
    fn a_build_that_panics_ends_nothing_and_is_told() {
        let _alone = only_live_test();
        let first = spec(0);
        let mut supply = Supply::live(&first);
        let old = supply.take().expect("a voice");
        assert!(!supply.has_failed());
        supply.ask(&broken());
        wait_for(|| supply.has_failed().then_some(()));
        assert!(supply.take().is_none(), "the old voice plays on");
        assert!(!STOCK.is_poisoned());
        // Another instance, and another request of the same one, are served as ever.
        let mut other = LiveSupply::new(&first);
        supply_after(&mut other, &spec(1));
        supply.ask(&spec(2));
        let voice = wait_for(|| supply.take());
        assert_eq!(*voice.spectra().spec(), spec(2));
        assert!(!supply.has_failed());
        drop(old);
    }

    #[test]
    fn a_first_build_that_panics_leaves_an_instance_without_a_tail_until_the_next_request() {
        let _alone = only_live_test();
        for mut supply in [Supply::live(&broken()), Supply::offline(&broken())] {
            assert!(supply.has_failed());
            assert!(supply.take().is_none());
            supply.ask(&spec(1));
            assert_eq!(*wait_for(|| supply.take()).spectra().spec(), spec(1));
            assert!(!supply.has_failed());
        }
    }

    #[test]
    fn a_thread_that_is_gone_is_started_anew_by_the_next_instance_and_serves_all() {
        let _alone = only_live_test();
        let mut one = LiveSupply::new(&spec(0));
        supply_after(&mut one, &spec(1));
        let (shared, thread) = {
            let mut builder = BUILDER.lock().unwrap_or_else(PoisonError::into_inner);
            let builder = builder.as_mut().expect("there is an instance");
            (Arc::clone(&builder.shared), builder.thread.take().expect("it runs"))
        };
        shared.is_closing.store(true, Ordering::Release);
        thread.join().expect("it ends");
        shared.is_closing.store(false, Ordering::Release);
        one.ask(&spec(2));
        std::thread::sleep(LOOK_EVERY * 5);
        assert!(one.take().is_none(), "the control: nobody builds");
        let _two = LiveSupply::new(&spec(0));
        assert_eq!(*wait_for(|| one.take()).spectra().spec(), spec(2));
    }

    /// Leaving waits for no queue: the last of two hundred, each with a request of its own, is gone within the 50 ms that are
    /// promised, or, on a machine so busy that one cannot tell, within a tenth of what the queue takes to build.
    #[test]
    #[allow(clippy::disallowed_methods, reason = "how long leaving takes is what is tested")]
    fn leaving_waits_for_no_queue() {
        use std::time::Instant;
        const INSTANCES: u32 = 200;
        const PROMISED: Duration = Duration::from_millis(50);
        let _alone = only_live_test();
        let request = |n: u32| {
            let mut settings = Settings::default();
            settings.platform.decay_s = 1.0 + 0.001 * f64::from(n);
            Engine::tail_spec(&Config { sample_rate_hz: 96_000.0, layout: Layout::MonoToStereo }, &settings)
        };
        let mut supplies: Vec<_> = (0..INSTANCES).map(|_| LiveSupply::new(&request(0))).collect();
        let start = Instant::now();
        let built: Vec<_> = (1..=INSTANCES / 10).map(|n| build(&request(n), &|| false)).collect();
        let tenth = start.elapsed();
        drop(built);
        for (n, supply) in supplies.iter_mut().enumerate() {
            supply.ask(&request(INSTANCES + n as u32));
        }
        // The thread is at work on them.
        let served = wait_for(|| supplies.iter_mut().position(|supply| !supply.finished.is_empty()));
        let mut longest = Duration::ZERO;
        supplies.swap(0, served);
        for supply in supplies {
            let start = Instant::now();
            drop(supply);
            longest = Duration::max(longest, start.elapsed());
        }
        eprintln!("longest leave of {INSTANCES}: {longest:.1?}; a tenth of the queue takes {tenth:.1?}");
        assert!(longest < Duration::max(PROMISED, tenth), "{longest:?}, a tenth of the queue {tenth:?}");
    }

    #[test]
    fn the_newest_request_wins() {
        let _alone = only_live_test();
        let mut supply = LiveSupply::new(&spec(0));
        let requests: Vec<_> = (100..140).map(spec).collect();
        for request in &requests {
            supply.ask(request);
        }
        let newest = requests[39];
        let voice = wait_for(|| {
            let voice = supply.take()?;
            if *voice.spectra().spec() == newest {
                return Some(voice);
            }
            supply.give_back(voice);
            None
        });
        assert_eq!(*voice.spectra().spec(), newest);
        std::thread::sleep(LOOK_EVERY * 5);
        assert!(supply.take().is_none(), "a voice came after the newest");
    }

    #[test]
    fn a_voice_given_back_is_freed_elsewhere() {
        let _alone = only_live_test();
        let mut supply = LiveSupply::new(&spec(3));
        let voice = supply.take().expect("a voice");
        let spectra = Arc::downgrade(voice.spectra());
        // Nothing on this thread drops the voice from here on.
        supply.give_back(voice);
        wait_for(|| (spectra.strong_count() == 0).then_some(()));
    }

    #[test]
    fn voices_go_round_without_end() {
        let _alone = only_live_test();
        let mut supply = LiveSupply::new(&spec(0));
        let _built = [0, 1].map(|n| build(&spec(n), &|| false));
        for n in 1..=VOICES as u32 * 4 {
            let voice = wait_for(|| supply.take());
            supply.give_back(voice);
            supply.ask(&spec(n % 2));
        }
    }

    #[test]
    fn an_instance_that_keeps_its_voices_gets_no_more_than_can_come_back() {
        let _alone = only_live_test();
        let mut supply = LiveSupply::new(&spec(0));
        let mut kept = vec![supply.take().expect("a voice")];
        let _built = [0, 1].map(|n| build(&spec(n), &|| false));
        for n in 1..VOICES as u32 {
            supply.ask(&spec(n % 2));
            kept.push(wait_for(|| supply.take()));
        }
        let waiting = spec(9);
        supply.ask(&waiting);
        std::thread::sleep(LOOK_EVERY * 10);
        assert!(supply.take().is_none(), "more voices than the ring back holds");
        for voice in kept.drain(..) {
            supply.give_back(voice);
        }
        assert_eq!(*wait_for(|| supply.take()).spectra().spec(), waiting);
    }

    #[test]
    fn the_workshop_is_open_while_there_is_a_supply() {
        let _alone = only_live_test();
        let is_open = || STOCK.lock().unwrap_or_else(PoisonError::into_inner).workshop.is_some();
        let (live, offline) = (LiveSupply::new(&spec(0)), Supply::offline(&spec(1)));
        drop(live);
        assert!(is_open());
        drop(offline);
        assert!(!is_open());
    }

    #[test]
    fn offline_the_newest_request_is_there_at_once() {
        let _alone = only_live_test();
        let (a, b) = (spec(1), spec(2));
        let mut supply = Supply::offline(&a);
        supply.ask(&b);
        assert_eq!(*supply.take().expect("a voice").spectra().spec(), b);
        assert!(supply.take().is_none());
        supply.ask(&a);
        let voice = supply.take().expect("a voice");
        assert_eq!(*voice.spectra().spec(), a);
        supply.give_back(voice);
    }

    #[test]
    fn a_render_told_while_it_plays_builds_on_the_spot_and_playing_goes_on_afterwards() {
        let _alone = only_live_test();
        let (a, b, c) = (spec(1), spec(2), spec(3));
        let mut supply = Supply::live(&a);
        let first = supply.take().expect("the first voice");
        supply.ask(&b);
        assert!(supply.is_awaited());
        supply.render(true);
        let second = supply.take().expect("what was on its way is built");
        assert_eq!(*second.spectra().spec(), b);
        assert!(!supply.is_awaited());
        supply.give_back(first);
        supply.ask(&c);
        let third = supply.take().expect("built at once");
        assert_eq!(*third.spectra().spec(), c);
        supply.give_back(second);
        supply.render(false);
        supply.give_back(third);
        for n in 0..2 * VOICES as u32 {
            supply.ask(&spec(4 + n % 2));
            let voice = wait_for(|| supply.take());
            supply.give_back(voice);
        }
    }

    #[test]
    fn the_thread_ends_with_the_last_instance_and_starts_again_with_the_next() {
        let _alone = only_live_test();
        let is_running = || BUILDER.lock().unwrap_or_else(PoisonError::into_inner).is_some();
        for _ in 0..3 {
            assert!(!is_running());
            let first = spec(0);
            let (one, mut two) = (LiveSupply::new(&first), LiveSupply::new(&first));
            drop(one);
            assert!(is_running());
            // The thread still serves the other one.
            let other = spec(1);
            supply_after(&mut two, &other);
            drop(two);
            assert!(!is_running());
        }
    }

    fn supply_after(supply: &mut LiveSupply, request: &TailSpec) {
        supply.take();
        supply.ask(request);
        assert_eq!(*wait_for(|| supply.take()).spectra().spec(), *request);
    }
}
