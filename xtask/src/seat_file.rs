//! What seat and platform files ask of the plug-in.
//!
//! The plug-in itself says what may stand in a file: its parameters make the
//! tables that the reader takes.

use std::path::Path;

use anyhow::Result;
use rostra_files::{Contents, Field, HALL, Kind, PLATFORM, SEAT, Shelf, Table, Value, Values};

use crate::files::hall_field;

use crate::parameter::{Parameter, Wish};

/// The files at hand, and what may stand in them.
pub(crate) struct SeatFiles {
    /// Where they are.
    pub(crate) shelf: Shelf,
    /// What a seat file may set.
    pub(crate) seat: Table,
    /// What a platform file may set.
    pub(crate) platform: Table,
}

/// A file as read.
#[derive(Clone, Debug, Default)]
pub(crate) struct SeatFile {
    /// What the file calls itself.
    pub(crate) name: Option<String>,
    /// What it asks for, in the order of the file.
    pub(crate) wishes: Vec<Wish>,
}

impl SeatFiles {
    /// Takes the tables from the plug-in's parameters.
    pub(crate) fn of(parameters: &[Parameter]) -> Self {
        let fields: Vec<Field> = parameters.iter().map(Parameter::field).collect();
        let table = |kind: Kind| Table::of(kind, &fields);
        Self { shelf: Shelf::of_user(), seat: table(SEAT), platform: table(PLATFORM) }
    }

    /// Reads a seat file, by its path or its name among those at hand.
    ///
    /// # Errors
    /// When there is none, or it is broken.
    pub(crate) fn seat(&self, written: &Path) -> Result<SeatFile> {
        self.read(written, &self.seat)
    }

    /// Reads what a platform file asks for, by its path or its name; nothing where none is given.
    ///
    /// # Errors
    /// When there is none, or it is broken.
    pub(crate) fn platform(&self, written: Option<&Path>) -> Result<Vec<Wish>> {
        Ok(written.map(|written| self.read(written, &self.platform)).transpose()?.unwrap_or_default().wishes)
    }

    /// Reads a hall file, by its path or its name; `parameters` are the hall's.
    ///
    /// # Errors
    /// When there is none, or it is broken.
    pub(crate) fn hall(&self, written: &Path, parameters: &[Parameter]) -> Result<SeatFile> {
        let fields: Vec<Field> = parameters.iter().map(hall_field).collect();
        self.read(written, &Table::of(HALL, &fields))
    }

    /// Reads a file of the kind that a table is of, by its path or its name.
    ///
    /// # Errors
    /// When there is none, or it is broken.
    pub(crate) fn read(&self, written: &Path, table: &Table) -> Result<SeatFile> {
        let contents = self.shelf.read_written(written, table)?;
        Ok(SeatFile { wishes: wishes(&contents, table, written), name: contents.name })
    }
}

fn wishes(contents: &Contents, table: &Table, written: &Path) -> Vec<Wish> {
    let value = |id: &str, value: Value| match (&table.field(id)?.values, value) {
        (Values::Numbers { range, top: Some(word), .. }, Value::Number(number)) if number >= range.1 => {
            Some(word.clone())
        }
        (Values::Numbers { .. }, Value::Number(number)) => Some(number.to_string()),
        (Values::Names(names), Value::Name(place)) => names.get(place).cloned(),
        _ => None,
    };
    let wish = |entry: &rostra_files::Entry| {
        let from = format!("{}, line {}", written.display(), entry.line);
        Some(Wish { id: entry.id.clone(), value: value(&entry.id, entry.value)?, from })
    };
    contents.entries.iter().filter_map(wish).collect()
}

#[cfg(test)]
mod tests {
    use clack_host::utils::ClapId;
    use rostra_fuzz::{Target, damaged};

    use super::*;
    use crate::parameter::{find, tests::examples};

    fn parameter(id: &'static str, group: &str, values: crate::parameter::Values) -> Parameter {
        Parameter { id, name: id.into(), group: group.into(), clap_id: ClapId::new(1), values }
    }

    #[test]
    fn numbers_words_and_names_become_wishes_with_their_lines() {
        use crate::parameter::Values::{Choices, Numbers};
        let files = SeatFiles::of(&[
            parameter(
                "depth",
                "Seat",
                Numbers { least: 0.5, most: 25.0, ends: ["0.50 m".into(), "25.00 m".into()] },
            ),
            parameter(
                "close",
                "Tone",
                Numbers { least: 0.05, most: 2.0, ends: ["0.05 m".into(), "off".into()] },
            ),
            parameter("family", "Seat", Choices(vec!["omnidirectional".into(), "rear bell".into()])),
            parameter(
                "mics_y",
                "Microphones",
                Numbers { least: 0.0, most: 4.0, ends: ["0 m".into(), "4 m".into()] },
            ),
            parameter("bypass", "", Choices(vec!["off".into(), "on".into()])),
        ]);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("horns.toml");
        std::fs::write(&path, "name = \"Horns\"\n\ndepth = 10.5\nclose = \"off\"\nfamily = \"rear bell\"\n")
            .unwrap();
        let file = files.seat(&path).unwrap();
        assert_eq!(file.name.as_deref(), Some("Horns"));
        let got: Vec<_> = file.wishes.iter().map(|wish| (wish.id.as_str(), wish.value.as_str())).collect();
        assert_eq!(got, [("depth", "10.5"), ("close", "off"), ("family", "rear bell")]);
        assert_eq!(file.wishes[0].from, format!("{}, line 3", path.display()));
        for (text, said) in [("mics_y = 1", "platform file"), ("bypass = \"on\"", "belongs to the session")] {
            std::fs::write(&path, text).unwrap();
            let error = files.seat(&path).unwrap_err().to_string();
            assert!(
                error.contains(&format!("{}, line 1", path.display())) && error.contains(said),
                "{error}"
            );
        }
        assert!(
            files
                .seat(Path::new("no such seat.toml"))
                .is_err_and(|e| e.to_string().contains("no such seat.toml"))
        );
    }

    /// What a file asks for, the plug-in's parameters take.
    #[test]
    fn any_file_that_is_taken_becomes_wishes_that_can_be_fulfilled() {
        const TARGET: Target = Target { name: "files", inputs: 20_000 };
        let parameters = examples();
        let fields: Vec<Field> = parameters.iter().map(Parameter::field).collect();
        let table = Table::of(SEAT, &fields);
        let check = |bytes: &[u8]| {
            let Ok(contents) = Contents::parse(bytes, "any.toml", &table) else { return false };
            let wishes = wishes(&contents, &table, Path::new("any.toml"));
            assert_eq!(wishes.len(), contents.entries.len(), "{contents:?}");
            for wish in &wishes {
                find(&parameters, wish)
                    .unwrap()
                    .read(wish)
                    .unwrap_or_else(|error| panic!("{error:#}: {wish:?}"));
            }
            true
        };
        for (_, bytes) in TARGET.corpus() {
            check(&bytes);
        }
        let good = [
            "name = \"x\"\ndepth = 10.5\nclose = \"off\"\nfamily = \"rear bell\"\n",
            "close = 2.0\ndepth = 0.5\n",
        ];
        let inputs = damaged(
            good.map(|text| text.as_bytes().to_vec()).to_vec(),
            &["omnidirectional", "off", "-", "e0", "25"],
        );
        TARGET.run(&inputs, Clone::clone, |bytes| check(bytes));
    }
}
