//! Rostra Hall set to measured halls: decay octave by octave, and how soon the echoes are dense.

use rostra_dsp::acoustics::{BANDS, NOMINAL_HZ};
use rostra_dsp::extremes::{largest, least};
use rostra_dsp::hall::{HALL_PARAMETERS, Hall, HallEngine};
use rostra_dsp::measure::{DecayCurve, OctaveFilter, echo_density_profile};
use rostra_dsp::settings::{Tabled, named};
use rostra_dsp::tail::BuildAtOnce;

use super::{Row, to_f64};
use crate::cores;
use crate::zero_phase::{Band, ZeroPhase};

const RATE_HZ: f64 = 48_000.0;
const MEASURED: &str = "measured halls, measured_halls.csv";
/// Its head says what it is.
const TABLE: &str = include_str!("../../data/measured_halls.csv");
/// How far a decay may be off, per cent, 125 Hz to 4 kHz, and at 8 kHz.
const WITHIN_PCT: [f64; BANDS] = [5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 10.0];
/// Above the octaves, Hz, as it was measured.
const TOP_HZ: (f64, f64) = (12_000.0, 18_000.0);
/// Echo density that counts as dense, and when it has to be reached, ms.
const DENSE: f64 = 0.9;
const DENSE_AFTER_MS: (f64, f64) = (20.0, 50.0);

/// A measured room.
struct Measured {
    name: String,
    t20_s: [f64; BANDS],
    top_s: f64,
    dense_ms: f64,
}

fn measured() -> Vec<Measured> {
    let rows: Vec<Vec<&str>> = TABLE
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').collect())
        .collect();
    let mut rooms: Vec<Measured> = Vec::new();
    for row in &rows {
        let number = |index: usize| row[index].parse::<f64>().expect("a number");
        if row[1] == "T20_s" {
            let t20_s = std::array::from_fn(|band| number(2 + band));
            let name = row[0].to_owned();
            rooms.push(Measured { name, t20_s, top_s: number(2 + BANDS), dense_ms: f64::NAN });
        }
    }
    for room in &mut rooms {
        let row = rows.iter().find(|row| row[0] == room.name && row[1] == "echo_density_0.9_ms");
        room.dense_ms = row.and_then(|row| row[2].parse().ok()).expect("every room has its density");
    }
    assert_eq!(rooms.len(), 3);
    rooms
}

/// Returns the worst octave of decays against wanted ones: by how many times what is allowed it is off, and which it is.
fn worst(got_s: &[f64; BANDS], wanted_s: &[f64; BANDS]) -> (f64, usize) {
    let off = |band: usize| (got_s[band] / wanted_s[band] - 1.0).abs() * 100.0 / WITHIN_PCT[band];
    let worst = (0..BANDS).max_by(|&a, &b| off(a).total_cmp(&off(b))).unwrap_or(0);
    (off(worst), worst)
}

/// Volumes of the rooms, in the file's order, cubic metres: our choice, the file has none.
const VOLUMES_M3: [f64; 3] = [12_000.0, 8000.0, 2500.0];

/// What a hall does as it sounds.
struct Heard {
    t20_s: [f64; BANDS],
    top_s: f64,
    /// Times at which each response is dense, ms.
    dense_ms: Vec<f64>,
}

/// Renders a hall from either side and measures both channels: decays are means of the four.
fn heard(hall: &Hall) -> Heard {
    let seconds = 1.0 * largest(hall.band_decay_s()) + 0.2;
    let frames = (seconds * RATE_HZ) as usize;
    let mut responses = Vec::new();
    for side in 0..2 {
        let mut engine = HallEngine::prepare(RATE_HZ).expect("the rate is in range");
        let mut supply = BuildAtOnce::default();
        let mut channels = [vec![0.0_f32; frames], vec![0.0_f32; frames]];
        channels[side][0] = 1.0;
        let [left, right] = &mut channels;
        engine.process(hall, &mut supply, [left, right]);
        responses.extend(channels.iter().map(|channel| to_f64(channel)));
    }
    let mean = |decay: &dyn Fn(&[f64]) -> f64| {
        responses.iter().map(|response| decay(response)).sum::<f64>() / responses.len() as f64
    };
    let t20_s = |filtered: &[f64]| {
        DecayCurve::of(filtered, RATE_HZ).and_then(|curve| curve.t20_s()).unwrap_or(f64::INFINITY)
    };
    let octave = |band: usize| {
        let filter = OctaveFilter::new(band, RATE_HZ).expect("the band fits the rate");
        mean(&|response| {
            // The filter rings before a decay that runs backwards (ISO 3382-1:2009).
            let mut backwards = vec![0.0; (0.05 * RATE_HZ) as usize];
            backwards.extend_from_slice(response);
            backwards.reverse();
            let mut filtered = filter.filter(&backwards);
            filtered.reverse();
            t20_s(&filtered)
        })
    };
    let top = ZeroPhase::new(&[Band::Steep(TOP_HZ.0, TOP_HZ.1)], frames, RATE_HZ);
    let dense_ms = responses
        .iter()
        .map(|response| {
            let profile = echo_density_profile(&response[..(0.3 * RATE_HZ) as usize], RATE_HZ);
            let at = profile.iter().position(|&density| density >= DENSE);
            at.map_or(f64::INFINITY, |frame| 1e3 * frame as f64 / RATE_HZ)
        })
        .collect();
    Heard {
        t20_s: std::array::from_fn(octave),
        top_s: mean(&|response| t20_s(&top.filter(response)[0])),
        dense_ms,
    }
}

/// Says which parameters a hall was given, other than the default's.
fn described(hall: &Hall) -> String {
    let default = Hall { pre_delay_s: 0.0, ..Hall::default() };
    let words: Vec<String> = hall
        .values()
        .zip(default.values())
        .filter(|((_, value), (_, usual))| value != usual)
        .map(|((parameter, value), _)| format!("{} {}", parameter.name, parameter.shown(value)))
        .collect();
    words.join(", ")
}

/// Decay of each octave and echo density of the hall, set to each measured hall's decays.
pub fn measured_halls() -> Vec<Row> {
    let rooms = measured();
    let set = |(room, volume_m3): (&Measured, f64)| {
        Hall { pre_delay_s: 0.0, volume_m3, ..Hall::default() }.decaying_as(&room.t20_s)
    };
    let halls: Vec<Hall> = rooms.iter().zip(VOLUMES_M3).map(set).collect();
    let all = cores::map(&halls, || (), |(), hall| heard(hall));
    let mut rows = Vec::new();
    for ((room, hall), heard) in rooms.iter().zip(&halls).zip(&all) {
        rows.extend(rows_of(room, hall, heard));
    }
    // The first hall's sound against the second one's table.
    let (off, _) = worst(&all[0].t20_s, &rooms[1].t20_s);
    let what = "the first hall's decays against the second one's, times what is allowed (the control)";
    rows.push(Row::at_least(what, off, 1.0, "x", MEASURED));
    rows
}

fn rows_of(room: &Measured, hall: &Hall, heard: &Heard) -> Vec<Row> {
    let Measured { name, t20_s, top_s, dense_ms } = room;
    // An auditorium that is shorter than any hall that can be asked for is told.
    let is_hall = t20_s[3] >= named(&HALL_PARAMETERS, "decay").range().0;
    let hold = |what: String, figure: f64, bound: f64, unit: &'static str| {
        if is_hall {
            Row::at_most(what, figure, bound, unit, MEASURED)
        } else {
            Row::told(what, figure, unit, MEASURED)
        }
    };
    let off_pct = |band: usize| (heard.t20_s[band] / t20_s[band] - 1.0) * 100.0;
    let low =
        (0..BANDS - 1).max_by(|&a, &b| off_pct(a).abs().total_cmp(&off_pct(b).abs())).unwrap_or_default();
    let octave = |band: usize| {
        let (hz, wanted_s) = (NOMINAL_HZ[band], t20_s[band]);
        let (set_s, got_s) = (hall.band_decay_s()[band], heard.t20_s[band]);
        format!("{hz} Hz: measured {wanted_s:.2} s, set {set_s:.2} s, rendered {got_s:.2} s")
    };
    let mut rows = vec![
        hold(
            format!("T20 to 4 kHz, {name}, worst octave ({}; {})", octave(low), described(hall)),
            off_pct(low).abs(),
            WITHIN_PCT[low],
            "%",
        ),
        hold(
            format!("T20 at 8 kHz, {name} ({})", octave(BANDS - 1)),
            off_pct(BANDS - 1).abs(),
            WITHIN_PCT[BANDS - 1],
            "%",
        ),
        Row::told(format!("T20 at 12 to 18 kHz, {name} (measured {top_s:.2} s)"), heard.top_s, "s", MEASURED),
    ];
    let dense = &heard.dense_ms;
    let mean_ms = dense.iter().sum::<f64>() / dense.len() as f64;
    let (first_ms, last_ms) = (least(dense.iter().copied()), largest(dense.iter().copied()));
    let what = format!(
        "echo density 0.9, hall set to {name}, mean of four responses ({first_ms:.0} to {last_ms:.0} ms; measured {dense_ms} ms)"
    );
    let source = "Abel and Huang (2006); measured halls, measured_halls.csv";
    if is_hall {
        rows.push(Row::at_least(what.clone(), mean_ms, DENSE_AFTER_MS.0, "ms", source));
        rows.push(Row::at_most(what, mean_ms, DENSE_AFTER_MS.1, "ms", source));
    } else {
        rows.push(Row::told(what, mean_ms, "ms", source));
    }
    rows
}
