//! The lists to choose from: ids, old ids and notes of the entries, in the order of their places.
//!
//! A new entry goes to the end of its list, and its id never changes.

use super::list::{Entry, List};
use crate::acoustics::microphones::Pair;
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::surface::Finish;

/// Ways in which instruments radiate, in the order of [`Family::ALL`].
const FAMILIES: [Entry; Family::ALL.len()] = [
    Entry {
        id: "omnidirectional",
        old_ids: &["even"],
        name: Family::Omnidirectional.name(),
        note: "the same in all directions: for anything whose directivity should be left alone",
    },
    Entry {
        id: "forward-bell",
        old_ids: &[],
        name: Family::ForwardBell.name(),
        note: "where the player faces, narrower with every octave: trumpet, cornet",
    },
    Entry {
        id: "rear-bell",
        old_ids: &[],
        name: Family::RearBell.name(),
        note: "back and to the player's right: horn",
    },
    Entry {
        id: "upward-bell",
        old_ids: &[],
        name: Family::UpwardBell.name(),
        note: "up, leaning ahead: tuba, euphonium",
    },
    Entry {
        id: "top-plate",
        old_ids: &[],
        name: Family::TopPlate.name(),
        note: "up and to the player's right: violin, viola",
    },
    Entry {
        id: "front-plate",
        old_ids: &[],
        name: Family::FrontPlate.name(),
        note: "ahead and a little up: cello, double bass, guitar",
    },
    Entry {
        id: "tone-holes",
        old_ids: &[],
        name: Family::ToneHoles.name(),
        note: "ahead and down, broadly: oboe, clarinet, saxophone",
    },
    Entry {
        id: "drumhead",
        old_ids: &["skin"],
        name: Family::Drumhead.name(),
        note: "up, very broadly: timpani, bass drum, tom",
    },
    Entry {
        id: "wide-forward-bell",
        old_ids: &[],
        name: Family::WideForwardBell.name(),
        note: "where the player faces, from lower octaves on: trombone",
    },
    Entry {
        id: "bassoon",
        old_ids: &[],
        name: Family::Bassoon.name(),
        note: "up, leaning ahead and to the player's left",
    },
    Entry {
        id: "flute",
        old_ids: &[],
        name: Family::Flute.name(),
        note: "ahead and a little to the player's right, very broadly: flute, piccolo",
    },
    Entry { id: "harp", old_ids: &[], name: Family::Harp.name(), note: "ahead and up, broadly" },
    Entry {
        id: "lid",
        old_ids: &[],
        name: Family::Lid.name(),
        note: "to the player's right and up: grand piano; facing 90 opens the lid to the microphones",
    },
    Entry {
        id: "bars",
        old_ids: &[],
        name: Family::Bars.name(),
        note: "up, very broadly: xylophone, marimba, vibraphone, glockenspiel",
    },
    Entry {
        id: "mouth",
        old_ids: &[],
        name: Family::Mouth.name(),
        note: "where the player faces, at the height of one who stands: choir, voice",
    },
];

/// Sides of the instrument from which the dry signal was recorded, in the order of [`RecordedFrom::ALL`].
const SIDES: [Entry; RecordedFrom::ALL.len()] = [
    Entry {
        id: "on-the-axis",
        old_ids: &[],
        name: RecordedFrom::Axis.name(),
        note: "where the instrument radiates most: before the bell, over the top plate",
    },
    Entry {
        id: "in-front",
        old_ids: &[],
        name: RecordedFrom::Front.name(),
        note: "where the player faces, whichever way the bell points",
    },
    Entry { id: "above", old_ids: &[], name: RecordedFrom::Above.name(), note: "over the player" },
    Entry {
        id: "at-the-side",
        old_ids: &[],
        name: RecordedFrom::Side.name(),
        note: "at the player's right, the side of a horn's bell",
    },
];

/// Finishes, in the order of [`Finish::ALL`].
const FINISHES: [Entry; Finish::ALL.len()] = [
    finish("timber-platform", Finish::TimberPlatform, "stage boards over an air space"),
    finish("timber", Finish::Timber, "panelling on studs"),
    finish("plasterboard", Finish::Plasterboard, "on battens under a large air space"),
    finish("plaster", Finish::Plaster, "render on brickwork"),
    finish("brick", Finish::Brick, "bare, with raked joints"),
    finish("concrete", Finish::Concrete, "smooth, unpainted"),
    finish("carpet", Finish::Carpet, "tufted, on felt"),
    finish("curtain", Finish::Curtain, "cotton, draped, off the wall"),
    finish("mineral-wool", Finish::MineralWool, "50 mm, untreated"),
];

const fn finish(id: &'static str, finish: Finish, note: &'static str) -> Entry {
    Entry { id, old_ids: &[], name: finish.name(), note }
}

/// Arrangements of the main microphones, in the order of [`Pair::ALL`].
const PAIRS: [Entry; Pair::ALL.len()] = [
    Entry {
        id: "coincident",
        old_ids: &[],
        name: Pair::Coincident.name(),
        note: "X-Y: two cardioids in one spot, 90 degrees apart",
    },
    Entry {
        id: "near-coincident",
        old_ids: &[],
        name: Pair::NearCoincident.name(),
        note: "two cardioids 17 cm apart, at 110 degrees",
    },
    Entry {
        id: "spaced-omnis",
        old_ids: &[],
        name: Pair::SpacedOmnis.name(),
        note: "A-B: two omnis 50 cm apart",
    },
];

/// Shared platforms of a session.
const LINKS: [Entry; 5] = [link("off"), link("1"), link("2"), link("3"), link("4")];

const fn link(number: &'static str) -> Entry {
    Entry { id: number, old_ids: &[], name: number, note: "" }
}

// Room, our choice: what is thought of and about half as many again; a longer
// list would be a burden in a host's menu. These numbers never change: they
// would move the automation of every session.

/// How an instrument radiates.
pub(super) const RADIATION: List = List::new(&FAMILIES, 25, Family::Omnidirectional as usize);
/// From which side the dry signal was recorded.
pub(super) const RECORDED: List = List::new(&SIDES, 9, RecordedFrom::Axis as usize);
/// Which shared platform an instance stands on.
pub(super) const LINK: List = List::new(&LINKS, 9, 0);

/// Returns the list of arrangements of the main microphones.
pub(super) const fn microphones(default: Pair) -> List {
    List::new(&PAIRS, 9, default as usize)
}

/// Returns the list of finishes for a face.
pub(super) const fn finishes(default: Finish) -> List {
    List::new(&FINISHES, 17, default as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_entries_are_those_of_the_acoustics_in_their_order() {
        assert_eq!(FAMILIES.map(|entry| entry.name), Family::ALL.map(Family::name));
        assert_eq!(SIDES.map(|entry| entry.name), RecordedFrom::ALL.map(RecordedFrom::name));
        assert_eq!(FINISHES.map(|entry| entry.name), Finish::ALL.map(Finish::name));
        assert_eq!(PAIRS.map(|entry| entry.name), Pair::ALL.map(Pair::name));
    }

    /// Holds the first entries of a list to ids; what came since stands after them.
    fn assert_begins_with(entries: &[Entry], ids: &[&str]) {
        let got: Vec<_> = entries.iter().map(|entry| entry.id).take(ids.len()).collect();
        assert_eq!(got, ids);
    }

    #[test]
    fn ids_are_what_the_first_release_wrote() {
        // A change here breaks saved sessions: entries may be added at the end, never moved; an id that is renamed stays
        // among the old ones.
        assert_begins_with(
            &FAMILIES,
            &[
                "omnidirectional",
                "forward-bell",
                "rear-bell",
                "upward-bell",
                "top-plate",
                "front-plate",
                "tone-holes",
                "drumhead",
                "wide-forward-bell",
                "bassoon",
                "flute",
                "harp",
                "lid",
                "bars",
                "mouth",
            ],
        );
        assert_begins_with(
            &FINISHES,
            &[
                "timber-platform",
                "timber",
                "plasterboard",
                "plaster",
                "brick",
                "concrete",
                "carpet",
                "curtain",
                "mineral-wool",
            ],
        );
        assert_begins_with(&PAIRS, &["coincident", "near-coincident", "spaced-omnis"]);
        assert_begins_with(&SIDES, &["on-the-axis", "in-front", "above", "at-the-side"]);
        assert_begins_with(&LINKS, &["off", "1", "2", "3", "4"]);
    }

    #[test]
    fn places_are_those_of_the_first_release() {
        // A change here moves the automation of every session.
        let lists = [RADIATION, RECORDED, finishes(Finish::Timber), microphones(Pair::Coincident), LINK];
        assert_eq!(lists.map(|list| list.places), [25, 9, 17, 9, 9]);
    }

    #[test]
    fn words_and_ids_of_before_are_still_read() {
        for (word, place) in [("even", 0), ("skin", 7), ("omnidirectional", 0), ("drumhead", 7)] {
            assert_eq!(RADIATION.place_of_id(word), Some(place), "{word}");
            assert_eq!(RADIATION.place_of_word(word), Some(place), "{word}");
        }
        for word in ["rear bell", "Rear-Bell", "rear_bell", " REARBELL "] {
            assert_eq!(RADIATION.place_of_word(word), Some(2), "{word}");
        }
        assert_eq!(RADIATION.place_of_id("rear bell"), None);
        assert_eq!(RADIATION.place_of_word("trumpet"), None);
    }
}
