//! Prints the table of figures against outside truth.
#![allow(clippy::print_stdout, reason = "printing is what this program is for")]

use std::process::ExitCode;

use rostra_tests::truth::{Row, Side, table};

fn main() -> ExitCode {
    let rows = table();
    for row in &rows {
        let Row { what, figure, bound, side, unit, source } = row;
        let side = if *side == Side::AtMost { "<=" } else { ">=" };
        let verdict = if row.holds() { "ok" } else { "FAILS" };
        println!("{verdict:5} {figure:9.4} {side} {bound:<6} {unit:7} {what}  [{source}]");
    }
    let failed = rows.iter().filter(|row| !row.holds()).count();
    println!("{} of {} figures hold", rows.len() - failed, rows.len());
    if failed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
