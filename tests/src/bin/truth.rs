//! Prints the table of figures against outside truth, or the groups of it that are named.
#![allow(clippy::print_stdout, reason = "printing is what this program is for")]

use std::process::ExitCode;

use rostra_tests::truth::{GROUPS, Row, Side};

fn main() -> ExitCode {
    let named: Vec<String> = std::env::args().skip(1).collect();
    let unknown: Vec<&str> = named
        .iter()
        .map(String::as_str)
        .filter(|named| GROUPS.iter().all(|(name, _)| name != named))
        .collect();
    if !unknown.is_empty() {
        let groups: Vec<&str> = GROUPS.iter().map(|(name, _)| *name).collect();
        eprintln!("error: no group is called {}; the groups are {}", unknown.join(", "), groups.join(", "));
        return ExitCode::from(2);
    }
    let wanted = GROUPS.iter().filter(|(name, _)| named.is_empty() || named.iter().any(|n| n == name));
    let rows: Vec<Row> = wanted.flat_map(|(_, rows)| rows()).collect();
    for row in &rows {
        let Row { what, figure, bound, side, unit, source } = row;
        let verdict = if row.holds() { "ok" } else { "FAILS" };
        let held_against = match side {
            Side::AtMost => format!("<= {}", short(*bound)),
            Side::AtLeast => format!(">= {}", short(*bound)),
            Side::Told => "(told)".to_owned(),
        };
        println!("{verdict:5} {:>9} {held_against:8} {unit:7} {what}  [{source}]", short(*figure));
    }
    let failed = rows.iter().filter(|row| !row.holds()).count();
    println!("{} of {} figures hold", rows.len() - failed, rows.len());
    if failed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Writes a figure with four digits, small ones with an exponent.
fn short(figure: f64) -> String {
    if figure == 0.0 || figure.abs() >= 1e-3 { format!("{figure:.4}") } else { format!("{figure:.1e}") }
}
