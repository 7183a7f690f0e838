//! Decay, clarity and echo density against exact signals, libraries and standards.
//!
//! # Source
//! Exact exponentials read by pyrato and pyroomacoustics, and the scatter of
//! decaying noise, both computed outside this project; just noticeable
//! differences of ISO 3382-1:2009, table A.1 (see the heads of the files);
//! closed forms of the exponential; Abel and Huang, A simple, robust measure of
//! reverberation echo density, 121st AES convention (2006).

use rostra_dsp::acoustics::BANDS;
use rostra_dsp::extremes::{larger, smaller};
use rostra_dsp::measure::{
    DecayCurve, OctaveFilter, c80_db, centre_time_s, d50, echo_density_profile, fits_decay,
};

const RATE_HZ: f64 = 48_000.0;
/// Decay of every signal here, s.
const DECAY_S: f64 = 0.5;
/// Amplitude exponent of a decay by 60 dB, 3 ln 10.
const EXPONENT: f64 = 3.0 * std::f64::consts::LN_10;
/// Bound of decay times against the least-squares reference, relative (rounding alone).
const SAME_FIT: f64 = 1e-9;
/// Bound against libraries, relative: a hundredth of the just noticeable 5 %.
///
/// They take in one sample more or less at the ends of a range; on the curved
/// end of the shortest record they differ among themselves by 3.5e-5.
const LIBRARY: f64 = 5e-4;

fn rows(text: &str) -> Vec<Vec<String>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

fn numbers(text: &str) -> Vec<Vec<f64>> {
    rows(text).iter().map(|row| row.iter().map(|cell| cell.parse().expect("a number")).collect()).collect()
}

fn jnd(quantity: &str) -> f64 {
    rows(include_str!("../data/iso3382_1_jnd.csv"))
        .iter()
        .find(|row| row[0] == quantity)
        .and_then(|row| row[1].parse().ok())
        .expect("the quantity is in the table")
}

fn envelope(decay_s: f64, length_s: f64) -> impl Iterator<Item = f64> {
    (0..(length_s * RATE_HZ).round() as usize).map(move |k| (-EXPONENT * k as f64 / RATE_HZ / decay_s).exp())
}

fn exponential(decay_s: f64, length_s: f64) -> Vec<f64> {
    envelope(decay_s, length_s).collect()
}

/// Returns Gaussian noise of unit variance: `SplitMix64` (Steele, Lea and Flood 2014) and Box and Muller (1958).
fn gaussian(seed: u64, frames: usize) -> Vec<f64> {
    let mut state = seed;
    let mut uniform = move || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (((z ^ (z >> 31)) >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    };
    (0..frames).map(|_| (-2.0 * uniform().ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos()).collect()
}

fn decays(response: &[f64]) -> [f64; 3] {
    let curve = DecayCurve::of(response, RATE_HZ).expect("the response sounds");
    [curve.edt_s(), curve.t20_s(), curve.t30_s()].map(|decay| decay.expect("the curve is deep enough"))
}

#[test]
fn an_exact_exponential_is_read_as_the_libraries_read_it() {
    let records = numbers(include_str!("../data/exact_decay.csv"));
    assert_eq!(records.len(), 4);
    let (mut worst_own, mut worst_library) = (0.0_f64, 0.0_f64);
    for record in records {
        let response = exponential(DECAY_S, record[0]);
        let got = decays(&response);
        for (k, name) in ["EDT", "T20", "T30"].into_iter().enumerate() {
            let own = (got[k] / record[1 + k] - 1.0).abs();
            worst_own = larger(worst_own, own);
            assert!(own <= SAME_FIT, "{name}, {} s: expected {}, got {}", record[0], record[1 + k], got[k]);
        }
        // Columns 4 to 6 pyrato's three, 7 and 8 pyroomacoustics' T20 and T30.
        for (expected, got) in record[4..9].iter().zip([got[0], got[1], got[2], got[1], got[2]]) {
            let library = (got / expected - 1.0).abs();
            worst_library = larger(worst_library, library);
            assert!(library <= LIBRARY, "{} s: a library says {expected}, got {got}", record[0]);
        }
        let c80 = c80_db(&response, RATE_HZ);
        assert!((c80 - record[9]).abs() < 1e-9, "{} s: expected {} dB, got {c80}", record[0], record[9]);
        let definition = d50(&response, RATE_HZ);
        assert!((definition - record[10]).abs() < 1e-9, "expected {}, got {definition}", record[10]);
        // The library counts a sample's time from its middle.
        let centre_s = centre_time_s(&response, RATE_HZ) + 0.5 / RATE_HZ;
        assert!((centre_s - record[11]).abs() < 1e-8, "expected {} s, got {centre_s}", record[11]);
    }
    eprintln!("worst: {worst_own:.1e} against least squares, {worst_library:.1e} against libraries");
}

#[test]
fn an_exact_exponential_has_its_closed_forms() {
    let response = exponential(DECAY_S, 2.0);
    // Share of the energy after t: exp(-13.82 t/T).
    let late = |time_s: f64| (-2.0 * EXPONENT * time_s / DECAY_S).exp();
    let c80 = 10.0 * ((1.0 - late(0.08)) / late(0.08)).log10();
    assert!((c80_db(&response, RATE_HZ) - c80).abs() < 1e-9);
    assert!((d50(&response, RATE_HZ) - (1.0 - late(0.05))).abs() < 1e-9);
    let centre_s = DECAY_S / (2.0 * EXPONENT);
    assert!((centre_time_s(&response, RATE_HZ) - centre_s).abs() <= 0.51 / RATE_HZ, "half a sample");
    let curve = DecayCurve::of(&response, RATE_HZ).expect("the response sounds");
    for (from_db, to_db) in [(0.0, -60.0), (-30.0, -90.0), (-1.0, -3.0)] {
        let got = curve.decay_s(from_db, to_db).expect("the curve is deep enough");
        assert!((got / DECAY_S - 1.0).abs() < 1e-9, "{from_db} to {to_db} dB: expected {DECAY_S}, got {got}");
    }
    let late = curve.decay_after_s(0.3, 30.0).expect("the curve is deep enough");
    assert!((late / DECAY_S - 1.0).abs() < 1e-9, "expected {DECAY_S}, got {late}");
}

#[test]
fn another_decay_or_a_short_record_is_noticed() {
    for factor in [0.94, 1.06] {
        let response = exponential(DECAY_S * factor, 1.0);
        for (got, quantity) in decays(&response).into_iter().zip(["EDT", "T20", "T30"]) {
            assert!((got / DECAY_S - 1.0).abs() > jnd("EDT"), "{quantity} does not notice {factor}: {got}");
        }
    }
    let longer = exponential(1.5 * DECAY_S, 1.5);
    let plain = exponential(DECAY_S, 1.5);
    assert!((c80_db(&longer, RATE_HZ) - c80_db(&plain, RATE_HZ)).abs() > jnd("C80"));
    assert!((d50(&longer, RATE_HZ) - d50(&plain, RATE_HZ)).abs() > jnd("D50"));
    assert!((centre_time_s(&longer, RATE_HZ) - centre_time_s(&plain, RATE_HZ)).abs() > jnd("Ts"));
    // 36 dB of record, as in the reference: T30 is more than 5 % short.
    let [_, _, short_s] = decays(&exponential(DECAY_S, 0.3));
    assert!(short_s / DECAY_S - 1.0 < -jnd("EDT"), "got {short_s}");
}

#[test]
fn octave_filters_read_the_decay_of_noise_on_average() {
    const RECORDS: usize = 60;
    let references = numbers(include_str!("../data/noise_decay_scatter.csv"));
    assert_eq!(references.len(), BANDS);
    let records: Vec<Vec<f64>> = (0..RECORDS)
        .map(|seed| {
            let frames = (1.5 * RATE_HZ) as usize;
            gaussian(1 + seed as u64, frames).iter().zip(envelope(DECAY_S, 1.5)).map(|(n, e)| n * e).collect()
        })
        .collect();
    for (band, reference) in references.iter().enumerate() {
        assert!(fits_decay(band, DECAY_S), "band {band}");
        let filter = OctaveFilter::new(band, RATE_HZ).expect("the band fits");
        let read: Vec<[f64; 3]> = records.iter().map(|record| decays(&filter.filter(record))).collect();
        for (k, name) in ["EDT", "T20", "T30"].into_iter().enumerate() {
            let mean = read.iter().map(|decay| decay[k]).sum::<f64>() / RECORDS as f64;
            let variance =
                read.iter().map(|decay| (decay[k] - mean).powi(2)).sum::<f64>() / (RECORDS - 1) as f64;
            let (expected_mean, expected_sd) = (reference[1 + k], reference[4 + k]);
            eprintln!(
                "{} Hz {name}: mean {mean:.4} (reference {expected_mean:.4}), sd {:.4} ({expected_sd:.4})",
                reference[0],
                variance.sqrt()
            );
            // Both means scatter by their standard deviation over the root of
            // their number of records; three of ours, the reference being larger.
            let chance_s = 3.0 * expected_sd / (RECORDS as f64).sqrt();
            if name == "T30" || name == "T20" {
                let error = (mean - DECAY_S).abs();
                assert!(
                    error <= jnd("EDT") * DECAY_S && error <= chance_s + 0.01 * DECAY_S,
                    "{} Hz {name}: expected {DECAY_S}, got {mean}",
                    reference[0]
                );
            }
            let ratio = variance.sqrt() / expected_sd;
            assert!(
                (0.6..1.6).contains(&ratio),
                "{} Hz {name}: scatter {ratio} of the reference",
                reference[0]
            );
        }
    }
}

#[test]
fn echo_density_of_gaussian_noise_is_one_and_of_sparse_echoes_is_not() {
    let mean = |profile: &[f64]| profile.iter().sum::<f64>() / profile.len() as f64;
    for seed in 100..105 {
        let noise = gaussian(seed, 24_000);
        let steady = echo_density_profile(&noise, RATE_HZ);
        let decaying: Vec<f64> = noise.iter().zip(envelope(DECAY_S, 0.5)).map(|(n, e)| n * e).collect();
        let decaying = echo_density_profile(&decaying, RATE_HZ);
        let (least, most) =
            steady.iter().fold((f64::MAX, 0.0_f64), |(least, most), &d| (smaller(least, d), larger(most, d)));
        eprintln!("steady {:.4} ({least:.3} to {most:.3}), decaying {:.4}", mean(&steady), mean(&decaying));
        for density in [mean(&steady), mean(&decaying)] {
            assert!((0.9..=1.1).contains(&density), "expected 1, got {density}");
        }
    }
    // One echo a millisecond: 1/48 of the samples stand out.
    let mut sparse = vec![0.0; 24_000];
    for echo in sparse.iter_mut().step_by(48) {
        *echo = 1.0;
    }
    let density = mean(&echo_density_profile(&sparse, RATE_HZ));
    let expected = 1.0 / 48.0 / 0.3173;
    assert!((density / expected - 1.0).abs() < 0.05, "expected {expected}, got {density}");
}
