//! A JSON schema of a kind of files, for editors and other programs.

use serde::ser::{Serialize, SerializeMap as _, Serializer};
use serde_json::{Value as Json, json};

use crate::fault::LONGEST_NAME;
use crate::field::{Field, Values};
use crate::table::Table;

/// Writes the schema of a kind of files, JSON Schema draft 2020-12, indented.
///
/// It takes no file that [`crate::Contents::parse`] refuses. The reader takes a
/// little more: names of lists in other letters or with hyphens.
///
/// # Source
/// JSON Schema: A Media Type for Describing JSON Documents, and its
/// Validation vocabulary, draft 2020-12.
pub fn schema(table: &Table) -> String {
    let own = [
        (
            "name",
            json!({ "description": "The name shown to the user.", "type": "string", "maxLength": LONGEST_NAME }),
        ),
        ("note", json!({ "description": "A note for the reader.", "type": "string" })),
    ];
    let fields = table.fields.iter().map(|field| (field.id.as_str(), property(field)));
    let word = table.kind.word;
    let members = Members(vec![
        ("$schema", Member::Value(json!("https://json-schema.org/draft/2020-12/schema"))),
        ("title", Member::Value(json!(format!("Rostra {word} file")))),
        (
            "description",
            Member::Value(json!(format!(
                "A {word} as TOML: keys are parameter ids. A file changes only the values it names."
            ))),
        ),
        ("type", Member::Value(json!("object"))),
        (
            "properties",
            Member::Members(Members(
                own.into_iter().chain(fields).map(|(key, value)| (key, Member::Value(value))).collect(),
            )),
        ),
        ("additionalProperties", Member::Value(json!(false))),
    ]);
    // PANIC: text keys and plain values always have a JSON form.
    serde_json::to_string_pretty(&members).expect("a schema has a JSON form") + "\n"
}

fn property(field: &Field) -> Json {
    let Field { name, values, .. } = field;
    match values {
        Values::Numbers { range: (low, high), unit, top, .. } => {
            let unit = if unit.is_empty() { String::new() } else { format!(", {unit}") };
            let description = format!("{name}{unit}");
            match top {
                None => {
                    json!({ "description": description, "type": "number", "minimum": low, "maximum": high })
                }
                Some(word) => json!({
                    "description": description,
                    "anyOf": [{ "type": "number", "minimum": low, "maximum": high }, { "const": word }],
                }),
            }
        }
        Values::Names(names) => json!({ "description": name, "enum": names }),
    }
}

/// Members of an object in the order in which they are given, whatever the library's maps do.
struct Members<'a>(Vec<(&'a str, Member<'a>)>);

enum Member<'a> {
    Value(Json),
    Members(Members<'a>),
}

impl Serialize for Members<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (key, member) in &self.0 {
            match member {
                Member::Value(value) => map.serialize_entry(key, value)?,
                Member::Members(members) => map.serialize_entry(key, members)?,
            }
        }
        map.end()
    }
}
