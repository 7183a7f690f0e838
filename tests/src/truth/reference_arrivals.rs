//! The plan's arrivals against image sources of a reference library.

use rostra_dsp::acoustics::{
    ARRIVALS, BANDS, Capsule, Family, Finish, Microphones, Platform, RecordedFrom, Source, Vector, arrivals,
    images,
};
use rostra_dsp::extremes::larger;

use super::Row;

/// Made with `tests/reference/image_sources.py`.
const TABLE: &str = include_str!("../../data/image_sources_order3.csv");
const RATE_HZ: f64 = 48_000.0;
const SOURCE: &str = "pyroomacoustics 0.10.1";

/// Delay and band gains of every arrival up to third order, in a box with finishes.
pub fn reference_arrivals() -> Vec<Row> {
    let (samples, db) = reference_errors(1.9);
    let (other_samples, _) = reference_errors(2.1);
    vec![
        Row::at_most("arrivals of the plan, delay, worst of all", samples, 0.5, "sample", SOURCE),
        Row::at_most("arrivals of the plan, gain per band, worst of all", db, 0.1, "dB", SOURCE),
        Row::at_least(
            "the same with a source 0.2 m higher (the control)",
            other_samples,
            0.5,
            "sample",
            SOURCE,
        ),
    ]
}

/// Returns the numbers of the table, rows without comments and the heading.
fn numbers() -> Vec<Vec<f64>> {
    let rows = TABLE.lines().filter(|line| !line.starts_with('#')).skip(1);
    rows.map(|line| line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect()).collect()
}

/// The box of `image_sources_order3.csv`.
fn small_box() -> Platform {
    let mut platform = Platform {
        width_m: 14.0,
        depth_m: 9.5,
        height_m: 7.3,
        floor: Finish::Carpet,
        rear: Finish::Brick,
        sides: Finish::Plaster,
        canopy: Finish::Plasterboard,
        decay_s: 0.45,
        ..Platform::default()
    };
    platform.air.loss = 0.0;
    platform
}

/// Returns the worst errors in samples and dB of all arrivals and bands, for a source at a height; the reference's stands at 1.9 m.
pub fn reference_errors(source_height_m: f64) -> (f64, f64) {
    let platform = small_box();
    let source = Source {
        position: Vector::new(-2.7, 6.1, source_height_m),
        forward: Vector::new(0.0, -1.0, 0.0),
        family: Family::Omnidirectional,
        recorded: RecordedFrom::Axis,
    };
    let capsule = Capsule { offset: Vector::new(0.085, 0.0, 0.0), ..Capsule::OMNI };
    let ours = arrivals(&source, &platform, &Microphones::default(), &capsule);
    let places = images(source.position, &platform);
    let rows = numbers();
    assert_eq!(rows.len(), ARRIVALS, "direct sound and 37 reflections");
    let (mut worst_samples, mut worst_db) = (0.0_f64, 0.0_f64);
    for row in rows {
        let position = Vector::new(row[0], row[1], row[2]);
        let distance = |index: &usize| (places[*index].position - position).length();
        let index = (0..ARRIVALS).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0);
        let delay = ours[index].path_m / platform.air.speed_of_sound_m_s() * RATE_HZ;
        worst_samples = larger(worst_samples, (delay - row[4] * RATE_HZ).abs());
        for band in 0..BANDS {
            let error = 20.0 * (ours[index].gain[band] / row[5 + band]).log10();
            worst_db = larger(worst_db, error.abs());
        }
    }
    (worst_samples, worst_db)
}
