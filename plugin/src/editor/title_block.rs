//! Whose channel it is: the track's name, and the seat that it suggests, which a click takes.

use egui::{Align2, Rect, Ui, pos2};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::Seat;
use rostra_dsp::settings::{BEARING, DEPTH, FACING, FAMILY, PLAYERS, Parameter, RANKS, RISER, WIDTH};

use super::figures::{button, show_tip};
use super::pen::{Pen, SMALL};
use super::values::{Edit, Values};
use crate::track_name::{Reading, read};

/// Characters of a track's name for which there is room.
const MOST_CHARACTERS: usize = 34;

/// A track's name and what it says.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Track {
    name: String,
    reading: Option<Reading>,
}

impl Track {
    /// Reads a track's name.
    pub(super) fn of(name: &str) -> Self {
        let shown: String = name.trim().chars().filter(|c| !c.is_control()).collect();
        Self { reading: read(&shown), name: shortened(&shown) }
    }

    /// Shows the name, and the seat that it suggests unless the player sits there already.
    pub(super) fn show(&self, ui: &Ui, pen: &Pen, row: Rect, values: &Values, edits: &mut Vec<Edit>) {
        let free = self.reading.filter(|reading| !sits_there(&reading.seat(), values));
        let Some(reading) = free else {
            let note = if self.name.is_empty() {
                "a dry channel, seated on the platform"
            } else {
                self.name.as_str()
            };
            pen.text(pos2(row.left(), row.center().y), Align2::LEFT_CENTER, SMALL, pen.ink.faint, note);
            return;
        };
        let control = button(ui, pen, row, &offer(reading));
        if control.clicked() {
            take(&reading.seat(), edits);
        }
        show_tip(control, &tip(&self.name, &reading.seat()), pen);
    }
}

/// Returns the words of the button: the instrument, and how many of it where more could play.
fn offer(reading: Reading) -> String {
    let name = reading.instrument.name();
    match reading.players {
        1 if reading.instrument.section() == 1 => format!("Seat as {name}"),
        1 => format!("Seat as {name}, 1 player"),
        players => format!("Seat as {name}, {players} players"),
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
fn suggested(seat: &Seat) -> [(&'static Parameter, f64); 8] {
    let values = Values::from(&Settings { seat: *seat, ..Settings::default() });
    [DEPTH, BEARING, RISER, FACING, FAMILY, WIDTH, PLAYERS, RANKS]
        .map(|parameter| (parameter, values.value(parameter)))
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
        "The track is called '{name}'. A click takes a usual seat: {}. Nothing changes until you click.",
        figures.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::track_name::Instrument;

    #[test]
    fn what_a_click_takes_is_the_seat_and_is_not_suggested_again() {
        let mut values = Values::from(&Settings::default());
        let seats = Instrument::ALL.into_iter().flat_map(|it| [it.seat(), it.seat_of(it.section())]);
        let mut before = None;
        for seat in seats.filter(|&seat| before.replace(seat) != Some(seat)) {
            assert!(!sits_there(&seat, &values), "{seat:?}");
            let mut edits = Vec::new();
            take(&seat, &mut edits);
            for edit in edits {
                values.apply(edit);
            }
            assert!(sits_there(&seat, &values), "{seat:?}");
        }
    }

    #[test]
    fn the_offer_says_how_many_where_more_could_play() {
        let offered = |name: &str| Track::of(name).reading.map(offer);
        for (name, expected) in [
            ("Violins 1", "Seat as first violins, 14 players"),
            ("Vc solo", "Seat as cellos, 1 player"),
            ("Horns", "Seat as horn, 4 players"),
            ("Timpani", "Seat as timpani"),
        ] {
            assert_eq!(offered(name).as_deref(), Some(expected));
        }
        let seat = read("Violins 1").map(|reading| reading.seat()).unwrap();
        let tip = tip("Violins 1", &seat);
        assert!(tip.contains("players 14") && tip.contains("section depth 3.60 m"), "{tip}");
    }

    #[test]
    fn a_long_name_is_cut_and_one_that_says_nothing_suggests_nothing() {
        let track = Track::of(&"Corner ".repeat(40));
        assert_eq!(track.name.chars().count(), MOST_CHARACTERS);
        assert_eq!(track.reading, None);
        assert_eq!(Track::of(" Horns 2\u{7} ").name, "Horns 2");
    }
}
