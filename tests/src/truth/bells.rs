//! Bells off their axis against the unflanged open pipe.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, exact_midband_hz, world_axis};
use rostra_dsp::extremes::larger;
use rostra_dsp::tail::BuildAtOnce;

use super::{Row, energy_db};
use crate::open_pipe::OpenPipe;
use crate::parts_apart::{RATE_HZ, rendered};
use crate::zero_phase::ZeroPhase;

const PIPE: &str = "Levine and Schwinger (1948), unflanged pipe";
const ANGLES_DEG: [f64; 4] = [60.0, 90.0, 120.0, 143.0];
/// Octaves: 125 Hz to 1 kHz.
const OCTAVES: std::ops::Range<usize> = 0..4;
/// How far a pattern may lie from the pipe, dB.
const WITHIN_DB: f64 = 2.5;
/// Where the pipe is lower than this against the axis, ours only may not be above [`QUIET_AT_MOST_DB`].
const QUIET_DB: f64 = -15.0;
const QUIET_AT_MOST_DB: f64 = -12.5;

/// Radii of bells, m (usual sizes, from memory).
const HORN_M: f64 = 0.155;
const TRUMPET_M: f64 = 0.061;
const TROMBONE_M: f64 = 0.108;
const TUBA_M: f64 = 0.22;

/// An octave and an angle at which a pipe has a level.
#[derive(Clone, Copy, Debug)]
struct Place {
    band: usize,
    angle_deg: f64,
}

fn places() -> impl Iterator<Item = Place> {
    OCTAVES.flat_map(|band| ANGLES_DEG.map(|angle_deg| Place { band, angle_deg }))
}

/// Returns the pipe's level against the axis, dB; `None` above what the paper solves.
fn pipe_db(radius_m: f64, place: Place) -> Option<f64> {
    let pipe = OpenPipe::new(radius_m, exact_midband_hz(place.band));
    let level_db = || energy_db(pipe.gain(place.angle_deg.to_radians()) / pipe.gain(0.0));
    (pipe.ka() < OpenPipe::LARGEST_KA).then(level_db)
}

/// Returns the family's level against the axis, dB.
fn family_db(family: Family, place: Place) -> f64 {
    20.0 * family.patterns()[place.band].gain(place.angle_deg.to_radians().cos()).log10()
}

/// How far a family is from pipes.
struct Off {
    /// Worst deviation where the pipe is not quiet, dB, and where.
    worst_db: f64,
    at: String,
    /// Our highest level where the pipe is quiet, dB; -100 where it never is.
    quiet_db: f64,
}

impl Off {
    fn none() -> Self {
        Self { worst_db: 0.0, at: "nowhere".to_owned(), quiet_db: -100.0 }
    }

    fn take(&mut self, got_db: f64, pipe_db: f64, place: Place) {
        if pipe_db < QUIET_DB {
            self.quiet_db = larger(self.quiet_db, got_db);
        } else if larger(self.worst_db, (got_db - pipe_db).abs()).total_cmp(&self.worst_db).is_ne() {
            self.worst_db = (got_db - pipe_db).abs();
            self.at = format!(
                "{} degrees, {:.0} Hz: {got_db:.1} dB against {pipe_db:.1}",
                place.angle_deg,
                exact_midband_hz(place.band)
            );
        }
    }

    fn rows(&self, what: &str) -> Vec<Row> {
        let mut rows =
            vec![Row::at_most(format!("{what}, worst ({})", self.at), self.worst_db, WITHIN_DB, "dB", PIPE)];
        if self.quiet_db > -100.0 {
            let what = format!("{what}, where the pipe is under -15 dB");
            rows.push(Row::at_most(what, self.quiet_db, QUIET_AT_MOST_DB, "dB", PIPE));
        }
        rows
    }
}

fn pattern_off(family: Family, radius_m: f64) -> Off {
    let mut off = Off::none();
    for place in places() {
        if let Some(pipe_db) = pipe_db(radius_m, place) {
            off.take(family_db(family, place), pipe_db, place);
        }
    }
    off
}

/// The patterns of the bells, and the direct sound that the engine renders of them, against open pipes of their size.
pub fn bells() -> Vec<Row> {
    let mut rows = pattern_off(Family::RearBell, HORN_M).rows("horn's bell off its axis");
    rows.extend(pattern_off(Family::UpwardBell, TUBA_M).rows("tuba's bell off its axis"));
    rows.extend(pattern_off(Family::ForwardBell, TRUMPET_M).rows("trumpet's bell off its axis"));
    rows.extend(pattern_off(Family::WideForwardBell, TROMBONE_M).rows("trombone's bell off its axis"));
    for (name, family, radius_m) in [
        ("horn's bell", Family::RearBell, HORN_M),
        ("trumpet's bell", Family::ForwardBell, TRUMPET_M),
        ("trombone's bell", Family::WideForwardBell, TROMBONE_M),
    ] {
        let off = rendered_off(family, radius_m);
        let what = format!("{name} as rendered, 250 Hz to 1 kHz against 125 Hz");
        if family == Family::RearBell {
            rows.extend(off.rows(&what));
        } else {
            rows.push(Row::told(format!("{what}, worst ({})", off.at), off.worst_db, "dB", PIPE));
        }
    }
    let what = "the same of a horn's pattern against a trumpet's pipe (the control)";
    let figure = pattern_off(Family::RearBell, TRUMPET_M).worst_db;
    rows.push(Row::at_least(what, figure, WITHIN_DB, "dB", PIPE));
    rows
}

/// Renders the direct sound alone with the bell turned away, and brings it to the pipe's level at 125 Hz.
///
/// The level of a seat may depend on where it faces, so that only the octaves
/// against one another say something of the pattern.
fn rendered_off(family: Family, radius_m: f64) -> Off {
    let mut settings = Settings::default();
    settings.level.balance_pct = 0.0;
    settings.platform.air.loss = 0.0;
    settings.seat.family = family;
    // At the height of the microphones, so that a level axis sweeps all angles.
    settings.seat.riser_m = 0.0;
    let height_m = settings.seat.source(&settings.platform, &settings.microphones).position.z;
    settings.seat.riser_m = (settings.microphones.height_m - height_m).clamp(0.0, 2.0);
    let octaves = ZeroPhase::octaves((0.3 * RATE_HZ) as usize, RATE_HZ);
    let turned = |facing_deg: f64| {
        let mut turned = settings;
        turned.seat.facing_deg = facing_deg;
        turned
    };
    let angle_deg = |facing_deg: f64| {
        let settings = turned(facing_deg);
        let source = settings.seat.source(&settings.platform, &settings.microphones);
        let towards = (settings.microphones.position() - source.position).unit();
        world_axis(family, source.forward).dot(towards).clamp(-1.0, 1.0).acos().to_degrees()
    };
    let by_angle = |wanted_deg: f64| {
        let off = |facing_deg: &f64| (angle_deg(*facing_deg) - wanted_deg).abs();
        (-180..180).map(f64::from).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(0.0)
    };
    let mut supply = BuildAtOnce::default();
    let mut levels = |facing_deg: f64| -> (f64, Vec<f64>) {
        let heard = rendered(&turned(facing_deg), 0.2, &mut supply);
        let mut energies = vec![0.0; OCTAVES.end];
        for channel in &heard {
            for (cell, energy) in energies.iter_mut().zip(octaves.energies(channel)) {
                *cell += energy;
            }
        }
        (angle_deg(facing_deg), energies)
    };
    let (facing_on_axis, facings) = (by_angle(0.0), ANGLES_DEG.map(by_angle));
    let (nearest_deg, on_axis) = levels(facing_on_axis);
    let mut off = Off::none();
    for facing_deg in facings {
        let (angle_deg, energies) = levels(facing_deg);
        let level = |band: usize| -> Option<(f64, f64)> {
            let at = |angle_deg: f64| pipe_db(radius_m, Place { band, angle_deg });
            let pipe_db = at(angle_deg)? - at(nearest_deg)?;
            Some((energy_db(energies[band] / on_axis[band]), pipe_db))
        };
        let Some((low_db, low_pipe_db)) = level(0) else { continue };
        for band in OCTAVES.skip(1) {
            if let Some((got_db, pipe_db)) = level(band) {
                let place = Place { band, angle_deg: angle_deg.round() };
                off.take(got_db - low_db + low_pipe_db, pipe_db, place);
            }
        }
    }
    off
}
