//! The lists of a table as the framework takes them: every place with its text and its id.
//!
//! States hold an entry's id, so an entry may be renamed. Automation holds
//! places in the list, in VST3 as a share of all places. A place without an
//! entry, which a host can set all the same, plays the first entry, says so,
//! and is saved as itself.

use std::marker::PhantomData;
use std::sync::LazyLock;

use nice_plug::prelude::{Enum, EnumParam, Param as _, ParamFlags, ParamSetter};
use rostra_dsp::settings::{Kind, List, Parameter, SEAT_PARAMETERS};

/// How the id of a place without an entry begins; its number follows.
const PLACE: &str = "place-";

/// Returns the place that a saved id names by its number, if it does.
///
/// A later version may have an entry there.
fn place_of_number(id: &str) -> Option<usize> {
    id.strip_prefix(PLACE)?.parse().ok()
}

/// Returns the id of a place, as a state holds it; `None` beyond the last place.
pub(crate) fn id_of(list: &List, place: usize) -> Option<String> {
    let id = list.entries.get(place).map(|entry| entry.id.to_owned());
    id.or_else(|| (place < list.places).then(|| format!("{PLACE}{place}")))
}

/// Returns the place that a saved id names: an entry's of today or before, or a place by its number.
pub(crate) fn place_of_id(list: &List, id: &str) -> Option<usize> {
    list.place_of_id(id).or_else(|| place_of_number(id).filter(|place| *place < list.places))
}

/// Texts and ids of every place of a list.
#[derive(Debug)]
pub struct Places {
    list: &'static List,
    texts: Vec<&'static str>,
    ids: Vec<&'static str>,
}

impl Places {
    fn of(list: &'static List) -> Self {
        let first = list.entry(0).name;
        let kept = |text: String| -> &'static str { Box::leak(text.into_boxed_str()) };
        let rest = || list.entries.len()..list.places;
        let unused = rest().map(|place| kept(format!("unused {place}: {first}")));
        let numbers = rest().map(|place| kept(format!("{PLACE}{place}")));
        Self {
            list,
            texts: list.names().chain(unused).collect(),
            ids: list.entries.iter().map(|entry| entry.id).chain(numbers).collect(),
        }
    }
}

/// A list that a parameter of the framework chooses from.
pub trait Choices: Copy + PartialEq + Send + Sync + 'static {
    /// Its places.
    fn places() -> &'static Places;
}

/// The list of the parameter at place `P` in the seat's table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OfSeat<const P: usize>;

impl<const P: usize> Choices for OfSeat<P> {
    fn places() -> &'static Places {
        static ALL: LazyLock<Vec<Option<Places>>> = LazyLock::new(|| {
            SEAT_PARAMETERS.iter().map(|row| row.parameter.list().map(Places::of)).collect()
        });
        // PANIC: the table's kind is looked at while the program is compiled.
        ALL[const { a_list(P) }].as_ref().expect("a list has places")
    }
}

/// Returns a place of the seat's table while the program is compiled.
///
/// # Panics
/// Where no list is there.
const fn a_list(place: usize) -> usize {
    assert!(matches!(SEAT_PARAMETERS[place].parameter.kind, Kind::List(_)), "the parameter is no list");
    place
}

/// An entry of a list, by its place, in the form that the framework takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Chosen<C>(usize, PhantomData<C>);

impl<C: Choices> Enum for Chosen<C> {
    fn variants() -> &'static [&'static str] {
        &C::places().texts
    }

    fn ids() -> Option<&'static [&'static str]> {
        Some(&C::places().ids)
    }

    fn to_index(self) -> usize {
        self.0
    }

    fn from_index(index: usize) -> Self {
        let has_entry = index < C::places().list.entries.len();
        Self(if has_entry { index } else { 0 }, PhantomData)
    }
}

/// Makes the framework's parameter of a list.
pub(crate) fn list<C: Choices>(parameter: &'static Parameter) -> EnumParam<Chosen<C>> {
    EnumParam::new(parameter.name, Chosen::from_index(C::places().list.default))
}

/// A parameter of the framework that chooses from whatever list.
pub trait ListParameter: Sync {
    /// Returns the chosen entry's place.
    fn place(&self) -> usize;

    /// Chooses an entry, a gesture of its own.
    fn choose(&self, setter: &ParamSetter, place: usize);

    /// Returns the name that hosts show.
    fn name(&self) -> &str;

    /// Returns what hosts may do with it.
    fn flags(&self) -> ParamFlags;

    /// Returns the text at a share of the list's travel, 0 to 1.
    fn text_at(&self, share: f32) -> String;

    /// Returns the share of the list's travel at a text.
    fn share_of(&self, text: &str) -> Option<f32>;
}

impl<C: Choices> ListParameter for EnumParam<Chosen<C>> {
    fn place(&self) -> usize {
        self.value().to_index()
    }

    fn choose(&self, setter: &ParamSetter, place: usize) {
        setter.begin_set_parameter(self);
        setter.set_parameter(self, Chosen::from_index(place));
        setter.end_set_parameter(self);
    }

    fn name(&self) -> &str {
        nice_plug::prelude::Param::name(self)
    }

    fn flags(&self) -> ParamFlags {
        nice_plug::prelude::Param::flags(self)
    }

    fn text_at(&self, share: f32) -> String {
        self.normalized_value_to_string(share, true)
    }

    fn share_of(&self, text: &str) -> Option<f32> {
        self.string_to_normalized_value(text)
    }
}

#[cfg(test)]
mod tests {
    use rostra_dsp::settings::Entry;

    use super::*;

    const fn entry(id: &'static str) -> Entry {
        Entry { id, old_ids: &[], name: id, note: "" }
    }

    /// A list as it is, and with one entry more.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    struct Now;

    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    struct Later;

    impl Choices for Now {
        fn places() -> &'static Places {
            static LIST: List = List::new(&[entry("one"), entry("two")], 9, 0);
            static PLACES: LazyLock<Places> = LazyLock::new(|| Places::of(&LIST));
            &PLACES
        }
    }

    impl Choices for Later {
        fn places() -> &'static Places {
            static LIST: List = List::new(&[entry("one"), entry("two"), entry("three")], 9, 0);
            static PLACES: LazyLock<Places> = LazyLock::new(|| Places::of(&LIST));
            &PLACES
        }
    }

    #[test]
    fn a_new_entry_moves_no_other_and_is_found_where_a_place_was_saved() {
        let now = EnumParam::new("List", Chosen::<Now>::from_index(0));
        let later = EnumParam::new("List", Chosen::<Later>::from_index(0));
        for (place, name) in [(0, "one"), (1, "two")] {
            let normalized = now.preview_normalized(Chosen::from_index(place));
            assert_eq!(normalized, later.preview_normalized(Chosen::from_index(place)));
            assert_eq!(later.preview_plain(normalized).to_index(), place);
            assert_eq!(now.normalized_value_to_string(normalized, true), name);
        }
        // A host's knob at the place that has no entry yet, and at the end.
        assert_eq!(now.normalized_value_to_string(2.0 / 8.0, true), "unused 2: one");
        assert_eq!(now.normalized_value_to_string(1.0, true), "unused 8: one");
        assert_eq!((now.preview_plain(2.0 / 8.0).to_index(), now.preview_plain(1.0).to_index()), (0, 0));
        let ids = Chosen::<Now>::ids().expect("a list has ids");
        assert_eq!((ids[2], place_of_id(Later::places().list, ids[2])), ("place-2", Some(2)));
        assert_eq!(id_of(Now::places().list, 2).as_deref(), Some("place-2"));
        assert_eq!(Chosen::<Later>::from_index(2).to_index(), 2);
        assert_eq!(later.normalized_value_to_string(2.0 / 8.0, true), "three");
    }

    #[test]
    fn every_place_of_every_list_reads_back_and_plays_something() {
        let parameters = crate::parameters::Parameters::default();
        for (row, host) in SEAT_PARAMETERS.iter().zip(parameters.all()) {
            let (Some(list), crate::parameters::HostParameter::List(parameter)) =
                (row.parameter.list(), host)
            else {
                continue;
            };
            for place in 0..list.places {
                let share = place as f32 / (list.places - 1) as f32;
                let text = parameter.text_at(share);
                let back = parameter.share_of(&text).expect("it reads its own text");
                assert_eq!((back * (list.places - 1) as f32).round() as usize, place, "{text}");
                let expected = list.entries.get(place).map_or("unused", |entry| entry.name);
                assert!(text.starts_with(expected), "{text} at {place}");
            }
        }
    }
}
