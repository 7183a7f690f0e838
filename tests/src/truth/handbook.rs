//! Closed forms and printed tables: air, directivity, stereo pairs.

use std::f64::consts::PI;

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{BANDS, Family, Pair, Pattern, exact_midband_hz, pure_tone_attenuation_db_per_m};
use rostra_dsp::engine::{Config, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::measure::{Take, impulse_response};

use super::Row;

const TABLE: &str = include_str!("../../data/iso9613_1_table1.csv");
const RATE_HZ: f64 = 48_000.0;

/// Air absorption against the printed cells of ISO 9613-1, in units of their last digit.
pub fn air_absorption() -> Vec<Row> {
    let mut worst = 0.0_f64;
    let mut cells = 0;
    for line in TABLE.lines().filter(|line| !line.starts_with('#')).skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let number = |index: usize| fields[index].parse::<f64>().expect("the table holds numbers");
        let got = 1000.0 * pure_tone_attenuation_db_per_m(number(3), number(0), number(1));
        // Three digits are printed, trailing zeros left out of the table's copy.
        let last_digit = 10_f64.powf(number(4).log10().floor() - 2.0);
        worst = larger(worst, (got - number(4)).abs() / last_digit);
        cells += 1;
    }
    assert!(cells >= 30, "the table was read");
    vec![Row::at_most(
        "air absorption, worst of the printed cells",
        worst,
        0.5,
        "digit",
        "ISO 9613-1:1993, table 1",
    )]
}

/// Returns a pattern's directivity factor by integration over the sphere.
fn factor_of(pattern: &Pattern) -> f64 {
    const STEPS: usize = 20_000;
    let mean: f64 = (0..STEPS)
        .map(|step| pattern.gain((step as f64 + 0.5) / STEPS as f64 * 2.0 - 1.0).powi(2))
        .sum::<f64>()
        / STEPS as f64;
    1.0 / mean
}

/// Directivity factor of the cardioid by integration over the sphere.
pub fn directivity_factor() -> Vec<Row> {
    let cardioid = factor_of(&Pattern { exponent: 1.0, leak: 0.0 });
    vec![Row::at_most(
        "directivity factor of the cardioid against 3",
        (10.0 * (cardioid / 3.0).log10()).abs(),
        0.01,
        "dB",
        "closed form",
    )]
}

/// Directivity factor of each family's patterns by integration over the sphere, against what they were made from.
pub fn own_directivity_factor() -> Vec<Row> {
    let mut worst = 0.0_f64;
    for family in Family::ALL {
        for (pattern, expected) in family.patterns().iter().zip(family.directivity_factor()) {
            worst = larger(worst, (10.0 * (factor_of(pattern) / expected).log10()).abs());
        }
    }
    vec![Row::at_most(
        "directivity factor of all families, worst",
        worst,
        0.01,
        "dB",
        "the family's own factor, by the integral over the sphere",
    )]
}

/// Time and level differences of the rendered direct sound, 250 Hz to 8 kHz, against geometry.
pub fn microphone_differences() -> Vec<Row> {
    let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
    let (mut worst_us, mut worst_db) = (0.0_f64, 0.0_f64);
    for pair in Pair::ALL {
        for bearing_deg in [-60.0, -30.0, -10.0, 5.0, 20.0, 45.0] {
            let mut settings = Settings::default();
            settings.microphones.pair = pair;
            settings.seat.bearing_deg = bearing_deg;
            settings.level.balance_pct = 0.0;
            let response =
                impulse_response(&config, &settings, &Take::of(8192)).expect("the rate is in range");
            let source = settings.seat.source(&settings.platform, &settings.microphones).position;
            let [left, right] = pair.capsules().map(|capsule| {
                let towards = source - (settings.microphones.position() + capsule.offset);
                (towards.length(), capsule.gain(towards.unit()) / towards.length())
            });
            let speed = settings.platform.air.speed_of_sound_m_s();
            let (expected_s, expected_db) = ((right.0 - left.0) / speed, 20.0 * (right.1 / left.1).log10());
            for band in 1..BANDS {
                let hz = exact_midband_hz(band);
                let [l, r] = [&response[0], &response[1]].map(|channel| spectrum_at(channel, hz));
                // Phase of right against left, near the expected one so that whole turns do not matter.
                let (re, im) = (r.0 * l.0 + r.1 * l.1, r.1 * l.0 - r.0 * l.1);
                let off = -im.atan2(re) - 2.0 * PI * hz * expected_s;
                let off = off - 2.0 * PI * (off / (2.0 * PI)).round();
                worst_us = larger(worst_us, (off / (2.0 * PI * hz) * 1e6).abs());
                let got_db = 10.0 * ((r.0 * r.0 + r.1 * r.1) / (l.0 * l.0 + l.1 * l.1)).log10();
                worst_db = larger(worst_db, (got_db - expected_db).abs());
            }
        }
    }
    vec![
        Row::at_most("microphones' time difference as rendered, worst", worst_us, 5.0, "us", "geometry"),
        Row::at_most("microphones' level difference as rendered, worst", worst_db, 0.1, "dB", "geometry"),
    ]
}

fn spectrum_at(samples: &[f32], hz: f64) -> (f64, f64) {
    samples.iter().enumerate().fold((0.0, 0.0), |sum, (n, &x)| {
        let (sin, cos) = (-2.0 * PI * hz * n as f64 / RATE_HZ).sin_cos();
        (sum.0 + f64::from(x) * cos, sum.1 + f64::from(x) * sin)
    })
}
