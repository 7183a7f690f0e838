//! A parameter that is one of a list: its entries, and the places that are kept for later ones.

/// An entry of a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Stable id: states hold it, so the name may change.
    pub id: &'static str,
    /// Ids and names that it had before; they are read for ever.
    pub old_ids: &'static [&'static str],
    /// Name in trade words.
    pub name: &'static str,
    /// What it stands for, in a few words; empty where the name says it.
    pub note: &'static str,
}

/// A parameter that is one of a list.
///
/// Automation holds places in the list, in VST3 as a share of all places: new
/// entries go to the end only, and a list has more places than entries from the
/// beginning, so that a new one moves nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct List {
    /// The entries, in the order of their places.
    pub entries: &'static [Entry],
    /// Number of places, kept ones included; it never changes.
    pub places: usize,
    /// The entry of a new instance, by its place.
    pub default: usize,
}

impl List {
    /// Makes a list.
    ///
    /// # Panics
    /// Where it has no place left for another entry: while it is compiled, in a table.
    pub const fn new(entries: &'static [Entry], places: usize, default: usize) -> Self {
        assert!(places > entries.len(), "there is no room for a new entry");
        assert!(default < entries.len(), "the default is none of the entries");
        Self { entries, places, default }
    }

    /// Returns the entry at a place; the first one where the place has none.
    pub fn entry(&self, place: usize) -> &'static Entry {
        self.entries.get(place).unwrap_or(&self.entries[0])
    }

    /// Returns the place of the entry that a saved id names, today's or an old one.
    pub fn place_of_id(&self, id: &str) -> Option<usize> {
        self.entries.iter().position(|entry| entry.id == id || entry.old_ids.contains(&id))
    }

    /// Returns the place of the entry that somebody wrote: its name or id, today's or an old one, in any letters, with
    /// spaces or hyphens.
    pub fn place_of_word(&self, word: &str) -> Option<usize> {
        let word = loose(word);
        let is_meant = |entry: &Entry| {
            [entry.name, entry.id].iter().chain(entry.old_ids).any(|known| loose(known) == word)
        };
        self.entries.iter().position(is_meant)
    }

    /// Returns the names of all entries.
    pub fn names(&self) -> impl Iterator<Item = &'static str> {
        self.entries.iter().map(|entry| entry.name)
    }
}

/// Returns a word without what people write differently: case, hyphens, underscores, spaces.
fn loose(word: &str) -> String {
    word.trim().to_lowercase().replace(['-', '_', ' '], "")
}
