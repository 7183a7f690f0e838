//! What is let in as sound and let out as sound: nothing that is no number, too loud for one, or too quiet to be one.

use crate::kernel::instruction_set::Kernel;

/// Loudest input that is let in, linear: +120 dB over full scale, past any sound but not past single precision.
const LOUDEST_INPUT: f32 = 1e6;
/// Quietest input that is let in, linear: 400 dB under full scale, far above numbers that slow a processor down.
const LEAST_INPUT: f32 = 1e-20;
/// Quietest output, linear: 200 dB under full scale, below the noise of any converter; filters would ring on for long
/// under it.
const LEAST_OUTPUT: f32 = 1e-10;

/// Copies an input, without what is no sound; returns whether all of it is silence.
pub(crate) struct LetIn<'a> {
    pub(crate) input: &'a [f32],
    pub(crate) raw: &'a mut [f32],
}

impl Kernel for LetIn<'_> {
    type Output = bool;

    #[inline(always)]
    fn run<const FUSED: bool>(self) -> bool {
        // Bits are gathered where a search would stop at the first sound: that does not vectorise.
        let mut bits = 0;
        for (cell, &x) in self.raw.iter_mut().zip(self.input) {
            let magnitude = x.abs();
            let sounds = (LEAST_INPUT..f32::INFINITY).contains(&magnitude);
            *cell = if sounds { x.clamp(-LOUDEST_INPUT, LOUDEST_INPUT) } else { 0.0 };
            bits |= cell.to_bits();
        }
        bits == 0
    }
}

/// Copies what is heard, without what is no sound.
pub(crate) struct LetOut<'a> {
    pub(crate) heard: &'a [f32],
    pub(crate) output: &'a mut [f32],
}

impl Kernel for LetOut<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        for (out, &x) in self.output.iter_mut().zip(self.heard) {
            *out = if (LEAST_OUTPUT..f32::INFINITY).contains(&x.abs()) { x } else { 0.0 };
        }
    }
}
