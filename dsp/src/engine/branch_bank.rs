//! The branches of a bus at work: what several sources and taps put into each branch, filtered once and summed.

use crate::kernel::instruction_set::{Eight, EightKernel, InstructionSet};
use crate::plan::band_split::{BRANCHES, BranchFrame, SplitDesign};

/// State below which a filter is silent, linear: far under the smallest normal
/// number times any gain, and 400 dB under full scale.
const SILENT: f32 = 1e-20;

/// Buses that run side by side: left, right, and what feeds the two parts of the tail.
pub const BUSES: usize = 4;

/// Share of a filter's two states that is heard, by branch, and share of the input.
const FILTERED: BranchFrame = [0.0, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5];
const THROUGH: BranchFrame = [1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];

/// The low-passes of four buses of branches, and the sums of their branches.
///
/// The filters stand behind the sums of all that a bus carries, so that their
/// number does not grow with the number of reflections.
#[derive(Clone, Debug, Default)]
pub struct BranchBank {
    first: [BranchFrame; BUSES],
    second: [BranchFrame; BUSES],
}

impl BranchBank {
    /// Forgets all sound.
    pub fn reset(&mut self) {
        *self = Self::default();
    }

    /// Returns the impulse response of each branch as the engine runs it, by frame, then branch.
    pub fn impulse_responses(design: &SplitDesign, frames: usize) -> Vec<BranchFrame> {
        let mut responses = vec![[0.0; BRANCHES]; frames];
        for first in (0..BRANCHES).step_by(BUSES) {
            let mut impulse = vec![[[0.0; BRANCHES]; BUSES]; frames];
            for bus in 0..BUSES {
                impulse[0][bus][first + bus] = 1.0;
            }
            let mut sums = vec![[0.0; BUSES]; frames];
            let mut bank = BranchBank::default();
            InstructionSet::plain().run_eight(RunBank {
                bank: &mut bank,
                design,
                frames: &impulse,
                sums: &mut sums,
            });
            for (response, sum) in responses.iter_mut().zip(&sums) {
                response[first..first + BUSES].copy_from_slice(sum);
            }
        }
        responses
    }

    /// Says whether nothing rings.
    pub fn is_silent(&self) -> bool {
        self.first.iter().chain(&self.second).flatten().all(|&state| state == 0.0)
    }

    /// Filters the branches of each bus and sums them: branch 0 as it is, branch i through low-pass i - 1.
    ///
    /// With s1, s2 the states of [`SplitDesign`]'s filter and u its input:
    /// s1' = p s1 - q s2 + q u, s2' = q s1 + r s2 + (1 - r) u, y = (s2 + s2')/2.
    #[inline(always)]
    pub fn process<E: Eight>(
        &mut self,
        eight: E,
        design: &SplitDesign,
        frames: &[[BranchFrame; BUSES]],
        sums: &mut [[f32; BUSES]],
    ) {
        let [p, q, r, t] = [&design.p, &design.q, &design.r, &design.t].map(|row| eight.load(row));
        // Branch 0 has no filter: its states stay silent, and its input is heard.
        let (half, through) = (eight.load(&FILTERED), eight.load(&THROUGH));
        let mut first = self.first.each_ref().map(|branches| eight.load(branches));
        let mut second = self.second.each_ref().map(|branches| eight.load(branches));
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
    bank: &'a mut BranchBank,
    design: &'a SplitDesign,
    frames: &'a [[BranchFrame; BUSES]],
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
    use std::f64::consts::PI;

    use super::*;

    #[test]
    fn a_running_bank_has_the_responses_of_its_design() {
        for rate in [8_000.0, 11_025.0, 16_000.0, 22_050.0, 48_000.0, 192_000.0, 384_000.0, 768_000.0] {
            let design = SplitDesign::new(rate);
            let responses = BranchBank::impulse_responses(&design, 32_768);
            for branch in 0..BRANCHES {
                for hz in [125.0, 1000.0, 7000.0] {
                    let expected = design.branch_responses(hz)[branch];
                    let (mut re, mut im) = (0.0, 0.0);
                    for (n, frame) in responses.iter().enumerate() {
                        let phase = 2.0 * PI * hz * n as f64 / rate;
                        re += f64::from(frame[branch]) * phase.cos();
                        im -= f64::from(frame[branch]) * phase.sin();
                    }
                    // 1e-3: at 192 kHz single precision sets the lowest corner to 0.3 %.
                    let error = f64::hypot(re - expected.0, im - expected.1);
                    assert!(
                        error < 1e-3,
                        "{rate}: branch {branch} at {hz} Hz: expected {expected:?}, got {re}, {im}"
                    );
                }
            }
        }
    }
}
