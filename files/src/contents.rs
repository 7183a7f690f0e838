//! What stands in a file, read and written.

use std::fs::File;
use std::io::{ErrorKind, Read as _};
use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::fault::{Fault, LONGEST_NAME, MOST_BYTES, What};
use crate::field::{Field, Value, Values, quoted};
use crate::spelling::{loose, nearest};
use crate::table::Table;

/// What stands in a file.
///
/// ```
/// use rostra_files::{Contents, Field, SEAT, Table, Value, Values};
///
/// let numbers = Values::Numbers { range: (0.5, 25.0), decimals: 2, unit: "m".to_owned(), top: None };
/// let table = Table::of(SEAT, &[Field::new("depth", "Depth", SEAT.groups[0], numbers)]);
///
/// let read = Contents::parse(b"name = \"Horns\"\ndepth = 10.5\n", "horns.toml", &table)?;
/// assert_eq!(read.entries[0].value, Value::Number(10.5));
///
/// let refused = Contents::parse(b"depth = 40\n", "horns.toml", &table).unwrap_err();
/// assert_eq!(refused.line, Some(1));
/// # Ok::<(), rostra_files::Fault>(())
/// ```
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contents {
    /// What the file calls itself.
    pub name: Option<String>,
    /// A note for the reader.
    pub note: Option<String>,
    /// What it sets, in the order of the file.
    pub entries: Vec<Entry>,
}

/// A parameter that a file sets.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// The parameter.
    pub id: String,
    /// What it is set to.
    pub value: Value,
    /// The line, counted from 1.
    pub line: usize,
}

/// Reads a file, which is called `called` in what is said of it.
///
/// # Errors
/// When it cannot be read, or as [`Contents::parse`].
pub fn read(path: &Path, called: &str, table: &Table) -> Result<Contents, Fault> {
    let fault = |what| Fault { file: called.to_owned(), line: None, what: Box::new(what) };
    let told = |error: std::io::Error| {
        fault(match error.kind() {
            ErrorKind::NotFound => What::Missing,
            _ => What::Unreadable(error.to_string()),
        })
    };
    // Before it is opened: opening a pipe waits for whoever writes into it.
    let metadata = path.metadata().map_err(told)?;
    if !metadata.is_file() {
        return Err(fault(What::NoFile));
    }
    if metadata.len() > MOST_BYTES {
        return Err(fault(What::TooBig));
    }
    let mut bytes = Vec::new();
    // It may have grown since.
    File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes)).map_err(told)?;
    Contents::parse(&bytes, called, table)
}

impl Contents {
    /// Reads the text of a file, which is called `called` in what is said of it.
    ///
    /// # Errors
    /// When it is too big, no UTF-8, no TOML, or sets what a file of this kind
    /// cannot set or to what it cannot be; the first fault by line is told.
    pub fn parse(bytes: &[u8], called: &str, table: &Table) -> Result<Self, Fault> {
        let fault = |line, what| Fault { file: called.to_owned(), line, what: Box::new(what) };
        if bytes.len() as u64 > MOST_BYTES {
            return Err(fault(None, What::TooBig));
        }
        let text = std::str::from_utf8(bytes)
            .map_err(|error| fault(Some(line_of(bytes, error.valid_up_to())), What::NotUtf8))?;
        let document = DeTable::parse(text).map_err(|error| {
            let span = error.span().unwrap_or_default();
            let key = text.get(span.clone()).unwrap_or_default().trim();
            let what = if error.message().starts_with("duplicate key") && !key.is_empty() {
                What::Twice(in_a_line(key))
            } else {
                What::NotToml(error.message().lines().collect::<Vec<_>>().join(", "))
            };
            fault(Some(line_of(bytes, span.start)), what)
        })?;
        // In the order of the file, so that the first fault is told.
        let mut pairs: Vec<(&Spanned<_>, &Spanned<DeValue>)> = document.get_ref().iter().collect();
        pairs.sort_by_key(|(key, _)| key.span().start);
        let mut contents = Self::default();
        for (key, value) in pairs {
            let line = line_of(bytes, key.span().start);
            let key: &str = key.get_ref();
            let taken = match key {
                "name" => own_text("name", value).and_then(|name| {
                    let is_long = name.chars().count() > LONGEST_NAME;
                    contents.name = Some(name);
                    if is_long { Err(What::LongName) } else { Ok(()) }
                }),
                "note" => own_text("note", value).map(|note| contents.note = Some(note)),
                id => value_of(id, value, table).and_then(|(field, value)| {
                    let is_there = contents.entries.iter().any(|entry| entry.id == field.id);
                    contents.entries.push(Entry { id: field.id.clone(), value, line });
                    // Once by an id of before, and once by today's.
                    if is_there { Err(What::Twice(field.id.clone())) } else { Ok(()) }
                }),
            };
            taken.map_err(|what| fault(Some(line), what))?;
        }
        Ok(contents)
    }

    /// Writes a file: name and note on top, then the parameters in the order of the table, a line each.
    ///
    /// What the table does not know is left out.
    pub fn text(&self, table: &Table) -> String {
        let mut lines: Vec<String> = [("name", &self.name), ("note", &self.note)]
            .into_iter()
            .filter_map(|(key, text)| text.as_ref().map(|text| format!("{key} = {}", quoted(text))))
            .collect();
        let mut group = None;
        for field in &table.fields {
            let entry = self.entries.iter().find(|entry| entry.id == field.id);
            let Some(written) = entry.and_then(|entry| field.values.written(entry.value)) else { continue };
            if group != Some(&field.group) {
                if !lines.is_empty() {
                    lines.push(String::new());
                }
                group = Some(&field.group);
            }
            lines.push(format!("{} = {written}", field.id));
        }
        lines.join("\n") + "\n"
    }
}

/// Returns the line, counted from 1, in which a byte lies.
fn line_of(bytes: &[u8], at: usize) -> usize {
    bytes.iter().take(at).filter(|&&byte| byte == b'\n').count() + 1
}

fn own_text(key: &'static str, value: &Spanned<DeValue>) -> Result<String, What> {
    match value.get_ref() {
        DeValue::String(text) => Ok(text.clone().into_owned()),
        _ => Err(What::NoText(key)),
    }
}

/// Returns the parameter of a key, and what it is set to.
fn value_of<'t>(id: &str, value: &Spanned<DeValue>, table: &'t Table) -> Result<(&'t Field, Value), What> {
    let Some(field) = table.field(id) else { return Err(unknown(id, table)) };
    let value = value.get_ref();
    let wrong_type =
        || What::WrongType { id: id.to_owned(), got: in_words(value), allowed: field.values.allowed() };
    let value = match (&field.values, value) {
        (Values::Numbers { .. }, DeValue::Integer(_) | DeValue::Float(_)) => {
            number_of(value).ok_or_else(wrong_type).and_then(|number| in_range(field, number, value))
        }
        (Values::Numbers { range, top: Some(word), .. }, DeValue::String(text))
            if loose(text) == loose(word) =>
        {
            Ok(Value::Number(range.1))
        }
        (Values::Names(names), DeValue::String(text)) => {
            let asked = loose(text);
            let place = names.iter().position(|name| loose(name) == asked).or_else(|| {
                let old = field.old_names.iter().find(|(name, _)| loose(name) == asked);
                old.map(|&(_, place)| place)
            });
            place.map(Value::Name).ok_or_else(|| What::UnknownName {
                id: id.to_owned(),
                got: in_a_line(text),
                meant: nearest(text, names.iter().map(String::as_str)).map(str::to_owned),
                allowed: field.values.allowed(),
            })
        }
        _ => Err(wrong_type()),
    };
    Ok((field, value?))
}

fn in_range(field: &Field, number: f64, written: &DeValue) -> Result<Value, What> {
    let Values::Numbers { range, .. } = &field.values else { return Ok(Value::Number(number)) };
    // What is not a number lies in no range.
    if (range.0..=range.1).contains(&number) {
        return Ok(Value::Number(number));
    }
    Err(What::OutOfRange { id: field.id.clone(), got: in_words(written), allowed: field.values.allowed() })
}

fn unknown(id: &str, table: &Table) -> What {
    if let Some(elsewhere) = table.elsewhere.iter().find(|elsewhere| elsewhere.has_id(id)) {
        return match elsewhere.kind {
            Some(other) => What::OtherKind { id: id.to_owned(), kind: table.kind.word, other },
            None => What::OfSession(id.to_owned()),
        };
    }
    let known = || table.fields.iter().map(|field| field.id.as_str());
    What::Unknown {
        id: in_a_line(id),
        kind: table.kind.word,
        meant: nearest(id, known().chain(["name", "note"])).map(str::to_owned),
        known: known().map(str::to_owned).collect(),
    }
}

fn number_of(value: &DeValue) -> Option<f64> {
    match value {
        DeValue::Integer(integer) => {
            i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|number| number as f64)
        }
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => None,
    }
}

/// Most characters that are said of what was written: the line is to be read at a glance. Our choice.
const MOST_SHOWN: usize = 40;

/// Returns a text that somebody wrote, short and in one line, for what is said of it.
pub fn in_a_line(text: &str) -> String {
    let is_long = text.chars().count() > MOST_SHOWN;
    let kept = text.chars().take(MOST_SHOWN).map(|c| if c.is_control() { ' ' } else { c });
    kept.chain(is_long.then_some('\u{2026}')).collect()
}

/// Says what was written, in words that fit into a line.
fn in_words(value: &DeValue) -> String {
    match value {
        DeValue::String(text) => format!("\"{}\", which is quoted text", in_a_line(text)),
        DeValue::Integer(integer) => in_a_line(&integer.to_string()),
        DeValue::Float(float) => in_a_line(float.as_str()),
        DeValue::Boolean(is_true) => is_true.to_string(),
        DeValue::Datetime(_) => "a date".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}
