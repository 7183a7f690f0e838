//! Seats, platforms and halls as files: TOML whose keys are parameter ids.
//!
//! ```toml
//! name = "Horns"
//! note = "At the back, on the highest riser."
//! depth = 10.5
//! family = "rear bell"
//! close = "off"
//! ```
//!
//! A file sets what it names and nothing else. What may stand in it is not
//! written here: whoever reads hands in a [`Table`] of the parameters, so the
//! plug-ins, which know their own, and the tasks, which ask a built plug-in,
//! read alike, and another plug-in brings another table.
//!
//! # Invariants
//! * A file is taken whole or refused whole, with one line that names it, the
//!   line, what is wrong and what to do.
//! * A file is written whole or not at all, and never over another one unless
//!   that was asked for.
//! * Nothing here is for an audio thread: everything opens files or allocates.
//! * This crate knows no plug-in API, no UI and no acoustics.

mod field;
mod kind;
mod table;

mod fault;
mod spelling;

mod contents;
mod schema;

mod safe_name;
mod unfinished;

mod file_store;

pub use contents::{Contents, Entry, in_a_line, read};
pub use fault::{Fault, LONGEST_NAME, MOST_BYTES, What};
pub use field::{Field, Value, Values};
pub use file_store::{FOLDER_VARIABLE, FileStore, Listed, Listing, NotFound, NotRead, NotSaved, Place};
pub use kind::{BuiltIn, HALL, KINDS, Kind, PLATFORM, SEAT};
pub use safe_name::safe_name;
pub use schema::schema;
pub use spelling::{loose, nearest};
pub use table::Table;
pub use unfinished::{NewFile, NewFolder, Twin, abandon, sync_folder};
