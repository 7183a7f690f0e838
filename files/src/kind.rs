//! The kinds of files: what each holds, where it lies, and which ones come with the program.

/// A kind of files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kind {
    /// What one of them is called.
    pub word: &'static str,
    /// The folder in which they lie.
    pub folder: &'static str,
    /// Groups of parameters that such a file may set.
    pub groups: &'static [&'static str],
    /// Those that come with the program.
    pub built_in: &'static [BuiltIn],
}

/// A file that comes with the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BuiltIn {
    /// Its name without the ending.
    pub file: &'static str,
    /// What it is called in lists: the `name` that stands in it.
    pub name: &'static str,
    /// What stands in it.
    pub text: &'static str,
}

/// Takes a file of the demo ensemble into the program.
macro_rules! built_in {
    ($folder:literal, $file:literal, $name:literal) => {
        BuiltIn {
            file: $file,
            name: $name,
            text: include_str!(concat!("../../presets-demo/", $folder, "/", $file, ".toml")),
        }
    };
}

/// Where a player sits, how the instrument radiates, and what is done to tone and level.
pub const SEAT: Kind = Kind {
    word: "seat",
    folder: "seats",
    groups: &["Seat", "Tone", "Level"],
    // In the order of a score.
    built_in: &[
        built_in!("seats", "flute", "Flute"),
        built_in!("seats", "oboe", "Oboe"),
        built_in!("seats", "clarinet", "Clarinet"),
        built_in!("seats", "bassoon", "Bassoon"),
        built_in!("seats", "horns", "Horns"),
        built_in!("seats", "trumpets", "Trumpets"),
        built_in!("seats", "trombones", "Trombones"),
        built_in!("seats", "timpani", "Timpani"),
        built_in!("seats", "harp", "Harp"),
        built_in!("seats", "violins-1", "Violins 1"),
        built_in!("seats", "violins-2", "Violins 2"),
        built_in!("seats", "violas", "Violas"),
        built_in!("seats", "cellos", "Cellos"),
        built_in!("seats", "double-basses", "Double basses"),
    ],
};

/// What the players sit on, who listens, and the air between.
pub const PLATFORM: Kind = Kind {
    word: "platform",
    folder: "platforms",
    groups: &["Platform", "Microphones", "Air"],
    built_in: &[
        built_in!("platforms", "medium-timber", "Medium, timber"),
        built_in!("platforms", "large-plaster", "Large, plaster"),
    ],
};

/// The hall on the shared bus.
pub const HALL: Kind = Kind {
    word: "hall",
    folder: "halls",
    groups: &["Hall"],
    built_in: &[built_in!("halls", "short-cue", "Short cue"), built_in!("halls", "long-cue", "Long cue")],
};

/// Every kind.
pub const KINDS: [Kind; 3] = [SEAT, PLATFORM, HALL];

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::*;

    #[test]
    fn every_file_of_the_demo_is_built_in_under_its_own_name() {
        for kind in KINDS {
            let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../presets-demo").join(kind.folder);
            let mut there: Vec<String> = fs::read_dir(folder)
                .unwrap()
                .map(|entry| entry.unwrap().path().file_stem().unwrap().to_string_lossy().into_owned())
                .collect();
            there.sort();
            let mut built_in: Vec<&str> = kind.built_in.iter().map(|file| file.file).collect();
            built_in.sort_unstable();
            assert_eq!(built_in, there);
            for file in kind.built_in {
                let table: toml::Table = file.text.parse().unwrap();
                assert_eq!(table["name"].as_str(), Some(file.name), "{}", file.file);
            }
        }
    }
}
