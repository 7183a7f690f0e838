//! The quick groups of the table of truth; `cargo xtask truth` prints all of it.

use rostra_tests::truth::{
    Row, bells, direct_change_with_depth, measured_halls, own_density_of_tails, seat_tails, stage_support,
    string_hemispheres, traced_energy,
};

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
fn the_platforms_energy_comes_when_traced_rays_come() {
    assert_all_hold(&traced_energy());
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
fn a_player_hears_as_much_of_the_stage_as_on_measured_ones() {
    assert_all_hold(&stage_support());
}

#[test]
fn the_hall_can_be_set_to_measured_halls() {
    assert_all_hold(&measured_halls());
}

#[test]
fn two_seats_have_not_one_tail() {
    assert_all_hold(&seat_tails());
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
