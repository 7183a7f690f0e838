//! What the fit of branch weights knows of the branches: the energy of their sum in each octave, or each third of an octave.

use crate::acoustics::octave::{HIGHEST_EDGE_OF_RATE, OCTAVE_RATIO, THIRDS, TOP, third_midband_hz};
use crate::plan::band_split::{BRANCHES, FITTED, SplitDesign, fitted_edges_hz};

/// Points per octave over which the energy of the sum is averaged.
const POINTS: usize = 24;

/// How much the top counts against an octave: the fall of the air up there is
/// steeper than the branches, and must not cost the 8 kHz octave its level (our
/// choice; 95 % of arrivals then stay within 0.3 dB instead of 1 dB).
const TOP_WEIGHT: f32 = 0.1;

/// Least gain of a tail's band against its neighbours: 20 dB an octave, a little steeper than the branches are.
///
/// Asked for more, the fit would miss the louder neighbour.
pub(crate) const STEEPEST: f32 = 0.1;

/// Fit of the branches to the octaves and the top above them: for reflections and tail.
pub(crate) type OctaveFit = Fit<FITTED>;
/// Fit of the branches to thirds of an octave: for the direct sound, whose tone is heard best.
pub(crate) type ThirdFit = Fit<THIRDS>;

/// The energies of sums of branches in `ROWS` bands at one sample rate.
#[derive(Clone, Debug)]
pub(crate) struct Fit<const ROWS: usize> {
    /// Steps in use.
    pub(super) bands: usize,
    /// How much a row counts.
    pub(super) weight: Vec<f32>,
    /// Energy in row j of a sum of neighbouring-band steps: x' `C_j` x, x the gain of each step.
    pub(super) energy: Vec<[[f32; FITTED]; FITTED]>,
}

impl OctaveFit {
    /// Prepares the fit to octaves.
    pub(crate) fn of_octaves(design: &SplitDesign) -> Self {
        let bands = design.low_passes() + 1;
        let mut fit =
            Self::new(design, |band| (band < bands).then(|| fitted_edges_hz(band, design.sample_rate_hz())));
        if let Some(weight) = fit.weight.get_mut(TOP) {
            *weight = TOP_WEIGHT;
        }
        fit
    }
}

impl ThirdFit {
    /// Prepares the fit to thirds of an octave.
    pub(crate) fn of_thirds(design: &SplitDesign) -> Self {
        let half = OCTAVE_RATIO.powf(1.0 / 6.0);
        let highest_hz = HIGHEST_EDGE_OF_RATE * design.sample_rate_hz();
        Self::new(design, |third| {
            let middle = third_midband_hz(third);
            (middle * half <= highest_hz).then_some((middle / half, middle * half))
        })
    }
}

impl<const ROWS: usize> Fit<ROWS> {
    /// Returns the steps in use, how much each row counts, and the energies of the steps in each row.
    pub(crate) fn parts(&self) -> (usize, &[f32], &[[[f32; FITTED]; FITTED]]) {
        (self.bands, &self.weight, &self.energy)
    }

    /// Works out the energies of the branches in each row; `edges_hz` says where a row lies, or that it does not fit the rate.
    ///
    /// `C_j` = mean over row j of Re(h h*), h the response of the branch steps: step b
    /// is branch b + 1 less branch b (the low-passes by their corner), the last one
    /// the channel less the highest low-pass.
    fn new(design: &SplitDesign, edges_hz: impl Fn(usize) -> Option<(f64, f64)>) -> Self {
        let bands = design.low_passes() + 1;
        let energy: Vec<_> = (0..ROWS)
            .map_while(edges_hz)
            .map(|(low, high)| {
                let mut sum = [[0.0_f64; FITTED]; FITTED];
                for point in 0..POINTS {
                    // Evenly in frequency, as white noise spreads its energy.
                    let hz = low + (high - low) * (point as f64 + 0.5) / POINTS as f64;
                    let steps = steps_of_branches(design.branch_responses(hz), bands);
                    for (row, a) in sum.iter_mut().zip(&steps) {
                        for (cell, b) in row.iter_mut().zip(&steps) {
                            *cell += (a.0 * b.0 + a.1 * b.1) / POINTS as f64;
                        }
                    }
                }
                sum.map(|row| row.map(|cell| cell as f32))
            })
            .collect();
        Self { bands, weight: vec![1.0; energy.len()], energy }
    }
}

/// Turns branch responses into those of the steps between neighbouring low-passes.
pub(crate) fn steps_of_branches(branches: [(f64, f64); BRANCHES], bands: usize) -> [(f64, f64); FITTED] {
    let low_pass = |index: usize| if index + 1 < bands { branches[index + 1] } else { branches[0] };
    std::array::from_fn(|band| {
        if band >= bands {
            return (0.0, 0.0);
        }
        let upper = low_pass(band);
        let lower = if band == 0 { (0.0, 0.0) } else { low_pass(band - 1) };
        (upper.0 - lower.0, upper.1 - lower.1)
    })
}
