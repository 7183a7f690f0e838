//! A table of parameters over the plain values that they set.

use std::fmt::Debug;

use super::parameter::{NotValid, Parameter};

/// A row of a table: a parameter, and where its value lies in the settings.
#[derive(Debug)]
pub struct Row<S> {
    /// The parameter.
    pub parameter: Parameter,
    /// Where its value lies; `None` for what belongs to an instance in its session and is no setting.
    pub field: Option<Field<S>>,
}

/// Where a value lies in settings; lists are places, numbers are in the parameter's unit.
#[derive(Debug)]
pub struct Field<S> {
    /// Reads the value.
    pub get: fn(&S) -> f64,
    /// Writes a value that is in range.
    pub set: fn(&mut S, f64),
}

/// Settings whose every value is a parameter of a table.
pub trait Tabled: Copy + Debug + Default + PartialEq + 'static {
    /// Every parameter, in the order in which hosts list them.
    const TABLE: &'static [Row<Self>];

    /// Returns the parameters, in the order of the table.
    fn parameters() -> impl ExactSizeIterator<Item = &'static Parameter> {
        Self::TABLE.iter().map(|row| &row.parameter)
    }

    /// Returns the parameter of an id, today's or an old one.
    fn by_id(id: &str) -> Option<&'static Parameter> {
        Self::parameters().find(|parameter| parameter.has_id(id))
    }

    /// Returns the row of an id, today's or an old one, by its place in the table.
    fn place_of(id: &str) -> Option<usize> {
        Self::parameters().position(|parameter| parameter.has_id(id))
    }

    /// Returns every setting's parameter and value, in the order of the table.
    fn values(&self) -> impl Iterator<Item = (&'static Parameter, f64)> {
        Self::TABLE
            .iter()
            .filter_map(|Row { parameter, field }| Some((parameter, (field.as_ref()?.get)(self))))
    }

    /// Sets a parameter's value, brought into range and onto the plan's grid; what is no setting changes nothing.
    fn put(&mut self, parameter: &Parameter, value: f64) {
        let row = Self::TABLE.iter().find(|row| row.parameter.id == parameter.id);
        if let Some(Row { parameter, field: Some(Field { set, .. }) }) = row {
            set(self, parameter.snap(value));
        }
    }

    /// Returns the settings with every value in range and on the plan's grid; what is not a number becomes the default.
    #[must_use]
    fn snapped(&self) -> Self {
        let mut snapped = *self;
        for Row { parameter, field } in Self::TABLE {
            if let Some(Field { get, set }) = field {
                set(&mut snapped, parameter.snap(get(self)));
            }
        }
        snapped
    }
}

/// Why `id=value` cannot be had.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// There is no `=` in it.
    #[error("has no \"=\"; write an id and its value, as in depth=8.5")]
    NoValue,
    /// There is no parameter of that id.
    #[error("there is no parameter \"{0}\"")]
    Unknown(String),
    /// The parameter cannot be that.
    #[error(transparent)]
    NotValid(#[from] NotValid),
}

/// Splits `id=value` as it stands on a command line.
///
/// # Errors
/// When there is no `=` in it.
pub fn id_and_value(text: &str) -> Result<(&str, &str), Refused> {
    let (id, value) = text.split_once('=').ok_or(Refused::NoValue)?;
    Ok((id.trim(), value.trim()))
}

/// Reads a parameter's id and a value in words.
///
/// # Errors
/// When there is no such parameter, or it cannot be that.
pub fn read<S: Tabled>(id: &str, value: &str) -> Result<(&'static Parameter, f64), Refused> {
    let id = id.trim();
    let parameter = S::by_id(id).ok_or_else(|| Refused::Unknown(id.to_owned()))?;
    Ok((parameter, parameter.read(value)?))
}

/// Returns the parameter of an id out of a table while the program is compiled.
///
/// # Panics
/// Where there is none of that id.
pub const fn named<S>(table: &'static [Row<S>], id: &str) -> &'static Parameter {
    &table[place_named(table, id)].parameter
}

/// Returns the place of an id in a table while the program is compiled.
///
/// # Panics
/// Where there is none of that id.
pub const fn place_named<S>(table: &'static [Row<S>], id: &str) -> usize {
    let mut place = 0;
    while place < table.len() {
        if is_same(table[place].parameter.id, id) {
            return place;
        }
        place += 1;
    }
    panic!("the table has no parameter of this id")
}

/// Says while the program is compiled whether ids are those of a table, in its order.
pub const fn is_in_order<S>(table: &'static [Row<S>], ids: &[&str]) -> bool {
    let mut is_so = table.len() == ids.len();
    let mut place = 0;
    while is_so && place < table.len() {
        is_so = is_same(table[place].parameter.id, ids[place]);
        place += 1;
    }
    is_so
}

const fn is_same(one: &str, other: &str) -> bool {
    let (one, other) = (one.as_bytes(), other.as_bytes());
    let mut is_same = one.len() == other.len();
    let mut at = 0;
    while is_same && at < one.len() {
        is_same = one[at] == other[at];
        at += 1;
    }
    is_same
}
