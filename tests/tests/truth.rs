//! The quickest groups of the table of truth; `cargo xtask truth` prints all of it, and `cargo xtask test` runs that.

use rostra_tests::truth::{Row, bells, direct_change_with_depth, string_hemispheres};

fn assert_all_hold(rows: &[Row]) {
    assert!(!rows.is_empty());
    let faults: Vec<String> = rows
        .iter()
        .filter(|row| !row.holds())
        .map(|row| {
            format!("{}: got {} {}, bound {} [{}]", row.what, row.figure, row.unit, row.bound, row.source)
        })
        .collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn bells_radiate_off_their_axis_as_open_pipes_do() {
    assert_all_hold(&bells());
}

#[test]
fn strings_send_as_much_behind_them_as_measured_violins() {
    assert_all_hold(&string_hemispheres());
}

#[test]
fn the_direct_sound_darkens_as_the_air_does() {
    assert_all_hold(&direct_change_with_depth());
}

/// The control: a figure on the wrong side, or no figure, does not hold.
#[test]
fn a_figure_past_its_bound_does_not_hold() {
    assert!(!Row::at_most("control", 1.1, 1.0, "dB", "none").holds());
    assert!(!Row::at_least("control", 0.8, 0.9, "", "none").holds());
    assert!(!Row::at_most("control", f64::NAN, 1.0, "dB", "none").holds());
    let short = |figure: f64| Row::short("control", figure, (1.0, 1.5), "dB", "none");
    assert!(short(1.4).holds() && short(1.4).falls_short());
    assert!(!short(1.6).holds() && !short(f64::NAN).holds());
    assert!(short(0.9).holds() && !short(0.9).falls_short());
}
