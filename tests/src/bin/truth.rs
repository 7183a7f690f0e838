//! Prints the table of figures against outside truth and of the project against itself, or the groups of it that are named.
#![allow(clippy::print_stdout, reason = "printing is what this program is for")]

use std::process::ExitCode;

use rostra_tests::truth::{GROUPS, Group, OWN, Row, Side};

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
    let is_wanted = |name: &str| named.is_empty() || named.iter().any(|n| n == name);
    let (own, outside): (Vec<&Group>, Vec<&Group>) =
        GROUPS.iter().filter(|(name, _)| is_wanted(name)).partition(|(name, _)| name.starts_with(OWN));
    let (mut held, mut told) = (0, 0);
    for (heading, groups) in
        [("Against outside truth", outside), ("The project compared with itself (own-...)", own)]
    {
        if groups.is_empty() {
            continue;
        }
        println!("{heading}:");
        let rows: Vec<Row> = groups.iter().flat_map(|(_, rows)| rows()).collect();
        rows.iter().for_each(print);
        let good = rows.iter().filter(|row| row.holds()).count();
        println!("{good} of {} figures hold\n", rows.len());
        held += good;
        told += rows.len();
    }
    println!("{held} of {told} figures hold in all");
    if held == told { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn print(row: &Row) {
    let Row { what, figure, bound, side, unit, source } = row;
    let verdict = if row.holds() { "ok" } else { "FAILS" };
    let held_against = match side {
        Side::AtMost => format!("<= {}", short(*bound)),
        Side::AtLeast => format!(">= {}", short(*bound)),
        Side::Told => "(told)".to_owned(),
    };
    println!("{verdict:5} {:>9} {held_against:9} {unit:7} {what}  [{source}]", short(*figure));
}

/// Writes a figure with four digits, small ones with an exponent.
fn short(figure: f64) -> String {
    if figure == 0.0 || figure.abs() >= 1e-3 { format!("{figure:.4}") } else { format!("{figure:.1e}") }
}
