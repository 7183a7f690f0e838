//! What seat, platform and hall files ask for.

use std::path::Path;

use anyhow::Result;
use rostra::file_table::table;
use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::Tabled;
use rostra_files::{FileStore, HALL, Kind, PLATFORM, SEAT};

use crate::setting::{Setting, of_contents};

/// The files at hand.
pub(crate) struct SeatFiles {
    store: FileStore,
}

/// A file as read.
#[derive(Clone, Debug, Default)]
pub(crate) struct SeatFile {
    /// What the file calls itself.
    pub(crate) name: Option<String>,
    /// What it asks for, in the order of the file.
    pub(crate) settings: Vec<Setting>,
}

impl SeatFiles {
    /// Those of the user, and those that come with the program.
    pub(crate) fn of_user() -> Self {
        Self { store: FileStore::of_user() }
    }

    /// Reads a seat file, by its path or its name among those at hand.
    ///
    /// # Errors
    /// When there is none, or it is broken.
    pub(crate) fn seat(&self, written: &Path) -> Result<SeatFile> {
        self.read::<Settings>(written, SEAT)
    }

    /// Reads a platform file, by its path or its name.
    ///
    /// # Errors
    /// When there is none, or it is broken.
    pub(crate) fn platform(&self, written: &Path) -> Result<SeatFile> {
        self.read::<Settings>(written, PLATFORM)
    }

    /// Reads a hall file, by its path or its name.
    ///
    /// # Errors
    /// When there is none, or it is broken.
    pub(crate) fn hall(&self, written: &Path) -> Result<SeatFile> {
        self.read::<Hall>(written, HALL)
    }

    fn read<S: Tabled>(&self, written: &Path, kind: Kind) -> Result<SeatFile> {
        let contents = self.store.read_written(written, &table(kind))?;
        Ok(SeatFile { settings: of_contents::<S>(&contents), name: contents.name })
    }
}

#[cfg(test)]
mod tests {
    use rostra_files::Contents;
    use rostra_fuzz::{Target, damaged};

    use super::*;
    use crate::setting::plain;

    #[test]
    fn numbers_words_and_names_become_settings() {
        let files = SeatFiles::of_user();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("horns.toml");
        std::fs::write(&path, "name = \"Horns\"\n\ndepth = 10.5\nclose = \"off\"\nfamily = \"rear bell\"\n")
            .unwrap();
        let file = files.seat(&path).unwrap();
        assert_eq!(file.name.as_deref(), Some("Horns"));
        let got: Vec<_> =
            file.settings.iter().map(|of| (of.parameter.id, of.parameter.shown(of.value))).collect();
        let expected = [("depth", "10.50 m"), ("close", "off"), ("family", "rear bell")];
        assert_eq!(got, expected.map(|(id, shown)| (id, shown.to_owned())));
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

    /// What a file asks for is in range of its parameter, and none of it is lost.
    #[test]
    fn any_file_that_is_taken_becomes_settings_that_can_be_had() {
        const TARGET: Target = Target { name: "files", inputs: 20_000 };
        let table = table(SEAT);
        let check = |bytes: &[u8]| {
            let Ok(contents) = Contents::parse(bytes, "any.toml", &table) else { return false };
            let settings = of_contents::<Settings>(&contents);
            assert_eq!(settings.len(), contents.entries.len(), "{contents:?}");
            for Setting { parameter, value } in &settings {
                let (low, high) = parameter.range();
                assert!((low..=high).contains(value), "{} = {value}", parameter.id);
            }
            let plain = plain::<Settings>(&settings);
            assert_eq!(plain, plain.snapped());
            true
        };
        for (_, bytes) in TARGET.corpus() {
            check(&bytes);
        }
        let good = [
            "name = \"x\"\ndepth = 10.5\nclose = \"off\"\nfamily = \"rear bell\"\n",
            "close = 2.0\ndepth = 0.5\n",
        ];
        let words = ["omnidirectional", "off", "-", "e0", "25"];
        let inputs = damaged(good.map(|text| text.as_bytes().to_vec()).to_vec(), &words);
        TARGET.run(&inputs, Clone::clone, |bytes| check(bytes));
    }
}
