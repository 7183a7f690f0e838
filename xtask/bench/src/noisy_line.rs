use rostra_dsp::engine::parts::DelayLine;
use rostra_dsp::kernel::Noise;

use crate::noise_into;

/// Returns a line filled with noise as far back as `reach_frames`, and a run of `run_frames` beyond.
pub fn noisy_line(reach_frames: usize, run_frames: usize) -> DelayLine {
    let mut line = DelayLine::new(reach_frames, run_frames);
    let mut noise = Noise::new(1);
    let mut run = vec![0.0; run_frames];
    for _ in 0..=reach_frames / run_frames {
        noise_into(&mut noise, &mut run);
        line.write(&run);
    }
    line
}
