//! The distance tone against the proximity rise of a close cardioid, which it takes out.
//!
//! # Source
//! Closed form of half pressure, half pressure gradient in a spherical wave
//! (textbooks on microphones), computed outside this project at c = 343 m/s; see
//! the head of the file.

use std::f64::consts::TAU;

use rostra_dsp::engine::{DistanceTone, TonePlan};
use rostra_dsp::extremes::larger;
use rostra_dsp::settings::Tone;

const RATES_HZ: [f64; 3] = [44_100.0, 48_000.0, 96_000.0];
/// Speed of sound of the reference, m/s.
const SPEED_M_S: f64 = 343.0;
/// Bound on rise and correction together, dB.
const BOUND_DB: f64 = 0.1;
/// Length over which the filter is heard out, s; its slowest corner is at 14 Hz.
const HEARD_OUT_S: f64 = 1.0;

/// Distance m, frequency Hz, rise of a gradient microphone dB, rise of a cardioid dB.
fn reference() -> Vec<[f64; 4]> {
    let rows: Vec<[f64; 4]> = include_str!("../data/proximity_rise.csv")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().expect("a number")).collect();
            cells.try_into().expect("four columns")
        })
        .collect();
    assert!(rows.len() >= 30, "got {}", rows.len());
    rows
}

/// Returns the level of the distance tone at a frequency, in dB, from its impulse response.
fn level_db(close_mic_m: f64, frequency_hz: f64, sample_rate_hz: f64) -> f64 {
    let tone = Tone { close_mic_m: Some(close_mic_m), ..Tone::default() };
    let mut response = vec![0.0_f32; (HEARD_OUT_S * sample_rate_hz) as usize];
    response[0] = 1.0;
    DistanceTone::new(&TonePlan::new(&tone, SPEED_M_S, sample_rate_hz)).process((0.0, 0.0), &mut response);
    let (re, im) = response.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, &h)| {
        let angle = TAU * frequency_hz / sample_rate_hz * n as f64;
        (re + f64::from(h) * angle.cos(), im - f64::from(h) * angle.sin())
    });
    20.0 * f64::hypot(re, im).log10()
}

#[test]
fn a_close_cardioid_comes_out_flat() {
    let mut worst_db = 0.0_f64;
    let mut largest_rise_db = 0.0_f64;
    for rate_hz in RATES_HZ {
        for [distance_m, hz, _, rise_db] in reference() {
            let flat_db = rise_db + level_db(distance_m, hz, rate_hz);
            worst_db = larger(worst_db, flat_db.abs());
            largest_rise_db = larger(largest_rise_db, rise_db);
            assert!(
                flat_db.abs() <= BOUND_DB,
                "{distance_m} m, {hz} Hz, at {rate_hz} Hz: expected {} dB, missed by {flat_db} dB",
                -rise_db
            );
        }
    }
    assert!(largest_rise_db > 20.0, "the rises are trivially small: {largest_rise_db} dB");
    eprintln!("worst: {worst_db:.4} dB of {largest_rise_db:.1} dB");
}

#[test]
fn another_distance_or_a_gradient_microphone_does_not() {
    for [distance_m, hz, gradient_db, rise_db] in reference() {
        if rise_db > 1.0 {
            let moved_db = rise_db + level_db(1.2 * distance_m, hz, 48_000.0);
            assert!(moved_db > BOUND_DB, "{distance_m} m, {hz} Hz: {moved_db} dB");
            let gradient_left_db = gradient_db + level_db(distance_m, hz, 48_000.0);
            assert!(gradient_left_db > BOUND_DB, "{distance_m} m, {hz} Hz: {gradient_left_db} dB");
        }
    }
}
