//! Seat, platform and hall files: listed, checked, saved, and their schemas written.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use rostra::file_table::table;
use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_files::{
    Contents, Entry, FOLDER_VARIABLE, FileStore, HALL, KINDS, Kind, LONGEST_NAME, NotRead, NotSaved, Place,
    Table, Value, Values, What, schema,
};
use rostra_terminal::{say, shown, tell};

use crate::at_hand::AtHand;
use crate::recording::write_whole;
use crate::setting::{Override, Setting};

/// What is done with files.
#[derive(clap::Args, Debug)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    task: Option<Task>,
}

#[derive(clap::Subcommand, Debug)]
enum Task {
    /// List the files and the folder that holds your own (the default).
    List,
    /// Check files and report each error with its line; without a name, check all that are listed.
    Check {
        /// Files, or names that `files` lists.
        #[arg(value_name = "FILE.toml|NAME")]
        files: Vec<PathBuf>,
    },
    /// Save your own seat, platform or hall, from a file, from --set, or both.
    Save(Save),
    /// Write the JSON schemas of all kinds of files into the demo's folder `schema`.
    Schema,
}

/// What is saved, and under which name.
#[derive(clap::Args, Debug)]
struct Save {
    /// The name, which also names the file.
    name: String,
    /// Start from a seat.
    #[arg(long, value_name = "FILE.toml|NAME", conflicts_with_all = ["platform", "hall"])]
    seat: Option<PathBuf>,
    /// Start from a platform.
    #[arg(long, value_name = "FILE.toml|NAME", conflicts_with = "hall")]
    platform: Option<PathBuf>,
    /// Start from a hall.
    #[arg(long, value_name = "FILE.toml|NAME")]
    hall: Option<PathBuf>,
    /// A parameter by its id, as in --set depth=8.5; all must belong to one seat, one platform or one hall.
    #[arg(long, value_name = "ID=VALUE")]
    set: Vec<String>,
    /// A note for whoever reads the file.
    #[arg(long)]
    note: Option<String>,
    /// Replace your own file of this name.
    #[arg(long)]
    replace: bool,
}

/// Does what was asked; returns how many files were refused.
///
/// # Errors
/// When the plug-in cannot be asked, or something cannot be saved or written.
pub(crate) fn run(arguments: &Arguments, at_hand: &AtHand) -> Result<usize> {
    match &arguments.task {
        None | Some(Task::List) => list(&FileStore::of_user()),
        Some(Task::Check { files }) => Ok(check(&Known::of_user(), files)),
        Some(Task::Save(wanted)) => save(wanted),
        Some(Task::Schema) => write_schemas(&Known::of_user(), &at_hand.presets()?),
    }
}

/// The files at hand, and what may stand in those of each kind.
struct Known {
    store: FileStore,
    tables: [Table; KINDS.len()],
}

impl Known {
    fn of_user() -> Self {
        Self { store: FileStore::of_user(), tables: KINDS.map(table) }
    }

    fn tables(&self) -> impl Iterator<Item = &Table> {
        self.tables.iter()
    }
}

fn list(store: &FileStore) -> Result<usize> {
    let mut faults = 0;
    for kind in KINDS {
        let folder = store.folder(&kind).ok_or(NotSaved::NoFolder)?;
        say!("{}, your own in {}", kind.folder, shown(&folder));
        let listing = store.list(&kind);
        for file in &listing.files {
            let from = if matches!(file.place, Place::Own(_)) { "own" } else { "built in" };
            say!("  {:32} {from}", file.name);
        }
        if let Some(fault) = listing.fault {
            tell!("error: {fault}");
            faults += 1;
        }
    }
    say!("Set the environment variable {FOLDER_VARIABLE} to use another folder for your own.");
    Ok(faults)
}

fn check(files: &Known, wanted: &[PathBuf]) -> usize {
    let mut refused = 0;
    let mut tell = |name: &str, read: Result<(Contents, Kind)>| match read {
        Ok((contents, kind)) => {
            let count = contents.entries.len();
            let s = if count == 1 { "" } else { "s" };
            say!("{name}: a {}, sets {count} parameter{s}", kind.word);
        }
        Err(fault) => {
            tell!("error: {fault}");
            refused += 1;
        }
    };
    for written in wanted {
        tell(&written.display().to_string(), read_any(files, written).map_err(Into::into));
    }
    if wanted.is_empty() {
        for table in files.tables() {
            let listing = files.store.list(&table.kind);
            if let Some(fault) = listing.fault {
                tell("", Err(fault.into()));
            }
            for file in &listing.files {
                let read = files.store.read(file, table).map(|contents| (contents, table.kind));
                tell(&file.name, read.map_err(Into::into));
            }
        }
    }
    refused
}

/// Reads a file of whichever kind: that of its folder, else the first one that it can be.
fn read_any(files: &Known, written: &Path) -> Result<(Contents, Kind), NotRead> {
    let read =
        |table: &Table| files.store.read_written(written, table).map(|contents| (contents, table.kind));
    let folder = written.parent().and_then(Path::file_name);
    let of_folder = files.tables().find(|table| folder.is_some_and(|folder| folder == table.kind.folder));
    if let Some(table) = of_folder {
        return read(table);
    }
    // What is wrong is said as of the kind in which the file gets furthest.
    let furthest = |refused: &NotRead| match refused {
        NotRead::NotFound(_) => 0,
        NotRead::Fault(fault) => match *fault.what {
            What::Unknown { .. } | What::OtherKind { .. } => fault.line.unwrap_or_default(),
            _ => usize::MAX,
        },
    };
    let mut refused: Option<NotRead> = None;
    for table in files.tables() {
        match read(table) {
            Ok(read) => return Ok(read),
            Err(why) if refused.as_ref().is_none_or(|before| furthest(&why) > furthest(before)) => {
                refused = Some(why);
            }
            Err(_) => {}
        }
    }
    // PANIC: there are kinds, so one of them was tried.
    Err(refused.expect("a kind was tried"))
}

fn save(wanted: &Save) -> Result<usize> {
    let name = wanted.name.trim();
    ensure!(
        name.chars().count() <= LONGEST_NAME,
        "\"{name}\" has more than {LONGEST_NAME} characters; give a shorter name"
    );
    let files = Known::of_user();
    let overrides = wanted.set.iter().map(|text| Override::from_option(text)).collect::<Result<Vec<_>>>()?;
    let bases = [&wanted.seat, &wanted.platform, &wanted.hall];
    let base = bases.iter().position(|base| base.is_some());
    let place = match base {
        Some(place) => place,
        None => kind_of(&files, overrides.first())?,
    };
    let table = &files.tables[place];
    let mut contents = match bases[place] {
        Some(written) => files.store.read_written(written, table)?,
        None => Contents::default(),
    };
    contents.name = Some(name.to_owned());
    contents.note.clone_from(&wanted.note);
    for given in &overrides {
        let Setting { parameter, value } = setting_for(table.kind, given)?;
        let (id, kind) = (parameter.id, table.kind.word);
        let Some(field) = table.field(id) else {
            bail!("{}: \"{id}\" does not belong in a {kind} file; save it separately", given.from);
        };
        let value = match &field.values {
            Values::Numbers { .. } => Value::Number(value),
            Values::Names(_) => Value::Name(value as usize),
        };
        contents.entries.retain(|entry| entry.id != id);
        contents.entries.push(Entry { id: id.to_owned(), value, line: 0 });
    }
    let saved = files.store.save(table, &contents, wanted.replace).map_err(|why| match why {
        NotSaved::Taken { kind, name } => {
            anyhow!("you already have a {kind} called \"{name}\"; choose another name, or add --replace")
        }
        why => why.into(),
    })?;
    say!("{}", shown(&saved));
    Ok(0)
}

/// Returns what an override asks of files of a kind.
fn setting_for(kind: Kind, given: &Override) -> Result<Setting> {
    if kind == HALL { given.setting::<Hall>() } else { given.setting::<Settings>() }
}

/// Returns the place of the kind that takes an override.
fn kind_of(files: &Known, first: Option<&Override>) -> Result<usize> {
    let first = first.ok_or_else(|| {
        anyhow!("there is nothing to save; give --seat, --platform, --hall or --set depth=8.5")
    })?;
    if let Some(place) = files.tables().position(|table| table.field(&first.id).is_some()) {
        return Ok(place);
    }
    let id = first.parameter::<Settings>()?.id;
    bail!("{}: \"{id}\" belongs to the session and cannot be saved in a file; leave it out", first.from)
}

fn write_schemas(files: &Known, presets: &Path) -> Result<usize> {
    let folder = presets.join("schema");
    for table in files.tables() {
        let path = folder.join(format!("{}.schema.json", table.kind.word));
        let cannot = || format!("{}: cannot be written; check the folder", shown(&path));
        fs::create_dir_all(&folder).with_context(cannot)?;
        write_whole(&path, schema(table))?;
        say!("{}", shown(&path));
    }
    Ok(0)
}
