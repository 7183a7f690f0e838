//! Energy in time at 24 seats, traced with rays outside the project, and the same seats in the engine.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{BANDS, Family, Pair, PerBand, Platform, Vector, world_axis};
use serde_json::Value;

use crate::seats;

/// Its head says what it is.
const ENERGIES: &str = include_str!("../data/traced_energy.csv");
const SEATS: &str = include_str!("../data/traced_seats.json");

/// Edges of the windows, ms after the direct sound.
pub const EDGES_MS: [u32; 10] = [0, 3, 6, 10, 20, 30, 46, 80, 150, 500];
/// Windows between them.
pub const WINDOWS: usize = EDGES_MS.len() - 1;

/// Returns which windows lie within a longer one.
pub fn windows_within(from_ms: u32, to_ms: u32) -> std::ops::Range<usize> {
    let edge = |ms: u32| EDGES_MS.iter().position(|&edge| edge == ms).expect("an edge of the table");
    edge(from_ms)..edge(to_ms)
}

/// Energy by window and octave.
pub type Energies = [PerBand; WINDOWS];

/// A source that was traced at a seat, heard by a pair.
#[derive(Clone, Debug)]
pub struct Traced {
    /// Name of the seat.
    pub seat: String,
    /// Name of the platform: default, small or large.
    pub platform: String,
    /// Name of the source: even, horn or trumpet.
    pub source: String,
    /// The microphones.
    pub pair: Pair,
    /// Place of the source, m.
    pub place: Vector,
    /// Energy against the direct sound of an omnidirectional source of the same power.
    pub energies: Energies,
    /// The seat in the engine: the same place, a family that radiates so, turned so that its axis lies as traced.
    pub settings: Settings,
    /// Angle between the traced axis and the engine's, degrees.
    pub axis_off_deg: f64,
}

/// What radiated: directivity factor and leak by octave.
#[derive(Clone, Copy, Debug)]
pub struct Radiation {
    /// Directivity factor on the axis.
    pub q: PerBand,
    /// Energy that every direction gets, as a share of the axial one.
    pub leak: PerBand,
}

fn numbers<const N: usize>(value: &Value) -> [f64; N] {
    let list = value.as_array().expect("a list");
    assert_eq!(list.len(), N);
    std::array::from_fn(|index| list[index].as_f64().expect("a number"))
}

fn vector(value: &Value) -> Vector {
    let [x, y, z] = numbers(value);
    Vector::new(x, y, z)
}

/// Returns how a traced source radiated; `None` for the omnidirectional one.
pub fn radiation(source: &str) -> Option<Radiation> {
    let json: Value = serde_json::from_str(SEATS).expect("the seats are JSON");
    let found = json["sources"].get(source)?;
    Some(Radiation { q: numbers(&found["Q"]), leak: numbers(&found["leak"]) })
}

/// Returns the family that stands for a traced source.
pub fn family(source: &str) -> Family {
    match source {
        "horn" => Family::RearBell,
        "trumpet" => Family::ForwardBell,
        _ => Family::Omnidirectional,
    }
}

/// Reads every row of the table: 24 seats, three sources, two pairs.
pub fn all() -> Vec<Traced> {
    let json: Value = serde_json::from_str(SEATS).expect("the seats are JSON");
    let mut all = Vec::new();
    for seat in json["seats"].as_array().expect("a list of seats") {
        let name = seat["name"].as_str().expect("a name");
        let platform_name = seat["platform"].as_str().expect("a platform");
        let platform = platform(platform_name, &json["platforms"][platform_name]);
        for source in seat["sources"].as_array().expect("sources").iter().filter_map(Value::as_str) {
            for (pair, pair_name) in
                [(Pair::SpacedOmnis, "spaced omnis"), (Pair::NearCoincident, "near-coincident")]
            {
                let place = vector(&seat["place"]);
                let axis = seat["axes"].get(source).map(|axis| vector(axis).unit());
                let (settings, axis_off_deg) = settings(platform, pair, family(source), place, axis);
                all.push(Traced {
                    seat: name.to_owned(),
                    platform: platform_name.to_owned(),
                    source: source.to_owned(),
                    pair,
                    place,
                    energies: energies(name, source, pair_name),
                    settings,
                    axis_off_deg,
                });
            }
        }
    }
    assert_eq!(all.len(), 144, "24 seats, three sources, two pairs");
    all
}

/// Returns the platform of the checks that is the traced one.
fn platform(name: &str, traced: &Value) -> Platform {
    let [default, small, large] = seats::platforms();
    let platform = match name {
        "default" => default,
        "small" => small,
        _ => large,
    };
    let is = |key: &str| traced[key].as_f64().expect("a number");
    assert_eq!((platform.width_m, platform.depth_m, platform.height_m), (is("W"), is("D"), is("H")));
    assert_eq!(platform.decay_s, is("T"));
    for (finish, key) in [
        (platform.floor, "floor"),
        (platform.rear, "rear"),
        (platform.sides, "sides"),
        (platform.canopy, "canopy"),
    ] {
        assert_eq!(finish.name().replace(' ', "_"), traced[key].as_str().expect("a finish"));
    }
    platform
}

/// Returns the settings whose source stands at a place and points along an axis, and by how many degrees it misses it.
fn settings(
    platform: Platform,
    pair: Pair,
    family: Family,
    place: Vector,
    axis: Option<Vector>,
) -> (Settings, f64) {
    let mut settings = Settings { platform, ..Settings::default() };
    settings.microphones.pair = pair;
    settings.seat.family = family;
    settings.seat.depth_m = place.y;
    settings.seat.bearing_deg = (place.x / (place.y - settings.microphones.depth_m)).atan().to_degrees();
    // The height above the riser is the family's own.
    settings.seat.riser_m = 0.0;
    settings.seat.riser_m = place.z - settings.seat.source(&platform, &settings.microphones).position.z;
    let mut off_deg = 0.0;
    if let Some(axis) = axis {
        let off = |facing_deg: f64| {
            let mut seat = settings.seat;
            seat.facing_deg = facing_deg;
            let forward = seat.source(&platform, &settings.microphones).forward;
            world_axis(family, forward).dot(axis).clamp(-1.0, 1.0).acos().to_degrees()
        };
        let facings = (-180..=180).map(f64::from);
        let best = facings.min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(0.0);
        off_deg = off(best);
        settings.seat.facing_deg = best;
    }
    let settings = settings.snapped();
    let stands = settings.seat.source(&settings.platform, &settings.microphones).position;
    let away_m = (stands - place).length();
    assert!(away_m < 0.03, "the source stands {away_m} m from where it was traced, {place:?}");
    (settings, off_deg)
}

fn energies(seat: &str, source: &str, pair: &str) -> Energies {
    let mut energies = [[0.0; BANDS]; WINDOWS];
    let mut found = 0;
    for line in ENERGIES.lines() {
        let cells: Vec<&str> = line.split(',').collect();
        if cells.len() < 6 || cells[..3] != [seat, source, pair] {
            continue;
        }
        let number = |index: usize| cells[index].parse::<f64>().expect("a number");
        let window = EDGES_MS.iter().position(|&edge| f64::from(edge) == number(3)).expect("an edge");
        energies[window] = std::array::from_fn(|band| 10_f64.powf(number(5 + band) / 10.0));
        found += 1;
    }
    assert_eq!(found, WINDOWS, "{seat}, {source}, {pair}");
    energies
}
