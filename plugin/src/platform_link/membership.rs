//! An instance's place on the platforms: what it follows, and what of its own it tells.

use std::sync::Arc;

use super::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use super::registry::{Cells, PLATFORMS, Platform, Registry};
use super::{Link, PLACES, Shared, yield_now};

/// How long a parameter may stay away from what a hand in the editor told, s of sound, until it counts as an edit of its own.
///
/// Our choice: a host hands on a drag one block late or a few, and half a
/// second is more than the latest; until then the parameter's passing values
/// are old news.
const HANDED_ON_S: f64 = 0.5;
/// What comes back is what a hand told if it differs by less than this: under half of the finest step of a shared
/// parameter, the decay's 0.001 s.
const SAME: f64 = 4e-4;
/// A number of edits that there never are: the platform's value is followed, whenever it was edited.
const FOLLOWS: u64 = u64::MAX;

/// An instance's place on the platforms.
///
/// [`Self::follow`] is for one thread at a time, the audio thread while there
/// is one; everything else may be called beside it.
#[derive(Debug)]
pub struct Membership {
    registry: &'static Registry,
    /// The session to which the instance belongs; 0 for none so far.
    session: Arc<AtomicU64>,
    /// The id of the session that the instance opens where there is none.
    candidate: u64,
    /// 0 while on its own, else the platform: its place in the list and its number.
    joined: AtomicUsize,
    /// The number that the link said when it last counted; 0 for none.
    wished: AtomicUsize,
    /// Whether that number was loaded, and not chosen by a hand or the host.
    is_wish_loaded: AtomicBool,
    /// Whether the session was chosen among several.
    is_guess: AtomicBool,
    /// Whether all platforms of the process were taken.
    is_turned_away: AtomicBool,
    /// The instance's own parameters when they last counted.
    seen: Cells,
    /// What the instance stands on.
    kept: Cells,
    /// How often each value of the platform had been edited when the instance was loaded onto it, or [`FOLLOWS`].
    since: [AtomicU64; PLACES],
    /// Whether the platform counts the instance as one that stands on another value.
    is_apart: [AtomicBool; PLACES],
    /// What a hand in the editor has told and the own parameter does not have yet; no number where there is nothing.
    told: Cells,
    /// The number to which it was told, from 1; 0 for none.
    told_on: Cells,
    /// How long the own parameters have been other than `seen`, s.
    waited_s: Cells,
    /// States loaded, and how many of them were taken note of.
    loads: AtomicUsize,
    loads_seen: AtomicUsize,
}

/// How an instance stands, for the window to say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standing {
    /// All platforms of the process are taken, and the instance stands on its own.
    pub is_turned_away: bool,
    /// There are several sessions, and the instance joined the one that was played or edited last.
    pub is_guess: bool,
    /// The instance was loaded, stands alone, and another session has a platform of the same number.
    pub is_stranger: bool,
    /// Where members of the platform were loaded with different values, and nobody has edited since.
    pub differences: [Option<Difference>; PLACES],
}

/// A value in which the members of a platform differ.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// What the instance stands on.
    pub here: f64,
    /// What the platform has, where the instance stands on something else.
    pub there: Option<f64>,
}

impl Membership {
    /// Starts on its own platform, beside the platforms of `registry`; `candidate` is a session's id that nobody else has.
    pub fn on(registry: &'static Registry, own: &Shared, candidate: u64) -> Self {
        Self {
            registry,
            session: Arc::new(AtomicU64::new(0)),
            candidate,
            joined: AtomicUsize::new(0),
            wished: AtomicUsize::new(0),
            is_wish_loaded: AtomicBool::new(false),
            is_guess: AtomicBool::new(false),
            is_turned_away: AtomicBool::new(false),
            seen: Cells::of(own),
            kept: Cells::of(own),
            since: std::array::from_fn(|_| AtomicU64::new(FOLLOWS)),
            is_apart: std::array::from_fn(|_| AtomicBool::new(false)),
            told: Cells::of(&[f64::NAN; PLACES]),
            told_on: Cells::of(&[0.0; PLACES]),
            waited_s: Cells::of(&[0.0; PLACES]),
            loads: AtomicUsize::new(0),
            loads_seen: AtomicUsize::new(0),
        }
    }

    /// Returns the id of the instance's session, 0 for none: states hold it. It is set before [`Self::load`].
    pub fn session(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.session)
    }

    /// Notes that a state was loaded, which [`Registry::begin_load`] announced; its values are in the instance's own
    /// parameters by now.
    pub fn load(&self) {
        // What was told before is no longer what this instance wants.
        self.told.set_all(&[f64::NAN; PLACES]);
        self.loads.fetch_add(1, Ordering::AcqRel);
        self.registry.end_load();
    }

    /// Says whether a state was loaded and not played yet.
    fn is_loaded(&self) -> bool {
        self.loads.load(Ordering::Acquire) != self.loads_seen.load(Ordering::Acquire)
    }

    /// Joins, leaves, tells own edits and takes over those of others; `own` reads the instance's link and parameters, and
    /// `elapsed_s` of sound have passed since the last call.
    pub fn follow(&self, own: impl FnOnce() -> (Link, Shared), elapsed_s: f64) {
        let seen = self.seen.all();
        let ((loads, (link, own)), is_whole) =
            self.registry.read_between_loads(|| (self.loads.load(Ordering::Acquire), own()));
        // While a state is being loaded, parameters are neither edits nor what the instance wants: the next look will do.
        if is_whole {
            self.come_and_go(link, &own, loads);
            self.tell_edits(&seen, &own, elapsed_s);
        }
        if let Some((platform, _)) = self.joined() {
            self.registry.bring_to_front(platform.session());
            self.take_over_edits(platform);
        }
    }

    fn come_and_go(&self, link: Link, own: &Shared, loads: usize) {
        let number = link.number();
        let is_loaded = loads != self.loads_seen.load(Ordering::Acquire);
        let is_chosen = !is_loaded && self.wished.load(Ordering::Acquire) != number;
        if is_loaded {
            // A loaded state holds what the instance stood on; it is no edit of a platform that others stand on.
            self.leave();
            self.seen.set_all(own);
            self.kept.set_all(own);
        }
        if is_chosen {
            // What was set before joining is what the instance brings, not an edit of what it joins.
            self.forget_overruled();
            let was_stranger = self.is_wish_loaded.load(Ordering::Acquire) && self.is_lone_beside_others();
            self.leave();
            for place in (0..PLACES).filter(|&place| own[place] != self.seen.get(place)) {
                self.seen.set(place, own[place]);
                self.kept.set(place, own[place]);
            }
            if number == 0 && (self.is_guess.swap(false, Ordering::AcqRel) || was_stranger) {
                // Whoever leaves what was chosen for it, or stood alone beside another session, may choose again. All
                // others stay of their session, also where nobody of it is linked at the moment.
                self.session.store(0, Ordering::Release);
            }
        }
        if is_loaded || is_chosen {
            self.keep_told();
            self.waited_s.set_all(&[0.0; PLACES]);
            self.is_wish_loaded.store(is_loaded, Ordering::Release);
            self.is_turned_away.store(false, Ordering::Release);
            self.wished.store(number, Ordering::Release);
        }
        if number != 0 && self.joined().is_none() {
            self.join(number);
        }
        if is_loaded {
            self.loads_seen.store(loads, Ordering::Release);
        }
    }

    /// Joins the platform of a number; where somebody else is at the gate, the next look tries again.
    fn join(&self, number: usize) {
        let Some(gate) = self.registry.enter() else { return };
        let kept = self.kept.all();
        let own_session = self.session.load(Ordering::Acquire);
        let is_loaded = self.is_wish_loaded.load(Ordering::Acquire);
        let mut is_of_no_session = false;
        let mut is_guess = false;
        let session = if own_session != 0 {
            own_session
        } else if is_loaded {
            is_of_no_session = true;
            gate.of_no_session(number, &kept).unwrap_or(self.candidate)
        } else if let Some((in_front, is_only)) = gate.in_front() {
            is_guess = !is_only;
            in_front
        } else {
            self.candidate
        };
        let slot = gate.join(session, number, is_of_no_session, &kept);
        self.is_turned_away.store(slot.is_none(), Ordering::Release);
        let Some((slot, platform)) = slot.and_then(|slot| Some((slot, self.registry.platform(slot)?))) else {
            return;
        };
        self.session.store(session, Ordering::Release);
        self.is_guess.store(is_guess, Ordering::Release);
        for place in 0..PLACES {
            // Who is loaded keeps its own until somebody edits; who comes by hand takes over what is there.
            let since = if is_loaded { platform.edits(place) } else { FOLLOWS };
            self.since[place].store(since, Ordering::Release);
            self.is_apart[place].store(false, Ordering::Release);
        }
        self.joined.store(slot * PLATFORMS + number, Ordering::Release);
        for place in 0..PLACES {
            let told = self.told.get(place);
            if !told.is_nan() && self.told_on.get(place) == number as f64 {
                gate.edit(platform, place, told);
            }
        }
    }

    fn leave(&self) {
        let Some((platform, _)) = self.joined() else { return };
        for place in 0..PLACES {
            let since = self.since[place].load(Ordering::Acquire);
            if since != platform.edits(place) {
                // Also what others have set since the last look.
                self.kept.set(place, platform.value(place));
            } else if self.is_apart[place].load(Ordering::Acquire) {
                platform.count_apart(place, since, false);
            }
        }
        self.joined.store(0, Ordering::Release);
        platform.leave();
    }

    /// Tells edits; `seen` was seen before `own` was read.
    fn tell_edits(&self, seen: &Shared, own: &Shared, elapsed_s: f64) {
        self.note_arrivals(own);
        for (place, &own) in own.iter().enumerate() {
            let told = self.told.get(place);
            // The editor can have seen a newer one meanwhile: then this one is old news.
            if own == self.seen.get(place) || own == seen[place] {
                if !told.is_nan() {
                    self.waited_s.set(place, 0.0);
                }
                continue;
            }
            let waited_s = if told.is_nan() { HANDED_ON_S } else { self.waited_s.get(place) + elapsed_s };
            if waited_s < HANDED_ON_S {
                self.waited_s.set(place, waited_s);
            } else if self.write(place, own) {
                self.waited_s.set(place, 0.0);
                self.told.set(place, f64::NAN);
                self.seen.set(place, own);
            }
        }
    }

    /// Sets a value for the instance and those who stand with it; says no where somebody else is at the gate.
    fn write(&self, place: usize, value: f64) -> bool {
        if let Some((platform, _)) = self.joined() {
            let Some(gate) = self.registry.enter() else { return false };
            gate.edit(platform, place, value);
        }
        self.kept.set(place, value);
        true
    }

    fn take_over_edits(&self, platform: &Platform) {
        for place in 0..PLACES {
            let since = self.since[place].load(Ordering::Acquire);
            if since == FOLLOWS {
                self.kept.set(place, platform.value(place));
                continue;
            }
            if since != platform.edits(place) {
                self.since[place].store(FOLLOWS, Ordering::Release);
                self.is_apart[place].store(false, Ordering::Release);
                self.kept.set(place, platform.value(place));
                continue;
            }
            let own = self.kept.get(place);
            let was_apart = self.is_apart[place].load(Ordering::Acquire);
            if was_apart
                && platform.apart(place) >= platform.members()
                && let Some(gate) = self.registry.enter()
            {
                // Who brought the platform's value has gone.
                platform.take_over(&gate, place, own);
            }
            let is_apart = own != platform.value(place);
            if is_apart != was_apart {
                platform.count_apart(place, since, is_apart);
                self.is_apart[place].store(is_apart, Ordering::Release);
            }
        }
    }

    /// Tells what a hand has set in the editor at once, also where the instance's own parameter has that value already;
    /// where the link is not played yet, as soon as it is.
    pub fn edit(&self, link: Link, place: usize, value: f64) {
        let number = link.number();
        // On its own, where it stands on its own parameter, the parameter says it all.
        if number == 0 && self.joined().is_none() && self.kept.get(place) == self.seen.get(place) {
            return;
        }
        self.told_on.set(place, number as f64);
        self.told.set(place, value);
        let gate = loop {
            match self.registry.enter() {
                Some(gate) => break gate,
                // Not on the audio thread, and for the blink of an eye.
                None => yield_now(),
            }
        };
        if let Some((platform, _)) =
            self.joined().filter(|(_, joined)| *joined == number && !self.is_loaded())
        {
            gate.edit(platform, place, value);
        }
        self.kept.set(place, value);
    }

    /// Returns what the instance stands on, an own edit that is not told yet included.
    pub fn look(&self, link: Link, own: &Shared) -> Shared {
        let number = link.number();
        let told_or = |place: usize, value: f64| {
            let told = self.told.get(place);
            if told.is_nan() { value } else { told }
        };
        if self.is_loaded() {
            return std::array::from_fn(|place| told_or(place, own[place]));
        }
        let is_settled = number == self.wished.load(Ordering::Acquire);
        if is_settled {
            self.note_arrivals(own);
        }
        let stands_on = self.stands_on();
        // A link that is chosen and not played yet: what it will stand on, or what it leaves with.
        let ahead = if is_settled { None } else { self.ahead(number) };
        std::array::from_fn(|place| {
            let told = self.told.get(place);
            if !is_settled && !told.is_nan() {
                told
            } else if own[place] == self.seen.get(place) || !told.is_nan() {
                ahead.map_or(stands_on[place], |ahead| ahead[place])
            } else {
                own[place]
            }
        })
    }

    /// Returns the values of the platform that a hand's choice would join.
    fn ahead(&self, number: usize) -> Option<Shared> {
        let gate = self.registry.enter()?;
        let own_session = self.session.load(Ordering::Acquire);
        let session = if own_session != 0 { own_session } else { gate.in_front()?.0 };
        Some(gate.find(session, number)?.all())
    }

    /// Returns place, followed value and own parameter wherever the instance stands on something else than its own.
    pub fn followed(&self) -> [Option<(usize, f64, f64)>; PLACES] {
        // What was loaded and not played yet is in the parameters, and nothing else is stood on.
        let is_loaded = self.is_loaded();
        let values = self.stands_on();
        std::array::from_fn(|place| {
            let own = self.seen.get(place);
            (!is_loaded && values[place] != own).then_some((place, values[place], own))
        })
    }

    /// Returns how the instance stands.
    pub fn standing(&self) -> Standing {
        let is_told = |flag: &AtomicBool| flag.load(Ordering::Acquire);
        let session = self.session.load(Ordering::Acquire);
        let number = self.wished.load(Ordering::Acquire);
        let has_others = self.registry.others_of(number, session) > 0;
        let joined = self.joined().filter(|_| !self.is_loaded());
        let stands_on = self.stands_on();
        Standing {
            is_turned_away: is_told(&self.is_turned_away) && number != 0,
            is_guess: is_told(&self.is_guess) && joined.is_some() && has_others,
            is_stranger: joined.is_some() && is_told(&self.is_wish_loaded) && self.is_lone_beside_others(),
            differences: std::array::from_fn(|place| {
                let (platform, _) = joined.filter(|(platform, _)| platform.apart(place) > 0)?;
                let (here, there) = (stands_on[place], platform.value(place));
                Some(Difference { here, there: (here != there).then_some(there) })
            }),
        }
    }

    /// Says whether the instance stands alone on its platform while another session has one of the same number.
    fn is_lone_beside_others(&self) -> bool {
        let session = self.session.load(Ordering::Acquire);
        let number = self.wished.load(Ordering::Acquire);
        self.joined().is_some_and(|(platform, _)| platform.members() == 1)
            && self.registry.others_of(number, session) > 0
    }

    /// Returns the platform that is joined, and its number.
    fn joined(&self) -> Option<(&'static Platform, usize)> {
        let place = self.joined.load(Ordering::Acquire).checked_sub(1)?;
        Some((self.registry.platform(place / PLATFORMS)?, place % PLATFORMS + 1))
    }

    fn stands_on(&self) -> Shared {
        let before = self.joined.load(Ordering::Acquire);
        let values = std::array::from_fn(|place| match self.joined() {
            Some((platform, _)) if self.since[place].load(Ordering::Acquire) != platform.edits(place) => {
                platform.value(place)
            }
            _ => self.kept.get(place),
        });
        // Who left meanwhile has kept what it stood on.
        if self.joined.load(Ordering::Acquire) == before { values } else { self.kept.all() }
    }

    /// Counts parameters that now have what a hand has told as seen: they are no edits of their own.
    fn note_arrivals(&self, own: &Shared) {
        for (place, &own) in own.iter().enumerate() {
            // Never true of no number.
            if (own - self.told.get(place)).abs() < SAME {
                self.seen.set(place, own);
                self.told.set(place, f64::NAN);
            }
        }
    }

    /// Forgets what a hand has told the platform that is left, where somebody else's edit came after it.
    fn forget_overruled(&self) {
        let Some((platform, number)) = self.joined() else { return };
        for place in 0..PLACES {
            if self.told_on.get(place) == number as f64 && platform.value(place) != self.told.get(place) {
                self.told.set(place, f64::NAN);
            }
        }
    }

    /// Takes what a hand has told into what the instance brings.
    fn keep_told(&self) {
        for place in 0..PLACES {
            let told = self.told.get(place);
            if !told.is_nan() {
                self.kept.set(place, told);
            }
        }
    }
}

impl Drop for Membership {
    fn drop(&mut self) {
        self.leave();
    }
}
