//! Seat and platform files: TOML whose keys are parameter ids.
//!
//! ```toml
//! name = "horns"
//! note = "at the back, on the highest riser"
//! depth = 10.5
//! family = "rear bell"
//! close = "off"
//! ```

use std::fs;
use std::path::Path;

use anyhow::{Context as _, Result, anyhow, bail};
use toml::Value;

use crate::parameter::Wish;

/// Keys that are for people alone.
const OWN_KEYS: [&str; 2] = ["name", "note"];

/// A seat or platform file as read; whether its wishes can be had is another matter.
#[derive(Clone, Debug, Default)]
pub(crate) struct SeatFile {
    /// What the file calls itself.
    pub(crate) name: Option<String>,
    /// What it asks for, in the order of the file.
    pub(crate) wishes: Vec<Wish>,
}

impl SeatFile {
    /// Reads a file.
    ///
    /// # Errors
    /// When it cannot be opened, is not TOML, or holds something other than ids with plain values.
    pub(crate) fn read(path: &Path) -> Result<Self> {
        let shown = path.display();
        let text =
            fs::read_to_string(path).with_context(|| format!("{shown}: cannot be read; check the path"))?;
        Self::parse(&text, &shown.to_string())
    }

    /// Reads the text of a file that is called `from` in messages.
    ///
    /// # Errors
    /// As [`SeatFile::read`], without the opening.
    pub(crate) fn parse(text: &str, from: &str) -> Result<Self> {
        let table: toml::Table = toml::from_str(text).map_err(|error| {
            let line = error.span().map_or(1, |span| line_of(text, span.start));
            let what = error.message().lines().collect::<Vec<_>>().join(", ");
            anyhow!("{from}, line {line}: is not TOML ({what}); write one \"id = value\" a line")
        })?;
        let mut file = Self::default();
        for (id, value) in table {
            let from = format!("{from}, line {}", line_of_key(text, &id));
            if OWN_KEYS.contains(&id.as_str()) {
                let Value::String(own) = value else {
                    bail!("{from}: {id} is for people: write it in quotes");
                };
                if id == "name" {
                    file.name = Some(own);
                }
                continue;
            }
            let value = match value {
                Value::String(text) => text,
                Value::Integer(number) => number.to_string(),
                Value::Float(number) => number.to_string(),
                Value::Boolean(is_on) => is_on.to_string(),
                Value::Datetime(_) | Value::Array(_) | Value::Table(_) => {
                    bail!("{from}: {id} holds more than one value; write a number, or a name in quotes")
                }
            };
            file.wishes.push(Wish { id, value, from });
        }
        Ok(file)
    }
}

/// Returns the line, counted from 1, in which a byte lies.
fn line_of(text: &str, at: usize) -> usize {
    text.bytes().take(at).filter(|&byte| byte == b'\n').count() + 1
}

/// Returns the line in which a key stands; 1 where it is written in a way that hides it.
fn line_of_key(text: &str, key: &str) -> usize {
    let stands_in = |line: &str| {
        line.split(['=', '.', ']'])
            .next()
            .is_some_and(|left| left.trim().trim_matches(['[', '"', '\'', ' ']) == key)
    };
    text.lines().position(stands_in).map_or(1, |line| line + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_words_and_switches_become_wishes() {
        let file = SeatFile::parse(
            "name = \"horns\"\nnote = \"ours\"\n\ndepth = 10.5\nriser = 1\nfamily = \"rear bell\"\nbypass = false\n",
            "horns.toml",
        )
        .unwrap();
        assert_eq!(file.name.as_deref(), Some("horns"));
        let mut wishes: Vec<_> = file.wishes.iter().map(|w| (w.id.as_str(), w.value.as_str())).collect();
        wishes.sort_unstable();
        assert_eq!(wishes, [("bypass", "false"), ("depth", "10.5"), ("family", "rear bell"), ("riser", "1")]);
        let depth = file.wishes.iter().find(|wish| wish.id == "depth").unwrap();
        assert_eq!(depth.from, "horns.toml, line 4");
    }

    #[test]
    fn broken_toml_names_file_and_line_in_one_line() {
        for (text, line) in [("depth = 3\nriser = = 1\n", 2), ("depth\n", 1), ("depth = 1\ndepth = 2\n", 2)] {
            let error = SeatFile::parse(text, "seat.toml").unwrap_err().to_string();
            assert!(error.starts_with(&format!("seat.toml, line {line}:")), "got {error}");
            assert!(!error.contains('\n'), "got {error}");
        }
    }

    #[test]
    fn lists_and_tables_are_refused() {
        for text in
            ["depth = [1, 2]\n", "[depth]\nx = 1\n", "depth.x = 1\n", "depth = 1979-05-27\n", "name = 3\n"]
        {
            assert!(SeatFile::parse(text, "seat.toml").is_err(), "text {text:?}");
        }
    }

    #[test]
    fn a_missing_file_is_named() {
        let error = SeatFile::read(Path::new("no such seat.toml")).unwrap_err();
        assert!(format!("{error:#}").contains("no such seat.toml"));
    }
}
