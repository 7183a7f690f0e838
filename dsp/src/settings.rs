//! Everything that the user sets, as plain values, and the table of all parameters that set them.
//!
//! A parameter is described once, in [`SEAT_PARAMETERS`] or in the hall's
//! table: id, name, group, unit, range, default, spread, grid, entries, effect,
//! and where its value lies. Whatever shows, stores, reads or documents
//! parameters follows the table.

mod list;
mod lists;
mod number;
mod parameter;
mod seat_table;
mod table;
mod unit;

pub use list::{Entry, List};
pub use number::{Grid, Number, Spread};
pub use parameter::{Group, Kind, NotValid, Parameter};
pub(crate) use parameter::{linear, logarithmic};
pub(crate) use seat_table::BYPASS;
pub use seat_table::{
    BEARING, BYPASSED, DEPTH, DRY, FACING, FAMILY, LEAN, LINKED, PLATFORM_DEPTH, PLAYERS, RANKS, RISER,
    SEAT_PARAMETERS, TRIM, WIDTH,
};
pub use table::{Field, Refused, Row, Tabled, id_and_value, is_in_order, named, place_named, read};
pub use unit::Unit;

use crate::acoustics::microphones::Microphones;
use crate::acoustics::platform::Platform;
use crate::acoustics::seat::Seat;

/// The close microphone and the weight of the low middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Distance of the close microphone whose proximity rise is taken out,
    /// 0.05 to 2 m; `None` is off.
    pub close_mic_m: Option<f64>,
    /// Centre of the low-mid bell, 150 to 900 Hz.
    pub low_mid_hz: f64,
    /// Gain of the low-mid bell, -18 to 6 dB.
    pub low_mid_db: f64,
}

impl Default for Tone {
    fn default() -> Self {
        Self { close_mic_m: None, low_mid_hz: 450.0, low_mid_db: 0.0 }
    }
}

/// How loud the parts are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Platform balance m, 0 to 100 %: 50 as in the room, 0 direct sound alone, 100 platform alone.
    pub balance_pct: f64,
    /// Distance fall-off, 0 to 100 %: 0 keeps balances, 100 follows 4 m / r.
    pub law_pct: f64,
    /// Trim, -24 to 24 dB.
    pub trim_db: f64,
}

impl Default for Level {
    fn default() -> Self {
        Self { balance_pct: 50.0, law_pct: 0.0, trim_db: 0.0 }
    }
}

/// All settings of one instance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Settings {
    /// Where the player sits.
    pub seat: Seat,
    /// What the player sits on.
    pub platform: Platform,
    /// Who listens.
    pub microphones: Microphones,
    /// What is done to the tone before the platform.
    pub tone: Tone,
    /// How loud the parts are.
    pub level: Level,
}

impl Settings {
    /// Returns the settings in range and on the grid of the table; values that are not numbers become the defaults.
    #[must_use]
    pub fn snapped(&self) -> Self {
        Tabled::snapped(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_a_number_becomes_the_default() {
        let mut settings = Settings::default();
        settings.seat.depth_m = f64::NAN;
        settings.level.trim_db = f64::INFINITY;
        let snapped = settings.snapped();
        assert_eq!(snapped.seat.depth_m, 5.0);
        assert_eq!(snapped.level.trim_db, 24.0);
    }

    #[test]
    fn the_defaults_lie_on_the_grid() {
        let (snapped, default) = (Settings::default().snapped(), Settings::default());
        assert!((snapped.seat.depth_m - default.seat.depth_m).abs() < 1e-12);
        assert!((snapped.platform.decay_s - default.platform.decay_s).abs() < 1e-12);
    }

    #[test]
    fn the_defaults_of_the_table_are_those_of_the_settings() {
        let settings = Settings::default();
        for Row { parameter, field } in &SEAT_PARAMETERS {
            if let Some(Field { get, .. }) = field {
                assert_eq!(parameter.default(), get(&settings), "{}", parameter.id);
            }
        }
    }

    #[test]
    fn every_row_reads_and_writes_its_own_value_and_no_other() {
        let before = Settings::default();
        for Row { parameter, field } in &SEAT_PARAMETERS {
            let Some(Field { get, set }) = field else { continue };
            let (low, high) = parameter.range();
            let value = parameter.snap(if get(&before) == low { high } else { low });
            let mut settings = before;
            set(&mut settings, value);
            for other in &SEAT_PARAMETERS {
                let Some(Field { get, .. }) = other.field else { continue };
                let expected = if other.parameter.id == parameter.id { value } else { get(&before) };
                assert_eq!(get(&settings), expected, "{} after {}", other.parameter.id, parameter.id);
            }
            set(&mut settings, get(&before));
            assert_eq!(settings, before, "{}", parameter.id);
        }
    }

    #[test]
    fn ids_and_names_of_today_and_before_are_all_different() {
        let mut ids: Vec<&str> = Settings::parameters()
            .flat_map(|known| [known.id].into_iter().chain(known.old_ids.iter().copied()))
            .collect();
        let mut names: Vec<&str> = Settings::parameters().map(|known| known.name).collect();
        for words in [&mut ids, &mut names] {
            let count = words.len();
            words.sort_unstable();
            words.dedup();
            assert_eq!(words.len(), count, "{words:?}");
        }
        assert_eq!(Settings::by_id("pick_y").map(|known| known.id), Some("mics_y"));
    }

    #[test]
    fn what_is_written_is_read_with_its_unit_or_without_or_refused_in_words() {
        let read = |id, value| read::<Settings>(id, value).map(|(_, value)| value);
        for (id, text, value) in [
            ("depth", "8.5", 8.5),
            ("depth", "8.5 m", 8.5),
            ("depth", "8.5 metres", 8.5),
            ("depth", "850 cm", 8.5),
            ("close", "Off", 2.0),
            ("pickup", "spaced omnis", 2.0),
            ("mics", "spaced-omnis", 2.0),
            ("family", "skin", 7.0),
            ("family", "drumhead", 7.0),
            ("link", "4", 4.0),
            ("bypass", "on", 1.0),
            ("bypass", "false", 0.0),
        ] {
            assert_eq!(read(id, text), Ok(value), "{id}={text}");
        }
        for (id, text, why) in [
            ("depth", "x", "\"x\" is not valid for Depth: enter 0.50 to 25.00 m"),
            ("depth", "26", "\"26\" is not valid for Depth: enter 0.50 to 25.00 m"),
            ("bearing", "5 m", "\"5 m\" is not valid for Bearing: enter -60.0 to 60.0°"),
            ("close", "3", "\"3\" is not valid for Close-mic distance: enter 0.05 to 2.00 m, or off"),
            ("bypass", "perhaps", "\"perhaps\" is not valid for Bypass: enter on or off"),
            (
                "mics",
                "tree",
                "\"tree\" is not valid for Main microphones: enter coincident, near-coincident, spaced omnis",
            ),
            ("dept", "3", "there is no parameter \"dept\""),
        ] {
            assert_eq!(
                read(id, text).map_err(|refused| refused.to_string()),
                Err(why.to_owned()),
                "{id}={text}"
            );
        }
        assert_eq!(id_and_value(" depth = 8.5 m "), Ok(("depth", "8.5 m")));
        assert!(id_and_value("depth").is_err());
    }

    #[test]
    fn every_shown_value_reads_back_and_a_share_is_the_inverse_of_its_value() {
        for parameter in Settings::parameters() {
            for step in 0..=200 {
                let value = parameter.at_share(f64::from(step) / 200.0);
                assert_eq!(parameter.read(&parameter.shown(value)), Ok(value), "{}", parameter.id);
            }
            let Some(number) = parameter.number() else { continue };
            for step in 0..=20 {
                let share = f64::from(step) / 20.0;
                let value = number.at_share(share);
                // Half a step of the grid, as a share where the scale is steepest.
                let slack = number.share(number.range.0 + 0.5 * f64::from(number.unit.step())) + 1e-9;
                assert!(
                    (number.share(value) - share).abs() <= slack,
                    "{}: {share} gives {value}",
                    parameter.id
                );
            }
            assert_eq!(number.at_share(number.share(number.default)), number.default, "{}", parameter.id);
        }
    }

    #[test]
    fn where_a_place_has_no_entry_the_first_one_plays() {
        let list = named(&SEAT_PARAMETERS, "rear");
        assert_eq!((list.snap(12.0), list.snap(4.0), list.snap(f64::NAN)), (0.0, 4.0, 1.0));
        assert_eq!(list.shown(12.0), "timber platform");
    }
}
