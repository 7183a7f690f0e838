//! The quick groups of the table of figures against outside truth; `cargo xtask truth` prints all of it.

use rostra_tests::truth::{Row, direct_change_with_depth, own_density_of_tails};

fn assert_all_hold(rows: &[Row]) {
    assert!(!rows.is_empty());
    for row in rows {
        assert!(
            row.holds(),
            "{}: got {} {}, bound {} [{}]",
            row.what,
            row.figure,
            row.unit,
            row.bound,
            row.source
        );
    }
}

#[test]
fn the_tail_is_as_dense_as_noise() {
    assert_all_hold(&own_density_of_tails());
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
}
