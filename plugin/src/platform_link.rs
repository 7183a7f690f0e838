//! The platform link: instances of one process that stand on one platform.
//!
//! There are four platforms. Whoever joins one follows it: size, finishes,
//! decay, pickup and air are then those of the platform, in sound and in
//! figures, and an edit on one instance is an edit on all.
//!
//! # Who wins
//! * The first that joins an empty platform brings its own values; whoever
//!   comes later takes over what is there. So of a session that is loaded, the
//!   first instance decides.
//! * Later the last edit of a value wins, each value for itself.
//! * An edit is a change of an instance's own parameter, by hand or automation,
//!   never what it follows: nothing echoes, and nothing is written back into
//!   the host's parameters.
//! * Who leaves keeps what it stood on. The last one that leaves empties the
//!   platform.
//! * A saved instance holds the values that it stood on as its own, and reopens
//!   alone to the same sound.
//!
//! Nothing here waits, locks or allocates: values are atomics, each for itself,
//! and who stands on a platform is counted in one more.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};

use nice_plug::params::persist::PersistentField;
use nice_plug::prelude::Enum;
use rostra_dsp::Settings;
use rostra_dsp::pickup::Pair;
use rostra_dsp::surface::Finish;

use crate::choice::Listed;

/// Platforms that can be joined.
pub const PLATFORMS: usize = 4;

/// Ids of the shared parameters, in the order of [`Shared`].
pub const SHARED_IDS: [&str; 14] = [
    "plat_w", "plat_d", "plat_h", "floor", "rear", "sides", "canopy", "decay", "pickup", "pick_y", "pick_z",
    "air", "temp", "humid",
];

/// Values of the shared parameters, in their units; of lists the place of the entry.
pub type Shared = [f64; SHARED_IDS.len()];

/// Which platform an instance stands on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Link {
    /// Its own.
    #[default]
    Off,
    /// One of the shared ones, counted from 0.
    Platform(usize),
}

impl Link {
    /// Every choice, in the order of the list.
    pub const ALL: [Self; PLATFORMS + 1] =
        [Self::Off, Self::Platform(0), Self::Platform(1), Self::Platform(2), Self::Platform(3)];

    /// Returns the name that is shown.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Off => "off",
            Self::Platform(0) => "1",
            Self::Platform(1) => "2",
            Self::Platform(2) => "3",
            Self::Platform(_) => "4",
        }
    }
}

/// Returns the shared values of settings.
pub fn shared_of(settings: &Settings) -> Shared {
    let Settings { platform, pickup, .. } = settings;
    let finish = |finish| Listed::<Finish>(finish).to_index() as f64;
    [
        platform.width_m,
        platform.depth_m,
        platform.height_m,
        finish(platform.floor),
        finish(platform.rear),
        finish(platform.sides),
        finish(platform.canopy),
        platform.decay_s,
        Listed::<Pair>(pickup.pair).to_index() as f64,
        pickup.depth_m,
        pickup.height_m,
        platform.air.loss,
        platform.air.temperature_c,
        platform.air.humidity_pct,
    ]
}

/// Puts shared values into settings.
pub fn put_into(shared: &Shared, settings: &mut Settings) {
    let finish = |place: usize| Listed::<Finish>::from_index(shared[place] as usize).0;
    let Settings { platform, pickup, .. } = settings;
    [platform.width_m, platform.depth_m, platform.height_m] = [shared[0], shared[1], shared[2]];
    [platform.floor, platform.rear, platform.sides, platform.canopy] =
        [finish(3), finish(4), finish(5), finish(6)];
    platform.decay_s = shared[7];
    pickup.pair = Listed::<Pair>::from_index(shared[8] as usize).0;
    [pickup.depth_m, pickup.height_m] = [shared[9], shared[10]];
    platform.air.loss = shared[11];
    [platform.air.temperature_c, platform.air.humidity_pct] = [shared[12], shared[13]];
}

/// Values that several threads read and write, each for itself.
#[derive(Debug)]
struct Cells([AtomicU64; SHARED_IDS.len()]);

impl Cells {
    const fn empty() -> Self {
        Self([const { AtomicU64::new(0) }; SHARED_IDS.len()])
    }

    fn of(values: &Shared) -> Self {
        Self(values.map(|value| AtomicU64::new(value.to_bits())))
    }

    fn get(&self, place: usize) -> f64 {
        f64::from_bits(self.0[place].load(Ordering::Relaxed))
    }

    fn set(&self, place: usize, value: f64) {
        self.0[place].store(value.to_bits(), Ordering::Relaxed);
    }

    fn all(&self) -> Shared {
        std::array::from_fn(|place| self.get(place))
    }

    fn set_all(&self, values: &Shared) {
        for (place, &value) in values.iter().enumerate() {
            self.set(place, value);
        }
    }
}

/// One shared platform.
#[derive(Debug)]
struct Platform {
    /// Twice the number of members, and 1 more once the first of them has brought its values.
    members: AtomicUsize,
    values: Cells,
}

impl Platform {
    const fn empty() -> Self {
        Self { members: AtomicUsize::new(0), values: Cells::empty() }
    }

    /// Joins; the first brings `values`.
    fn join(&self, values: &Shared) {
        if self.members.fetch_add(2, Ordering::AcqRel) < 2 {
            self.values.set_all(values);
            self.members.fetch_or(1, Ordering::Release);
        }
    }

    /// Leaves; the last one takes the values along.
    fn leave(&self) {
        // Leaving and emptying are one step, or a new first one could come between.
        let left = |members: usize| if members < 4 { 0 } else { members - 2 };
        let _ = self.members.fetch_update(Ordering::AcqRel, Ordering::Acquire, |members| Some(left(members)));
    }

    /// Says whether there are values to follow.
    fn is_set(&self) -> bool {
        self.members.load(Ordering::Acquire) & 1 == 1
    }

    fn members(&self) -> usize {
        self.members.load(Ordering::Acquire) / 2
    }
}

/// The platforms of a process.
#[derive(Debug)]
pub struct Registry([Platform; PLATFORMS]);

impl Registry {
    /// Makes empty platforms.
    pub const fn new() -> Self {
        Self([const { Platform::empty() }; PLATFORMS])
    }

    /// Returns how many instances stand on a platform.
    pub fn members(&self, platform: usize) -> usize {
        self.0.get(platform).map_or(0, Platform::members)
    }
}

impl Default for Registry {
    fn default() -> Self {
        Self::new()
    }
}

static PROCESS: Registry = Registry::new();

/// An instance's place on the platforms.
///
/// [`Self::follow`] is for one thread at a time, the audio thread while there
/// is one; everything else may be called beside it.
#[derive(Debug)]
pub struct Membership {
    registry: &'static Registry,
    /// 0 while on its own, else the platform's number from 1.
    joined: AtomicUsize,
    /// The instance's own parameters when they were last looked at.
    seen: Cells,
    /// What the instance stands on.
    kept: Cells,
    /// Whether own parameters had changed at the last look.
    ///
    /// An edit counts when it is still there one look later: a state that is
    /// being loaded beside the audio thread is no edit, and says so by then.
    is_armed: AtomicBool,
    /// Whether a state was loaded since.
    is_loaded: AtomicBool,
}

impl Membership {
    /// Starts on its own platform.
    pub fn new(own: &Shared) -> Self {
        Self::on(&PROCESS, own)
    }

    /// Starts on its own platform, beside the platforms of `registry`.
    pub fn on(registry: &'static Registry, own: &Shared) -> Self {
        Self {
            registry,
            joined: AtomicUsize::new(0),
            seen: Cells::of(own),
            kept: Cells::of(own),
            is_armed: AtomicBool::new(false),
            is_loaded: AtomicBool::new(false),
        }
    }

    fn platform(&self) -> Option<&Platform> {
        self.joined.load(Ordering::Acquire).checked_sub(1).and_then(|index| self.registry.0.get(index))
    }

    /// Joins, leaves, tells own edits and takes over those of others; `own` are the instance's parameters now.
    pub fn follow(&self, link: Link, own: &Shared) {
        if self.is_loaded.swap(false, Ordering::AcqRel) {
            // A loaded state holds what the instance stood on; it is no edit of a platform that others stand on.
            self.is_armed.store(false, Ordering::Relaxed);
            self.stand_on(Link::Off);
            self.seen.set_all(own);
            self.kept.set_all(own);
        }
        if self.joined.load(Ordering::Acquire) != number_of(link) {
            // What was set before joining is what the instance brings, not an edit of what it joins.
            self.stand_on(Link::Off);
            self.is_armed.store(false, Ordering::Relaxed);
            for place in (0..own.len()).filter(|&place| own[place] != self.seen.get(place)) {
                self.seen.set(place, own[place]);
                self.kept.set(place, own[place]);
            }
            self.stand_on(link);
        }
        let platform = self.platform().filter(|platform| platform.is_set());
        let changed = |place: &usize| own[*place] != self.seen.get(*place);
        if (0..own.len()).any(|place| changed(&place)) {
            if self.is_armed.swap(true, Ordering::Relaxed) {
                self.is_armed.store(false, Ordering::Relaxed);
                for place in (0..own.len()).filter(changed) {
                    self.seen.set(place, own[place]);
                    self.write(platform, place, own[place]);
                }
            }
        } else {
            self.is_armed.store(false, Ordering::Relaxed);
        }
        if let Some(platform) = platform {
            self.kept.set_all(&platform.values.all());
        }
    }

    /// Tells what a hand has set in the editor at once, also where the instance's own parameter has that value already.
    pub fn edit(&self, id: &str, value: f64) {
        let Some(place) = SHARED_IDS.iter().position(|known| *known == id) else { return };
        let platform = self.platform().filter(|platform| platform.is_set());
        // On its own, where it stands on its own parameter, the parameter says it all.
        if platform.is_some() || self.kept.get(place) != self.seen.get(place) {
            self.write(platform, place, value);
        }
    }

    fn write(&self, platform: Option<&Platform>, place: usize, value: f64) {
        self.kept.set(place, value);
        if let Some(platform) = platform {
            platform.values.set(place, value);
        }
    }

    fn stand_on(&self, link: Link) {
        let wanted = number_of(link);
        let before = self.joined.load(Ordering::Acquire);
        if before == wanted {
            return;
        }
        let left = before.checked_sub(1).map(|left| &self.registry.0[left]);
        if let Some(left) = left.filter(|left| left.is_set()) {
            // Also what others have set since the last look.
            self.kept.set_all(&left.values.all());
        }
        self.joined.store(wanted, Ordering::Release);
        if let Some(left) = left {
            left.leave();
        }
        if let Some(joined) = wanted.checked_sub(1) {
            self.registry.0[joined].join(&self.kept.all());
        }
    }

    /// Returns what the instance stands on, an own edit that is not told yet included.
    pub fn look(&self, own: &Shared) -> Shared {
        if self.is_loaded.load(Ordering::Acquire) {
            return *own;
        }
        let platform = self.platform().filter(|platform| platform.is_set());
        std::array::from_fn(|place| {
            if own[place] == self.seen.get(place) {
                platform.map_or_else(|| self.kept.get(place), |platform| platform.values.get(place))
            } else {
                own[place]
            }
        })
    }
}

/// Returns the number of a link's platform, from 1; 0 for none.
fn number_of(link: Link) -> usize {
    match link {
        Link::Off => 0,
        Link::Platform(index) => index.min(PLATFORMS - 1) + 1,
    }
}

impl Drop for Membership {
    fn drop(&mut self) {
        self.stand_on(Link::Off);
    }
}

/// What a state holds beside the parameters: the values that the instance stood on and its own parameters have not, by id.
pub type Saved = BTreeMap<String, f64>;

impl PersistentField<'_, Saved> for Membership {
    /// A state was loaded. Its values are in the parameters already: [`crate::state::mend`] has put them there.
    fn set(&self, _saved: Saved) {
        self.is_loaded.store(true, Ordering::Release);
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&Saved) -> R,
    {
        if self.is_loaded.load(Ordering::Acquire) {
            // What was loaded is in the parameters, and nothing else is stood on yet.
            return f(&Saved::new());
        }
        let values = self
            .platform()
            .filter(|platform| platform.is_set())
            .map_or_else(|| self.kept.all(), |platform| platform.values.all());
        // Where it stands on its own value the parameter says it, also one that was set since the last look.
        let followed = (0..values.len()).filter(|&place| values[place] != self.seen.get(place));
        f(&followed.map(|place| (SHARED_IDS[place].to_owned(), values[place])).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Place of the decay among the shared values.
    const DECAY: usize = 7;

    fn registry() -> &'static Registry {
        Box::leak(Box::new(Registry::new()))
    }

    fn values(decay_s: f64) -> Shared {
        let mut values = shared_of(&Settings::default());
        values[DECAY] = decay_s;
        values
    }

    /// An instance as a host has it: its own parameters, and its place.
    struct Instance {
        own: Shared,
        link: Link,
        place: Membership,
    }

    impl Instance {
        fn new(registry: &'static Registry, decay_s: f64, link: Link) -> Self {
            let mut instance =
                Self { own: values(decay_s), link, place: Membership::on(registry, &values(0.5)) };
            instance.load();
            instance
        }

        /// What the framework does with a state: values into the parameters, then the rest.
        fn load(&mut self) {
            PersistentField::set(&self.place, Saved::new());
            self.block();
        }

        fn block(&self) {
            self.place.follow(self.link, &self.own);
        }

        fn decay_s(&self) -> f64 {
            self.place.look(&self.own)[DECAY]
        }

        fn saved_decay_s(&self) -> f64 {
            PersistentField::map(&self.place, |saved: &Saved| {
                saved.get("decay").copied().unwrap_or(self.own[DECAY])
            })
        }
    }

    const ONE: Link = Link::Platform(0);

    #[test]
    fn settings_come_back_from_their_shared_values() {
        let mut settings = Settings::default();
        settings.platform.rear = Finish::Brick;
        settings.platform.canopy = Finish::Curtain;
        settings.platform.air.humidity_pct = 31.0;
        settings.pickup.pair = Pair::SpacedOmnis;
        settings.pickup.height_m = 4.0;
        let mut other = Settings::default();
        put_into(&shared_of(&settings), &mut other);
        assert_eq!(other, settings);
    }

    #[test]
    fn the_first_loaded_decides_and_the_last_edit_wins() {
        let registry = registry();
        let mut first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 1.2, ONE);
        let other = Instance::new(registry, 1.5, Link::Platform(1));
        assert_eq!((first.decay_s(), second.decay_s(), other.decay_s()), (0.8, 0.8, 1.5));
        second.own[DECAY] = 1.0;
        second.block();
        second.block();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s(), other.decay_s()), (1.0, 1.0, 1.5));
        first.own[DECAY] = 0.6;
        first.block();
        first.block();
        second.block();
        assert_eq!((first.decay_s(), second.decay_s()), (0.6, 0.6));
        // What it follows is no edit: nothing comes back.
        for _ in 0..10 {
            second.block();
            first.block();
        }
        assert_eq!((first.decay_s(), second.decay_s(), second.own[DECAY]), (0.6, 0.6, 1.0));
        // By hand in the editor, to a value that its own parameter already has.
        second.place.edit("decay", 1.0);
        first.block();
        assert_eq!((first.decay_s(), second.decay_s()), (1.0, 1.0));
    }

    #[test]
    fn who_leaves_keeps_what_it_stood_on_and_the_last_empties_the_platform() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 1.2, ONE);
        second.link = Link::Off;
        second.block();
        assert_eq!((second.decay_s(), second.saved_decay_s(), registry.members(0)), (0.8, 0.8, 1));
        drop(first);
        assert_eq!(registry.members(0), 0);
        let third = Instance::new(registry, 1.7, ONE);
        assert_eq!((third.decay_s(), second.decay_s()), (1.7, 0.8));
    }

    #[test]
    fn a_state_that_is_loaded_is_no_edit() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 1.2, ONE);
        // The parameters change under the audio thread, which looks once before the load is told.
        second.own[DECAY] = 1.9;
        second.block();
        second.load();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (0.8, 0.8, 0.8));
    }

    #[test]
    fn one_that_follows_saves_what_it_stands_on() {
        let registry = registry();
        let mut first = Instance::new(registry, 0.8, ONE);
        let second = Instance::new(registry, 1.2, ONE);
        first.own[DECAY] = 0.9;
        first.block();
        first.block();
        assert_eq!(second.saved_decay_s(), 0.9);
    }

    #[test]
    fn what_was_set_before_joining_is_no_edit_and_who_leaves_asleep_keeps_the_newest() {
        let registry = registry();
        let mut first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 0.5, Link::Off);
        (second.own[DECAY], second.link) = (1.9, ONE);
        second.block();
        second.block();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s()), (0.8, 0.8));
        first.own[DECAY] = 1.4;
        first.block();
        first.block();
        second.link = Link::Off;
        second.block();
        assert_eq!((second.decay_s(), second.saved_decay_s()), (1.4, 1.4));
    }

    #[test]
    fn an_edit_that_the_host_takes_back_is_taken_back() {
        let mut alone = Instance::new(registry(), 0.5, Link::Off);
        alone.place.edit("decay", 0.8);
        alone.own[DECAY] = 0.8;
        assert_eq!(alone.decay_s(), 0.8);
        alone.own[DECAY] = 0.5;
        alone.block();
        assert_eq!((alone.decay_s(), alone.saved_decay_s()), (0.5, 0.5));
    }

    #[test]
    fn what_was_loaded_or_set_and_not_played_yet_is_what_is_saved() {
        let registry = registry();
        let mut alone = Instance::new(registry, 0.8, Link::Off);
        alone.own[DECAY] = 1.1;
        assert_eq!((alone.decay_s(), alone.saved_decay_s()), (1.1, 1.1), "set");
        PersistentField::set(&alone.place, Saved::new());
        alone.own[DECAY] = 1.4;
        assert_eq!((alone.decay_s(), alone.saved_decay_s()), (1.4, 1.4), "loaded");
    }

    /// Eighty instances, loaded, edited and removed by eight threads in random order: nothing is lost, all agree.
    #[test]
    fn eighty_instances_in_random_order_agree_in_the_end() {
        let registry = registry();
        let mut all: Vec<Instance> = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..8_u64)
                .map(|thread| {
                    scope.spawn(move || {
                        let mut noise = rostra_dsp::noise::Noise::new(thread + 1);
                        let mut instances = Vec::new();
                        for _ in 0..20_000 {
                            match (noise.uniform() * 8.0) as usize {
                                0 if instances.len() < 10 => {
                                    let link = Link::ALL[(noise.uniform() * 5.0) as usize % 5];
                                    instances.push(Instance::new(
                                        registry,
                                        0.2 + 1.8 * noise.uniform(),
                                        link,
                                    ));
                                }
                                1 if !instances.is_empty() => {
                                    let which = (noise.uniform() * instances.len() as f64) as usize;
                                    instances.swap_remove(which.min(instances.len() - 1));
                                }
                                2 => {
                                    if let Some(instance) = instances.last_mut() {
                                        instance.own[DECAY] = 0.2 + 1.8 * noise.uniform();
                                    }
                                }
                                3 => {
                                    if let Some(instance) = instances.first_mut() {
                                        instance.link = Link::ALL[(noise.uniform() * 5.0) as usize % 5];
                                    }
                                }
                                _ => instances.iter().for_each(Instance::block),
                            }
                            for instance in &instances {
                                let decay_s = instance.decay_s();
                                assert!((0.2..=2.0).contains(&decay_s), "{decay_s} s was never set");
                            }
                        }
                        while instances.len() < 10 {
                            instances.push(Instance::new(registry, 0.7, ONE));
                        }
                        instances
                    })
                })
                .collect();
            threads.into_iter().flat_map(|thread| thread.join().expect("a thread ends in peace")).collect()
        });
        assert_eq!(all.len(), 80);
        // Two looks: the second tells what the first has seen.
        for _ in 0..2 {
            all.iter().for_each(Instance::block);
        }
        for platform in 0..PLATFORMS {
            let members: Vec<&Instance> =
                all.iter().filter(|instance| instance.link == Link::Platform(platform)).collect();
            assert_eq!(registry.members(platform), members.len(), "platform {platform}");
            let decays: Vec<f64> = members.iter().map(|instance| instance.decay_s()).collect();
            assert!(decays.windows(2).all(|pair| pair[0] == pair[1]), "{decays:?}");
        }
        // One edit, and all that are linked have it.
        all[0].link = ONE;
        all[0].block();
        all[0].own[DECAY] = 1.234;
        all[0].block();
        all[0].block();
        let linked = all.iter().filter(|instance| instance.link == ONE);
        assert!(linked.clone().count() > 1 && linked.clone().all(|instance| instance.decay_s() == 1.234));
        drop(all);
        assert!((0..PLATFORMS).all(|platform| registry.members(platform) == 0));
    }
}
