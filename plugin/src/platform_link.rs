//! The platform link: instances of one session that stand on one platform.
//!
//! A session has four platforms. Whoever joins one follows it: size, finishes,
//! decay, microphones and air are then those of the platform, in sound and in
//! figures, and an edit on one instance is an edit on all.
//!
//! # Whose platform
//! * A session is known by an id, drawn when its first instance links. States
//!   hold it, so that copies of a channel and a session that is opened again
//!   are of the same one. Another session's platform of the same number is
//!   another platform.
//! * An instance that is linked by hand or by the host joins its own session's
//!   platform, also where nobody of it is linked at the moment. If it has no
//!   session, it joins the one that was played, joined or edited last. One that
//!   was loaded and stood alone beside another session's platform has none
//!   once it is switched off.
//! * A linked state without an id (of version 0.1.0 before sessions had ids)
//!   joins those without an id that were saved on the same platform: all shared
//!   values are equal.
//!
//! # Who wins
//! * The first on a platform brings its own values. Who is linked by hand takes
//!   over what is there; who is loaded keeps its own, each value until somebody
//!   edits that one. The window tells where they differ.
//! * The last edit of a value wins, each value for itself.
//! * An edit is a change of an instance's own parameter, by hand or automation,
//!   never what it follows: nothing echoes, and nothing is written back into
//!   the host's parameters. A state that is being loaded is none, however long
//!   it takes: loads are announced, and nobody tells edits meanwhile.
//! * Who leaves keeps what it stood on. One that is deactivated has not left.
//! * A saved instance holds the values that it stood on as its own, and reopens
//!   alone to the same sound.
//!
//! Nothing here waits or allocates on the audio thread: values are atomics, each
//! for itself. Who joins or edits passes a gate that lets in one at a time, and
//! who finds it shut tries again at the next look, a block later.

mod membership;
mod registry;

use std::collections::BTreeMap;
use std::collections::hash_map::RandomState;
use std::hash::{BuildHasher as _, Hasher as _};
use std::sync::atomic::{self, AtomicU64, Ordering};
use std::sync::{Arc, LazyLock};
use std::thread::yield_now;

use nice_plug::params::persist::PersistentField;
use rostra_dsp::Settings;
use rostra_dsp::settings::{Parameter, SEAT_PARAMETERS};
use serde::{Deserialize, Serialize};

pub use membership::{Difference, Membership, Standing};
pub use registry::{PLATFORMS, Registry};

/// How many values a platform has: all that the table's groups share.
const PLACES: usize = {
    let (mut row, mut count) = (0, 0);
    while row < SEAT_PARAMETERS.len() {
        if SEAT_PARAMETERS[row].parameter.group.is_shared() {
            count += 1;
        }
        row += 1;
    }
    count
};

/// Rows of the table that are shared, in its order.
const ROWS: [usize; PLACES] = {
    let mut rows = [0; PLACES];
    let (mut row, mut place) = (0, 0);
    while row < SEAT_PARAMETERS.len() {
        if SEAT_PARAMETERS[row].parameter.group.is_shared() {
            rows[place] = row;
            place += 1;
        }
        row += 1;
    }
    rows
};

/// Ids of the shared parameters, in the order of [`Shared`].
pub const SHARED_IDS: [&str; PLACES] = {
    let mut ids = [""; PLACES];
    let mut place = 0;
    while place < PLACES {
        ids[place] = SEAT_PARAMETERS[ROWS[place]].parameter.id;
        place += 1;
    }
    ids
};

/// Returns the parameter at a place among the shared values.
pub(crate) fn shared_parameter(place: usize) -> &'static Parameter {
    &SEAT_PARAMETERS[ROWS[place]].parameter
}

/// Platforms that a process has at most, over all its sessions.
///
/// Our choice: sixteen open sessions that use all four numbers, or sixty-four
/// that use one.
pub(crate) const MOST: usize = 64;

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

    /// Returns the choice at a place of the list; off where there is none.
    pub fn of_place(place: usize) -> Self {
        Self::ALL.get(place).copied().unwrap_or_default()
    }

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
    ROWS.map(|row| SEAT_PARAMETERS[row].field.as_ref().map_or(0.0, |field| (field.get)(settings)))
}

/// Puts shared values into settings.
pub fn put_into(shared: &Shared, settings: &mut Settings) {
    for (row, &value) in ROWS.into_iter().zip(shared) {
        if let Some(field) = &SEAT_PARAMETERS[row].field {
            (field.set)(settings, value);
        }
    }
}

/// The platforms of this process.
static PROCESS: LazyLock<Registry> = LazyLock::new(Registry::new);

/// Announces that an instance of this process is about to be loaded; its [`Membership::load`] ends it.
pub fn begin_load() {
    PROCESS.begin_load();
}

impl Membership {
    /// Starts on its own platform, beside those of this process.
    pub fn new(own: &Shared) -> Self {
        Self::on(&PROCESS, own, new_id())
    }
}

/// Draws a session's id: 64 bits that the system's random numbers have keyed; 0 is none.
fn new_id() -> u64 {
    RandomState::new().build_hasher().finish().max(1)
}

/// The id of an instance's session, as its state holds it: 16 hexadecimal digits, or nothing.
#[derive(Debug)]
pub struct SessionId(Arc<AtomicU64>);

impl SessionId {
    /// The id that a place on the platforms goes by.
    pub fn of(place: &Membership) -> Self {
        Self(place.session())
    }
}

impl PersistentField<'_, String> for SessionId {
    fn set(&self, saved: String) {
        // An instance that has a session stays with it where the state names none.
        if let Some(id) = u64::from_str_radix(&saved, 16).ok().filter(|id| *id != 0) {
            self.0.store(id, Ordering::Release);
        }
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&String) -> R,
    {
        match self.0.load(Ordering::Acquire) {
            0 => f(&String::new()),
            id => f(&format!("{id:016x}")),
        }
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
    /// A state was loaded. Its values are in the parameters already: [`crate::state::repair`] has put them there.
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
    use rostra_dsp::acoustics::{Finish, Pair};

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

    /// What a state holds.
    #[derive(Clone, Copy)]
    struct State {
        own: Shared,
        link: Link,
        /// 0 for none, as versions without ids saved it.
        session: u64,
    }

    /// An instance as a host has it: its own parameters, and its place.
    struct Instance {
        registry: &'static Registry,
        own: Shared,
        link: Link,
        place: Membership,
    }

    impl Instance {
        /// A new instance that a hand has set and linked, in its first block.
        fn new(registry: &'static Registry, decay_s: f64, link: Link) -> Self {
            let place = Membership::on(registry, &values(0.5), new_id());
            let instance = Self { registry, own: values(decay_s), link, place };
            instance.block();
            instance
        }

        /// An instance that is made from a state, in its first block.
        fn of(registry: &'static Registry, state: &State) -> Self {
            let mut instance = Self::new(registry, 0.5, Link::Off);
            instance.load(state);
            instance.block();
            instance
        }

        /// What the framework does with a state: it announces it, sets the parameters, then the rest.
        fn load(&mut self, state: &State) {
            self.registry.begin_load();
            (self.own, self.link) = (state.own, state.link);
            if state.session != 0 {
                PersistentField::set(&SessionId::of(&self.place), format!("{:016x}", state.session));
            }
            PersistentField::set(&self.place, Saved::new());
        }

        /// What a state saved now is reopened to: as [`crate::state::repair`] does it.
        fn save(&self) -> State {
            let own = PersistentField::map(&self.place, |saved: &Saved| {
                std::array::from_fn(|place| {
                    let followed = saved.get(SHARED_IDS[place]);
                    let followed = followed.filter(|followed| followed.own == self.own[place]);
                    followed.map_or(self.own[place], |followed| followed.value)
                })
            });
            let session = PersistentField::map(&SessionId::of(&self.place), |id: &String| {
                u64::from_str_radix(id, 16).unwrap_or(0)
            });
            State { own, link: self.link, session }
        }

        fn look(&self, block_s: f64) {
            self.place.follow(|| (self.link, self.own), block_s);
        }

        /// A block of 12 ms.
        fn block(&self) {
            self.look(0.012);
        }

        /// As long as whatever takes long takes at most to be told.
        fn blocks(&self) {
            (0..2).for_each(|_| self.block());
        }

        fn edit(&self, decay_s: f64) {
            self.place.edit(self.link, DECAY, decay_s);
        }

        fn decay_s(&self) -> f64 {
            self.place.look(self.link, &self.own)[DECAY]
        }

        fn saved_decay_s(&self) -> f64 {
            self.save().own[DECAY]
        }

        /// What the window says of the decay: here, and on the platform where that is another.
        fn difference(&self) -> Option<(f64, Option<f64>)> {
            self.place.standing().differences[DECAY].map(|Difference { here, there }| (here, there))
        }
    }

    /// A state of a session.
    fn state(session: u64, decay_s: f64) -> State {
        State { own: values(decay_s), link: ONE, session }
    }

    /// A session that is opened: `count` instances in order, each in its first block.
    fn open(registry: &'static Registry, state: &State, count: usize) -> Vec<Instance> {
        (0..count).map(|_| Instance::of(registry, state)).collect()
    }

    /// Blocks of some instances in turn.
    fn play(instances: &[&Instance], blocks: usize, block_s: f64) {
        for _ in 0..blocks {
            for instance in instances {
                instance.look(block_s);
            }
        }
    }

    fn decays(instances: &[Instance]) -> Vec<f64> {
        instances.iter().map(Instance::decay_s).collect()
    }

    /// Blocks of hosts, s: 12 ms, 20 ms, 1024, 2048 and 4096 frames at 48 kHz, and 882 at 44.1 kHz and 960 at 48 kHz.
    const BLOCKS_S: [f64; 7] =
        [0.012, 0.02, 1024.0 / 48e3, 2048.0 / 48e3, 4096.0 / 48e3, 882.0 / 44.1e3, 960.0 / 48e3];

    const ONE: Link = Link::Platform(0);

    #[test]
    fn the_choices_are_those_of_the_table() {
        let list = rostra_dsp::settings::LINKED.list().expect("a list");
        assert!(list.names().eq(Link::ALL.map(Link::name)));
        assert_eq!(Link::of_place(99), Link::Off);
    }

    #[test]
    fn settings_come_back_from_their_shared_values() {
        let mut settings = Settings::default();
        settings.platform.rear = Finish::Brick;
        settings.platform.canopy = Finish::Curtain;
        settings.platform.air.humidity_pct = 31.0;
        settings.microphones.pair = Pair::SpacedOmnis;
        settings.microphones.height_m = 4.0;
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

    /// The parameters change under the audio thread, which looks before the load is told.
    #[test]
    fn a_state_that_is_loaded_is_no_edit_at_any_block() {
        for block_s in BLOCKS_S {
            let registry = registry();
            let first = Instance::new(registry, 0.8, ONE);
            let mut second = Instance::new(registry, 1.2, ONE);
            let session = second.save().session;
            registry.begin_load();
            second.own[DECAY] = 1.9;
            (0..100).for_each(|_| second.look(block_s));
            assert_eq!((first.decay_s(), second.save().session), (0.8, session), "{block_s} s");
            PersistentField::set(&second.place, Saved::new());
            play(&[&first, &second], 100, block_s);
            // It is loaded: it keeps its own, and the platform its.
            assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (0.8, 1.9, 1.9));
            // The control: the same without a word is an edit.
            second.own[DECAY] = 1.7;
            play(&[&second, &first], 2, block_s);
            assert_eq!((first.decay_s(), second.decay_s()), (1.7, 1.7), "{block_s} s");
        }
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
        alone.load(&State { link: Link::Off, ..state(0, 1.4) });
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
        only.load(&state(0, 1.3));
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
            second.load(&second.save());
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
        only.load(&only.save());
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
        registry.begin_load();
        second.own[DECAY] = 1.9;
        // Looks of 32 frames each.
        (0..100).for_each(|_| second.look(32.0 / 48_000.0));
        second.own[temperature] = 30.0;
        (0..100).for_each(|_| second.look(32.0 / 48_000.0));
        PersistentField::set(&second.place, Saved::new());
        // Another one begins and ends while the parameters are read: the next look takes note of it.
        let after = values(1.7);
        second.place.follow(
            || {
                registry.begin_load();
                PersistentField::set(&second.place, Saved::new());
                (ONE, after)
            },
            0.01,
        );
        second.own = after;
        (0..5).for_each(|_| second.block());
        first.block();
        assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (0.8, 1.7, 1.7));
        assert_eq!(first.place.look(ONE, &first.own)[temperature], 20.0);
    }

    /// B is opened and saved while A is open: B reopens alone to what it was.
    #[test]
    fn a_second_project_keeps_its_own_platform() {
        // With ids, and as versions without ids saved them.
        for sessions in [[7, 8], [0, 0], [7, 0], [0, 8]] {
            let registry = registry();
            let [a, b] = [state(sessions[0], 0.3), state(sessions[1], 1.6)];
            let mut first = open(registry, &a, 3);
            let second = open(registry, &b, 3);
            assert_eq!((decays(&first), decays(&second)), (vec![0.3; 3], vec![1.6; 3]), "{sessions:?}");
            // A is played on and edited.
            first[1].own[DECAY] = 0.4;
            for instance in first.iter().chain(&second).chain(&first).chain(&second) {
                instance.block();
            }
            assert_eq!((decays(&first), decays(&second)), (vec![0.4; 3], vec![1.6; 3]), "{sessions:?}");
            let saved = second[0].save();
            drop((first, second));
            let again = open(registry, &saved, 1);
            assert_eq!(again[0].decay_s(), 1.6, "{sessions:?}");
        }
    }

    #[test]
    fn two_project_tabs_in_any_order_and_each_edited_while_it_is_in_front() {
        let registry = registry();
        let [a, b] = [state(7, 0.3), state(8, 1.6)];
        // Loaded in turn, and only the tab in front is processed.
        let (mut a, mut b): (Vec<_>, Vec<_>) =
            (0..3).map(|_| (Instance::of(registry, &a), Instance::of(registry, &b))).unzip();
        for (turn, decay_s) in [0.4, 1.7, 0.42, 1.73].into_iter().enumerate() {
            let front = if turn % 2 == 0 { &mut a } else { &mut b };
            front[turn % 3].own[DECAY] = decay_s;
            (0..3).for_each(|_| front.iter().for_each(Instance::block));
        }
        assert_eq!((decays(&a), decays(&b)), (vec![0.42; 3], vec![1.73; 3]));
        // One that is new joins the tab that was played last, and the window says that there was a choice.
        let new = Instance::new(registry, 0.9, ONE);
        assert_eq!((new.decay_s(), new.save().session), (1.73, 8));
        assert!(new.place.standing().is_guess);
        a[0].block();
        let mut new = Instance::new(registry, 0.9, ONE);
        assert_eq!((new.decay_s(), new.save().session), (0.42, 7));
        // Off and on again chooses again.
        new.link = Link::Off;
        new.block();
        b[0].block();
        new.link = ONE;
        new.block();
        assert_eq!((new.decay_s(), new.save().session), (1.73, 8));
        drop(a);
        assert!(!new.place.standing().is_guess, "there is one session left");
    }

    #[test]
    fn a_project_that_is_closed_leaves_nothing_to_the_next_one() {
        let registry = registry();
        drop(open(registry, &state(7, 0.3), 3));
        let new = Instance::new(registry, 0.9, ONE);
        assert_eq!(new.decay_s(), 0.9);
        assert_ne!(new.save().session, 7);
        assert!(!new.place.standing().is_guess);
    }

    /// Reverted, or opened anew: a host that builds the new project before it frees the old.
    #[test]
    fn a_project_that_is_opened_before_its_old_self_is_freed() {
        let registry = registry();
        let mut old = open(registry, &state(7, 0.5), 3);
        old[0].own[DECAY] = 0.9;
        (0..2).for_each(|_| old.iter().for_each(Instance::block));
        let mut new = open(registry, &state(7, 0.5), 3);
        assert_eq!((decays(&old), decays(&new)), (vec![0.9; 3], vec![0.5; 3]));
        assert_eq!(new[0].difference(), Some((0.5, Some(0.9))));
        assert_eq!(old[0].difference(), Some((0.9, None)));
        drop(old);
        (0..2).for_each(|_| new.iter().for_each(Instance::block));
        assert_eq!((decays(&new), new[0].saved_decay_s(), new[0].difference()), (vec![0.5; 3], 0.5, None));
        let added = Instance::new(registry, 1.2, ONE);
        assert_eq!(added.decay_s(), 0.5, "nobody stands on what the old one had");
        new[2].own[DECAY] = 0.6;
        (0..2).for_each(|_| new.iter().chain([&added]).rev().for_each(Instance::block));
        assert_eq!((decays(&new), added.decay_s()), (vec![0.6; 3], 0.6));
    }

    #[test]
    fn a_deactivated_project_does_not_hold_the_platform_of_another() {
        let registry = registry();
        // A was activated once, and is not processed again.
        let a = open(registry, &state(7, 0.3), 2);
        let b = open(registry, &state(8, 1.6), 2);
        (0..5).for_each(|_| b.iter().for_each(Instance::block));
        assert_eq!((decays(&a), decays(&b), b[0].saved_decay_s()), (vec![0.3; 2], vec![1.6; 2], 1.6));
    }

    #[test]
    fn a_copy_of_a_channel_stays_in_the_group() {
        let registry = registry();
        let mut channels = vec![Instance::new(registry, 0.8, ONE), Instance::new(registry, 1.2, ONE)];
        let copy = Instance::of(registry, &channels[1].save());
        channels.push(copy);
        assert_eq!(decays(&channels), [0.8; 3]);
        assert!(channels.iter().all(|each| each.difference().is_none()));
        channels[2].own[DECAY] = 1.1;
        (0..2).for_each(|_| channels.iter().rev().for_each(Instance::block));
        assert_eq!(decays(&channels), [1.1; 3]);
    }

    /// Undo by whole state: it brings back what the one instance was, changes no other, and the window tells.
    #[test]
    fn an_undo_by_whole_state_changes_one_instance_and_says_so() {
        let registry = registry();
        let first = Instance::new(registry, 0.8, ONE);
        let mut second = Instance::new(registry, 1.2, ONE);
        let before = second.save();
        second.edit(1.4);
        second.own[DECAY] = 1.4;
        second.blocks();
        first.block();
        let after = second.save();
        second.load(&before);
        play(&[&second, &first], 2, 0.012);
        assert_eq!((first.decay_s(), second.decay_s(), second.saved_decay_s()), (1.4, 0.8, 0.8));
        assert_eq!((first.difference(), second.difference()), (Some((1.4, None)), Some((0.8, Some(1.4)))));
        // Redo, and all is as it was.
        second.load(&after);
        play(&[&second, &first], 2, 0.012);
        assert_eq!((first.decay_s(), second.decay_s()), (1.4, 1.4));
        assert_eq!((first.difference(), second.difference()), (None, None));
        // Undone once more; then an edit on either ends the difference.
        second.load(&before);
        second.block();
        second.own[DECAY] = 0.7;
        play(&[&second, &first], 2, 0.012);
        assert_eq!((first.decay_s(), second.decay_s()), (0.7, 0.7));
        assert_eq!((first.difference(), second.difference()), (None, None));
        // And so does the link, set off and on again.
        second.load(&before);
        second.block();
        second.link = Link::Off;
        second.block();
        second.link = ONE;
        second.block();
        assert_eq!((second.decay_s(), first.difference()), (0.7, None));
    }

    /// One track is frozen: deactivated, rendered by another instance made from its state, and loaded again.
    #[test]
    fn one_track_is_frozen_and_thawed() {
        let registry = registry();
        let mut others = vec![Instance::new(registry, 0.8, ONE), Instance::new(registry, 0.8, ONE)];
        let mut frozen = Instance::new(registry, 0.8, ONE);
        let saved = frozen.save();
        let offline = Instance::of(registry, &saved);
        assert_eq!((offline.decay_s(), offline.difference()), (0.8, None));
        drop(offline);
        assert_eq!(registry.members(0), 3);
        others[0].own[DECAY] = 1.3;
        (0..2).for_each(|_| others.iter().for_each(Instance::block));
        // Only activated again, it has followed.
        assert_eq!(frozen.decay_s(), 1.3);
        frozen.block();
        assert_eq!((frozen.decay_s(), frozen.difference()), (1.3, None));
        // With its state loaded it is what the host has rendered, and says so.
        frozen.load(&saved);
        frozen.blocks();
        assert_eq!((frozen.decay_s(), frozen.difference()), (0.8, Some((0.8, Some(1.3)))));
        assert_eq!(decays(&others), [1.3; 2]);
        // Another value that is edited is followed all the same.
        let width = 0;
        others[1].own[width] = 9.0;
        (0..2).for_each(|_| others.iter().chain([&frozen]).for_each(Instance::block));
        assert_eq!(frozen.place.look(ONE, &frozen.own)[width], 9.0);
        assert_eq!(frozen.decay_s(), 0.8);
    }

    #[test]
    fn a_channel_from_another_project_stands_alone_and_says_how_to_join() {
        let registry = registry();
        let a = open(registry, &state(7, 0.3), 2);
        let mut guest = Instance::of(registry, &state(8, 1.6));
        assert_eq!(guest.decay_s(), 1.6);
        assert!(guest.place.standing().is_stranger && !a[0].place.standing().is_stranger);
        guest.link = Link::Off;
        guest.block();
        guest.link = ONE;
        guest.block();
        assert_eq!((guest.decay_s(), guest.save().session), (0.3, 7));
        let Standing { is_stranger, is_guess, .. } = guest.place.standing();
        assert!(!is_stranger && !is_guess);
    }

    #[test]
    fn states_without_ids_join_those_that_were_saved_on_the_same_platform() {
        let registry = registry();
        let mut session = open(registry, &state(0, 0.8), 3);
        let odd = Instance::of(registry, &state(0, 0.9));
        session[0].own[DECAY] = 1.1;
        (0..2).for_each(|_| session.iter().chain([&odd]).for_each(Instance::block));
        assert_eq!((decays(&session), odd.decay_s()), (vec![1.1; 3], 0.9));
        assert!(odd.place.standing().is_stranger);
        // From here on they have an id.
        let ids: Vec<u64> = session.iter().map(|each| each.save().session).collect();
        assert!(ids[0] != 0 && ids.iter().all(|id| *id == ids[0]) && odd.save().session != ids[0]);
    }

    #[test]
    fn an_unlinked_instance_has_no_session_and_one_that_left_comes_back_to_its_own() {
        let registry = registry();
        assert_eq!(Instance::new(registry, 0.8, Link::Off).save().session, 0);
        let a = open(registry, &state(7, 0.3), 2);
        let mut guest = Instance::of(registry, &state(7, 0.3));
        let b = open(registry, &state(8, 1.6), 2);
        (guest.link, guest.own[DECAY]) = (Link::Off, 0.9);
        guest.blocks();
        b[0].block();
        guest.link = Link::Platform(0);
        guest.block();
        assert_eq!((guest.decay_s(), guest.save().session), (0.3, 7));
        guest.link = Link::Platform(1);
        guest.block();
        assert_eq!(guest.save().session, 7);
        drop((a, b));
    }

    /// Its only linked channel takes another number, or all of them are switched off and on again: nobody lands on another
    /// project's platform.
    #[test]
    fn a_project_keeps_its_platforms_where_none_of_it_is_linked_for_a_moment() {
        let registry = registry();
        let mut a = open(registry, &state(7, 0.3), 2);
        let b = open(registry, &state(8, 1.6), 2);
        let play = |a: &[Instance]| a.iter().chain(&b).for_each(Instance::blocks);
        for link in [Link::Off, ONE] {
            for each in &mut a {
                each.link = link;
            }
            play(&a);
        }
        assert_eq!((decays(&a), decays(&b)), (vec![0.3; 2], vec![1.6; 2]));
        let mut lone = Instance::of(registry, &state(9, 0.7));
        lone.link = Link::Platform(1);
        lone.blocks();
        assert_eq!((lone.decay_s(), lone.save().session), (0.7, 9));
    }

    #[test]
    fn where_every_platform_is_taken_one_stands_alone_and_says_so() {
        let registry = registry();
        let mut all: Vec<Instance> =
            (1..=MOST as u64).map(|session| Instance::of(registry, &state(session, 0.3))).collect();
        let mut late = Instance::of(registry, &state(999, 1.6));
        late.own[DECAY] = 1.7;
        late.blocks();
        assert!(late.place.standing().is_turned_away);
        assert_eq!((late.decay_s(), late.saved_decay_s()), (1.7, 1.7));
        all.pop();
        late.block();
        assert!(!late.place.standing().is_turned_away);
        assert_eq!((late.decay_s(), late.save().session), (1.7, 999));
    }

    #[test]
    fn ids_are_drawn_and_never_twice_the_same() {
        let mut ids: Vec<u64> = (0..10_000).map(|_| new_id()).collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), 10_000);
        // All bits are in use: each is set in half of them, to six standard deviations of 50.
        for bit in 0..u64::BITS {
            let set = ids.iter().filter(|id| *id >> bit & 1 == 1).count();
            assert!((4_700..5_300).contains(&set), "bit {bit}: {set}");
        }
    }

    /// Eighty instances, loaded, edited and removed by eight threads in random order: nothing is lost, all agree.
    #[test]
    fn eighty_instances_in_random_order_agree_in_the_end() {
        let registry = registry();
        let mut all: Vec<Instance> = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..8_u64)
                .map(|thread| {
                    scope.spawn(move || {
                        let mut noise = rostra_dsp::kernel::Noise::new(thread + 1);
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
        // Two looks: the second takes over what those behind have told in the first.
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
