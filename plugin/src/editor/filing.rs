//! What a sheet asks of files, done: listed, taken and saved, on the thread of the window.

use rostra_dsp::Settings;
use rostra_dsp::settings::Tabled;
use rostra_files::{Contents, Entry, Field, FileStore, NotSaved, Table, Value, Values as Allowed};

use super::file_menu::{FileRequest, Filed, Menus, value_of};
use super::values::{Edit, Values};
use crate::file_table::table;

/// A sheet that has menus of files.
pub trait FileSheet {
    /// What it shows.
    type Settings: Tabled;

    /// Returns its menus.
    fn menus(&mut self) -> &mut Menus;

    /// Says what was done.
    fn say(&mut self, said: String);

    /// Says why something cannot be had.
    fn refuse(&mut self, why: String);
}

/// Where a sheet's files are, and what may stand in them.
#[derive(Debug)]
pub struct Filing {
    store: FileStore,
    /// By place in [`Filed::ALL`].
    tables: [Table; Filed::ALL.len()],
}

impl Filing {
    /// Files of the person who runs the host.
    pub fn of_user() -> Self {
        Self::of(FileStore::of_user())
    }

    /// Files of a store.
    pub fn of(store: FileStore) -> Self {
        Self { store, tables: Filed::ALL.map(|filed| table(filed.kind())) }
    }

    /// Does what a sheet asked for, tells it what became of it, and returns what changes.
    ///
    /// What cannot be had changes nothing, and the sheet says why.
    pub fn answer<S: FileSheet>(
        &self,
        request: FileRequest,
        sheet: &mut S,
        values: &Values<S::Settings>,
    ) -> Vec<Edit> {
        match request {
            FileRequest::List(filed) => {
                let listing = self.store.list(&self.table(filed).kind);
                if let Some(fault) = &listing.fault {
                    sheet.refuse(fault.to_string());
                }
                sheet.menus().tell_files(filed, listing.files);
                Vec::new()
            }
            FileRequest::Take(filed, file) => match self.store.read(&file, self.table(filed)) {
                Ok(contents) => {
                    let edits = edits_among::<S::Settings>(&contents);
                    sheet.say(said_of(&file.name, &contents));
                    sheet.menus().tell_done(filed, &file.name, contents.entries);
                    edits
                }
                Err(fault) => {
                    sheet.refuse(format!("{fault}. Nothing was changed."));
                    Vec::new()
                }
            },
            FileRequest::Save { filed, name, replaces } => {
                let table = self.table(filed);
                let contents = contents_of(values, table, name);
                match self.store.save(table, &contents, replaces) {
                    Ok(path) => {
                        let name = path.file_stem().unwrap_or_default().to_string_lossy();
                        sheet.say(format!("Saved as '{name}'."));
                        sheet.menus().tell_done(filed, &name, contents.entries);
                    }
                    Err(NotSaved::Taken { name, .. }) => sheet.menus().tell_name_is_taken(filed, &name),
                    Err(why) => sheet.refuse(why.to_string()),
                }
                Vec::new()
            }
        }
    }

    fn table(&self, filed: Filed) -> &Table {
        &self.tables[filed as usize]
    }
}

/// Returns what is said of a file that was taken: its name, and the note that stands in it.
fn said_of(name: &str, contents: &Contents) -> String {
    match (contents.entries.len(), contents.note.as_deref().unwrap_or_default()) {
        (0, _) => format!("'{name}' has no settings."),
        (_, "") => format!("Loaded '{name}'."),
        (_, note) => format!("Loaded '{name}': {note}"),
    }
}

/// Returns what a seat or platform file sets, as [`edits_among`].
pub fn edits_of(contents: &Contents) -> Vec<Edit> {
    edits_among::<Settings>(contents)
}

/// Returns what a file sets as whole gestures: a host takes each back, and may write it as automation.
pub fn edits_among<S: Tabled>(contents: &Contents) -> Vec<Edit> {
    let edits = |entry: &Entry| Some(Edit::whole(S::by_id(&entry.id)?, value_of(entry.value)));
    contents.entries.iter().filter_map(edits).flatten().collect()
}

/// Returns the present values of everything that a kind of files may set.
pub fn contents_of<S: Tabled>(values: &Values<S>, table: &Table, name: String) -> Contents {
    let value = |field: &Field| {
        let parameter = S::by_id(&field.id)?;
        Some(match field.values {
            Allowed::Numbers { .. } => Value::Number(values.value(parameter)),
            Allowed::Names(_) => Value::Name(values.chosen(parameter)),
        })
    };
    let entry = |field: &Field| Some(Entry { id: field.id.clone(), value: value(field)?, line: 0 });
    Contents { name: Some(name), note: None, entries: table.fields.iter().filter_map(entry).collect() }
}
