//! The shared platforms of a process: whose they are, what they hold, and how many stand on them.

use super::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering, fence};
use super::{MOST, PLACES, Shared};

/// Numbers under which a session has platforms.
pub const PLATFORMS: usize = 4;

/// Values that several threads read and write, each for itself.
#[derive(Debug)]
pub(super) struct Cells([AtomicU64; PLACES]);

impl Cells {
    pub(super) fn of(values: &Shared) -> Self {
        Self(values.map(|value| AtomicU64::new(value.to_bits())))
    }

    pub(super) fn get(&self, place: usize) -> f64 {
        f64::from_bits(self.0[place].load(Ordering::Acquire))
    }

    pub(super) fn set(&self, place: usize, value: f64) {
        self.0[place].store(value.to_bits(), Ordering::Release);
    }

    pub(super) fn all(&self) -> Shared {
        std::array::from_fn(|place| self.get(place))
    }

    pub(super) fn set_all(&self, values: &Shared) {
        for (place, &value) in values.iter().enumerate() {
            self.set(place, value);
        }
    }
}

/// One shared platform: of one session, under one number.
///
/// Whose it is changes only while nobody stands on it. That, its values and
/// the count of those who come are written by the holder of the [`Gate`] alone;
/// only leaving needs no gate.
#[derive(Debug)]
pub(super) struct Platform {
    /// The session's id.
    session: AtomicU64,
    /// From 1.
    number: AtomicUsize,
    /// Whether a state without a session's id brought it here.
    is_of_no_session: AtomicBool,
    members: AtomicUsize,
    values: Cells,
    /// How often each value was edited.
    edits: [AtomicU64; PLACES],
    /// Members that were loaded with another value and stand on that: how many, and in the upper half since which edit.
    apart: [AtomicU64; PLACES],
}

impl Platform {
    fn empty() -> Self {
        let zeros = || std::array::from_fn(|_| AtomicU64::new(0));
        Self {
            session: AtomicU64::new(0),
            number: AtomicUsize::new(0),
            is_of_no_session: AtomicBool::new(false),
            members: AtomicUsize::new(0),
            values: Cells::of(&[0.0; PLACES]),
            edits: zeros(),
            apart: zeros(),
        }
    }

    fn is_of(&self, session: u64, number: usize) -> bool {
        self.members() > 0 && self.session() == session && self.number.load(Ordering::Relaxed) == number
    }

    pub(super) fn session(&self) -> u64 {
        self.session.load(Ordering::Relaxed)
    }

    pub(super) fn members(&self) -> usize {
        self.members.load(Ordering::Acquire)
    }

    /// Returns how often a value was edited; what was set last can be read after it.
    pub(super) fn edits(&self, place: usize) -> u64 {
        self.edits[place].load(Ordering::Acquire)
    }

    pub(super) fn value(&self, place: usize) -> f64 {
        self.values.get(place)
    }

    pub(super) fn all(&self) -> Shared {
        self.values.all()
    }

    /// Returns how many members stand on another value than the platform's.
    pub(super) fn apart(&self, place: usize) -> usize {
        let word = self.apart[place].load(Ordering::Acquire);
        // Who stood apart before an edit has taken it over, or will.
        if since(word) == self.edits(place) & u64::from(u32::MAX) { apart_of(word) } else { 0 }
    }

    /// Counts one more, or one less, that stands apart since the edit `edits`.
    pub(super) fn count_apart(&self, place: usize, edits: u64, is_apart: bool) {
        let edits = edits & u64::from(u32::MAX);
        let counted = |word: u64| match (since(word) == edits, is_apart) {
            (true, true) => Some(word + 1),
            (true, false) => (apart_of(word) > 0).then(|| word - 1),
            (false, true) => Some((edits << u32::BITS) | 1),
            (false, false) => None,
        };
        let _ = self.apart[place].fetch_update(Ordering::AcqRel, Ordering::Acquire, counted);
    }

    /// Makes the value of one who stands apart the platform's, if nobody stands on what is there; nobody is told to follow.
    pub(super) fn take_over(&self, _gate: &Gate<'_>, place: usize, value: f64) {
        if self.apart(place) >= self.members() {
            self.values.set(place, value);
        }
    }

    /// Leaves; the next who comes to an empty platform makes it its own.
    pub(super) fn leave(&self) {
        self.members.fetch_sub(1, Ordering::AcqRel);
    }
}

const fn since(word: u64) -> u64 {
    word >> u32::BITS
}

const fn apart_of(word: u64) -> usize {
    (word & u32::MAX as u64) as usize
}

/// The platforms of a process.
#[derive(Debug)]
pub struct Registry {
    platforms: [Platform; MOST],
    is_gate_shut: AtomicBool,
    /// The session that was played, joined or edited last.
    in_front: AtomicU64,
    loads_begun: AtomicUsize,
    loads_ended: AtomicUsize,
}

impl Registry {
    /// Makes empty platforms.
    pub fn new() -> Self {
        Self {
            platforms: std::array::from_fn(|_| Platform::empty()),
            is_gate_shut: AtomicBool::new(false),
            in_front: AtomicU64::new(0),
            loads_begun: AtomicUsize::new(0),
            loads_ended: AtomicUsize::new(0),
        }
    }

    /// Notes that an instance is about to be loaded: what its parameters become from here to
    /// [`super::Membership::load`] is no edit.
    pub fn begin_load(&self) {
        self.loads_begun.fetch_add(1, Ordering::Relaxed);
        // Whoever sees a parameter that is set after this sees the count, too.
        fence(Ordering::Release);
    }

    pub(super) fn end_load(&self) {
        self.loads_ended.fetch_add(1, Ordering::Release);
    }

    /// Reads something, and says whether no load can have touched it; what ended before is seen whole.
    pub(super) fn read_between_loads<T>(&self, read: impl FnOnce() -> T) -> (T, bool) {
        let ended = self.loads_ended.load(Ordering::Acquire);
        let found = read();
        fence(Ordering::Acquire);
        (found, self.loads_begun.load(Ordering::Relaxed) == ended)
    }

    /// Returns how many instances stand on the platforms of a number, counted from 0, whatever their session.
    pub fn members(&self, platform: usize) -> usize {
        self.of_number(platform + 1).map(Platform::members).sum()
    }

    /// Returns a platform by its place in the list.
    pub(super) fn platform(&self, slot: usize) -> Option<&Platform> {
        self.platforms.get(slot)
    }

    /// Returns how many sessions have platforms of this number, besides `session`.
    pub(super) fn others_of(&self, number: usize, session: u64) -> usize {
        self.of_number(number).filter(|platform| platform.session() != session).count()
    }

    /// Notes that a session is played or edited.
    pub(super) fn bring_to_front(&self, session: u64) {
        // Read first: where one session plays, its instances never write to the same place.
        if self.in_front.load(Ordering::Relaxed) != session {
            self.in_front.store(session, Ordering::Relaxed);
        }
    }

    /// Shuts the gate behind the caller, if nobody else is inside; nobody waits for it on the audio thread.
    pub(super) fn enter(&self) -> Option<Gate<'_>> {
        let is_mine =
            self.is_gate_shut.compare_exchange(false, true, Ordering::Acquire, Ordering::Relaxed).is_ok();
        // Made only where it is wanted: a gate that is dropped opens.
        is_mine.then(|| Gate(self))
    }

    fn in_use(&self) -> impl Iterator<Item = &Platform> {
        self.platforms.iter().filter(|platform| platform.members() > 0)
    }

    fn of_number(&self, number: usize) -> impl Iterator<Item = &Platform> {
        self.in_use().filter(move |platform| platform.number.load(Ordering::Relaxed) == number)
    }
}

impl Default for Registry {
    fn default() -> Self {
        Self::new()
    }
}

/// The right to come to platforms and to set their values, which one thread has at a time, for some hundred nanoseconds.
pub(super) struct Gate<'registry>(&'registry Registry);

impl Gate<'_> {
    /// Says whether anybody stands on a platform of the session.
    pub(super) fn is_in_use(&self, session: u64) -> bool {
        self.0.in_use().any(|platform| platform.session() == session)
    }

    /// Returns the session that was played, joined or edited last, and whether it is the only one; `None` if there is none.
    pub(super) fn in_front(&self) -> Option<(u64, bool)> {
        let first = self.0.in_use().next()?.session();
        let is_only = self.0.in_use().all(|platform| platform.session() == first);
        let in_front = self.0.in_front.load(Ordering::Relaxed);
        Some((if self.is_in_use(in_front) { in_front } else { first }, is_only))
    }

    /// Returns the session of a platform that states without a session's id have brought, with just these values.
    pub(super) fn of_no_session(&self, number: usize, values: &Shared) -> Option<u64> {
        self.0
            .of_number(number)
            .find(|platform| {
                platform.is_of_no_session.load(Ordering::Relaxed) && platform.values.all() == *values
            })
            .map(Platform::session)
    }

    /// Returns the platform of a session and a number, if somebody stands on it.
    pub(super) fn find(&self, session: u64, number: usize) -> Option<&Platform> {
        self.0.platforms.iter().find(|platform| platform.is_of(session, number))
    }

    /// Joins the platform of a session and a number and returns its place in the list; the first who comes brings
    /// `values`. `None` where all are taken.
    pub(super) fn join(
        &self,
        session: u64,
        number: usize,
        is_of_no_session: bool,
        values: &Shared,
    ) -> Option<usize> {
        let platforms = &self.0.platforms;
        let found = platforms.iter().position(|platform| platform.is_of(session, number));
        let slot = found.or_else(|| platforms.iter().position(|platform| platform.members() == 0))?;
        let platform = &platforms[slot];
        // The last may have left since it was found; then it is empty, and nobody else can come.
        if platform.members.fetch_add(1, Ordering::AcqRel) == 0 {
            platform.session.store(session, Ordering::Relaxed);
            platform.number.store(number, Ordering::Relaxed);
            platform.is_of_no_session.store(is_of_no_session, Ordering::Relaxed);
            platform.values.set_all(values);
            for place in 0..PLACES {
                platform.apart[place].store(0, Ordering::Relaxed);
                // What somebody still knows of those who stood here before is of the past.
                platform.edits[place].fetch_add(1, Ordering::Release);
            }
        }
        self.0.bring_to_front(session);
        Some(slot)
    }

    /// Sets a value for all who stand on a platform.
    pub(super) fn edit(&self, platform: &Platform, place: usize, value: f64) {
        platform.values.set(place, value);
        platform.edits[place].fetch_add(1, Ordering::Release);
        self.0.bring_to_front(platform.session());
    }
}

impl Drop for Gate<'_> {
    fn drop(&mut self) {
        self.0.is_gate_shut.store(false, Ordering::Release);
    }
}
