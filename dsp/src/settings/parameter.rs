//! One parameter: what hosts, sheets, files and manuals may want to know of it, and how its value is written and read.

use super::list::List;
use super::number::{Grid, Number, Spread};
use super::unit::Unit;

/// A parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameter {
    /// Stable id: sessions and files depend on it.
    pub id: &'static str,
    /// Ids that it had before; they are read for ever.
    pub old_ids: &'static [&'static str],
    /// Name that people see.
    pub name: &'static str,
    /// The same where there is little room.
    pub short_name: &'static str,
    /// What it belongs to.
    pub group: Group,
    /// What it does to the sound, in a sentence or two.
    pub effect: &'static str,
    /// What it may be.
    pub kind: Kind,
}

/// What a parameter may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A number.
    Number(Number),
    /// One of a list.
    List(List),
    /// On or off, off at first.
    Switch,
}

/// What parameters belong together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
    /// Where the player sits and how the instrument radiates.
    Seat,
    /// Size, finishes and decay of the platform.
    Platform,
    /// The main microphones and where they stand.
    Microphones,
    /// The air on the platform.
    Air,
    /// The close microphone and the weight of the low middle.
    Tone,
    /// How loud the parts are.
    Level,
    /// The hall on the shared bus.
    Hall,
    /// What belongs to an instance in its session, and stands in no file.
    Session,
}

impl Group {
    /// Returns the name that people see; empty for what belongs to a session.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Seat => "Seat",
            Self::Platform => "Platform",
            Self::Microphones => "Microphones",
            Self::Air => "Air",
            Self::Tone => "Tone",
            Self::Level => "Level",
            Self::Hall => "Hall",
            Self::Session => "",
        }
    }

    /// Says whether instances on a shared platform have it in common.
    pub const fn is_shared(self) -> bool {
        matches!(self, Self::Platform | Self::Microphones | Self::Air)
    }
}

/// Why a text is no value of a parameter.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{written}\" is not valid for {name}: enter {allowed}")]
pub struct NotValid {
    /// What was written, short and in one line.
    pub written: String,
    /// Name of the parameter.
    pub name: &'static str,
    /// What may be written.
    pub allowed: String,
}

/// Words for on and off, in the order in which they are preferred.
const ON: [&str; 4] = ["on", "yes", "true", "1"];
const OFF: [&str; 4] = ["off", "no", "false", "0"];
/// Most characters of what was written that are said back: the line is to be read at a glance. Our choice.
const MOST_SHOWN: usize = 40;

/// Values are numbers in the parameter's own unit; of lists they are places, of switches 0 and 1.
impl Parameter {
    /// Returns the value of a new instance.
    pub const fn default(&self) -> f64 {
        match &self.kind {
            Kind::Number(number) => number.default,
            Kind::List(list) => list.default as f64,
            Kind::Switch => 0.0,
        }
    }

    /// Returns the lowest and the highest value.
    pub const fn range(&self) -> (f64, f64) {
        match &self.kind {
            Kind::Number(number) => number.range,
            Kind::List(list) => (0.0, (list.entries.len() - 1) as f64),
            Kind::Switch => (0.0, 1.0),
        }
    }

    /// Returns it as a number, if it is one.
    pub const fn number(&self) -> Option<&Number> {
        match &self.kind {
            Kind::Number(number) => Some(number),
            Kind::List(_) | Kind::Switch => None,
        }
    }

    /// Returns it as a list, if it is one.
    pub const fn list(&self) -> Option<&List> {
        match &self.kind {
            Kind::List(list) => Some(list),
            Kind::Number(_) | Kind::Switch => None,
        }
    }

    /// Says whether an id is this parameter's, today's or an old one.
    pub fn has_id(&self, id: &str) -> bool {
        self.id == id || self.old_ids.contains(&id)
    }

    /// Returns a value in range and on the plan's grid; what is not a number becomes the default.
    pub fn snap(&self, value: f64) -> f64 {
        match &self.kind {
            Kind::Number(number) => number.snap(value),
            // Where a place has no entry, the first one plays.
            Kind::List(list) if value >= list.entries.len() as f64 => 0.0,
            Kind::List(_) | Kind::Switch if value.is_nan() => self.default(),
            Kind::List(_) => value.max(0.0).round(),
            Kind::Switch => f64::from(u8::from(value >= 0.5)),
        }
    }

    /// Returns a value in range and on the grid that is shown.
    pub fn on_grid(&self, value: f64) -> f64 {
        match &self.kind {
            Kind::Number(number) => number.on_grid(value),
            Kind::List(_) | Kind::Switch => self.snap(value),
        }
    }

    /// Returns the share of a control's travel at which a value lies, 0 to 1.
    pub fn share(&self, value: f64) -> f64 {
        match &self.kind {
            Kind::Number(number) => number.share(value),
            Kind::List(_) | Kind::Switch => value / self.range().1,
        }
    }

    /// Returns the value at a share of a control's travel, on the grid that is shown.
    pub fn at_share(&self, share: f64) -> f64 {
        match &self.kind {
            Kind::Number(number) => number.at_share(share),
            Kind::List(_) | Kind::Switch => self.on_grid(share.clamp(0.0, 1.0) * self.range().1),
        }
    }

    /// Returns a value as it is shown, with its unit.
    pub fn shown(&self, value: f64) -> String {
        match &self.kind {
            Kind::Number(number) => number.shown(value),
            Kind::List(list) => list.entry(self.snap(value) as usize).name.to_owned(),
            Kind::Switch => if value >= 0.5 { ON[0] } else { OFF[0] }.to_owned(),
        }
    }

    /// Reads what somebody wrote, and takes a number also where it is out of range; `None` where it is no value at all.
    pub fn parse(&self, text: &str) -> Option<f64> {
        match &self.kind {
            Kind::Number(number) => number.parse(text),
            Kind::List(list) => list.place_of_word(text).map(|place| place as f64),
            Kind::Switch => {
                let is_one_of =
                    |words: &[&str]| words.iter().any(|word| text.trim().eq_ignore_ascii_case(word));
                if is_one_of(&ON) { Some(1.0) } else { is_one_of(&OFF).then_some(0.0) }
            }
        }
    }

    /// Reads what somebody wrote: a number with or without its unit, an entry's name or id, on or off.
    ///
    /// # Errors
    /// When it is no value, has another unit, or lies out of range.
    pub fn read(&self, text: &str) -> Result<f64, NotValid> {
        let (low, high) = self.range();
        let value = self.parse(text).filter(|value| (low..=high).contains(value));
        value.ok_or_else(|| self.refusal(text))
    }

    /// Returns why a text is refused.
    pub fn refusal(&self, text: &str) -> NotValid {
        NotValid { written: in_a_line(text), name: self.name, allowed: self.allowed() }
    }

    /// Says in words what may be written, as in "0.50 to 25.00 m".
    pub fn allowed(&self) -> String {
        match &self.kind {
            Kind::Number(number) => number.allowed(),
            Kind::List(list) => list.names().collect::<Vec<_>>().join(", "),
            Kind::Switch => format!("{} or {}", ON[0], OFF[0]),
        }
    }
}

/// Returns a text that somebody wrote, short and in one line.
fn in_a_line(text: &str) -> String {
    let is_long = text.chars().count() > MOST_SHOWN;
    let kept = text.chars().take(MOST_SHOWN).map(|c| if c.is_control() { ' ' } else { c });
    kept.chain(is_long.then_some('\u{2026}')).collect()
}

/// Returns a number that is spread evenly.
pub(crate) const fn linear(unit: Unit, range: (f64, f64), default: f64, grid: Grid) -> Kind {
    Kind::Number(Number { unit, range, default, spread: Spread::Linear, grid, top_word: None })
}

/// Returns a number that is spread evenly in octaves.
pub(crate) const fn logarithmic(unit: Unit, range: (f64, f64), default: f64, grid: Grid) -> Kind {
    Kind::Number(Number { unit, range, default, spread: Spread::Logarithmic, grid, top_word: None })
}
