//! The parameters that a kind of files may set.

use crate::field::{Field, Value};
use crate::kind::{KINDS, Kind};

/// The parameters that a kind of files may set, in the order in which they are written.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// The kind.
    pub kind: Kind,
    /// Its parameters.
    pub fields: Vec<Field>,
    /// Ids that a person might look for here in vain.
    pub elsewhere: Vec<Elsewhere>,
}

/// An id that is known but set somewhere else.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Elsewhere {
    /// The id.
    pub id: String,
    /// Ids that it had before.
    pub old_ids: Vec<String>,
    /// The kind of files that may set it; `None` for what belongs to a session.
    pub kind: Option<&'static str>,
}

impl Elsewhere {
    /// Says whether a key is its id, of today or of before.
    pub(crate) fn has_id(&self, id: &str) -> bool {
        self.id == id || self.old_ids.iter().any(|old| old == id)
    }
}

impl Table {
    /// Takes what a kind of files may set out of all parameters of a plug-in.
    pub fn of(kind: Kind, all: &[Field]) -> Self {
        let holds = |kind: &Kind, field: &Field| kind.groups.contains(&field.group.as_str());
        let (fields, others): (Vec<&Field>, Vec<&Field>) = all.iter().partition(|field| holds(&kind, field));
        let elsewhere = others.into_iter().map(|field| Elsewhere {
            id: field.id.clone(),
            old_ids: field.old_ids.clone(),
            kind: KINDS.iter().find(|other| holds(other, field)).map(|other| other.word),
        });
        Self { kind, elsewhere: elsewhere.collect(), fields: fields.into_iter().cloned().collect() }
    }

    /// Returns the parameter of an id, of today or of before.
    pub fn field(&self, id: &str) -> Option<&Field> {
        self.fields.iter().find(|field| field.has_id(id))
    }

    /// Writes a value of a parameter as it stands in a file; `None` where the table has no such value.
    pub fn written(&self, id: &str, value: Value) -> Option<String> {
        self.field(id)?.values.written(value)
    }
}
