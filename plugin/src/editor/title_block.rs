//! Whose channel it is: the track's name, and the seat that it suggests, which a click takes.

use egui::{Align2, Rect, Ui, pos2};
use nice_plug::prelude::Enum;
use rostra_dsp::seat::Seat;

use super::figures::{button, show_tip};
use super::pen::{Pen, SMALL};
use super::values::{Edit, List, Values};
use crate::choice::Listed;
use crate::parameters::{BEARING, DEPTH, FACING, RISER};
use crate::quantity::Number;
use crate::track_name::{Instrument, read};

/// Characters of a track's name for which there is room.
const MOST_CHARACTERS: usize = 34;

/// A track's name and what it says.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Track {
    name: String,
    instrument: Option<Instrument>,
}

impl Track {
    /// Reads a track's name.
    pub(super) fn of(name: &str) -> Self {
        let shown: String = name.trim().chars().filter(|c| !c.is_control()).collect();
        Self { instrument: read(&shown).map(|reading| reading.instrument), name: shortened(&shown) }
    }

    /// Shows the name, and the seat that it suggests unless the player sits there already.
    pub(super) fn show(&self, ui: &Ui, pen: &Pen, row: Rect, values: &Values, edits: &mut Vec<Edit>) {
        let suggested = self.instrument.filter(|instrument| !sits_there(&instrument.seat(), values));
        let Some(instrument) = suggested else {
            let note = if self.name.is_empty() {
                "a dry channel, seated on the platform"
            } else {
                self.name.as_str()
            };
            pen.text(pos2(row.left(), row.center().y), Align2::LEFT_CENTER, SMALL, pen.ink.faint, note);
            return;
        };
        let control = button(ui, pen, row, &format!("Seat as {}", instrument.name()));
        if control.clicked() {
            take(&instrument.seat(), edits);
        }
        show_tip(control, &tip(&self.name, &instrument.seat()), pen);
    }
}

/// Returns a name with its end left out where there is no room for it.
fn shortened(name: &str) -> String {
    if name.chars().count() <= MOST_CHARACTERS {
        return name.to_owned();
    }
    name.chars().take(MOST_CHARACTERS - 1).chain(['\u{2026}']).collect()
}

/// The numbers of a seat that a suggestion sets.
fn numbers(seat: &Seat) -> [(&'static Number, f64); 4] {
    [(&DEPTH, seat.depth_m), (&BEARING, seat.bearing_deg), (&RISER, seat.riser_m), (&FACING, seat.facing_deg)]
}

/// Says whether the player sits where a suggestion would put it.
fn sits_there(seat: &Seat, values: &Values) -> bool {
    let close = |(number, wanted): (&'static Number, f64)| {
        number.shown(values.number(number)) == number.shown(number.on_grid(wanted))
    };
    numbers(seat).into_iter().all(close) && values.chosen(List::Radiation) == Listed(seat.family).to_index()
}

/// Sets the seat: a gesture for each number, and one for the radiation.
fn take(seat: &Seat, edits: &mut Vec<Edit>) {
    for (number, value) in numbers(seat) {
        edits.extend([Edit::Begin(number), Edit::Set(number, number.on_grid(value)), Edit::End(number)]);
    }
    edits.push(Edit::Choose(List::Radiation, Listed(seat.family).to_index()));
}

fn tip(name: &str, seat: &Seat) -> String {
    let figures = numbers(seat)
        .map(|(number, value)| format!("{} {}", number.name.to_lowercase(), number.shown(value)));
    format!(
        "The track is called '{name}'. Click to use a common seat: {}, radiation {}. Nothing changes until you click.",
        figures.join(", "),
        seat.family.name()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::Settings;

    #[test]
    fn what_a_click_takes_is_the_seat_and_is_not_suggested_again() {
        let mut values = Values::from(&Settings::default());
        for instrument in Instrument::ALL {
            let seat = instrument.seat();
            assert!(!sits_there(&seat, &values), "{instrument:?}");
            let mut edits = Vec::new();
            take(&seat, &mut edits);
            for edit in edits {
                values.apply(edit);
            }
            assert!(sits_there(&seat, &values), "{instrument:?}");
        }
    }

    #[test]
    fn a_long_name_is_cut_and_one_that_says_nothing_suggests_nothing() {
        let track = Track::of(&"Corner ".repeat(40));
        assert_eq!(track.name.chars().count(), MOST_CHARACTERS);
        assert_eq!(track.instrument, None);
        assert_eq!(Track::of(" Horns 2\u{7} ").name, "Horns 2");
    }
}
