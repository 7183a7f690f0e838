//! What feeds a tail summed in phase in the low octaves, frequency by frequency.

use std::f64::consts::TAU;

use crate::plan::band_split::{BRANCHES, SplitDesign, Weights};
use crate::plan::low_octaves::{ALL_POINTS, Complex, POINTS, frequencies_hz};
use crate::plan::low_tail::LowTail;

fn turn(radians: f64) -> Complex {
    let (sin, cos) = radians.sin_cos();
    (cos, sin)
}

fn power(a: Complex) -> f64 {
    a.0 * a.0 + a.1 * a.1
}

/// The responses of the branches on the frequencies looked at.
#[derive(Clone, Debug)]
pub(crate) struct LowBranches {
    sample_rate_hz: f64,
    /// By frequency, then branch.
    real: [[f32; BRANCHES]; ALL_POINTS],
    imaginary: [[f32; BRANCHES]; ALL_POINTS],
}

impl LowBranches {
    /// Works out the responses of a band split.
    pub(crate) fn new(design: &SplitDesign, sample_rate_hz: f64) -> Self {
        let responses = frequencies_hz().map(|hz| design.branch_responses(hz));
        Self {
            sample_rate_hz,
            real: responses.map(|branches| branches.map(|branch| branch.0 as f32)),
            imaginary: responses.map(|branches| branches.map(|branch| branch.1 as f32)),
        }
    }

    /// Returns the response of branch weights at a frequency.
    fn response(&self, point: usize, weights: &Weights) -> Complex {
        let sum = |branches: &[f32; BRANCHES]| {
            branches.iter().zip(weights).map(|(branch, w)| branch * w).sum::<f32>()
        };
        (f64::from(sum(&self.real[point])), f64::from(sum(&self.imaginary[point])))
    }

    /// Returns the response of complex branch weights at a frequency.
    fn response_of(&self, point: usize, weights: &BranchSum) -> Complex {
        let (a, b) = (self.response(point, &weights.real), self.response(point, &weights.imaginary));
        (a.0 - b.1, a.1 + b.0)
    }
}

/// What feeds a tail, on the frequencies looked at.
pub(crate) type Fed = [Complex; ALL_POINTS];

impl LowBranches {
    /// Sums the taps that feed a part of the tail on the frequencies looked at, exactly as the engine plays them at rest.
    pub(crate) fn fed(&self, delay_samples: &[f64], weights: &[Weights]) -> Fed {
        let hz = frequencies_hz();
        std::array::from_fn(|point| {
            let mut sum = BranchSum::NOTHING;
            for (delay, weights) in delay_samples.iter().zip(weights) {
                sum.add(weights, turn(-TAU / self.sample_rate_hz * delay.round() * hz[point]));
            }
            self.response_of(point, &sum)
        })
    }
}

/// Branch weights with phases.
#[derive(Clone, Copy, Debug)]
struct BranchSum {
    real: Weights,
    imaginary: Weights,
}

impl BranchSum {
    const NOTHING: Self = Self { real: [0.0; BRANCHES], imaginary: [0.0; BRANCHES] };

    fn add(&mut self, weights: &Weights, phase: Complex) {
        let (cos, sin) = (phase.0 as f32, phase.1 as f32);
        for branch in 0..BRANCHES {
            self.real[branch] += weights[branch] * cos;
            self.imaginary[branch] += weights[branch] * sin;
        }
    }
}

/// Returns the energy of a part of a tail in a low octave that is fed through its taps: the mean of |T F|^2, all channels together.
pub(crate) fn tail_energy(tail: &LowTail, part: usize, band: usize, fed: &Fed) -> f64 {
    let start: usize = POINTS[..band].iter().sum();
    let points = start..start + POINTS[band];
    let count = POINTS[band] as f64;
    let played = |point: usize| tail.spectra[part].iter().map(|channel| power(channel[point])).sum::<f64>();
    let heard = points.clone().map(|point| played(point) * power(fed[point])).sum::<f64>() / count;
    let looked_at = points.clone().map(played).sum::<f64>() / count;
    let power_fed = points.map(|point| power(fed[point])).sum::<f64>() / count;
    // A whole part returns the energy that goes in; what was faded out goes in, too.
    heard + (1.0 - looked_at).max(0.0) * power_fed
}
