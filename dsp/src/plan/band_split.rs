//! The band split.
//!
//! A channel is carried in *branches*: branch 0 is the channel itself, branch i the
//! channel through the i-th low-pass. Any weighted sum of branches is a filter
//! without latency; weights (g, 0, 0, ...) leave the sound as it is.

use std::f64::consts::PI;

use crate::acoustics::octave::{BANDS, HIGHEST_EDGE_OF_RATE, bands_at_rate, edges_hz};

/// Branches of a channel: the channel itself and seven low-passes.
pub const BRANCHES: usize = 8;
/// Bands whose gains the branches follow: the seven octaves, and the top above them.
pub const FITTED: usize = BANDS + 1;

/// One weight for each branch.
pub type Weights = [f32; BRANCHES];

/// Corner of each low-pass as a share of the lower edge of the band above it.
///
/// Our choice, with the quality below the best of a search: over random
/// directions of eight families on three platforms a few rounds of the fit
/// reach 0.3 dB in 95 % of arrivals.
const CORNER_OF_EDGE: f64 = 0.87;
/// The same for the highest low-pass: it follows the air, which takes ever more to the end.
const TOP_CORNER_OF_EDGE: f64 = 1.1;
/// Quality of each low-pass; see [`CORNER_OF_EDGE`].
const LOW_PASS_Q: f64 = 0.6;
/// Number of low-passes.
const LOW_PASSES: usize = BRANCHES - 1;

/// Coefficients of the seven low-passes at one sample rate.
///
/// Each is a two-pole state-variable filter in its trapezoidal form,
/// H(s) = 1/(s^2 + s/Q + 1), s = (1 - z^-1)/((1 + z^-1) g), g = tan(pi f/fs).
/// With a1 = 1/(1 + g (g + 1/Q)): p = 2 a1 - 1, q = 2 g a1, r = 1 - 2 g^2 a1.
///
/// # Source
/// Zavalishin, The Art of VA Filter Design (2012), chapter 4 (from memory).
#[derive(Clone, Debug)]
pub struct SplitDesign {
    sample_rate_hz: f64,
    /// Low-passes in use; the rest repeat the channel and get no weight.
    used: usize,
    /// By branch; 0 where a branch has no filter.
    pub(crate) p: BranchFrame,
    pub(crate) q: BranchFrame,
    pub(crate) r: BranchFrame,
    pub(crate) t: BranchFrame,
}

impl SplitDesign {
    /// Designs the split for a sample rate; bands that do not fit the rate are left out.
    pub fn new(sample_rate_hz: f64) -> Self {
        let used = fitted_at_rate(sample_rate_hz) - 1;
        let silent = [0.0; BRANCHES];
        let mut design = Self { sample_rate_hz, used, p: silent, q: silent, r: silent, t: silent };
        for low_pass in 0..used {
            let g = (PI * corner_hz(low_pass) / sample_rate_hz).tan();
            let a1 = 1.0 / (1.0 + g * (g + 1.0 / LOW_PASS_Q));
            let (a2, a3) = (g * a1, g * g * a1);
            let branch = low_pass + 1;
            design.p[branch] = (2.0 * a1 - 1.0) as f32;
            design.q[branch] = (2.0 * a2) as f32;
            design.r[branch] = (1.0 - 2.0 * a3) as f32;
            // Taken from the rounded r, so that the filter is exactly 1 at 0 Hz.
            design.t[branch] = 1.0 - design.r[branch];
        }
        design
    }

    /// Returns the sample rate, Hz.
    pub const fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// Returns how many low-passes are in use.
    pub const fn low_passes(&self) -> usize {
        self.used
    }

    /// Returns the response of each branch at a frequency as (real, imaginary).
    pub fn branch_responses(&self, frequency_hz: f64) -> [(f64, f64); BRANCHES] {
        let warped = (PI * frequency_hz / self.sample_rate_hz).tan();
        std::array::from_fn(|branch| {
            if branch == 0 {
                return (1.0, 0.0);
            }
            if branch > self.used {
                return (0.0, 0.0);
            }
            // s = j w: H = 1/((1 - w^2) + j w/Q).
            let w = warped / (PI * corner_hz(branch - 1) / self.sample_rate_hz).tan();
            let (re, im) = (1.0 - w * w, w / LOW_PASS_Q);
            let norm = re * re + im * im;
            (re / norm, -im / norm)
        })
    }
}

fn corner_hz(low_pass: usize) -> f64 {
    let share = if low_pass + 1 == LOW_PASSES { TOP_CORNER_OF_EDGE } else { CORNER_OF_EDGE };
    share * edges_hz(low_pass).1
}

/// Least width of the top band, as a ratio of its edges: under half an octave there is too little to follow (our choice).
const LEAST_TOP: f64 = 1.3;

/// Returns how many bands are followed at a sample rate: the octaves that fit, and the top where there is room for it.
pub(crate) fn fitted_at_rate(sample_rate_hz: f64) -> usize {
    let octaves = bands_at_rate(sample_rate_hz);
    let (low, high) = fitted_edges_hz(BANDS, sample_rate_hz);
    if octaves == BANDS && high >= LEAST_TOP * low { FITTED } else { octaves }
}

/// Returns the edges of a fitted band, in Hz; the top reaches an octave up, or to 0.46 of the sample rate.
pub(crate) fn fitted_edges_hz(band: usize, sample_rate_hz: f64) -> (f64, f64) {
    let (low, high) = edges_hz(band);
    (low, high.min(HIGHEST_EDGE_OF_RATE * sample_rate_hz))
}

/// One frame of a bus: what each branch is to carry, before its low-pass.
pub type BranchFrame = [f32; BRANCHES];
