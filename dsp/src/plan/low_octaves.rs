//! The octaves up to 500 Hz, in which the taps that feed a tail still meet in phase.
//!
//! A few taps overlap there: their energies do not simply add. What they feed is
//! looked at on a few frequencies of each low octave, so that the tail can be
//! given the gain with which it carries its energy. How it meets the
//! reflections is left to chance, as it is in a room.

use crate::acoustics::octave::edges_hz;

/// Octaves looked at: 125, 250 and 500 Hz. Above, chance evens out within an octave.
pub(crate) const LOW: usize = 3;
/// Frequencies in each of them: 7.4 Hz apart, which tells times apart up to 0.136 s.
pub(crate) const POINTS: [usize; LOW] = [12, 24, 48];
/// Frequencies in all of them.
pub(crate) const ALL_POINTS: usize = POINTS[0] + POINTS[1] + POINTS[2];

/// Least and greatest factor with which a low octave of the tail is brought to its energy (our choice: taps that all but
/// cancel there are a room's own).
pub(crate) const LOW_FACTORS: (f32, f32) = (0.4, 2.5);

/// A complex number as (real, imaginary).
pub(crate) type Complex = (f64, f64);

/// Returns the middle of a low octave and the distance of the frequencies, in Hz.
///
/// The distance is that of the highest of them for all, so that one table of
/// phases serves all: the frequencies of the lower two leave out 0.2 Hz at
/// either edge.
pub(crate) fn middle_and_step_hz(band: usize) -> (f64, f64) {
    let (low, high) = edges_hz(band);
    let (lowest, highest) = edges_hz(LOW - 1);
    (f64::midpoint(low, high), (highest - lowest) / POINTS[LOW - 1] as f64)
}

/// Returns the frequencies of a low octave, evenly spaced about its middle, as the first one and their distance, in Hz.
pub(super) fn points_hz(band: usize) -> (f64, f64) {
    let (middle, step) = middle_and_step_hz(band);
    (middle - step * (POINTS[band] as f64 - 1.0) / 2.0, step)
}

/// Returns all frequencies looked at, in Hz, the lowest octave first.
pub(crate) fn frequencies_hz() -> [f64; ALL_POINTS] {
    let mut all = [0.0; ALL_POINTS];
    let mut at = 0;
    for (band, &count) in POINTS.iter().enumerate() {
        let (first, step) = points_hz(band);
        for point in 0..count {
            all[at] = first + step * point as f64;
            at += 1;
        }
    }
    all
}
