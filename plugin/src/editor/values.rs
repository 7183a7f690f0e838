//! What a sheet shows and what a hand changes, as plain values.

use std::marker::PhantomData;

use rostra_dsp::Settings;
use rostra_dsp::settings::{Field, Kind, Parameter, Refused, Row, Tabled, id_and_value, read};
use rostra_files::nearest;

use crate::parameters::{HostParameters, Parameters};

/// What a hand does; numbers are in their own unit.
///
/// A gesture on a number is `Begin`, any number of `Set`, `End`: one step of a host's undo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Edit {
    /// A hand takes hold of a number.
    Begin(&'static Parameter),
    /// The number changes.
    Set(&'static Parameter, f64),
    /// The hand lets go.
    End(&'static Parameter),
    /// An entry is chosen, a gesture of its own.
    Choose(&'static Parameter, usize),
    /// A switch is thrown, a gesture of its own.
    Throw(&'static Parameter, bool),
}

impl Edit {
    /// Returns whole gestures that set a parameter: a host takes each back, and may write it as automation.
    pub fn whole(parameter: &'static Parameter, value: f64) -> impl Iterator<Item = Self> {
        let value = parameter.on_grid(value);
        let (edits, count) = match parameter.kind {
            Kind::Number(_) => {
                ([Self::Begin(parameter), Self::Set(parameter, value), Self::End(parameter)], 3)
            }
            Kind::List(_) => ([Self::Choose(parameter, value as usize); 3], 1),
            Kind::Switch => ([Self::Throw(parameter, value >= 0.5); 3], 1),
        };
        edits.into_iter().take(count)
    }

    /// Returns the parameter that is changed, and its value; `None` for the two ends of a gesture.
    pub fn change(self) -> Option<(&'static Parameter, f64)> {
        match self {
            Self::Set(parameter, value) => Some((parameter, value)),
            Self::Choose(parameter, entry) => Some((parameter, entry as f64)),
            Self::Throw(parameter, is_on) => Some((parameter, f64::from(u8::from(is_on)))),
            Self::Begin(_) | Self::End(_) => None,
        }
    }

    /// Returns what a parameter's id and a value in words ask for: a number with or without its unit, an entry's name, on or
    /// off.
    ///
    /// # Errors
    /// In words, when there is no such parameter in the table of `S`, or it cannot be that.
    pub fn of_words<S: Tabled>(id: &str, value: &str) -> Result<Self, String> {
        let (parameter, value) = read::<S>(id, value).map_err(|refused| in_words::<S>(&refused))?;
        let value = parameter.on_grid(value);
        Ok(match parameter.kind {
            Kind::Number(_) => Self::Set(parameter, value),
            Kind::List(_) => Self::Choose(parameter, value as usize),
            Kind::Switch => Self::Throw(parameter, value >= 0.5),
        })
    }

    /// Returns what a text of the form `id=value` asks for.
    ///
    /// # Errors
    /// In words, when there is no `=` in it, and as [`Self::of_words`].
    pub fn of_text<S: Tabled>(text: &str) -> Result<Self, String> {
        let (id, value) = id_and_value(text).map_err(|refused| in_words::<S>(&refused))?;
        Self::of_words::<S>(id, value)
    }
}

/// Says why a text asks for nothing that can be had, and what was perhaps meant.
fn in_words<S: Tabled>(refused: &Refused) -> String {
    match refused {
        Refused::NoValue | Refused::NotValid(_) => refused.to_string(),
        Refused::Unknown(id) => match nearest(id, S::parameters().map(|known| known.id)) {
            Some(meant) => format!("{refused}; did you mean \"{meant}\"?"),
            None => format!("{refused}; docs/parameters.md has them all"),
        },
    }
}

/// Everything that a sheet shows of the parameters.
#[derive(Clone, Debug, PartialEq)]
pub struct Values<S = Settings> {
    /// By place in the table.
    values: Vec<f64>,
    of: PhantomData<S>,
}

impl Values {
    /// Reads the seat's parameters; what is shared is that of the linked platform.
    pub fn of(parameters: &Parameters) -> Self {
        Self::with_settings(parameters, &parameters.settings())
    }
}

impl<S: Tabled> Values<S> {
    /// Reads the parameters of an instance, and what settings they make.
    pub fn of_own<P: HostParameters<Settings = S>>(parameters: &P) -> Self {
        Self::with_settings(parameters, &parameters.own_settings())
    }

    fn with_settings<P: HostParameters<Settings = S>>(parameters: &P, settings: &S) -> Self {
        let own = parameters.own_values();
        let value = |(Row { field, .. }, own): (&Row<S>, f64)| match field {
            Some(Field { get, .. }) => get(settings),
            None => own,
        };
        Self { values: S::TABLE.iter().zip(own).map(value).collect(), of: PhantomData }
    }

    /// Returns a parameter's value, in its unit; of a list the place, of a switch 0 or 1.
    pub fn value(&self, parameter: &Parameter) -> f64 {
        S::place_of(parameter.id).map_or(parameter.default(), |place| self.values[place])
    }

    /// Returns the chosen entry of a list.
    pub fn chosen(&self, parameter: &Parameter) -> usize {
        self.value(parameter) as usize
    }

    /// Says whether a switch is on.
    pub fn is_on(&self, parameter: &Parameter) -> bool {
        self.value(parameter) >= 0.5
    }

    /// Sets a value, in the parameter's unit.
    pub fn set(&mut self, parameter: &Parameter, value: f64) {
        if let Some(place) = S::place_of(parameter.id) {
            self.values[place] = value;
        }
    }

    /// Takes over from other values what belongs to an instance in its session and is no setting.
    pub fn keep_session_of(&mut self, other: &Self) {
        for (place, _) in S::TABLE.iter().enumerate().filter(|(_, row)| row.field.is_none()) {
            self.values[place] = other.values[place];
        }
    }

    /// Does what a hand did.
    pub fn apply(&mut self, edit: Edit) {
        if let Some((parameter, value)) = edit.change() {
            self.set(parameter, value);
        }
    }

    /// Returns the plain settings, in range and snapped.
    pub fn settings(&self) -> S {
        let mut settings = S::default();
        for (Row { parameter, field }, value) in S::TABLE.iter().zip(&self.values) {
            if let Some(Field { set, .. }) = field {
                set(&mut settings, parameter.snap(*value));
            }
        }
        settings
    }
}

impl<S: Tabled> Default for Values<S> {
    fn default() -> Self {
        Self::from(&S::default())
    }
}

impl<S: Tabled> From<&S> for Values<S> {
    fn from(settings: &S) -> Self {
        let value = |Row { parameter, field }: &Row<S>| match field {
            Some(Field { get, .. }) => get(settings),
            None => parameter.default(),
        };
        Self { values: S::TABLE.iter().map(value).collect(), of: PhantomData }
    }
}

#[cfg(test)]
mod tests {
    use rostra_dsp::acoustics::{Family, Finish, Pair, Seat};
    use rostra_dsp::hall::Hall;

    use super::*;

    #[test]
    fn settings_come_back_from_their_values() {
        let seat = Seat {
            depth_m: 9.5,
            bearing_deg: 22.0,
            riser_m: 0.6,
            facing_deg: -12.0,
            family: Family::RearBell,
            ..Seat::default()
        };
        let mut settings = Settings { seat, ..Settings::default() };
        settings.seat.width_m = 2.5;
        settings.platform.width_m = 20.0;
        settings.platform.rear = Finish::Brick;
        settings.platform.canopy = Finish::Curtain;
        settings.platform.air.humidity_pct = 40.0;
        settings.microphones.pair = Pair::SpacedOmnis;
        settings.microphones.height_m = 3.5;
        settings.tone.close_mic_m = Some(0.4);
        settings.tone.low_mid_db = -3.0;
        settings.level.law_pct = 20.0;
        assert_eq!(Values::from(&settings).settings(), settings.snapped());
        assert_eq!(Values::of(&Parameters::default()).settings(), Settings::default().snapped());
        assert_eq!(Values::<Hall>::default().settings(), Hall::default());
    }

    #[test]
    fn every_edit_changes_what_it_names_and_nothing_else() {
        fn hold<S: Tabled>() {
            let before = Values::<S>::default();
            for parameter in S::parameters() {
                let (low, high) = parameter.range();
                let wanted = if before.value(parameter) == low { high } else { low };
                let mut values = before.clone();
                for edit in Edit::whole(parameter, wanted) {
                    values.apply(edit);
                }
                for other in S::parameters() {
                    let expected = if other.id == parameter.id { wanted } else { before.value(other) };
                    assert_eq!(values.value(other), expected, "{} after {}", other.id, parameter.id);
                }
            }
        }
        hold::<Settings>();
        hold::<Hall>();
    }

    #[test]
    fn a_mistyped_id_is_told_what_was_meant() {
        let why = |text| Edit::of_text::<Settings>(text).expect_err("it is refused");
        assert_eq!(why("deph=3"), "there is no parameter \"deph\"; did you mean \"depth\"?");
        assert!(why("zzz=3").contains("docs/parameters.md"));
        assert!(why("depth").contains("has no \"=\""));
        assert_eq!(why("depth=x"), "\"x\" is not valid for Depth: enter 0.50 to 25.00 m");
    }
}
