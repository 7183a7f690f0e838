//! A parameter as files hold it: its id, and the values that it may have.

/// A parameter as files hold it.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// Its id: the key in a file.
    pub id: String,
    /// Ids that it had before; they are read, and never written.
    pub old_ids: Vec<String>,
    /// The name that people see.
    pub name: String,
    /// The group that it belongs to; empty for what belongs to a session.
    pub group: String,
    /// What it may be.
    pub values: Values,
    /// What names of the list were before, each with the place of today's; they are read, and never written.
    pub old_names: Vec<(String, usize)>,
}

impl Field {
    /// A parameter that was never called anything else.
    pub fn new(id: &str, name: &str, group: &str, values: Values) -> Self {
        let (id, name, group) = (id.to_owned(), name.to_owned(), group.to_owned());
        Self { id, old_ids: Vec::new(), name, group, values, old_names: Vec::new() }
    }

    /// Says whether a key is its id, of today or of before.
    pub fn has_id(&self, id: &str) -> bool {
        self.id == id || self.old_ids.iter().any(|old| old == id)
    }
}

/// What a parameter may be.
#[derive(Clone, Debug, PartialEq)]
pub enum Values {
    /// A number.
    Numbers {
        /// Lowest and highest, in the unit.
        range: (f64, f64),
        /// Digits after the point that count.
        decimals: usize,
        /// The unit as it is written after a number, without a space.
        unit: String,
        /// The word for the top of the range where that is no number like the others.
        top: Option<String>,
    },
    /// One of several names, in the order of the list.
    Names(Vec<String>),
}

/// What a parameter is set to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// A number, in the parameter's own unit; the top of the range where a word stands for it.
    Number(f64),
    /// A name, by its place in the list.
    Name(usize),
}

impl Values {
    /// Writes a value as it stands in a file; `None` where it is none of these.
    pub fn written(&self, value: Value) -> Option<String> {
        match (self, value) {
            (Self::Numbers { range, decimals, top, .. }, Value::Number(number)) => {
                if !number.is_finite() {
                    return None;
                }
                let number = on_grid(number.clamp(range.0, range.1), *decimals);
                match top {
                    Some(word) if number >= range.1 => Some(quoted(word)),
                    _ => Some(plain(number, *decimals)),
                }
            }
            (Self::Names(names), Value::Name(place)) => names.get(place).map(|name| quoted(name)),
            _ => None,
        }
    }

    /// Says in words what may be written.
    pub fn allowed(&self) -> String {
        match self {
            Self::Numbers { range: (low, high), decimals, unit, top } => {
                let shown = |number: f64| format!("{number:.decimals$} {unit}").trim_end().to_owned();
                let or = top.as_ref().map_or_else(String::new, |word| format!(", or \"{word}\""));
                format!("a number from {} to {}{or}", shown(*low), shown(*high))
            }
            Self::Names(names) => format!("one of these names, in quotes: {}", names.join(", ")),
        }
    }
}

/// Rounds to the digits that count.
fn on_grid(number: f64, decimals: usize) -> f64 {
    let steps = 10_f64.powi(decimals as i32);
    (number * steps).round() / steps
}

/// Writes a number with the digits that it needs, one after the point at least, never "-0".
fn plain(number: f64, decimals: usize) -> String {
    let text = format!("{:.decimals$}", number + 0.0);
    let Some((whole, part)) = text.split_once('.') else { return format!("{text}.0") };
    let part = part.trim_end_matches('0');
    let text = if part.is_empty() { format!("{whole}.0") } else { format!("{whole}.{part}") };
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

/// Writes a text as TOML has it.
pub(crate) fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_written_plainly_and_on_their_grid() {
        let values = |top: Option<&str>| Values::Numbers {
            range: (-60.0, 60.0),
            decimals: 2,
            unit: "m".into(),
            top: top.map(str::to_owned),
        };
        for (number, expected) in
            [(10.5, "10.5"), (3.0, "3.0"), (-0.001, "0.0"), (0.126, "0.13"), (60.0, "60.0"), (99.0, "60.0")]
        {
            assert_eq!(values(None).written(Value::Number(number)).as_deref(), Some(expected));
        }
        assert_eq!(values(Some("off")).written(Value::Number(60.0)).as_deref(), Some("\"off\""));
        assert_eq!(values(None).written(Value::Number(f64::NAN)), None);
        assert_eq!(values(None).written(Value::Name(0)), None);
    }

    #[test]
    fn what_is_allowed_is_said_with_its_unit() {
        let numbers =
            Values::Numbers { range: (0.05, 2.0), decimals: 2, unit: "m".into(), top: Some("off".into()) };
        assert_eq!(numbers.allowed(), "a number from 0.05 m to 2.00 m, or \"off\"");
        let names = Values::Names(vec!["brick".into(), "timber".into()]);
        assert_eq!(names.allowed(), "one of these names, in quotes: brick, timber");
    }
}
