//! The band split.
//!
//! A channel is carried in *lanes*: lane 0 is the channel itself, lane i the
//! channel through the i-th low-pass. Any weighted sum of lanes is a filter
//! without latency; weights (g, 0, 0, ...) leave the sound as it is.

use std::f64::consts::PI;

use crate::octave::{BANDS, HIGHEST_EDGE_OF_RATE, bands_at_rate, edges_hz};

/// Lanes of a channel: the channel itself and seven low-passes.
pub const LANES: usize = 8;
/// Bands whose gains the lanes follow: the seven octaves, and the top above them.
pub const FITTED: usize = BANDS + 1;

/// One gain for each fitted band.
pub type FittedGains = [f64; FITTED];

/// One weight for each lane.
pub type Weights = [f32; LANES];

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
/// State below which a filter is silent, linear: far under the smallest normal
/// number times any gain, and 400 dB under full scale.
const SILENT: f32 = 1e-20;

/// Number of low-passes.
const LOW_PASSES: usize = LANES - 1;

/// Coefficients of the seven low-passes at one sample rate.
///
/// Each is a two-pole state-variable filter in its trapezoidal form,
/// H(s) = 1/(s^2 + s/Q + 1), s = (1 - z^-1)/((1 + z^-1) tan(pi f/fs)).
///
/// # Source
/// Zavalishin, The Art of VA Filter Design (2012), chapter 4 (from memory).
#[derive(Clone, Debug)]
pub struct SplitDesign {
    sample_rate_hz: f64,
    /// Low-passes in use; the rest repeat the channel and get no weight.
    used: usize,
    a1: [f32; LOW_PASSES],
    a2: [f32; LOW_PASSES],
    a3: [f32; LOW_PASSES],
}

impl SplitDesign {
    /// Designs the split for a sample rate; bands that do not fit the rate are left out.
    pub fn new(sample_rate_hz: f64) -> Self {
        let used = fitted_at_rate(sample_rate_hz) - 1;
        let mut design = Self {
            sample_rate_hz,
            used,
            a1: [0.0; LOW_PASSES],
            a2: [0.0; LOW_PASSES],
            a3: [0.0; LOW_PASSES],
        };
        for low_pass in 0..used {
            let g = (PI * corner_hz(low_pass) / sample_rate_hz).tan();
            let a1 = 1.0 / (1.0 + g * (g + 1.0 / LOW_PASS_Q));
            design.a1[low_pass] = a1 as f32;
            design.a2[low_pass] = (g * a1) as f32;
            design.a3[low_pass] = (g * g * a1) as f32;
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

    /// Returns the response of each lane at a frequency as (real, imaginary).
    pub fn lane_responses(&self, frequency_hz: f64) -> [(f64, f64); LANES] {
        let warped = (PI * frequency_hz / self.sample_rate_hz).tan();
        std::array::from_fn(|lane| {
            if lane == 0 {
                return (1.0, 0.0);
            }
            if lane > self.used {
                return (0.0, 0.0);
            }
            // s = j w: H = 1/((1 - w^2) + j w/Q).
            let w = warped / (PI * corner_hz(lane - 1) / self.sample_rate_hz).tan();
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
pub fn fitted_at_rate(sample_rate_hz: f64) -> usize {
    let octaves = bands_at_rate(sample_rate_hz);
    let (low, high) = fitted_edges_hz(BANDS, sample_rate_hz);
    if octaves == BANDS && high >= LEAST_TOP * low { FITTED } else { octaves }
}

/// Returns the edges of a fitted band, in Hz; the top reaches an octave up, or to 0.46 of the sample rate.
pub(crate) fn fitted_edges_hz(band: usize, sample_rate_hz: f64) -> (f64, f64) {
    let (low, high) = edges_hz(band);
    (low, high.min(HIGHEST_EDGE_OF_RATE * sample_rate_hz))
}

/// The running state of one channel's split.
#[derive(Clone, Debug, Default)]
pub struct Split {
    first: [f32; LOW_PASSES],
    second: [f32; LOW_PASSES],
}

impl Split {
    /// Forgets all sound.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    /// Filters `input` into `lanes`: lane 0 is the input, lane i low-pass i - 1.
    pub fn process(&mut self, design: &SplitDesign, input: &[f32], lanes: &mut [[f32; LANES]]) {
        for (&x, frame) in input.iter().zip(lanes) {
            frame[0] = x;
            for i in 0..LOW_PASSES {
                let v3 = x - self.second[i];
                let v1 = design.a1[i] * self.first[i] + design.a2[i] * v3;
                let v2 = self.second[i] + design.a2[i] * self.first[i] + design.a3[i] * v3;
                self.first[i] = 2.0 * v1 - self.first[i];
                self.second[i] = 2.0 * v2 - self.second[i];
                frame[i + 1] = v2;
            }
        }
        for state in self.first.iter_mut().chain(&mut self.second) {
            if state.abs() < SILENT {
                *state = 0.0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_running_split_has_the_response_of_its_design() {
        let design = SplitDesign::new(48_000.0);
        let mut split = Split::default();
        let mut impulse = vec![0.0_f32; 8192];
        impulse[0] = 1.0;
        let mut lanes = vec![[0.0_f32; LANES]; impulse.len()];
        split.process(&design, &impulse, &mut lanes);
        for hz in [125.0, 1000.0, 7000.0] {
            let expected = design.lane_responses(hz);
            for lane in 0..LANES {
                let (mut re, mut im) = (0.0, 0.0);
                for (n, frame) in lanes.iter().enumerate() {
                    let phase = 2.0 * PI * hz * n as f64 / 48_000.0;
                    re += f64::from(frame[lane]) * phase.cos();
                    im -= f64::from(frame[lane]) * phase.sin();
                }
                // 1e-4: single-precision state over 8192 samples.
                assert!(
                    (re - expected[lane].0).abs() < 1e-4,
                    "lane {lane} at {hz} Hz: expected {expected:?}, got {re}"
                );
                assert!(
                    (im - expected[lane].1).abs() < 1e-4,
                    "lane {lane} at {hz} Hz: expected {expected:?}, got {im}"
                );
            }
        }
    }
}
