//! Arrivals against image sources of reference libraries.
//!
//! `image_sources_order2.csv`: own script, cross-checked with pyroomacoustics
//! 0.10.1 and phonometry 3.3.0. `image_sources_order3.csv`: pyroomacoustics
//! 0.10.1 with the finishes' absorption per octave, made with
//! `tests/reference/image_sources.py`.

use rostra_dsp::acoustics::{ARRIVALS, Platform, Vector, images};
use rostra_tests::truth::reference_errors;

const ORDER_2: &str = include_str!("../data/image_sources_order2.csv");
const RATE_HZ: f64 = 48_000.0;
/// Bounds of the design: half a sample at 48 kHz, 0.1 dB.
const DELAY_BOUND_SAMPLES: f64 = 0.5;
const GAIN_BOUND_DB: f64 = 0.1;

/// Returns the numbers of a table, rows without comments and the heading.
fn numbers(table: &str) -> Vec<Vec<f64>> {
    let rows = table.lines().filter(|line| !line.starts_with('#')).skip(1);
    rows.map(|line| line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect()).collect()
}

#[test]
fn images_up_to_second_order_stand_where_the_reference_has_them() {
    let platform = Platform::default();
    let ours = images(Vector::new(-3.0, 9.0, 1.2), &platform);
    let receiver = Vector::new(0.0, 0.5, 3.0);
    let mut found = 0;
    for row in numbers(ORDER_2) {
        let hits_open_front = row[4];
        if hits_open_front > 0.0 {
            continue;
        }
        // The reference's axes: x from the left wall, y = 12 at the open front.
        let place = Vector::new(row[7] - 9.0, 12.0 - row[8], row[9]);
        let near = |image: &&rostra_dsp::acoustics::Image| (image.position - place).length() < 1e-6;
        let image = ours.iter().find(near).unwrap_or_else(|| panic!("no image at {place:?}"));
        let delay_samples = (image.position - receiver).length() / 343.0 * RATE_HZ;
        assert!(
            (delay_samples - row[12]).abs() < DELAY_BOUND_SAMPLES,
            "expected {} samples, got {delay_samples}",
            row[12]
        );
        assert_eq!(f64::from(image.order()), row[0], "order at {place:?}");
        // Left, right, rear, floor, canopy: the reference's x0, x18, y0, z0, z10.
        let [floor, canopy, rear, left, right] = image.hits.map(f64::from);
        assert_eq!([left, right, rear, floor, canopy], [row[1], row[2], row[3], row[5], row[6]]);
        let product = 0.9_f64.powf(f64::from(image.order()) / 2.0);
        assert!((product - row[13]).abs() < 1e-6, "expected {}, got {product}", row[13]);
        found += 1;
    }
    assert!(found >= 15, "the table was read: {found} images");
}

#[test]
fn delays_and_gains_up_to_third_order_are_those_of_the_reference() {
    let (samples, db) = reference_errors(1.9);
    eprintln!("worst of {ARRIVALS} arrivals: {samples:.2e} samples, {db:.2e} dB");
    assert!(samples < DELAY_BOUND_SAMPLES, "expected the reference's delays, off by {samples} samples");
    assert!(db < GAIN_BOUND_DB, "expected the reference's gains, off by {db} dB");
}

/// The control: a source 0.2 m higher breaks the comparison.
#[test]
fn another_height_is_noticed() {
    let (samples, _) = reference_errors(2.1);
    assert!(samples > DELAY_BOUND_SAMPLES, "off by {samples} samples only");
}
