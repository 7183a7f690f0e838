//! Time and level differences of the stereo pairs against plain geometry.
//!
//! # Source
//! The arrangements: ORTF (17 cm, 110 degrees, cardioids), A-B (50 cm, omnis),
//! X-Y (90 degrees, cardioids); the differences, for a source 5 m from the
//! middle of the pair, computed outside this project; see the head of the file.

use rostra_dsp::acoustics::{Pair, Vector};
use rostra_dsp::extremes::larger;

/// Distance of the source from the middle of the pair, m.
const DISTANCE_M: f64 = 5.0;
/// Speed of sound of the reference, m/s.
const SPEED_M_S: f64 = 343.0;
/// Bound of the time differences, s.
const BOUND_S: f64 = 5e-6;
/// Bound of the level differences, dB.
const BOUND_DB: f64 = 0.1;

/// Bearing in degrees, then time (ms) and level (dB) of the three pairs.
fn reference() -> Vec<[f64; 7]> {
    let rows: Vec<[f64; 7]> = include_str!("../data/stereo_pairs.csv")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().expect("a number")).collect();
            cells.try_into().expect("seven columns")
        })
        .collect();
    assert_eq!(rows.len(), 12);
    rows
}

/// Returns by how many seconds and decibels the right capsule leads the left, 1/r included.
fn lead_of_the_right(pair: Pair, bearing_deg: f64) -> (f64, f64) {
    let bearing = bearing_deg.to_radians();
    let source = Vector::new(bearing.sin(), bearing.cos(), 0.0) * DISTANCE_M;
    let [left, right] = pair.capsules().map(|capsule| {
        let path = source - capsule.offset;
        (path.length() / SPEED_M_S, capsule.gain(path.unit()) / path.length())
    });
    (left.0 - right.0, 20.0 * (right.1 / left.1).log10())
}

const COLUMNS: [(Pair, usize); 3] =
    [(Pair::NearCoincident, 1), (Pair::SpacedOmnis, 3), (Pair::Coincident, 5)];

#[test]
fn every_pair_has_the_differences_of_its_geometry() {
    let (mut worst_s, mut worst_db) = (0.0_f64, 0.0_f64);
    for row in reference() {
        for (pair, column) in COLUMNS {
            let (expected_s, expected_db) = (row[column] * 1e-3, row[column + 1]);
            for side in [1.0, -1.0] {
                let (got_s, got_db) = lead_of_the_right(pair, side * row[0]);
                let (error_s, error_db) =
                    ((got_s - side * expected_s).abs(), (got_db - side * expected_db).abs());
                worst_s = larger(worst_s, error_s);
                worst_db = larger(worst_db, error_db);
                assert!(error_s <= BOUND_S, "{pair:?} at {}: expected {expected_s}, got {got_s}", row[0]);
                assert!(error_db <= BOUND_DB, "{pair:?} at {}: expected {expected_db}, got {got_db}", row[0]);
            }
            if row[0] >= 10.0 {
                assert!(
                    expected_s.abs() > BOUND_S || pair == Pair::Coincident,
                    "trivially small at {}",
                    row[0]
                );
                assert!(expected_db.abs() > BOUND_DB, "trivially small at {}", row[0]);
            }
        }
    }
    eprintln!("worst: {:.4} us, {worst_db:.1e} dB", worst_s * 1e6);
}

#[test]
fn another_pair_breaks_the_differences() {
    for row in reference().iter().filter(|row| row[0] >= 10.0) {
        for (pair, column) in COLUMNS {
            let (expected_s, expected_db) = (row[column] * 1e-3, row[column + 1]);
            for other in Pair::ALL.into_iter().filter(|&other| other != pair) {
                let (got_s, got_db) = lead_of_the_right(other, row[0]);
                assert!(
                    (got_s - expected_s).abs() > BOUND_S || (got_db - expected_db).abs() > BOUND_DB,
                    "{other:?} passes for {pair:?} at {} degrees",
                    row[0]
                );
            }
        }
    }
}
