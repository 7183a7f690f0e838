//! Octave-band filters against IEC 61260-1:2014, class 1.
//!
//! # Source
//! Table 1 of the standard as transcribed in the open-source library phonometry;
//! see the head of the file. Relative attenuation is that against the exact
//! midband (clause 5.9); limits between rows are linear in log f (formula 11).

use std::f64::consts::TAU;

use rostra_dsp::acoustics::{NOMINAL_HZ, OCTAVE_RATIO, bands_at_rate, exact_midband_hz};
use rostra_dsp::measure::OctaveFilter;

const RATES_HZ: [f64; 13] = [
    8_000.0, 11_025.0, 16_000.0, 22_050.0, 24_000.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0,
    192_000.0, 384_000.0, 768_000.0,
];
/// Steps of the grid per octave, fine enough for the slopes of class 1.
const STEPS_PER_OCTAVE: i32 = 64;
/// Octaves above and below the midband that are looked at; the table ends at 4.
const OCTAVES: i32 = 6;

struct Limit {
    exponent: f64,
    outside: bool,
    least_db: f64,
    most_db: f64,
}

fn table() -> Vec<Limit> {
    let limits: Vec<Limit> = include_str!("../data/iec61260_1_table1.csv")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            Limit {
                exponent: cells[0].parse().expect("a number"),
                outside: cells[1] == "outside",
                least_db: cells[2].parse().expect("a number"),
                most_db: cells[3].parse().unwrap_or(f64::INFINITY),
            }
        })
        .collect();
    assert_eq!(limits.len(), 10);
    limits
}

/// Returns the limits at f/fm = G^exponent, linear in log f between the rows of the table.
fn limits_at(table: &[Limit], exponent: f64, outside: bool) -> (f64, f64) {
    let distance = exponent.abs();
    let rows: Vec<&Limit> = table.iter().filter(|row| row.outside == outside).collect();
    let above = rows.iter().position(|row| row.exponent >= distance).unwrap_or(rows.len() - 1);
    let (a, b) = (rows[above.saturating_sub(1)], rows[above]);
    let share = if b.exponent > a.exponent {
        ((distance - a.exponent) / (b.exponent - a.exponent)).min(1.0)
    } else {
        0.0
    };
    let between = |a: f64, b: f64| if a == b { a } else { a + share * (b - a) };
    (between(a.least_db, b.least_db), between(a.most_db, b.most_db))
}

/// Returns exponents x of f/fm = G^x and on which side of the band edge they are judged.
fn grid() -> Vec<(f64, bool)> {
    (-OCTAVES * STEPS_PER_OCTAVE..=OCTAVES * STEPS_PER_OCTAVE)
        .flat_map(|step| {
            let exponent = f64::from(step) / f64::from(STEPS_PER_OCTAVE);
            let distance = exponent.abs();
            [(exponent, false), (exponent, true)]
                .into_iter()
                .filter(move |&(_, outside)| if outside { distance >= 0.5 } else { distance <= 0.5 })
        })
        .collect()
}

/// Returns the least room to a limit, dB, negative where one is broken, and the exponent at which it is met.
fn room_db(gain_at: impl Fn(f64) -> f64, midband_hz: f64, sample_rate_hz: f64) -> (f64, f64) {
    let table = table();
    let reference_db = 20.0 * gain_at(midband_hz).log10();
    grid()
        .into_iter()
        .filter(|&(exponent, _)| midband_hz * OCTAVE_RATIO.powf(exponent) < sample_rate_hz / 2.0)
        .map(|(exponent, outside)| {
            let hz = midband_hz * OCTAVE_RATIO.powf(exponent);
            let attenuation_db = reference_db - 20.0 * gain_at(hz).log10();
            let (least_db, most_db) = limits_at(&table, exponent, outside);
            ((attenuation_db - least_db).min(most_db - attenuation_db), exponent)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .expect("the grid is not empty")
}

#[test]
fn limits_are_read_as_the_standard_means_them() {
    let table = table();
    assert_eq!(limits_at(&table, 0.0, false), (-0.4, 0.4));
    assert_eq!(limits_at(&table, -0.5, false), (-0.4, 5.3));
    assert_eq!(limits_at(&table, 0.5, true), (1.2, f64::INFINITY));
    assert_eq!(limits_at(&table, 1.5, true), (28.55, f64::INFINITY));
    assert_eq!(limits_at(&table, -6.0, true), (70.0, f64::INFINITY));
}

#[test]
fn every_band_at_every_rate_is_class_1() {
    for rate_hz in RATES_HZ {
        for (band, nominal_hz) in NOMINAL_HZ.iter().enumerate().take(bands_at_rate(rate_hz)) {
            let filter = OctaveFilter::new(band, rate_hz).expect("the band fits");
            let (room, exponent) = room_db(|hz| filter.gain_at(hz), exact_midband_hz(band), rate_hz);
            eprintln!("{rate_hz} Hz, {nominal_hz} Hz: {room:+.3} dB at G^{exponent}");
            assert!(room >= 0.0, "{rate_hz} Hz, band {band}: {room} dB at G^{exponent}");
            assert!(
                (filter.gain_at(exact_midband_hz(band)) - 1.0).abs() < 1e-3,
                "the filter must pass sound"
            );
        }
    }
}

#[test]
fn what_the_filter_does_to_a_signal_is_class_1_too() {
    for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
        for band in 0..bands_at_rate(rate_hz) {
            let midband_hz = exact_midband_hz(band);
            let filter = OctaveFilter::new(band, rate_hz).expect("the band fits");
            // The filter rings for some tens of periods of its band.
            let mut impulse = vec![0.0; (60.0 * rate_hz / midband_hz) as usize];
            impulse[0] = 1.0;
            let response = filter.filter(&impulse);
            let gain_at = |hz: f64| {
                let (re, im) = response.iter().enumerate().fold((0.0, 0.0), |(re, im), (k, h)| {
                    let angle = TAU * hz / rate_hz * k as f64;
                    (re + h * angle.cos(), im - h * angle.sin())
                });
                f64::hypot(re, im)
            };
            for exponent in [-4.0, -3.0, -2.0, -1.0, -0.5, -0.375, -0.25, -0.125, 0.0, 0.25, 0.5, 1.0, 2.0] {
                let hz = midband_hz * OCTAVE_RATIO.powf(exponent);
                if hz < rate_hz / 2.0 {
                    let (expected, got) = (filter.gain_at(hz), gain_at(hz));
                    assert!((got - expected).abs() < 1e-6, "{hz} Hz: expected {expected}, got {got}");
                }
            }
        }
    }
}

#[test]
fn a_neighbouring_band_or_another_rate_is_not_class_1() {
    let rate_hz = 48_000.0;
    for band in 0..bands_at_rate(rate_hz) {
        let filter = OctaveFilter::new(band, rate_hz).expect("the band fits");
        let neighbour = if band == 0 { 1 } else { band - 1 };
        let (room, _) = room_db(|hz| filter.gain_at(hz), exact_midband_hz(neighbour), rate_hz);
        assert!(room < -10.0, "band {band} as its neighbour: {room} dB");
        let (room, _) = room_db(|hz| filter.gain_at(hz * 48.0 / 44.1), exact_midband_hz(band), 44_100.0);
        assert!(room < 0.0, "band {band} run at 44.1 kHz: {room} dB");
    }
}
