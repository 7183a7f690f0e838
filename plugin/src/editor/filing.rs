//! What the sheet asks of files, done: listed, taken and saved, on the thread of the window.

use rostra_files::{Contents, Entry, NotSaved, PLATFORM, SEAT, Shelf, Table, Value, Values as Allowed};

use super::file_menu::{Filed, Wish};
use super::sheet::Sheet;
use super::values::{Edit, List, Values};
use crate::file_table::table;
use crate::parameters::NUMBERS;

/// Where the sheet's files are, and what may stand in them.
#[derive(Debug)]
pub struct Filing {
    shelf: Shelf,
    /// By place in [`Filed::ALL`].
    tables: [Table; Filed::ALL.len()],
}

impl Filing {
    /// Files of the person who runs the host.
    pub fn of_user() -> Self {
        Self::of(Shelf::of_user())
    }

    /// Files of a shelf.
    pub fn of(shelf: Shelf) -> Self {
        Self { shelf, tables: [table(SEAT), table(PLATFORM)] }
    }

    /// Does what the sheet asked for, tells it what became of it, and returns what changes.
    ///
    /// What cannot be had changes nothing, and the sheet says why.
    pub fn answer(&self, wish: Wish, sheet: &mut Sheet, values: &Values) -> Vec<Edit> {
        match wish {
            Wish::List(filed) => {
                let listing = self.shelf.list(&self.table(filed).kind);
                if let Some(fault) = &listing.fault {
                    sheet.refuse(fault.to_string());
                }
                sheet.tell_files(filed, listing.files);
                Vec::new()
            }
            Wish::Take(filed, file) => match self.shelf.read(&file, self.table(filed)) {
                Ok(contents) => {
                    let edits = edits_of(&contents);
                    let note = contents.note.unwrap_or_default();
                    sheet.tell_taken(filed, &file.name, contents.entries, &note);
                    edits
                }
                Err(fault) => {
                    sheet.refuse(format!("{fault}. Nothing was changed."));
                    Vec::new()
                }
            },
            Wish::Save { filed, name, replaces } => {
                let table = self.table(filed);
                let contents = contents_of(values, table, name);
                match self.shelf.save(table, &contents, replaces) {
                    Ok(path) => {
                        let name = path.file_stem().unwrap_or_default().to_string_lossy();
                        sheet.tell_saved(filed, &name, contents.entries);
                    }
                    Err(NotSaved::Taken { name, .. }) => sheet.tell_name_is_taken(filed, &name),
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

/// Returns what a file sets as whole gestures: a host takes each back, and may write it as automation.
pub fn edits_of(contents: &Contents) -> Vec<Edit> {
    let mut edits = Vec::new();
    for Entry { id, value, .. } in &contents.entries {
        match *value {
            Value::Number(value) => {
                if let Some(number) = NUMBERS.into_iter().find(|number| number.id == id) {
                    let value = number.on_grid(value);
                    edits.extend([Edit::Begin(number), Edit::Set(number, value), Edit::End(number)]);
                }
            }
            Value::Name(entry) => {
                if let Some(list) = List::ALL.into_iter().find(|list| list.id() == id) {
                    edits.push(Edit::Choose(list, entry));
                }
            }
        }
    }
    edits
}

/// Returns the present values of everything that a kind of files may set.
pub fn contents_of(values: &Values, table: &Table, name: String) -> Contents {
    let value = |id: &str, allowed: &Allowed| match allowed {
        Allowed::Numbers { .. } => NUMBERS
            .into_iter()
            .find(|number| number.id == id)
            .map(|number| Value::Number(values.number(number))),
        Allowed::Names(_) => {
            List::ALL.into_iter().find(|list| list.id() == id).map(|list| Value::Name(values.chosen(list)))
        }
    };
    let entry = |id: &String, allowed| Some(Entry { id: id.clone(), value: value(id, allowed)?, line: 0 });
    let entries = table.fields.iter().filter_map(|field| entry(&field.id, &field.values));
    Contents { name: Some(name), note: None, entries: entries.collect() }
}

/// Says whether the values are those that a file sets.
pub(super) fn are_set(entries: &[Entry], values: &Values) -> bool {
    entries.iter().all(|Entry { id, value, .. }| match *value {
        Value::Number(wanted) => NUMBERS
            .into_iter()
            .find(|number| number.id == id)
            .is_none_or(|number| number.shown(values.number(number)) == number.shown(number.on_grid(wanted))),
        Value::Name(entry) => {
            List::ALL.into_iter().find(|list| list.id() == id).is_none_or(|list| values.chosen(list) == entry)
        }
    })
}
