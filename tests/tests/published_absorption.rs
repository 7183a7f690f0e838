//! Absorption and statistical decays against published material data and a reference table.

use std::f64::consts::{LN_10, LOG10_E};

use rostra_dsp::acoustics::{Air, BANDS, Finish, PerBand, Platform, mid_mean, norris_eyring_decay_s};

/// A row of the published table; the eighth kilohertz is missing where the source ends at 4 kHz.
struct PublishedRow {
    finish: Finish,
    row: &'static str,
    alpha_to_4_khz: [f64; 6],
    alpha_at_8_khz: Option<f64>,
}

/// # Source
/// M. Vorlaender, Auralization (Springer, 2008), appendix on material data, as
/// transcribed in pyroomacoustics 0.10.1, `data/materials.json`; copied from
/// that file row by row, not from this project's code.
const PUBLISHED: [PublishedRow; 9] = [
    PublishedRow {
        finish: Finish::TimberPlatform,
        row: "stage_floor",
        alpha_to_4_khz: [0.1, 0.07, 0.06, 0.06, 0.06, 0.06],
        alpha_at_8_khz: None,
    },
    PublishedRow {
        finish: Finish::Timber,
        row: "wood_16mm",
        alpha_to_4_khz: [0.18, 0.12, 0.1, 0.09, 0.08, 0.07],
        alpha_at_8_khz: Some(0.07),
    },
    PublishedRow {
        finish: Finish::Plasterboard,
        row: "ceiling_plasterboard",
        alpha_to_4_khz: [0.2, 0.15, 0.1, 0.08, 0.04, 0.02],
        alpha_at_8_khz: None,
    },
    PublishedRow {
        finish: Finish::Plaster,
        row: "brickwork",
        alpha_to_4_khz: [0.01, 0.02, 0.02, 0.03, 0.03, 0.04],
        alpha_at_8_khz: Some(0.04),
    },
    PublishedRow {
        finish: Finish::Brick,
        row: "smooth_brickwork_10mm_pointing",
        alpha_to_4_khz: [0.08, 0.09, 0.12, 0.16, 0.22, 0.24],
        alpha_at_8_khz: Some(0.24),
    },
    PublishedRow {
        finish: Finish::Concrete,
        row: "unpainted_concrete",
        alpha_to_4_khz: [0.01, 0.01, 0.02, 0.02, 0.02, 0.05],
        alpha_at_8_khz: Some(0.05),
    },
    PublishedRow {
        finish: Finish::Carpet,
        row: "carpet_tufted_9m",
        alpha_to_4_khz: [0.08, 0.08, 0.3, 0.6, 0.75, 0.8],
        alpha_at_8_khz: Some(0.8),
    },
    PublishedRow {
        finish: Finish::Curtain,
        row: "curtains_cotton_0.5",
        alpha_to_4_khz: [0.3, 0.45, 0.65, 0.56, 0.59, 0.71],
        alpha_at_8_khz: Some(0.71),
    },
    PublishedRow {
        finish: Finish::MineralWool,
        row: "mineral_wool_50mm_40kgm3",
        alpha_to_4_khz: [0.15, 0.7, 0.6, 0.6, 0.85, 0.9],
        alpha_at_8_khz: Some(0.9),
    },
];

/// Speed of sound at which the reference table was computed, m/s (its header).
const REFERENCE_SPEED_M_S: f64 = 343.0;
/// Relative agreement of two evaluations of one closed form in `f64`.
const SAME_FORMULA: f64 = 1e-9;
/// The room of the reference table that has the default platform's size, finishes and open front.
const OPEN_PLATFORM: &str = "R1_platform_18x12x10_open_front";

/// One line of the reference table.
struct ReferenceDecay {
    room: &'static str,
    volume_m3: f64,
    surface_m2: f64,
    frequency_hz: f64,
    mean_absorption: f64,
    air_nepers_per_m: f64,
    sabine_s: f64,
    sabine_with_air_s: f64,
    eyring_s: f64,
    eyring_with_air_s: f64,
}

/// Reads `tests/data/c_rt60.csv`, whose header names its source.
fn reference_decays() -> Vec<ReferenceDecay> {
    let lines = include_str!("../data/c_rt60.csv").lines();
    let rows: Vec<ReferenceDecay> = lines
        .filter(|line| !line.starts_with('#') && !line.starts_with("room,"))
        .map(|line| {
            let (room, rest) = line.split_once(',').expect("a room and its figures");
            let numbers: Vec<f64> = rest.split(',').map(|cell| cell.parse().expect("a number")).collect();
            ReferenceDecay {
                room,
                volume_m3: numbers[0],
                surface_m2: numbers[1],
                frequency_hz: numbers[2],
                mean_absorption: numbers[3],
                air_nepers_per_m: numbers[4],
                sabine_s: numbers[5],
                sabine_with_air_s: numbers[6],
                eyring_s: numbers[7],
                eyring_with_air_s: numbers[8],
            }
        })
        .collect();
    assert_eq!(rows.len(), 18, "three rooms of six octaves");
    rows
}

/// The six lines of the room that is the default platform, 125 Hz first.
fn open_platform() -> Vec<ReferenceDecay> {
    let rows: Vec<_> = reference_decays().into_iter().filter(|row| row.room == OPEN_PLATFORM).collect();
    assert_eq!(rows.len(), 6);
    rows
}

fn assert_close(what: &str, expected: f64, got: f64, relative: f64) {
    let error = (got / expected - 1.0).abs();
    assert!(error <= relative, "{what}: expected {expected}, got {got}, error {error:e}");
}

#[test]
fn every_finish_is_its_published_row() {
    assert_eq!(PUBLISHED.map(|published| published.finish), Finish::ALL, "one row for each finish");
    for published in PUBLISHED {
        let got = published.finish.absorption();
        let at_8_khz = published.alpha_at_8_khz.unwrap_or(published.alpha_to_4_khz[5]);
        let expected: PerBand =
            std::array::from_fn(|band| published.alpha_to_4_khz.get(band).copied().unwrap_or(at_8_khz));
        for band in 0..BANDS {
            assert!(
                (got[band] - expected[band]).abs() < 1e-12,
                "{} from {}, band {band}: expected {}, got {}",
                published.finish.name(),
                published.row,
                expected[band],
                got[band]
            );
        }
    }
}

#[test]
fn norris_eyring_agrees_with_the_reference_table_in_all_three_rooms() {
    for row in reference_decays() {
        let decay_s = |absorption: f64, nepers_per_m: f64| {
            norris_eyring_decay_s(
                row.volume_m3,
                row.surface_m2,
                absorption,
                nepers_per_m,
                REFERENCE_SPEED_M_S,
            )
        };
        let what = format!("{} at {} Hz", row.room, row.frequency_hz);
        assert_close(&what, row.eyring_s, decay_s(row.mean_absorption, 0.0), SAME_FORMULA);
        assert_close(
            &what,
            row.eyring_with_air_s,
            decay_s(row.mean_absorption, row.air_nepers_per_m),
            SAME_FORMULA,
        );
        // Sabine's A = S a is Norris and Eyring's -S ln(1 - a') at a' = 1 - exp(-a).
        let as_sabine = -(-row.mean_absorption).exp_m1();
        assert_close(&what, row.sabine_s, decay_s(as_sabine, 0.0), SAME_FORMULA);
        assert_close(&what, row.sabine_with_air_s, decay_s(as_sabine, row.air_nepers_per_m), SAME_FORMULA);
    }
}

#[test]
fn the_default_platform_has_the_reference_rooms_mean_absorption() {
    let platform = Platform::default();
    let got = platform.bare_absorption();
    for (band, row) in open_platform().iter().enumerate() {
        let what = format!("{} Hz", row.frequency_hz);
        assert_close("volume", row.volume_m3, platform.volume_m3(), SAME_FORMULA);
        assert_close("surface", row.surface_m2, platform.surface_m2(), SAME_FORMULA);
        assert_close(&what, row.mean_absorption, got[band], SAME_FORMULA);
    }
    // The check can fail: another floor is another room.
    let carpeted = Platform { floor: Finish::Carpet, ..platform }.bare_absorption();
    assert!((carpeted[3] / open_platform()[3].mean_absorption - 1.0).abs() > 0.1);
}

/// Returns Eyring's decay with Kuttruff's allowance for unequal free paths, T/(1 - g L/2), L = 24 ln10 V/(c S T), g = 0.35.
fn with_unequal_paths(eyring_s: f64, volume_m3: f64, surface_m2: f64) -> f64 {
    let exponent = 24.0 * LN_10 * volume_m3 / (REFERENCE_SPEED_M_S * surface_m2 * eyring_s);
    eyring_s / (1.0 - 0.35 * exponent / 2.0)
}

#[test]
fn the_default_platforms_natural_decay_is_the_reference_rooms() {
    let rows = open_platform();
    // The reference speed is reached a little below 20 degrees Celsius, as the
    // crate's formula has it: c = 331.3 sqrt(1 + T/273.15).
    let temperature_c = ((REFERENCE_SPEED_M_S / 331.3).powi(2) - 1.0) * 273.15;
    let air = Air { temperature_c, ..Air::default() };
    let platform = Platform { air, ..Platform::default() };
    // Decay is inverse to -ln(1 - a), so the mid-band decay is the harmonic
    // mean of the two octaves but for the bend of the logarithm (under 1e-4).
    let eyring_s = 2.0 / (1.0 / rows[2].eyring_s + 1.0 / rows[3].eyring_s);
    let expected_s = with_unequal_paths(eyring_s, platform.volume_m3(), platform.surface_m2());
    assert_close("natural decay", expected_s, platform.natural_decay_s(), 2e-4);
    // The figure that the documentation names.
    let default_s = Platform::default().natural_decay_s();
    assert!((default_s - 1.27).abs() < 0.02, "expected 1.27 s, got {default_s} s");
}

/// Attenuation of air at 20 degrees Celsius, 50 per cent and 101.325 kPa at the exact midbands, dB/km.
///
/// The reference table took its air at the nominal midbands, up to 1.3 per
/// cent off; this crate takes the exact ones.
///
/// # Source
/// ISO 9613-1:1993, computed outside this project; the same program agrees with
/// pyfar 0.8.1 and acoustic-toolbox 0.2.2 to 7e-16 at the nominal midbands.
const AIR_AT_EXACT_MIDBANDS_DB_PER_KM: [f64; 6] = [
    0.445_346_853_917_132,
    1.318_048_126_814_977,
    2.733_464_017_929_744,
    4.664_731_873_821_476,
    9.855_241_707_888_949,
    29.419_247_774_924_91,
];

#[test]
fn the_default_platforms_octaves_decay_in_the_reference_rooms_proportions() {
    let rows = open_platform();
    // Decay rates add: 1/T = 1/T_eyring + 4 m c/(24 ln10), with m in nepers per metre.
    let with_air_s = |eyring_s: f64, nepers_per_m: f64| {
        let air_per_s = 4.0 * nepers_per_m * REFERENCE_SPEED_M_S / (24.0 * LN_10);
        1.0 / (1.0 / eyring_s + air_per_s)
    };
    for row in &rows {
        let got_s = with_air_s(row.eyring_s, row.air_nepers_per_m);
        assert_close("the rule itself", row.eyring_with_air_s, got_s, SAME_FORMULA);
    }
    // Longer than natural: no furnishing, so the walls stand to each other as
    // the bare room's, and all decay longer by one factor; air stays air, at
    // the crate's 343.2 m/s instead of the reference's 343.
    let platform = Platform { decay_s: 2.0, ..Platform::default() };
    assert_eq!(platform.furnishing(), 0.0);
    let reference_s = |longer: f64| -> [f64; 6] {
        std::array::from_fn(|band| {
            let nepers_per_m = AIR_AT_EXACT_MIDBANDS_DB_PER_KM[band] / 1000.0 / (10.0 * LOG10_E);
            let faster = platform.air.speed_of_sound_m_s() / REFERENCE_SPEED_M_S;
            let walls_s =
                with_unequal_paths(rows[band].eyring_s, platform.volume_m3(), platform.surface_m2());
            with_air_s(longer * walls_s, nepers_per_m * faster)
        })
    };
    let (mut low, mut high) = (1.0, 10.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        let [_, _, a, b, ..] = reference_s(middle);
        if a + b < 4.0 { low = middle } else { high = middle }
    }
    let got = platform.band_decay_s();
    assert_close("mid-band", 2.0, mid_mean(&got), SAME_FORMULA);
    for ((row, expected_s), got_s) in rows.iter().zip(reference_s(low)).zip(got) {
        assert_close(&format!("{} Hz", row.frequency_hz), expected_s, got_s, 1e-6);
    }
}
