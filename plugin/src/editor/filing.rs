//! What a sheet asks of files, done: listed, taken and saved, on the thread of the window.

use rostra_files::{Contents, Entry, NotSaved, Shelf, Table, Value, Values as Allowed};

use super::file_menu::{Filed, Menus, Wish};
use super::values::{Edit, List, Values};
use crate::file_table::table;
use crate::hall::parameters::{HALL_NUMBERS, HallValues};
use crate::parameters::NUMBERS;
use crate::quantity::Number;

/// What a sheet shows, as files set and hold it.
pub trait FileValues {
    /// Its numbers.
    const NUMBERS: &'static [&'static Number];
    /// Its lists.
    const LISTS: &'static [List];

    /// Returns a number's value, in its unit.
    fn number(&self, number: &Number) -> f64;

    /// Returns a list's entry.
    fn chosen(&self, list: List) -> usize;
}

impl FileValues for Values {
    const NUMBERS: &'static [&'static Number] = &NUMBERS;
    const LISTS: &'static [List] = &List::ALL;

    fn number(&self, number: &Number) -> f64 {
        Self::number(self, number)
    }

    fn chosen(&self, list: List) -> usize {
        Self::chosen(self, list)
    }
}

impl FileValues for HallValues {
    const NUMBERS: &'static [&'static Number] = &HALL_NUMBERS;
    /// The hall has none.
    const LISTS: &'static [List] = &[];

    fn number(&self, number: &Number) -> f64 {
        let place = HALL_NUMBERS.iter().position(|known| known.id == number.id);
        place.map_or(number.default, |place| self[place])
    }

    fn chosen(&self, _list: List) -> usize {
        0
    }
}

/// A sheet that has menus of files.
pub trait FileSheet {
    /// What it shows.
    type Values: FileValues;

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
        Self { shelf, tables: Filed::ALL.map(|filed| table(filed.kind())) }
    }

    /// Does what a sheet asked for, tells it what became of it, and returns what changes.
    ///
    /// What cannot be had changes nothing, and the sheet says why.
    pub fn answer<S: FileSheet>(&self, wish: Wish, sheet: &mut S, values: &S::Values) -> Vec<Edit> {
        match wish {
            Wish::List(filed) => {
                let listing = self.shelf.list(&self.table(filed).kind);
                if let Some(fault) = &listing.fault {
                    sheet.refuse(fault.to_string());
                }
                sheet.menus().tell_files(filed, listing.files);
                Vec::new()
            }
            Wish::Take(filed, file) => match self.shelf.read(&file, self.table(filed)) {
                Ok(contents) => {
                    let edits = edits_among::<S::Values>(&contents);
                    sheet.say(said_of(&file.name, &contents));
                    sheet.menus().tell_done(filed, &file.name, contents.entries);
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
    edits_among::<Values>(contents)
}

/// Returns what a file sets as whole gestures: a host takes each back, and may write it as automation.
pub fn edits_among<V: FileValues>(contents: &Contents) -> Vec<Edit> {
    let mut edits = Vec::new();
    for Entry { id, value, .. } in &contents.entries {
        match *value {
            Value::Number(value) => {
                if let Some(number) = number_of::<V>(id) {
                    let value = number.on_grid(value);
                    edits.extend([Edit::Begin(number), Edit::Set(number, value), Edit::End(number)]);
                }
            }
            Value::Name(entry) => {
                if let Some(list) = list_of::<V>(id) {
                    edits.push(Edit::Choose(list, entry));
                }
            }
        }
    }
    edits
}

/// Returns the present values of everything that a kind of files may set.
pub fn contents_of<V: FileValues>(values: &V, table: &Table, name: String) -> Contents {
    let value = |id: &str, allowed: &Allowed| match allowed {
        Allowed::Numbers { .. } => number_of::<V>(id).map(|number| Value::Number(values.number(number))),
        Allowed::Names(_) => list_of::<V>(id).map(|list| Value::Name(values.chosen(list))),
    };
    let entry = |id: &String, allowed| Some(Entry { id: id.clone(), value: value(id, allowed)?, line: 0 });
    let entries = table.fields.iter().filter_map(|field| entry(&field.id, &field.values));
    Contents { name: Some(name), note: None, entries: entries.collect() }
}

/// Says whether the values are those that a file sets.
pub(super) fn are_set<V: FileValues>(entries: &[Entry], values: &V) -> bool {
    entries.iter().all(|Entry { id, value, .. }| match *value {
        Value::Number(wanted) => number_of::<V>(id)
            .is_none_or(|number| number.shown(values.number(number)) == number.shown(number.on_grid(wanted))),
        Value::Name(entry) => list_of::<V>(id).is_none_or(|list| values.chosen(list) == entry),
    })
}

fn number_of<V: FileValues>(id: &str) -> Option<&'static Number> {
    V::NUMBERS.iter().copied().find(|number| number.id == id)
}

fn list_of<V: FileValues>(id: &str) -> Option<List> {
    V::LISTS.iter().copied().find(|list| list.id() == id)
}
