//! Directivity factors and patterns against closed forms, published ranges and their own integral.

use std::f64::consts::PI;

use rostra_dsp::acoustics::{BANDS, Capsule, Family, Pattern, Vector, world_axis};
use rostra_dsp::extremes::larger;

/// Largest deviation of a directivity index, dB.
const INDEX_DB: f64 = 0.01;

/// One line of the reference table: a first-order pattern a + (1 - a) cos theta.
struct ReferencePattern {
    name: &'static str,
    omni_share: f64,
    directivity_factor: f64,
    index_db: f64,
    random_energy_efficiency: f64,
    front_to_total_energy: f64,
    level_90_db: Option<f64>,
    level_180_db: Option<f64>,
    half_angle_3_db_deg: Option<f64>,
}

/// Reads `tests/data/e_directivity.csv`, whose header names its source.
fn reference_patterns() -> Vec<ReferencePattern> {
    let lines = include_str!("../data/e_directivity.csv").lines();
    let rows: Vec<ReferencePattern> = lines
        .filter(|line| !line.starts_with('#') && !line.starts_with("pattern,"))
        .map(|line| {
            let cells: Vec<&'static str> = line.split(',').collect();
            let number = |column: usize| cells[column].parse::<f64>().expect("a number");
            ReferencePattern {
                name: cells[0],
                omni_share: number(1),
                directivity_factor: number(2),
                index_db: number(3),
                random_energy_efficiency: number(4),
                front_to_total_energy: number(7),
                level_90_db: cells[9].parse().ok(),
                level_180_db: cells[10].parse().ok(),
                half_angle_3_db_deg: cells[12].parse().ok(),
            }
        })
        .collect();
    assert_eq!(rows.len(), 7, "seven first-order patterns");
    rows
}

/// Returns the mean of `energy` over the directions of the sphere, by the midpoint rule.
///
/// Rings of 0.5 degrees in polar angle, sectors of 1 degree in azimuth.
fn mean_over_sphere(energy: impl Fn(Vector) -> f64) -> f64 {
    const RINGS: usize = 360;
    const SECTORS: usize = 360;
    let mut sum = 0.0;
    let mut weight = 0.0;
    for ring in 0..RINGS {
        let polar = (ring as f64 + 0.5) * PI / RINGS as f64;
        let mut around = 0.0;
        for sector in 0..SECTORS {
            let azimuth = (sector as f64 + 0.5) * 2.0 * PI / SECTORS as f64;
            around +=
                energy(Vector::new(polar.sin() * azimuth.cos(), polar.sin() * azimuth.sin(), polar.cos()));
        }
        sum += polar.sin() * around;
        weight += polar.sin() * SECTORS as f64;
    }
    sum / weight
}

fn decibels(power_ratio: f64) -> f64 {
    10.0 * power_ratio.log10()
}

fn assert_within(what: &str, expected: f64, got: f64, tolerance: f64) {
    let error = got - expected;
    assert!(error.abs() <= tolerance, "{what}: expected {expected}, got {got}, error {error:e}");
}

/// Meyer's statistical directivity factor in the main direction, a pressure ratio: sqrt(Q).
///
/// That Q is its square is from memory of his book: it multiplies the
/// reverberation radius, which goes with the square root of Q.
fn statistical_factor(family: Family) -> [f64; BANDS] {
    family.directivity_factor().map(f64::sqrt)
}

fn largest(factors: [f64; BANDS]) -> f64 {
    factors.into_iter().fold(0.0, larger)
}

#[test]
fn the_integrator_and_the_capsules_agree_with_every_closed_form() {
    let forward = Vector::new(0.0, 1.0, 0.0);
    for row in reference_patterns() {
        let capsule = Capsule { offset: Vector::default(), axis: forward, omni_share: row.omni_share };
        let mean = mean_over_sphere(|direction| capsule.gain(direction).powi(2));
        let what = row.name;
        assert_within(what, row.index_db, decibels(1.0 / mean), INDEX_DB);
        assert_within(what, row.index_db, decibels(row.directivity_factor), INDEX_DB);
        assert_within(what, row.random_energy_efficiency, mean, 1e-3);
        let front = mean_over_sphere(|direction| {
            if direction.dot(forward) > 0.0 { capsule.gain(direction).powi(2) } else { 0.0 }
        });
        assert_within(what, row.front_to_total_energy, front / mean, 1e-3);
        let level_db = |direction: Vector| 2.0 * decibels(capsule.gain(direction).abs());
        if let Some(expected_db) = row.level_90_db {
            assert_within(what, expected_db, level_db(Vector::new(1.0, 0.0, 0.0)), 1e-6);
        }
        if let Some(expected_db) = row.level_180_db {
            assert_within(what, expected_db, level_db(Vector::new(0.0, -1.0, 0.0)), 1e-6);
        }
        if let Some(angle_deg) = row.half_angle_3_db_deg {
            let angle = angle_deg.to_radians();
            let half_power = capsule.gain(Vector::new(angle.sin(), angle.cos(), 0.0)).powi(2);
            assert_within(what, 0.5, half_power, 1e-6);
        }
    }
}

#[test]
fn without_leak_exponent_nought_is_the_omni_and_exponent_one_the_cardioid() {
    let rows = reference_patterns();
    for (name, exponent) in [("omni", 0.0), ("cardioid", 1.0)] {
        let row = rows.iter().find(|row| row.name == name).expect("in the table");
        let pattern = Pattern { exponent, leak: 0.0 };
        let axis = Vector::new(0.6, 0.0, 0.8);
        let mean = mean_over_sphere(|direction| pattern.gain(direction.dot(axis)).powi(2));
        assert_within(name, row.index_db, decibels(1.0 / mean), INDEX_DB);
        // Closed form of the lobe: Q = 2n + 1.
        assert_within(name, row.directivity_factor, 2.0 * exponent + 1.0, 1e-9);
        for step in 0..=20 {
            let cosine = f64::from(step) / 10.0 - 1.0;
            let expected = row.omni_share + (1.0 - row.omni_share) * cosine;
            assert_within(name, expected, pattern.gain(cosine), 1e-12);
        }
    }
}

#[test]
fn every_familys_pattern_integrates_to_its_directivity_factor() {
    // A player who looks neither along x nor along y.
    let forward = Vector::new(-0.6, -0.8, 0.0);
    for family in Family::ALL {
        let axis = world_axis(family, forward);
        assert_within(family.name(), 1.0, axis.length(), 1e-12);
        for (band, (pattern, q)) in family.patterns().iter().zip(family.directivity_factor()).enumerate() {
            let mean = mean_over_sphere(|direction| pattern.gain(direction.dot(axis)).powi(2));
            let what = format!("{}, band {band}", family.name());
            assert_within(&what, decibels(q), decibels(1.0 / mean), INDEX_DB);
        }
    }
}

/// J. Meyer, 131st meeting of the Acoustical Society of America (1996), paper
/// 3pAA1, abstract: 2 to 3 for strings, a little lower for woodwinds, above 4
/// for brass.
#[test]
fn main_directions_keep_meyers_ranges() {
    let woodwinds = largest(statistical_factor(Family::ToneHoles));
    for strings in [Family::TopPlate, Family::FrontPlate] {
        let factors = statistical_factor(strings);
        // Upper string frequencies: the octaves of 4 and 8 kHz (our reading).
        for &factor in &factors[5..] {
            assert!((2.0..=3.0).contains(&factor), "{}: expected 2 to 3, got {factor}", strings.name());
        }
        assert!(largest(factors) <= 3.0);
        // A little lower: under the strings, over three quarters of them (our reading).
        let share = woodwinds / largest(factors);
        assert!((0.75..1.0).contains(&share), "expected a little lower than {factors:?}, got {woodwinds}");
    }
    for brass in [Family::ForwardBell, Family::RearBell, Family::UpwardBell] {
        let factor = largest(statistical_factor(brass));
        assert!(factor > 4.0, "{}: expected above 4, got {factor}", brass.name());
    }
}

/// The same abstract: omnidirectional only below about 500 Hz. L. M. Wang and
/// C. Burroughs, Catgut Acoustical Society Journal 3(7), 7 (1999), abstract: a
/// bowed violin is omnidirectional below 600 Hz.
#[test]
fn strings_and_woodwinds_are_even_below_500_hz_and_nothing_is_above() {
    for family in [Family::TopPlate, Family::FrontPlate, Family::ToneHoles] {
        for &q in &family.directivity_factor()[..2] {
            // Even: an index within half a decibel (our reading).
            assert!(decibels(q) < 0.5, "{}: got {} dB", family.name(), decibels(q));
        }
    }
    for family in Family::ALL.into_iter().filter(|&family| family != Family::Omnidirectional) {
        for &q in &family.directivity_factor()[2..] {
            assert!(q > 1.0, "{}: expected a lobe, got {q}", family.name());
        }
    }
    assert_eq!(Family::Omnidirectional.directivity_factor(), [1.0; BANDS]);
}

/// Directivity factor on the axis of an open pipe as wide as the bell, 125 Hz to 1 kHz.
///
/// Q = (ka)^2/(1 - |R|^2): reciprocity with the mouth's cross-section, H.
/// Levine and J. Schwinger, Physical Review 73, 383 (1948), abstract; |R| from
/// their integral, exp(-(2ka/pi) times that of atan(-J1/N1)/(x sqrt((ka)^2 - x^2))
/// from 0 to ka) (from memory; it gives Q = 1 for small ka, as it must), evaluated with
/// `SciPy` at 343 m/s. Radii of bells from memory.
const PIPE_61_MM: [f64; 4] = [1.03, 1.10, 1.33, 2.15];
const PIPE_108_MM: [f64; 4] = [1.08, 1.27, 1.92, 4.47];
const PIPE_155_MM: [f64; 3] = [1.15, 1.51, 2.80];
const PIPE_220_MM: [f64; 3] = [1.28, 1.95, 4.60];

#[test]
fn bells_radiate_like_open_pipes_while_the_wave_is_long() {
    let forward = Family::ForwardBell.directivity_factor();
    for band in 0..PIPE_61_MM.len() {
        let range = PIPE_61_MM[band]..=PIPE_108_MM[band];
        assert!(range.contains(&forward[band]), "band {band}: expected {range:?}, got {}", forward[band]);
    }
    for (family, pipe) in [(Family::RearBell, PIPE_155_MM), (Family::UpwardBell, PIPE_220_MM)] {
        for (band, expected) in pipe.into_iter().enumerate() {
            let got = family.directivity_factor()[band];
            let what = format!("{}, band {band}", family.name());
            // Half a decibel: rounding, and the step that a band filter can follow.
            assert_within(&what, decibels(expected), decibels(got), 0.51);
        }
    }
}

/// Strings throw their highest octaves at the ceiling (Meyer, the same
/// abstract), horns fire back and to the player's right (common practice, no
/// source), brass radiate along the bell (J. Paetynen and T. Lokki, Acta
/// Acustica united with Acustica 96, 138 (2010), abstract).
#[test]
fn axes_point_where_the_sources_say() {
    // A player in the middle who looks at the microphones: ahead is -y, right is -x.
    let ahead = Vector::new(0.0, -1.0, 0.0);
    for strings in [Family::TopPlate, Family::FrontPlate] {
        let axis = world_axis(strings, ahead);
        assert!(axis.z > 0.0, "{}: got {axis:?}", strings.name());
        // The ceiling gets more than the floor in the top octave.
        let top = strings.patterns()[BANDS - 1];
        assert!(top.gain(axis.z) > top.gain(-axis.z));
    }
    let horn = world_axis(Family::RearBell, ahead);
    assert!(horn.y > 0.5 && horn.x < -0.3, "back and to the player's right, got {horn:?}");
    assert!(world_axis(Family::ForwardBell, ahead).dot(ahead) > 0.99);
    assert!(world_axis(Family::UpwardBell, ahead).z > 0.9);
}
