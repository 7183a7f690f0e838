//! Lists to choose from: the engine's families, finishes and pickup pairs as parameters.
//!
//! Names come from the engine, in the engine's order. Ids are written here, one
//! for each entry: states hold ids, so an entry may be renamed. Automation holds
//! places in the list: new entries go at its end only.

use nice_plug::prelude::Enum;
use rostra_dsp::pickup::Pair;
use rostra_dsp::radiation::Family;
use rostra_dsp::surface::Finish;

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

/// Makes one of the engine's lists a list of the framework.
macro_rules! list {
    ($entry:ty, $id:path) => {
        impl Enum for Listed<$entry> {
            fn variants() -> &'static [&'static str] {
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

            fn ids() -> Option<&'static [&'static str]> {
                const IDS: [&str; <$entry>::ALL.len()] = {
                    let mut ids = [""; <$entry>::ALL.len()];
                    let mut index = 0;
                    while index < ids.len() {
                        ids[index] = $id(<$entry>::ALL[index]);
                        index += 1;
                    }
                    ids
                };
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

list!(Family, family_id);
list!(Finish, finish_id);
list!(Pair, pair_id);
list!(Link, link_id);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_what_the_first_release_wrote() {
        // A change here breaks saved sessions: entries may be added at the end, never renamed or moved.
        assert_eq!(
            Listed::<Family>::ids(),
            Some(
                &[
                    "even",
                    "forward-bell",
                    "rear-bell",
                    "upward-bell",
                    "top-plate",
                    "front-plate",
                    "tone-holes",
                    "skin"
                ][..]
            )
        );
        assert_eq!(
            Listed::<Finish>::ids(),
            Some(
                &[
                    "timber-platform",
                    "timber",
                    "plasterboard",
                    "plaster",
                    "brick",
                    "concrete",
                    "carpet",
                    "curtain",
                    "mineral-wool"
                ][..]
            )
        );
        assert_eq!(Listed::<Pair>::ids(), Some(&["coincident", "near-coincident", "spaced-omnis"][..]));
    }

    #[test]
    fn every_entry_comes_back_from_its_place() {
        for (index, family) in Family::ALL.into_iter().enumerate() {
            assert_eq!(Listed(family).to_index(), index);
            assert_eq!(Listed::<Family>::from_index(index), Listed(family));
        }
        assert_eq!(Listed::<Finish>::from_index(99), Listed(Finish::ALL[0]));
    }
}
