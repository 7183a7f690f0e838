//! The octaves up to 500 Hz, in which reflections and tail still meet in phase.
//!
//! A few reflections of a low note overlap in time, and so does the first part
//! of the tail: their energies do not simply add. Here both are looked at on a
//! few frequencies of each low octave, so that the tail can be given the gain
//! with which the sum, not just the mean of many, carries its energy.

use std::f64::consts::TAU;

use crate::arrivals::ARRIVALS;
use crate::bands::{LANES, SplitDesign, Weights};
use crate::octave::{edges_hz, exact_midband_hz};
use crate::plan::{CapsulePlan, PARTS};

/// Octaves looked at: 125, 250 and 500 Hz. Above, chance evens out within an octave.
pub const LOW: usize = 3;
/// Frequencies in each of them: at 125 Hz 7 Hz apart, which tells paths apart up to 0.13 s.
const POINTS: [usize; LOW] = [12, 20, 32];
/// Frequencies in all of them.
pub const ALL_POINTS: usize = POINTS[0] + POINTS[1] + POINTS[2];

/// A complex number as (real, imaginary).
type Complex = (f64, f64);

/// Returns the frequencies of a low octave, evenly spaced, as the first one and their distance, in Hz.
fn points_hz(band: usize) -> (f64, f64) {
    let (low, high) = edges_hz(band);
    let step = (high - low) / POINTS[band] as f64;
    (low + step / 2.0, step)
}

/// Returns all frequencies looked at, in Hz, the lowest octave first.
pub fn frequencies_hz() -> [f64; ALL_POINTS] {
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

/// Spectra of the two parts of a tail on the frequencies looked at: by part, then channel.
#[derive(Clone, Debug, PartialEq)]
pub struct LowTail {
    /// One value for each frequency of [`frequencies_hz`].
    pub spectra: [[[Complex; ALL_POINTS]; 2]; PARTS],
}

impl LowTail {
    /// Transforms the parts of a tail, by part, then channel.
    pub fn new(parts: &[Vec<Vec<f32>>; PARTS], sample_rate_hz: f64) -> Self {
        let mut spectra = [[[(0.0, 0.0); ALL_POINTS]; 2]; PARTS];
        for (part, channels) in parts.iter().enumerate() {
            for (channel, samples) in channels.iter().enumerate() {
                for (cell, hz) in spectra[part][channel].iter_mut().zip(frequencies_hz()) {
                    *cell = spectrum_at(samples, hz, sample_rate_hz);
                }
            }
        }
        Self { spectra }
    }
}

/// Returns the spectrum of a signal at one frequency.
fn spectrum_at(samples: &[f32], hz: f64, sample_rate_hz: f64) -> Complex {
    let step = turn(-TAU * hz / sample_rate_hz);
    let first = samples.iter().position(|&x| x != 0.0).unwrap_or(0);
    let mut phase = turn(-TAU * hz / sample_rate_hz * first as f64);
    let mut sum = (0.0, 0.0);
    for &x in &samples[first..] {
        sum = (sum.0 + f64::from(x) * phase.0, sum.1 + f64::from(x) * phase.1);
        phase = times(phase, step);
    }
    sum
}

fn turn(radians: f64) -> Complex {
    let (sin, cos) = radians.sin_cos();
    (cos, sin)
}

fn times(a: Complex, b: Complex) -> Complex {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

/// What the reflections of one source do in a low octave, before and after the mixing time.
#[derive(Clone, Debug)]
pub struct LowReflections {
    spectra: [[[Complex; ALL_POINTS]; 2]; PARTS],
    lanes: [[Complex; LANES]; LOW],
}

impl LowReflections {
    /// Sums the reflections on the frequencies looked at, as the engine plays them.
    ///
    /// S(f) = sum_k G_kb exp(-j 2 pi f t_k), G_kb the response of the arrival's
    /// lane weights at the octave's midband.
    pub fn new(capsules: &[CapsulePlan], mixing_samples: f64, sample_rate_hz: f64, design: &SplitDesign) -> Self {
        let lanes: [[Complex; LANES]; LOW] =
            std::array::from_fn(|band| design.lane_responses(exact_midband_hz(band)));
        let mut spectra = [[[(0.0, 0.0); ALL_POINTS]; 2]; PARTS];
        for (channel, capsule) in capsules.iter().enumerate() {
            for index in 1..ARRIVALS {
                let delay = capsule.delay_samples[index];
                let part = usize::from(delay >= mixing_samples);
                let mut at = 0;
                for (band, &count) in POINTS.iter().enumerate() {
                    let (first, step) = points_hz(band);
                    let gain = response(&lanes[band], &capsule.weights[index]);
                    let mut value = times(gain, turn(-TAU * first / sample_rate_hz * delay));
                    let turning = turn(-TAU * step / sample_rate_hz * delay);
                    for cell in &mut spectra[part][channel][at..at + count] {
                        *cell = (cell.0 + value.0, cell.1 + value.1);
                        value = times(value, turning);
                    }
                    at += count;
                }
            }
        }
        Self { spectra, lanes }
    }

    /// Returns the energy of the reflections of a part in a low octave, all channels together: the mean of |S|^2.
    pub fn energy(&self, part: usize, band: usize) -> f64 {
        self.over(part, band, |_, _, s| s.0 * s.0 + s.1 * s.1)
    }

    /// Returns how much energy the reflections share with a tail of gain 1: the mean of Re(S* T).
    ///
    /// `weights` are the lane weights with which the tail is fed; only their
    /// phase counts.
    pub fn shared_energy(&self, part: usize, band: usize, tail: &LowTail, weights: &Weights) -> f64 {
        let fed = response(&self.lanes[band], weights);
        let size = f64::hypot(fed.0, fed.1);
        if size == 0.0 {
            return 0.0;
        }
        let phase = (fed.0 / size, fed.1 / size);
        self.over(part, band, |channel, point, s| {
            let t = times(tail.spectra[part][channel][point], phase);
            s.0 * t.0 + s.1 * t.1
        })
    }

    /// Returns the energy of a tail of gain 1 in a low octave: the mean of |T|^2.
    pub fn tail_energy(&self, part: usize, band: usize, tail: &LowTail) -> f64 {
        self.over(part, band, |channel, point, _| {
            let t = tail.spectra[part][channel][point];
            t.0 * t.0 + t.1 * t.1
        })
    }

    fn over(&self, part: usize, band: usize, value: impl Fn(usize, usize, Complex) -> f64) -> f64 {
        let start: usize = POINTS[..band].iter().sum();
        let count = POINTS[band];
        let mut sum = 0.0;
        for (channel, spectrum) in self.spectra[part].iter().enumerate() {
            for (point, &s) in spectrum.iter().enumerate().skip(start).take(count) {
                sum += value(channel, point, s);
            }
        }
        sum / count as f64
    }
}

fn response(lanes: &[Complex; LANES], weights: &Weights) -> Complex {
    lanes.iter().zip(weights).fold((0.0, 0.0), |sum, (lane, &w)| {
        (sum.0 + lane.0 * f64::from(w), sum.1 + lane.1 * f64::from(w))
    })
}
