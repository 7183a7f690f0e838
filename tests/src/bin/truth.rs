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
    let (mut held, mut short, mut told) = (0, 0, 0);
    for (heading, groups) in [
        ("Against outside truth, and what always has to hold", outside),
        ("The project compared with itself (own-...)", own),
    ] {
        if groups.is_empty() {
            continue;
        }
        println!("{heading}:");
        let (held_before, short_before, told_before) = (held, short, told);
        for (_, rows) in groups {
            let rows = rows();
            rows.iter().for_each(print);
            held += rows.iter().filter(|row| row.holds() && !row.falls_short()).count();
            short += rows.iter().filter(|row| row.holds() && row.falls_short()).count();
            told += rows.len();
        }
        let (held, short) = (held - held_before, short - short_before);
        println!("{held} of {} figures hold, {short} fall short\n", told - told_before);
    }
    println!("{held} of {told} figures hold in all, {short} are known to fall short");
    if held + short == told { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn print(row: &Row) {
    let Row { what, figure, bound, side, unit, source } = row;
    let verdict = match row.holds() {
        true if row.falls_short() => "SHORT",
        true => "ok",
        false => "FAILS",
    };
    let held_against = match side {
        Side::AtMost | Side::Short(_) => format!("<= {}", digits(*bound)),
        Side::AtLeast => format!(">= {}", digits(*bound)),
        Side::Told => "(told)".to_owned(),
    };
    println!("{verdict:5} {:>9} {held_against:9} {unit:7} {what}  [{source}]", digits(*figure));
}

/// Writes a figure with four digits, small ones with an exponent.
fn digits(figure: f64) -> String {
    if figure == 0.0 || figure.abs() >= 1e-3 { format!("{figure:.4}") } else { format!("{figure:.1e}") }
}
