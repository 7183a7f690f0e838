//! An instance's place on the platforms: what it follows, and what of its own it tells.

use super::atomic::{AtomicUsize, Ordering};
use super::registry::{Cells, Platform, Registry};
use super::{Link, PLACES, Shared};

/// How long a changed parameter waits before it is told, s of sound.
///
/// Our choice: far longer than a state takes to be loaded beside the audio
/// thread, and a fifth of the time in which all shall follow.
const SETTLED_S: f64 = 0.02;
/// How long a parameter may stay away from what a hand in the editor told, s of sound, until it counts as an edit of its own.
///
/// Our choice: a host hands on a drag one block late or a few, and half a
/// second is more than the latest; until then the parameter's passing values
/// are old news.
const HANDED_ON_S: f64 = 0.5;
/// Two values are one if they differ by less than this: under half of the finest grid step, the decay's 0.001 s.
const SAME: f64 = 4e-4;

/// An instance's place on the platforms.
///
/// [`Self::follow`] is for one thread at a time, the audio thread while there
/// is one; everything else may be called beside it.
#[derive(Debug)]
pub struct Membership {
    registry: &'static Registry,
    /// 0 while on its own, else the platform's number from 1.
    joined: AtomicUsize,
    /// The instance's own parameters when they last counted.
    seen: Cells,
    /// What the instance stands on.
    kept: Cells,
    /// What a hand in the editor has told and the own parameter does not have yet; no number where there is nothing.
    told: Cells,
    /// The platform to which it was told, from 1; 0 for none.
    told_on: Cells,
    /// How long the own parameters have been other than `seen`, s.
    waited_s: Cells,
    /// States loaded, and how many of them were taken note of.
    loads: AtomicUsize,
    loads_seen: AtomicUsize,
}

impl Membership {
    /// Starts on its own platform, beside the platforms of `registry`.
    pub fn on(registry: &'static Registry, own: &Shared) -> Self {
        Self {
            registry,
            joined: AtomicUsize::new(0),
            seen: Cells::of(own),
            kept: Cells::of(own),
            told: Cells::of(&[f64::NAN; PLACES]),
            told_on: Cells::of(&[0.0; PLACES]),
            waited_s: Cells::of(&[0.0; PLACES]),
            loads: AtomicUsize::new(0),
            loads_seen: AtomicUsize::new(0),
        }
    }

    /// Notes that a state was loaded; its values are in the instance's own parameters by now.
    pub fn load(&self) {
        // What was told before is no longer what this instance wants.
        self.told.set_all(&[f64::NAN; PLACES]);
        self.loads.fetch_add(1, Ordering::AcqRel);
    }

    /// Says whether a state was loaded and not played yet.
    fn is_loaded(&self) -> bool {
        self.loads.load(Ordering::Acquire) != self.loads_seen.load(Ordering::Acquire)
    }

    /// Joins, leaves, tells own edits and takes over those of others; `own` reads the instance's parameters, and
    /// `elapsed_s` of sound have passed since the last call.
    pub fn follow(&self, link: Link, own: impl FnOnce() -> Shared, elapsed_s: f64) {
        // First the count, then the parameters: a state that is loaded in between is another load.
        let loads = self.loads.load(Ordering::Acquire);
        let own = own();
        if loads != self.loads_seen.load(Ordering::Acquire) {
            // A loaded state holds what the instance stood on; it is no edit of a platform that others stand on.
            self.stand_on(0);
            self.seen.set_all(&own);
            self.kept.set_all(&own);
            self.keep_told();
            self.waited_s.set_all(&[0.0; PLACES]);
            self.stand_on(link.number());
            self.loads_seen.store(loads, Ordering::Release);
        }
        if self.joined.load(Ordering::Acquire) != link.number() {
            // What was set before joining is what the instance brings, not an edit of what it joins.
            self.forget_overruled();
            self.stand_on(0);
            for place in (0..PLACES).filter(|&place| own[place] != self.seen.get(place)) {
                self.seen.set(place, own[place]);
                self.kept.set(place, own[place]);
            }
            self.keep_told();
            self.waited_s.set_all(&[0.0; PLACES]);
            self.stand_on(link.number());
        }
        self.note_arrivals(&own);
        let platform = self.registry.set_platform(link.number());
        for place in 0..PLACES {
            if own[place] == self.seen.get(place) {
                self.waited_s.set(place, 0.0);
                continue;
            }
            let waited_s = self.waited_s.get(place) + elapsed_s;
            self.waited_s.set(place, waited_s);
            let enough_s = if self.told.get(place).is_nan() { SETTLED_S } else { HANDED_ON_S };
            if waited_s >= enough_s {
                self.waited_s.set(place, 0.0);
                self.told.set(place, f64::NAN);
                self.seen.set(place, own[place]);
                self.write(platform, place, own[place]);
            }
        }
        if let Some(platform) = platform {
            self.kept.set_all(&platform.values.all());
        }
    }

    /// Tells what a hand has set in the editor at once, also where the instance's own parameter has that value already.
    pub fn edit(&self, link: Link, place: usize, value: f64) {
        let platform = self.registry.set_platform(link.number());
        // On its own, where it stands on its own parameter, the parameter says it all.
        if platform.is_some() || self.kept.get(place) != self.seen.get(place) {
            self.told_on.set(place, link.number() as f64);
            self.told.set(place, value);
            self.write(platform, place, value);
        }
    }

    /// Returns what the instance stands on, an own edit that is not told yet included.
    pub fn look(&self, link: Link, own: &Shared) -> Shared {
        let platform = self.registry.set_platform(link.number());
        let number = self.joined.load(Ordering::Acquire);
        let is_settled = number == link.number();
        if self.is_loaded() {
            // One that stands there alone brings what it has loaded.
            let followed = platform.filter(|platform| !(is_settled && platform.members() == 1));
            return followed.map_or(*own, |platform| platform.values.all());
        }
        if is_settled {
            self.note_arrivals(own);
        }
        let joined = self.registry.set_platform(number);
        // A link that is chosen and not played yet: what it will stand on, or what it leaves with.
        let platform = platform.or(joined);
        std::array::from_fn(|place| {
            let told = self.told.get(place);
            if !is_settled && !told.is_nan() {
                told
            } else if own[place] == self.seen.get(place) || !told.is_nan() {
                platform.map_or_else(|| self.kept.get(place), |platform| platform.values.get(place))
            } else {
                own[place]
            }
        })
    }

    /// Returns place, followed value and own parameter wherever the instance stands on something else than its own.
    pub fn followed(&self) -> [Option<(usize, f64, f64)>; PLACES] {
        // What was loaded and not played yet is in the parameters, and nothing else is stood on.
        let is_loaded = self.is_loaded();
        let platform = self.registry.set_platform(self.joined.load(Ordering::Acquire));
        let values = platform.map_or_else(|| self.kept.all(), |platform| platform.values.all());
        std::array::from_fn(|place| {
            let own = self.seen.get(place);
            (!is_loaded && values[place] != own).then_some((place, values[place], own))
        })
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
        let number = self.joined.load(Ordering::Acquire);
        let Some(platform) = self.registry.set_platform(number) else { return };
        for place in 0..PLACES {
            if self.told_on.get(place) == number as f64 && platform.values.get(place) != self.told.get(place)
            {
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

    fn write(&self, platform: Option<&Platform>, place: usize, value: f64) {
        self.kept.set(place, value);
        if let Some(platform) = platform {
            platform.values.set(place, value);
        }
    }

    fn stand_on(&self, wanted: usize) {
        let before = self.joined.load(Ordering::Acquire);
        if before == wanted {
            return;
        }
        if let Some(left) = self.registry.set_platform(before) {
            // Also what others have set since the last look.
            self.kept.set_all(&left.values.all());
        }
        self.joined.store(wanted, Ordering::Release);
        if let Some(left) = self.registry.platform(before) {
            left.leave();
        }
        if let Some(joined) = self.registry.platform(wanted) {
            joined.join(&self.kept.all());
        }
    }
}

impl Drop for Membership {
    fn drop(&mut self) {
        self.stand_on(0);
    }
}
