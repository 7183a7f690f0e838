//! Lists to choose from: the engine's families, finishes and pickup pairs as parameters.
//!
//! Names come from the engine, in the engine's order. Ids are written here, one
//! for each entry: states hold ids, so an entry may be renamed. Automation holds
//! places in the list, in VST3 as a share of all places: new entries go to the
//! end only, and a list has more places than entries from the beginning, so that
//! a new one moves nothing. A place without an entry, which a host can set all
//! the same, plays the first entry, says so, and is saved as itself.

use std::sync::LazyLock;

use nice_plug::prelude::Enum;
use rostra_dsp::acoustics::{Family, Finish, Pair};

use crate::platform_link::Link;

/// An entry of one of the engine's lists, in the form that the framework takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Listed<T>(pub T);

/// Returns the stable id of a family.
const fn family_id(family: Family) -> &'static str {
    match family {
        Family::Even => "even",
        Family::ForwardBell => "forward-bell",
        Family::RearBell => "rear-bell",
        Family::UpwardBell => "upward-bell",
        Family::TopPlate => "top-plate",
        Family::FrontPlate => "front-plate",
        Family::ToneHoles => "tone-holes",
        Family::Skin => "skin",
    }
}

/// Returns the stable id of a finish.
const fn finish_id(finish: Finish) -> &'static str {
    match finish {
        Finish::TimberPlatform => "timber-platform",
        Finish::Timber => "timber",
        Finish::Plasterboard => "plasterboard",
        Finish::Plaster => "plaster",
        Finish::Brick => "brick",
        Finish::Concrete => "concrete",
        Finish::Carpet => "carpet",
        Finish::Curtain => "curtain",
        Finish::MineralWool => "mineral-wool",
    }
}

/// Returns the stable id of a pickup pair.
const fn pair_id(pair: Pair) -> &'static str {
    match pair {
        Pair::Coincident => "coincident",
        Pair::NearCoincident => "near-coincident",
        Pair::SpacedOmnis => "spaced-omnis",
    }
}

/// Returns the stable id of a platform link.
const fn link_id(link: Link) -> &'static str {
    link.name()
}

/// How the id of a place without an entry begins; its number follows.
const PLACE: &str = "place-";

/// Returns the place that a saved id names by its number, if it does.
///
/// A later version may have an entry there.
pub(crate) fn place_of_id(id: &str) -> Option<usize> {
    id.strip_prefix(PLACE)?.parse().ok()
}

/// Returns the entries' texts with those of the places behind them, to the number of places.
fn filled(entries: &[&'static str], places: usize, text: impl Fn(usize) -> String) -> Vec<&'static str> {
    let rest = (entries.len()..places).map(|place| &*Box::leak(text(place).into_boxed_str()));
    entries.iter().copied().chain(rest).collect()
}

/// Makes one of the engine's lists a list of the framework, with so many places.
macro_rules! list {
    ($entry:ty, $id:path, $places:expr) => {
        impl Listed<$entry> {
            /// Places of the list: an entry's share in VST3 is its place over one less than these, for ever.
            pub const PLACES: usize = {
                assert!($places > <$entry>::ALL.len(), "there is no room for a new entry");
                $places
            };

            /// Returns the names of the entries, without the places behind them.
            pub const fn names() -> &'static [&'static str] {
                const NAMES: [&str; <$entry>::ALL.len()] = {
                    let mut names = [""; <$entry>::ALL.len()];
                    let mut index = 0;
                    while index < names.len() {
                        names[index] = <$entry>::ALL[index].name();
                        index += 1;
                    }
                    names
                };
                &NAMES
            }

            const fn entry_ids() -> &'static [&'static str] {
                const IDS: [&str; <$entry>::ALL.len()] = {
                    let mut ids = [""; <$entry>::ALL.len()];
                    let mut index = 0;
                    while index < ids.len() {
                        ids[index] = $id(<$entry>::ALL[index]);
                        index += 1;
                    }
                    ids
                };
                &IDS
            }
        }

        impl Enum for Listed<$entry> {
            fn variants() -> &'static [&'static str] {
                static TEXTS: LazyLock<Vec<&'static str>> = LazyLock::new(|| {
                    let names = Listed::<$entry>::names();
                    filled(names, Listed::<$entry>::PLACES, |place| format!("unused {place}: {}", names[0]))
                });
                &TEXTS
            }

            fn ids() -> Option<&'static [&'static str]> {
                static IDS: LazyLock<Vec<&'static str>> = LazyLock::new(|| {
                    let ids = Listed::<$entry>::entry_ids();
                    filled(ids, Listed::<$entry>::PLACES, |place| format!("{PLACE}{place}"))
                });
                Some(&IDS)
            }

            fn to_index(self) -> usize {
                <$entry>::ALL.iter().position(|&entry| entry == self.0).unwrap_or(0)
            }

            fn from_index(index: usize) -> Self {
                Self(<$entry>::ALL.get(index).copied().unwrap_or(<$entry>::ALL[0]))
            }
        }
    };
}

// Room, our choice: what is thought of and about half as many again; a longer
// list would be a burden in a host's menu.
list!(Family, family_id, 25);
list!(Finish, finish_id, 17);
list!(Pair, pair_id, 9);
list!(Link, link_id, 9);

#[cfg(test)]
mod tests {
    use nice_plug::prelude::{EnumParam, Param as _};

    use super::*;

    #[test]
    fn ids_are_what_the_first_release_wrote() {
        // A change here breaks saved sessions: entries may be added at the end, never renamed or moved.
        assert_eq!(
            Listed::<Family>::entry_ids(),
            [
                "even",
                "forward-bell",
                "rear-bell",
                "upward-bell",
                "top-plate",
                "front-plate",
                "tone-holes",
                "skin"
            ]
        );
        assert_eq!(
            Listed::<Finish>::entry_ids(),
            [
                "timber-platform",
                "timber",
                "plasterboard",
                "plaster",
                "brick",
                "concrete",
                "carpet",
                "curtain",
                "mineral-wool"
            ]
        );
        assert_eq!(Listed::<Pair>::entry_ids(), ["coincident", "near-coincident", "spaced-omnis"]);
        assert_eq!(Listed::<Link>::entry_ids(), ["off", "1", "2", "3", "4"]);
    }

    #[test]
    fn places_are_those_of_the_first_release() {
        // A change here moves the automation of every session.
        let places = [
            Listed::<Family>::PLACES,
            Listed::<Finish>::PLACES,
            Listed::<Pair>::PLACES,
            Listed::<Link>::PLACES,
        ];
        assert_eq!(places, [25, 17, 9, 9]);
    }

    #[test]
    fn every_entry_comes_back_from_its_place() {
        for (index, family) in Family::ALL.into_iter().enumerate() {
            assert_eq!(Listed(family).to_index(), index);
            assert_eq!(Listed::<Family>::from_index(index), Listed(family));
        }
        assert_eq!(Listed::<Finish>::from_index(99), Listed(Finish::ALL[0]));
    }

    /// A list as it is, and with one entry more.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    enum Now {
        One,
        Two,
    }

    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    enum Later {
        One,
        Two,
        Three,
    }

    impl Now {
        const ALL: [Self; 2] = [Self::One, Self::Two];

        const fn name(self) -> &'static str {
            match self {
                Self::One => "one",
                Self::Two => "two",
            }
        }
    }

    impl Later {
        const ALL: [Self; 3] = [Self::One, Self::Two, Self::Three];

        const fn name(self) -> &'static str {
            match self {
                Self::One => "one",
                Self::Two => "two",
                Self::Three => "three",
            }
        }
    }

    list!(Now, Now::name, 9);
    list!(Later, Later::name, 9);

    #[test]
    fn a_new_entry_moves_no_other_and_is_found_where_a_place_was_saved() {
        let now = EnumParam::new("List", Listed(Now::One));
        let later = EnumParam::new("List", Listed(Later::One));
        for (old, new) in [(Now::One, Later::One), (Now::Two, Later::Two)] {
            let normalized = now.preview_normalized(Listed(old));
            assert_eq!(normalized, later.preview_normalized(Listed(new)));
            assert_eq!(later.preview_plain(normalized), Listed(new));
            assert_eq!(now.normalized_value_to_string(normalized, true), old.name());
        }
        // A host's knob at the place that has no entry yet, and at the end.
        assert_eq!(now.normalized_value_to_string(2.0 / 8.0, true), "unused 2: one");
        assert_eq!(now.normalized_value_to_string(1.0, true), "unused 8: one");
        assert_eq!(
            (now.preview_plain(2.0 / 8.0), now.preview_plain(1.0)),
            (Listed(Now::One), Listed(Now::One))
        );
        let ids = Listed::<Now>::ids().expect("a list has ids");
        assert_eq!((ids[2], place_of_id(ids[2])), ("place-2", Some(2)));
        assert_eq!(Listed::<Later>::from_index(2), Listed(Later::Three));
        assert_eq!(later.normalized_value_to_string(2.0 / 8.0, true), "three");
    }

    #[test]
    fn every_place_of_every_list_reads_back_and_plays_something() {
        fn hold<T: Enum + PartialEq + std::fmt::Debug + 'static>(first: T, names: usize) {
            let list = EnumParam::new("List", first);
            let steps = list.step_count().expect("a list has steps");
            for place in 0..=steps {
                let normalized = place as f32 / steps as f32;
                let text = list.normalized_value_to_string(normalized, true);
                let back = list.string_to_normalized_value(&text).expect("it reads its own text");
                assert_eq!((back * steps as f32).round() as usize, place, "{text}");
                let expected = if place < names { place } else { 0 };
                assert_eq!(list.preview_plain(normalized).to_index(), expected, "{text}");
            }
        }
        hold(Listed(Family::ALL[0]), Family::ALL.len());
        hold(Listed(Finish::ALL[0]), Finish::ALL.len());
        hold(Listed(Pair::ALL[0]), Pair::ALL.len());
        hold(Listed(Link::Off), Link::ALL.len());
    }
}
