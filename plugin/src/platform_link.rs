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
//!   the host's parameters. A hand in the editor tells at once, even where the
//!   host does not process the instance; a change that comes from the host is
//!   told once it has stood for 20 ms of sound, so that a state that is being
//!   loaded is none.
//! * Who leaves keeps what it stood on. The last one that leaves empties the
//!   platform. One that is deactivated has not left.
//! * A saved instance holds the values that it stood on as its own, and reopens
//!   alone to the same sound.
//!
//! Nothing here waits, locks or allocates: values are atomics, each for itself,
//! and who stands on a platform is counted in one more.

mod membership;
mod registry;

use std::collections::BTreeMap;
use std::sync::{LazyLock, atomic};

use nice_plug::params::persist::PersistentField;
use nice_plug::prelude::Enum;
use rostra_dsp::Settings;
use rostra_dsp::pickup::Pair;
use rostra_dsp::surface::Finish;
use serde::{Deserialize, Serialize};

use crate::choice::Listed;

pub use membership::Membership;
pub use registry::{PLATFORMS, Registry};

/// Ids of the shared parameters, in the order of [`Shared`].
pub const SHARED_IDS: [&str; 14] = [
    "plat_w", "plat_d", "plat_h", "floor", "rear", "sides", "canopy", "decay", "pickup", "pick_y", "pick_z",
    "air", "temp", "humid",
];

/// How many values a platform has.
const PLACES: usize = SHARED_IDS.len();

/// Values of the shared parameters, in their units; of lists the place of the entry.
pub type Shared = [f64; PLACES];

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

    /// Returns the number of the platform, from 1; 0 for none.
    const fn number(self) -> usize {
        match self {
            Self::Off => 0,
            Self::Platform(index) if index < PLATFORMS => index + 1,
            Self::Platform(_) => PLATFORMS,
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

/// The platforms of this process.
static PROCESS: LazyLock<Registry> = LazyLock::new(Registry::new);

impl Membership {
    /// Starts on its own platform, beside those of this process.
    pub fn new(own: &Shared) -> Self {
        Self::on(&PROCESS, own)
    }
}

/// Returns the place of a shared parameter among the values; `None` for one that is not shared.
pub fn place_of(id: &str) -> Option<usize> {
    SHARED_IDS.iter().position(|known| *known == id)
}

/// A value that an instance stood on, and what its own parameter said.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Followed {
    /// What it stood on.
    pub value: f64,
    /// What its own parameter was when that was last looked at; another one in the saved state is newer than what was
    /// followed.
    pub own: f64,
}

/// What a state holds beside the parameters, by id: the values that the instance stood on and its own parameters have not.
pub type Saved = BTreeMap<String, Followed>;

impl PersistentField<'_, Saved> for Membership {
    /// A state was loaded. Its values are in the parameters already: [`crate::state::mend`] has put them there.
    fn set(&self, _saved: Saved) {
        self.load();
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&Saved) -> R,
    {
        let followed = self.followed().into_iter().flatten();
        f(&followed
            .map(|(place, value, own)| (SHARED_IDS[place].to_owned(), Followed { value, own }))
            .collect())
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

        /// A block of 12 ms.
        fn block(&self) {
            self.place.follow(self.link, || self.own, 0.012);
        }

        /// As long as an edit takes to be told.
        fn blocks(&self) {
            (0..2).for_each(|_| self.block());
        }

        fn edit(&self, decay_s: f64) {
            self.place.edit(self.link, DECAY, decay_s);
        }

        fn decay_s(&self) -> f64 {
            self.place.look(self.link, &self.own)[DECAY]
        }

        /// What a state saved now is reopened to: as [`crate::state::mend`] does it.
        fn saved_decay_s(&self) -> f64 {
            PersistentField::map(&self.place, |saved: &Saved| {
                let followed = saved.get("decay").filter(|followed| followed.own == self.own[DECAY]);
                followed.map_or(self.own[DECAY], |followed| followed.value)
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
        second.blocks();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s(), other.decay_s()), (1.0, 1.0, 1.5));
        first.own[DECAY] = 0.6;
        first.blocks();
        second.block();
        assert_eq!((first.decay_s(), second.decay_s()), (0.6, 0.6));
        // What it follows is no edit: nothing comes back.
        for _ in 0..10 {
            second.block();
            first.block();
        }
        assert_eq!((first.decay_s(), second.decay_s(), second.own[DECAY]), (0.6, 0.6, 1.0));
        // By hand in the editor, to a value that its own parameter already has.
        second.edit(1.0);
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
        first.blocks();
        assert_eq!(second.saved_decay_s(), 0.9);
    }

    #[test]
    fn what_was_set_before_joining_is_no_edit_and_who_leaves_asleep_keeps_the_newest() {
        let registry = registry();
        let mut first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 0.5, Link::Off);
        (second.own[DECAY], second.link) = (1.9, ONE);
        second.blocks();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s()), (0.8, 0.8));
        first.own[DECAY] = 1.4;
        first.blocks();
        second.link = Link::Off;
        second.block();
        assert_eq!((second.decay_s(), second.saved_decay_s()), (1.4, 1.4));
    }

    #[test]
    fn an_edit_that_the_host_takes_back_is_taken_back() {
        let mut alone = Instance::new(registry(), 0.5, Link::Off);
        alone.edit(0.8);
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

    #[test]
    fn an_edit_on_one_that_is_not_processed_is_not_told_again_when_it_wakes() {
        let registry = registry();
        let mut first = Instance::new(registry, 0.8, ONE);
        let mut asleep = Instance::new(registry, 0.8, ONE);
        asleep.edit(1.1);
        asleep.own[DECAY] = 1.1;
        first.block();
        assert_eq!((first.decay_s(), asleep.decay_s()), (1.1, 1.1));
        first.own[DECAY] = 0.6;
        first.blocks();
        asleep.blocks();
        assert_eq!((first.decay_s(), asleep.decay_s()), (0.6, 0.6));
    }

    #[test]
    fn an_edit_that_the_host_takes_back_is_taken_back_for_all() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 0.8, ONE);
        second.edit(1.1);
        second.own[DECAY] = 1.1;
        // The editor looks, the audio thread does not.
        assert_eq!(second.decay_s(), 1.1);
        second.own[DECAY] = 0.8;
        second.blocks();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s()), (0.8, 0.8));
    }

    #[test]
    fn a_drag_whose_values_come_late_from_the_host_ends_where_the_hand_left_it() {
        let registry = registry();
        let first = Instance::new(registry, 0.5, ONE);
        let mut second = Instance::new(registry, 0.5, ONE);
        let at = |step: usize| 0.5 + 0.01 * step as f64;
        for step in 1..=30 {
            second.edit(at(step));
            // Two blocks late, and always away from what was told last.
            second.own[DECAY] = at(step.saturating_sub(2));
            second.block();
            first.block();
            assert_eq!((first.decay_s(), second.decay_s()), (at(step), at(step)));
        }
        for step in 29..=30 {
            second.own[DECAY] = at(step);
            second.block();
        }
        (0..100).for_each(|_| second.block());
        assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (at(30), at(30), at(30)));
    }

    /// A hand tells 1.1 and the host never hands it on, but automates the parameter: that counts after half a second.
    #[test]
    fn a_host_that_does_not_hand_an_edit_on_is_heard_in_the_end() {
        let mut alone = Instance::new(registry(), 0.5, ONE);
        alone.edit(1.1);
        for step in 0..50 {
            alone.own[DECAY] = 0.6 + 0.001 * f64::from(step);
            alone.block();
        }
        assert!((0.6..0.7).contains(&alone.decay_s()), "{} s", alone.decay_s());
    }

    #[test]
    fn a_link_that_is_chosen_and_not_played_yet_is_what_is_shown_and_edited() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 1.2, Link::Off);
        second.link = ONE;
        assert_eq!(second.decay_s(), 0.8, "what it will stand on");
        second.edit(0.9);
        second.own[DECAY] = 0.9;
        second.blocks();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s()), (0.9, 0.9));
        second.link = Link::Off;
        assert_eq!(second.decay_s(), 0.9, "what it leaves with");
        second.edit(1.4);
        second.own[DECAY] = 1.4;
        second.blocks();
        first.block();
        assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (0.9, 1.4, 1.4));
    }

    #[test]
    fn an_edit_on_a_link_that_is_left_and_not_played_yet_is_shown_and_kept() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 1.2, ONE);
        second.link = Link::Off;
        second.edit(1.4);
        assert_eq!(second.decay_s(), 1.4, "told and not handed on yet");
        second.own[DECAY] = 1.4;
        // The editor looks, the audio thread does not.
        assert_eq!(second.decay_s(), 1.4);
        second.blocks();
        assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (0.8, 1.4, 1.4));
    }

    #[test]
    fn an_edit_that_was_overruled_does_not_come_back_on_leaving() {
        let registry = registry();
        let mut first = Instance::new(registry, 0.8, ONE);
        let mut asleep = Instance::new(registry, 0.8, ONE);
        asleep.edit(1.1);
        first.own[DECAY] = 0.6;
        first.blocks();
        asleep.link = Link::Off;
        asleep.block();
        assert_eq!(asleep.decay_s(), 0.6);
    }

    #[test]
    fn one_alone_on_its_platform_shows_what_it_has_loaded() {
        let mut only = Instance::new(registry(), 0.8, ONE);
        only.own[DECAY] = 1.3;
        PersistentField::set(&only.place, Saved::new());
        assert_eq!(only.decay_s(), 1.3);
        only.blocks();
        assert_eq!((only.decay_s(), only.saved_decay_s()), (1.3, 1.3));
    }

    #[test]
    fn an_edit_after_a_load_and_before_the_first_block_is_not_lost() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 0.5, ONE);
        for is_handed_on in [true, false] {
            let wanted = if is_handed_on { 1.3 } else { 1.7 };
            PersistentField::set(&second.place, Saved::new());
            second.edit(wanted);
            if is_handed_on {
                second.own[DECAY] = wanted;
            }
            second.blocks();
            second.own[DECAY] = wanted;
            second.blocks();
            first.block();
            assert_eq!((first.decay_s(), second.decay_s()), (wanted, wanted));
        }
        let alone = self::registry();
        let mut only = Instance::new(alone, 0.5, ONE);
        PersistentField::set(&only.place, Saved::new());
        only.edit(1.6);
        only.block();
        only.own[DECAY] = 1.6;
        only.blocks();
        assert_eq!((only.decay_s(), only.saved_decay_s()), (1.6, 1.6));
    }

    #[test]
    fn what_a_host_set_on_one_that_is_not_processed_is_saved() {
        let registry = registry();
        let mut first = Instance::new(registry, 0.8, ONE);
        let mut asleep = Instance::new(registry, 0.5, ONE);
        first.own[DECAY] = 1.0;
        first.blocks();
        assert_eq!(asleep.saved_decay_s(), 1.0);
        asleep.own[DECAY] = 0.3;
        assert_eq!((asleep.decay_s(), asleep.saved_decay_s()), (0.3, 0.3));
    }

    /// A state is loaded in mid block, in small blocks, one value before and one after a look, and another right after.
    #[test]
    fn a_load_in_pieces_is_no_edit() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 1.2, ONE);
        let temperature = SHARED_IDS.iter().position(|id| *id == "temp").expect("it is shared");
        second.own[DECAY] = 1.9;
        // Looks of 32 frames each.
        (0..10).for_each(|_| second.place.follow(ONE, || second.own, 32.0 / 48_000.0));
        second.own[temperature] = 30.0;
        (0..10).for_each(|_| second.place.follow(ONE, || second.own, 32.0 / 48_000.0));
        second.load();
        // The flag comes up while the parameters are read: the next look takes note of it.
        let after = values(1.7);
        second.place.follow(
            ONE,
            || {
                PersistentField::set(&second.place, Saved::new());
                after
            },
            0.01,
        );
        second.own = after;
        (0..5).for_each(|_| second.block());
        first.block();
        assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (0.8, 0.8, 0.8));
        assert_eq!(first.place.look(ONE, &first.own)[temperature], 20.0);
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
