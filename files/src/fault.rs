//! Why a file is not taken: one line that says where, what, and what to do.

use std::fmt;

/// Largest file that is read, bytes: a hundred times what all parameters take. Our choice.
pub const MOST_BYTES: u64 = 64 * 1024;
/// Most characters of a name; it is to fit into a list. Our choice.
pub const LONGEST_NAME: usize = 80;

/// Why a file is not taken.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// What the file is called.
    pub file: String,
    /// The line, counted from 1; `None` where the whole file is meant.
    pub line: Option<usize>,
    /// What is wrong.
    pub what: Box<What>,
}

impl fmt::Display for Fault {
    fn fmt(&self, out: &mut fmt::Formatter) -> fmt::Result {
        match self.line {
            Some(line) => write!(out, "{}, line {line}: {}", self.file, self.what),
            None => write!(out, "{}: {}", self.file, self.what),
        }
    }
}

impl std::error::Error for Fault {}

/// What is wrong with a file.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum What {
    /// It is not there.
    #[error("there is no such file; check the path")]
    Missing,
    /// A folder, a pipe, or something else that is not a file.
    #[error("is not a readable file; give the path of a TOML file")]
    NoFile,
    /// The system does not give it.
    #[error("cannot be read ({0}); check its permissions")]
    Unreadable(String),
    /// It is too big to be one of ours.
    #[error(
        "is larger than {MOST_BYTES} bytes; a file of this kind has a few lines, so check that it is the right one"
    )]
    TooBig,
    /// It is no text.
    #[error("is not UTF-8 text; save it as UTF-8")]
    NotUtf8,
    /// It is no TOML.
    #[error("is not valid TOML ({0}); write one \"id = value\" per line, with names in quotes")]
    NotToml(String),
    /// A key stands twice.
    #[error("{0} is set twice; delete one of the two lines")]
    Twice(String),
    /// No parameter of that id.
    #[error("there is no parameter \"{id}\"; {}", meant.as_ref().map_or_else(|| format!("a {kind} file may set: {}", known.join(", ")), |meant| format!("did you mean \"{meant}\"?")))]
    Unknown {
        /// The key as written.
        id: String,
        /// The kind of the file.
        kind: &'static str,
        /// The nearest known one.
        meant: Option<String>,
        /// Every known one.
        known: Vec<String>,
    },
    /// A parameter that files of another kind set.
    #[error("\"{id}\" does not belong in a {kind} file; put it in a {other} file")]
    OtherKind {
        /// The key as written.
        id: String,
        /// The kind of the file.
        kind: &'static str,
        /// The kind that may set it.
        other: &'static str,
    },
    /// A parameter that no file sets.
    #[error("\"{0}\" belongs to the session and cannot be set in a file; delete the line")]
    OfSession(String),
    /// A number out of range.
    #[error("{id} = {got} is out of range; write {allowed}")]
    OutOfRange {
        /// The parameter.
        id: String,
        /// What was written.
        got: String,
        /// What may be written.
        allowed: String,
    },
    /// A name that is not in the list.
    #[error("{id} cannot be \"{got}\"{}; write {allowed}", meant.as_ref().map_or_else(String::new, |meant| format!(" (did you mean \"{meant}\"?)")))]
    UnknownName {
        /// The parameter.
        id: String,
        /// What was written.
        got: String,
        /// The nearest known one.
        meant: Option<String>,
        /// What may be written.
        allowed: String,
    },
    /// A value of another type.
    #[error("{id} cannot be {got}; write {allowed}")]
    WrongType {
        /// The parameter.
        id: String,
        /// What was written, in words.
        got: String,
        /// What may be written.
        allowed: String,
    },
    /// A name or a note that is no text.
    #[error("{0} must be quoted text")]
    NoText(&'static str),
    /// A name that fits nowhere.
    #[error("the name has more than {LONGEST_NAME} characters; put the rest in the note")]
    LongName,
}
