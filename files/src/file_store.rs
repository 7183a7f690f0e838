//! The files at hand: those that come with the program, and a person's own folder.

use std::fs;
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};

use etcetera::BaseStrategy as _;
use etcetera::base_strategy::{Apple, Windows, Xdg};

use crate::contents::{Contents, read};
use crate::fault::{Fault, What};
use crate::kind::Kind;
use crate::safe_name::safe_name;
use crate::spelling::{loose, nearest};
use crate::table::Table;
use crate::unfinished::{NewFile, Twin};

/// The environment variable that names another folder than the system's usual one.
pub const FOLDER_VARIABLE: &str = "ROSTRA_FILES";
/// The ending of a file.
const ENDING: &str = "toml";

/// Where files are looked for and kept; nothing is opened before it is asked for.
#[derive(Clone, Debug)]
pub struct FileStore {
    folder: Option<PathBuf>,
}

/// A file at hand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// What it is called.
    pub name: String,
    /// Where it is from.
    pub place: Place,
}

/// Where a file is from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// It comes with the program; its place among those of its kind.
    BuiltIn(usize),
    /// The person's own.
    Own(PathBuf),
}

/// The files of a kind.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Listing {
    /// Own ones by name, then those that come with the program.
    pub files: Vec<Listed>,
    /// Said where the own folder is there and cannot be looked into.
    pub fault: Option<Fault>,
}

/// Why no file is meant by a name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotFound {
    /// There is none.
    #[error("there is no {kind} called \"{name}\"; {}", meant.as_ref().map_or_else(|| format!("there are: {}", known.join("; ")), |meant| format!("did you mean \"{meant}\"?")))]
    None {
        /// The kind that was looked for.
        kind: &'static str,
        /// The name.
        name: String,
        /// The nearest known one.
        meant: Option<String>,
        /// Every known one.
        known: Vec<String>,
    },
    /// An own one and one that comes with the program.
    #[error("\"{0}\" names both one of your own and a built-in one; write \"own/{0}\" or \"built-in/{0}\"")]
    Two(String),
}

/// Why what a person wrote down was not read.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NotRead {
    /// There is none of that name, or two.
    #[error(transparent)]
    NotFound(#[from] NotFound),
    /// It is broken.
    #[error(transparent)]
    Fault(#[from] Fault),
}

/// Why a file was not saved.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotSaved {
    /// Nothing of the name is left in a file name.
    #[error("\"{0}\" cannot be used as a file name; use letters or digits")]
    NoName(String),
    /// There is one of that name.
    #[error("a {kind} called \"{name}\" already exists; choose another name, or replace it explicitly")]
    Taken {
        /// Its kind.
        kind: &'static str,
        /// Its name.
        name: String,
    },
    /// The system knows no folder for a person's own files.
    #[error("no folder for your own files was found; set one in the environment variable {FOLDER_VARIABLE}")]
    NoFolder,
    /// The system does not let it be written.
    #[error("{}: cannot be written ({why}); check the folder, or set another one in {FOLDER_VARIABLE}", path.display())]
    Unwritable {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
}

impl FileStore {
    /// Returns the store of the person who runs this: the folder that [`FOLDER_VARIABLE`] names, else the usual one for settings.
    pub fn of_user() -> Self {
        let named = std::env::var_os(FOLDER_VARIABLE).filter(|folder| !folder.is_empty()).map(PathBuf::from);
        Self { folder: named.or_else(|| usual_folder(std::env::consts::OS)) }
    }

    /// Returns a store with another folder for own files.
    pub fn at(folder: impl Into<PathBuf>) -> Self {
        Self { folder: Some(folder.into()) }
    }

    /// Returns the folder of own files of a kind, whether it exists or not; `None` where the system knows none.
    pub fn folder(&self, kind: &Kind) -> Option<PathBuf> {
        self.folder.as_ref().map(|folder| folder.join(kind.folder))
    }

    /// Lists the files of a kind.
    ///
    /// An own one is called as its file, so that a broken one is listed, too,
    /// and says what is wrong when it is chosen. One of the same name as one
    /// that comes with the program stands beside it.
    pub fn list(&self, kind: &Kind) -> Listing {
        let (mut files, fault) = match self.folder(kind) {
            Some(folder) => own_files(&folder),
            None => (Vec::new(), None),
        };
        files.sort_by_cached_key(|file| (file.name.to_lowercase(), file.name.clone()));
        let built_in = kind.built_in.iter().enumerate();
        files.extend(
            built_in.map(|(at, file)| Listed { name: file.name.to_owned(), place: Place::BuiltIn(at) }),
        );
        Listing { files, fault }
    }

    /// Finds a file by its name, or by `own/` or `built-in/` and its name, however it is hyphenated.
    ///
    /// # Errors
    /// When there is none, or more than one is meant: an own one beside one that comes with the program.
    pub fn find(&self, kind: &Kind, name: &str) -> Result<Listed, NotFound> {
        let (from, wanted) = match name.split_once('/') {
            Some(("own", name)) => (Some(true), name),
            Some(("built-in", name)) => (Some(false), name),
            _ => (None, name),
        };
        let files = self.list(kind).files;
        let is_called = |file: &&Listed| {
            let also = match file.place {
                Place::BuiltIn(at) => kind.built_in.get(at).map_or("", |file| file.file),
                Place::Own(_) => "",
            };
            let is_from = from.is_none_or(|is_own| is_own == matches!(file.place, Place::Own(_)));
            is_from && (loose(&file.name) == loose(wanted) || loose(also) == loose(wanted))
        };
        let found: Vec<&Listed> = files.iter().filter(is_called).collect();
        let is_own = |file: &&&Listed| matches!(file.place, Place::Own(_));
        // Own files whose names differ by a hyphen alone: the one that is meant to the letter.
        let is_exact = |file: &&&Listed| found.iter().all(|file| is_own(&file)) && file.name == wanted;
        match found.as_slice() {
            [] => Err(NotFound::None {
                kind: kind.word,
                name: name.to_owned(),
                meant: nearest(wanted, files.iter().map(|file| file.name.as_str())).map(str::to_owned),
                known: files.iter().map(|file| file.name.clone()).collect(),
            }),
            [one] => Ok((*one).clone()),
            _ => match found.iter().find(is_exact) {
                Some(one) => Ok((**one).clone()),
                None => Err(NotFound::Two(wanted.to_owned())),
            },
        }
    }

    /// Reads the file that a person wrote down: a path, or the name of a file at hand.
    ///
    /// # Errors
    /// When there is no such file, or as [`Self::read`].
    pub fn read_written(&self, path: &Path, table: &Table) -> Result<Contents, NotRead> {
        let written: &str = &path.to_string_lossy();
        let is_named = ["own/", "built-in/"].iter().any(|from| written.starts_with(from));
        let ends_as_path = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case(ENDING));
        let is_path = path.exists() || ends_as_path || (!is_named && written.contains(['/', '\\']));
        if is_path {
            return Ok(read(path, written, table)?);
        }
        Ok(self.read(&self.find(&table.kind, written)?, table)?)
    }

    /// Reads a file at hand; own ones are called by their file names in what is said of them.
    ///
    /// # Errors
    /// When it cannot be read or holds what it cannot hold.
    pub fn read(&self, file: &Listed, table: &Table) -> Result<Contents, Fault> {
        match &file.place {
            Place::Own(path) => {
                let called = path.file_name().unwrap_or_default().to_string_lossy();
                read(path, &called, table)
            }
            Place::BuiltIn(at) => {
                let missing = || Fault { file: file.name.clone(), line: None, what: Box::new(What::Missing) };
                let built_in = table.kind.built_in.get(*at).ok_or_else(missing)?;
                Contents::parse(built_in.text.as_bytes(), built_in.file, table)
            }
        }
    }

    /// Saves an own file, whole or not at all, and returns where it lies.
    ///
    /// # Errors
    /// When the name makes no file name, when there is an own file of that name
    /// and `replaces` does not say to write over it, or when the folder cannot be written.
    pub fn save(&self, table: &Table, contents: &Contents, replaces: bool) -> Result<PathBuf, NotSaved> {
        let kind = &table.kind;
        let name = contents.name.as_deref().unwrap_or_default();
        let safe = safe_name(name).ok_or_else(|| NotSaved::NoName(name.to_owned()))?;
        let folder = self.folder(kind).ok_or(NotSaved::NoFolder)?;
        let unwritable = |path: &Path, why: std::io::Error| NotSaved::Unwritable {
            path: path.to_path_buf(),
            why: why.to_string(),
        };
        fs::create_dir_all(&folder).map_err(|why| unwritable(&folder, why))?;
        // The same name in other letters is the same file on some systems.
        let twin =
            own_files(&folder).0.into_iter().find(|file| file.name.to_lowercase() == safe.to_lowercase());
        let taken = |name: &str| NotSaved::Taken { kind: kind.word, name: name.to_owned() };
        let path = match twin {
            Some(twin) if !replaces => return Err(taken(&twin.name)),
            Some(Listed { place: Place::Own(path), .. }) => path,
            _ => folder.join(format!("{safe}.{ENDING}")),
        };
        let mut file = NewFile::within(&folder).map_err(|why| unwritable(&folder, why))?;
        file.write_all(contents.text(table).as_bytes()).map_err(|why| unwritable(&path, why))?;
        match file.keep(&path, if replaces { Twin::Replaced } else { Twin::Kept }) {
            Ok(()) => Ok(path),
            Err(error) if error.kind() == ErrorKind::AlreadyExists => Err(taken(&safe)),
            Err(error) => Err(unwritable(&path, error)),
        }
    }
}

/// Returns where a program keeps a person's settings on a system, as `std::env::consts::OS` calls it.
///
/// # Source
/// XDG Base Directory Specification 0.8, "Basics"; Apple, "File System Programming Guide", "Library directory details";
/// Windows, `FOLDERID_RoamingAppData`. The names of the folders within are our choice, and never change: people's files
/// lie there.
fn usual_folder(system: &str) -> Option<PathBuf> {
    let folder = match system {
        "windows" => Windows::new().ok()?.config_dir().join("Rostra").join("config"),
        "macos" => Apple::new().ok()?.data_dir().join("Rostra"),
        _ => Xdg::new().ok()?.config_dir().join("rostra"),
    };
    // Without a home there is no such folder, and one beside the host's own files is nobody's.
    folder.is_absolute().then_some(folder)
}

/// Lists the own files of a folder; one that is not there is empty.
fn own_files(folder: &Path) -> (Vec<Listed>, Option<Fault>) {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == ErrorKind::NotFound => return (Vec::new(), None),
        Err(error) => {
            let what = Box::new(What::Unreadable(error.to_string()));
            return (Vec::new(), Some(Fault { file: folder.display().to_string(), line: None, what }));
        }
    };
    let files = entries.flatten().map(|entry| entry.path()).filter(|path| {
        let is_ours = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case(ENDING));
        let is_hidden = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
        is_ours && !is_hidden
    });
    let listed = |path: PathBuf| Listed {
        name: path.file_stem().unwrap_or_default().to_string_lossy().into_owned(),
        place: Place::Own(path),
    };
    (files.map(listed).collect(), None)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The folders in which files of 0.1.0 lie.
    #[test]
    fn own_files_lie_where_they_always_lay() {
        let home = std::env::home_dir().unwrap();
        let mac = home.join("Library/Application Support/Rostra");
        assert_eq!(usual_folder("macos"), Some(mac));
        let config = std::env::var_os("XDG_CONFIG_HOME").map_or(home.join(".config"), PathBuf::from);
        assert_eq!(usual_folder("linux"), Some(config.join("rostra")));
        let roaming = std::env::var_os("APPDATA").map_or(home.join("AppData").join("Roaming"), PathBuf::from);
        assert_eq!(usual_folder("windows"), Some(roaming.join("Rostra").join("config")));
    }
}
