//! Air absorption against ISO 9613-1:1993.
//!
//! # Source
//! Cells of table 1 as transcribed in the open-source library phonometry, and
//! the standard's equations in five climates as computed outside this project,
//! by pyfar 0.8.1 and by acoustic-toolbox 0.2.2; see the heads of the files.

use rostra_dsp::acoustics::{Air, pure_tone_attenuation_db_per_m};
use rostra_dsp::extremes::larger;

/// Bound: half of the last printed digit; the table prints three digits.
const LAST_DIGITS: f64 = 0.5;
/// Bound against libraries of the same equations, relative (rounding alone).
const SAME_EQUATIONS: f64 = 1e-9;

fn rows(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().expect("a number")).collect())
        .collect()
}

/// Returns by how many units of its third digit `got` misses a printed value.
fn miss_in_last_digits(printed: f64, got: f64) -> f64 {
    (got - printed).abs() / 10_f64.powf(printed.log10().floor() - 2.0)
}

fn table_cells() -> Vec<Vec<f64>> {
    rows(include_str!("../data/iso9613_1_table1.csv"))
}

#[test]
fn every_printed_cell_is_met_to_half_its_last_digit() {
    let cells = table_cells();
    assert_eq!(cells.len(), 35);
    let mut worst = 0.0_f64;
    for cell in cells {
        let [temperature_c, humidity_pct, nominal_hz, exact_hz, printed] = cell[..] else {
            panic!("five columns, got {cell:?}");
        };
        let got = 1000.0 * pure_tone_attenuation_db_per_m(exact_hz, temperature_c, humidity_pct);
        let miss = miss_in_last_digits(printed, got);
        worst = larger(worst, miss);
        assert!(printed > 0.1 && got > 0.1, "neither may be trivially small: {printed}, {got}");
        assert!(
            miss <= LAST_DIGITS,
            "{temperature_c} C, {humidity_pct} %, {nominal_hz} Hz: expected {printed}, got {got}, {miss} digits off"
        );
    }
    eprintln!("worst cell: {worst:.3} of the last digit");
}

#[test]
fn another_climate_breaks_the_table() {
    let cells = table_cells();
    for (warmer_c, wetter_pct) in [(2.0, 0.0), (0.0, 3.0)] {
        let missed = cells
            .iter()
            .filter(|cell| {
                let got = 1000.0
                    * pure_tone_attenuation_db_per_m(cell[3], cell[0] + warmer_c, cell[1] + wetter_pct);
                miss_in_last_digits(cell[4], got) > LAST_DIGITS
            })
            .count();
        assert!(missed > 30, "{warmer_c} C, {wetter_pct} %: only {missed} of 35 cells noticed");
    }
}

#[test]
fn five_climates_agree_with_two_libraries() {
    let climates = rows(include_str!("../data/iso9613_1_climates.csv"));
    assert_eq!(climates.len(), 5 * 9);
    let mut worst = 0.0_f64;
    for row in climates {
        let [temperature_c, humidity_pct, nominal_hz, exact_hz, ref references @ ..] = row[..] else {
            panic!("at least four columns, got {row:?}");
        };
        let air = Air { temperature_c, humidity_pct, loss: 1.0 };
        let at_nominal = 1000.0 * air.attenuation_db_per_m(nominal_hz);
        let at_exact = 1000.0 * air.attenuation_db_per_m(exact_hz);
        let [own_nominal, own_exact, pyfar, acoustic_toolbox] = references[..] else {
            panic!("four references, got {references:?}");
        };
        for (expected, got) in [
            (own_nominal, at_nominal),
            (own_exact, at_exact),
            (pyfar, at_nominal),
            (acoustic_toolbox, at_nominal),
        ] {
            let error = (got / expected - 1.0).abs();
            worst = larger(worst, error);
            assert!(expected > 0.01, "trivially small: {expected}");
            assert!(error <= SAME_EQUATIONS, "{row:?}: expected {expected}, got {got}");
        }
        let doubled = Air { loss: 2.0, ..air }.attenuation_db_per_m(nominal_hz) * 1000.0;
        assert!((doubled / pyfar - 2.0).abs() < SAME_EQUATIONS, "the multiplier must be heard: {doubled}");
    }
    eprintln!("worst of five climates: {worst:.1e} relative");
}
