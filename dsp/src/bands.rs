//! The band split.
//!
//! A channel is carried in *lanes*: lane 0 is the channel itself, lane i the
//! channel through the i-th low-pass. Any weighted sum of lanes is a filter
//! without latency; weights (g, 0, 0, ...) leave the sound as it is.

use std::f64::consts::PI;

use crate::instruction_set::{Eight, EightKernel, InstructionSet};
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
    /// By lane; 0 where a lane has no filter.
    p: LaneFrame,
    q: LaneFrame,
    r: LaneFrame,
    t: LaneFrame,
}

impl SplitDesign {
    /// Designs the split for a sample rate; bands that do not fit the rate are left out.
    pub fn new(sample_rate_hz: f64) -> Self {
        let used = fitted_at_rate(sample_rate_hz) - 1;
        let silent = [0.0; LANES];
        let mut design = Self { sample_rate_hz, used, p: silent, q: silent, r: silent, t: silent };
        for low_pass in 0..used {
            let g = (PI * corner_hz(low_pass) / sample_rate_hz).tan();
            let a1 = 1.0 / (1.0 + g * (g + 1.0 / LOW_PASS_Q));
            let (a2, a3) = (g * a1, g * g * a1);
            let lane = low_pass + 1;
            design.p[lane] = (2.0 * a1 - 1.0) as f32;
            design.q[lane] = (2.0 * a2) as f32;
            design.r[lane] = (1.0 - 2.0 * a3) as f32;
            // Taken from the rounded r, so that the filter is exactly 1 at 0 Hz.
            design.t[lane] = 1.0 - design.r[lane];
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

    /// Returns the impulse response of each lane as the engine runs it, by frame, then lane.
    pub fn impulse_responses(&self, frames: usize) -> Vec<LaneFrame> {
        let mut responses = vec![[0.0; LANES]; frames];
        for first in (0..LANES).step_by(BUSES) {
            let mut impulse = vec![[[0.0; LANES]; BUSES]; frames];
            for bus in 0..BUSES {
                impulse[0][bus][first + bus] = 1.0;
            }
            let mut sums = vec![[0.0; BUSES]; frames];
            let mut bank = LaneBank::default();
            InstructionSet::plain().run_eight(RunBank {
                bank: &mut bank,
                design: self,
                frames: &impulse,
                sums: &mut sums,
            });
            for (response, sum) in responses.iter_mut().zip(&sums) {
                response[first..first + BUSES].copy_from_slice(sum);
            }
        }
        responses
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

/// One frame of a bus: what each lane is to carry, before its low-pass.
pub type LaneFrame = [f32; LANES];

/// Buses that run side by side: left, right, and what feeds the two parts of the tail.
pub const BUSES: usize = 4;

/// Share of a filter's two states that is heard, by lane, and share of the input.
const FILTERED: LaneFrame = [0.0, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5];
const THROUGH: LaneFrame = [1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];

/// The low-passes of four buses of lanes, and the sums of their lanes.
///
/// The filters stand behind the sums of all that a bus carries, so that their
/// number does not grow with the number of reflections.
#[derive(Clone, Debug, Default)]
pub struct LaneBank {
    first: [LaneFrame; BUSES],
    second: [LaneFrame; BUSES],
}

impl LaneBank {
    /// Forgets all sound.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    /// Says whether nothing rings.
    pub fn is_silent(&self) -> bool {
        self.first.iter().chain(&self.second).flatten().all(|&state| state == 0.0)
    }

    /// Filters the lanes of each bus and sums them: lane 0 as it is, lane i through low-pass i - 1.
    ///
    /// With s1, s2 the states of [`SplitDesign`]'s filter and u its input:
    /// s1' = p s1 - q s2 + q u, s2' = q s1 + r s2 + (1 - r) u, y = (s2 + s2')/2.
    #[inline(always)]
    pub fn process<E: Eight>(
        &mut self,
        eight: E,
        design: &SplitDesign,
        frames: &[[LaneFrame; BUSES]],
        sums: &mut [[f32; BUSES]],
    ) {
        let [p, q, r, t] = [&design.p, &design.q, &design.r, &design.t].map(|row| eight.load(row));
        // Lane 0 has no filter: its states stay silent, and its input is heard.
        let (half, through) = (eight.load(&FILTERED), eight.load(&THROUGH));
        let mut first = self.first.each_ref().map(|lanes| eight.load(lanes));
        let mut second = self.second.each_ref().map(|lanes| eight.load(lanes));
        for (frame, sum) in frames.iter().zip(sums) {
            let mut heard = first;
            for bus in 0..BUSES {
                let (s1, s2, u) = (first[bus], second[bus], eight.load(&frame[bus]));
                let next1 = eight.multiply_add(p, s1, eight.subtract_product(q, s2, eight.multiply(q, u)));
                let next2 = eight.multiply_add(q, s1, eight.multiply_add(r, s2, eight.multiply(t, u)));
                heard[bus] = eight.multiply_add(half, eight.add(s2, next2), eight.multiply(through, u));
                first[bus] = next1;
                second[bus] = next2;
            }
            *sum = eight.sums(heard);
        }
        for bus in 0..BUSES {
            eight.store(first[bus], &mut self.first[bus]);
            eight.store(second[bus], &mut self.second[bus]);
        }
        for state in self.first.iter_mut().chain(&mut self.second).flatten() {
            if state.abs() < SILENT {
                *state = 0.0;
            }
        }
    }
}

/// A bank alone, as a kernel.
struct RunBank<'a> {
    bank: &'a mut LaneBank,
    design: &'a SplitDesign,
    frames: &'a [[LaneFrame; BUSES]],
    sums: &'a mut [[f32; BUSES]],
}

impl EightKernel for RunBank<'_> {
    type Output = ();

    #[inline(always)]
    fn run<E: Eight>(self, eight: E) {
        self.bank.process(eight, self.design, self.frames, self.sums);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_running_bank_has_the_responses_of_its_design() {
        for rate in [8_000.0, 11_025.0, 16_000.0, 22_050.0, 48_000.0, 192_000.0, 384_000.0, 768_000.0] {
            let design = SplitDesign::new(rate);
            let responses = design.impulse_responses(32_768);
            for lane in 0..LANES {
                for hz in [125.0, 1000.0, 7000.0] {
                    let expected = design.lane_responses(hz)[lane];
                    let (mut re, mut im) = (0.0, 0.0);
                    for (n, frame) in responses.iter().enumerate() {
                        let phase = 2.0 * PI * hz * n as f64 / rate;
                        re += f64::from(frame[lane]) * phase.cos();
                        im -= f64::from(frame[lane]) * phase.sin();
                    }
                    // 1e-3: at 192 kHz single precision sets the lowest corner to 0.3 %.
                    let error = f64::hypot(re - expected.0, im - expected.1);
                    assert!(
                        error < 1e-3,
                        "{rate}: lane {lane} at {hz} Hz: expected {expected:?}, got {re}, {im}"
                    );
                }
            }
        }
    }
}
