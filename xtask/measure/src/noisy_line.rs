use rostra_dsp::delay_line::DelayLine;
use rostra_dsp::instruction_set::{Eight, EightKernel, InstructionSet};
use rostra_dsp::noise::Noise;

use crate::noise_into;

/// Returns a line filled with noise as far back as `reach_frames`, and a run of `run_frames` beyond.
pub fn noisy_line(reach_frames: usize, run_frames: usize, set: InstructionSet) -> DelayLine {
    let mut line = DelayLine::new(reach_frames, run_frames);
    line.reach(reach_frames);
    let mut noise = Noise::new(1);
    let mut run = vec![0.0; run_frames];
    for _ in 0..=reach_frames / run_frames {
        noise_into(&mut noise, &mut run);
        set.run_eight(Write { line: &mut line, run: &run });
    }
    line
}

/// The writing of a run, as a kernel.
struct Write<'a> {
    line: &'a mut DelayLine,
    run: &'a [f32],
}

impl EightKernel for Write<'_> {
    type Output = ();

    #[inline(always)]
    fn run<E: Eight>(self, eight: E) {
        self.line.write(eight, self.run);
    }
}
