//! Reflections and tail summed in phase in the low octaves, frequency by frequency.

use std::f64::consts::TAU;

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::platform::PARTS;
use crate::plan::band_split::{BRANCHES, SplitDesign, Weights};
use crate::plan::low_octaves::{ALL_POINTS, Complex, POINTS, frequencies_hz, points_hz};
use crate::plan::low_tail::LowTail;
use crate::plan::source_plan::CapsulePlan;

fn turn(radians: f64) -> Complex {
    let (sin, cos) = radians.sin_cos();
    (cos, sin)
}

fn power(a: Complex) -> f64 {
    a.0 * a.0 + a.1 * a.1
}

fn times(a: Complex, b: Complex) -> Complex {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
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

/// What the reflections of one source do in the low octaves, before and after the mixing time.
#[derive(Clone, Debug)]
pub(crate) struct LowReflections {
    /// By part, then channel.
    spectra: [[[Complex; ALL_POINTS]; 2]; PARTS],
    channels: usize,
}

/// Energies in one low octave of one part, all channels together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct CoherentSum {
    /// The reflections alone, mean of |S|^2.
    pub reflections: f64,
    /// The tail alone, mean of |T F|^2, F what feeds it.
    pub tail: f64,
    /// What they share, mean of Re(S* T F).
    pub cross: f64,
}

impl CoherentSum {
    /// Returns the energy of both together.
    pub(crate) fn total(&self) -> f64 {
        self.reflections + 2.0 * self.cross + self.tail
    }
}

impl LowReflections {
    /// Sums the reflections on the frequencies looked at, exactly as the engine plays them at rest.
    ///
    /// S(f) = `sum_branch` `B_branch(f)` `sum_k` `w_k,branch` exp(-j 2 pi f `t_k`).
    pub(crate) fn new(capsules: &[CapsulePlan], mixing_samples: f64, branches: &LowBranches) -> Self {
        let mut spectra = [[[(0.0, 0.0); ALL_POINTS]; 2]; PARTS];
        for (channel, capsule) in capsules.iter().enumerate() {
            let mut sums = [[BranchSum::NOTHING; ALL_POINTS]; PARTS];
            for index in 1..ARRIVALS {
                let delay = capsule.delay_samples[index];
                let sums = &mut sums[usize::from(delay >= mixing_samples)];
                let weights = &capsule.weights[index];
                let radians_per_hz = -TAU / branches.sample_rate_hz * delay.round();
                let mut at = 0;
                for (band, &count) in POINTS.iter().enumerate() {
                    let (first, step) = points_hz(band);
                    let (mut phase, turning) = (turn(radians_per_hz * first), turn(radians_per_hz * step));
                    for sum in &mut sums[at..at + count] {
                        sum.add(weights, phase);
                        phase = times(phase, turning);
                    }
                    at += count;
                }
            }
            for (spectra, sums) in spectra.iter_mut().zip(&sums) {
                for (point, (cell, sum)) in spectra[channel].iter_mut().zip(sums).enumerate() {
                    *cell = branches.response_of(point, sum);
                }
            }
        }
        Self { spectra, channels: capsules.len() }
    }

    /// Returns the energy of the reflections of a part in a low octave: the mean of |S|^2.
    pub(crate) fn energy(&self, part: usize, band: usize) -> f64 {
        self.over(part, band, |_, _, s| power(s))
    }

    /// Returns how the reflections of a part meet a tail that is fed through its taps, in a low octave.
    pub(crate) fn with_tail(&self, part: usize, band: usize, tail: &LowTail, fed: &Fed) -> CoherentSum {
        let start: usize = POINTS[..band].iter().sum();
        let count = POINTS[band];
        let power_fed = fed[start..start + count].iter().map(|&fed| power(fed)).sum::<f64>() / count as f64;
        let looked_at = self.over(part, band, |channel, point, _| power(tail.spectra[part][channel][point]));
        let heard = self.over(part, band, |channel, point, _| {
            power(times(tail.spectra[part][channel][point], fed[point]))
        });
        CoherentSum {
            reflections: self.energy(part, band),
            // A whole part returns the energy that goes in; what was faded out goes in, too.
            tail: heard + (1.0 - looked_at).max(0.0) * power_fed,
            cross: self.over(part, band, |channel, point, s| {
                let t = times(tail.spectra[part][channel][point], fed[point]);
                s.0 * t.0 + s.1 * t.1
            }),
        }
    }

    fn over(&self, part: usize, band: usize, value: impl Fn(usize, usize, Complex) -> f64) -> f64 {
        let start: usize = POINTS[..band].iter().sum();
        let count = POINTS[band];
        let mut sum = 0.0;
        for (channel, spectrum) in self.spectra[part].iter().enumerate().take(self.channels) {
            for (point, &s) in spectrum.iter().enumerate().skip(start).take(count) {
                sum += value(channel, point, s);
            }
        }
        sum / count as f64
    }
}
