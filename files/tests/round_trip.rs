//! What is written reads back the same, whatever the parameters are.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;
use rostra_files::{Contents, Entry, Field, SEAT, Table, Value, Values};

/// A number on its grid, or a name of a list.
fn field() -> impl Strategy<Value = (Values, Value)> {
    let numbers = (-1000_i32..1000, 1_i32..2000, 0_usize..4, any::<bool>(), 0.0..=1.0_f64).prop_map(
        |(low, span, decimals, has_top, share)| {
            let steps = 10_f64.powi(decimals as i32);
            let range = (f64::from(low) / steps, f64::from(low + span) / steps);
            let number = (f64::from(low) + (f64::from(span) * share).round()) / steps;
            let top = has_top.then(|| "off".to_owned());
            (Values::Numbers { range, decimals, unit: "m".into(), top }, Value::Number(number))
        },
    );
    let names = (2_usize..9, any::<prop::sample::Index>()).prop_map(|(count, at)| {
        let names = (0..count).map(|entry| format!("entry \"{entry}\" \\ é")).collect();
        (Values::Names(names), Value::Name(at.index(count)))
    });
    prop_oneof![numbers, names]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(500) })]

    #[test]
    fn what_is_written_reads_back(
        fields in prop::collection::vec(field(), 0..20),
        name in prop::option::of(".{0,80}"),
        note in prop::option::of("(?s).{0,200}"),
    ) {
        let id = |at: usize| format!("p_{at}");
        let (all, entries): (Vec<Field>, Vec<Entry>) = fields
            .into_iter()
            .enumerate()
            .map(|(at, (values, value))| {
                let field = Field::new(&id(at), &id(at), "Seat", values);
                (field, Entry { id: id(at), value, line: 0 })
            })
            .unzip();
        let table = Table::of(SEAT, &all);
        let contents = Contents { name, note, entries };
        let text = contents.text(&table);
        let mut back = Contents::parse(text.as_bytes(), "back.toml", &table).unwrap();
        for entry in &mut back.entries {
            entry.line = 0;
        }
        prop_assert_eq!(back, contents, "{}", text);
    }

    #[test]
    fn any_bytes_are_read_or_refused_in_a_line(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        if let Err(fault) = Contents::parse(&bytes, "x.toml", &Table::of(SEAT, &[])) {
            let said = fault.to_string();
            prop_assert!(said.starts_with("x.toml") && !said.contains('\n'), "{}", said);
        }
    }
}
