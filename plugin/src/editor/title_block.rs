//! Whose channel it is: the track's name, and the seat that it suggests, which a click takes.

use egui::{Align2, Rect, Ui, pos2};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::Seat;
use rostra_dsp::settings::{BEARING, DEPTH, FACING, FAMILY, Parameter, RISER};

use super::figures::{button, show_tip};
use super::pen::{Pen, SMALL};
use super::values::{Edit, Values};
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
        let free = self.instrument.filter(|instrument| !sits_there(&instrument.seat(), values));
        let Some(instrument) = free else {
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

/// What a suggestion sets, and to what.
fn suggested(seat: &Seat) -> [(&'static Parameter, f64); 5] {
    let values = Values::from(&Settings { seat: *seat, ..Settings::default() });
    [DEPTH, BEARING, RISER, FACING, FAMILY].map(|parameter| (parameter, values.value(parameter)))
}

/// Says whether the player sits where a suggestion would put it.
fn sits_there(seat: &Seat, values: &Values) -> bool {
    suggested(seat).into_iter().all(|(parameter, wanted)| {
        parameter.shown(values.value(parameter)) == parameter.shown(parameter.on_grid(wanted))
    })
}

/// Sets the seat, a gesture for each parameter.
fn take(seat: &Seat, edits: &mut Vec<Edit>) {
    edits.extend(suggested(seat).into_iter().flat_map(|(parameter, value)| Edit::whole(parameter, value)));
}

fn tip(name: &str, seat: &Seat) -> String {
    let figures = suggested(seat)
        .map(|(parameter, value)| format!("{} {}", parameter.name.to_lowercase(), parameter.shown(value)));
    format!(
        "The track is called '{name}'. A click puts the player on a usual seat: {}. Nothing changes until you click.",
        figures.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

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
