//! One arrival alone, played by the engine's own early part.

use rostra_dsp::acoustics::ARRIVALS;
use rostra_dsp::engine::parts::{Early, EarlyConfig, LONGEST_RUN_FRAMES, STEPS, Segment};
use rostra_dsp::kernel::InstructionSet;
use rostra_dsp::plan::{BRANCHES, SourcePlan};
use rostra_dsp::tail::onset_frames;

/// Blocks of the convolver in a grid step of plans, as the engine's documentation has it.
const BLOCKS_IN_GRID: usize = 4;

/// Returns the frames of a grid step of plans.
pub fn grid_frames(rate_hz: f64) -> usize {
    BLOCKS_IN_GRID * onset_frames(rate_hz)
}

/// Leaves of a plan one arrival at one capsule.
pub fn only(plan: &SourcePlan, arrival: usize, capsule: usize) -> SourcePlan {
    let mut alone = *plan;
    for (index, heard) in alone.capsules.iter_mut().enumerate() {
        for other in (0..ARRIVALS).filter(|&other| other != arrival || index != capsule) {
            heard.weights[other] = [0.0; BRANCHES];
        }
    }
    alone.early_feed = SourcePlan::SILENCE.early_feed;
    alone.late_feed = SourcePlan::SILENCE.late_feed;
    alone
}

/// Plays an input through plans, one a grid step, the last one to the end; returns both channels.
pub fn play(input: &[f32], plans: &[SourcePlan], rate_hz: f64) -> [Vec<f32>; 2] {
    let grid = grid_frames(rate_hz);
    let run = (grid / STEPS).min(LONGEST_RUN_FRAMES);
    let mut early = Early::new(&EarlyConfig {
        sample_rate_hz: rate_hz,
        sources: 1,
        outputs: 2,
        grid_frames: grid,
        instruction_set: InstructionSet::widest(),
    });
    early.jump_to(&plans[..1]);
    let mut heard = [Vec::with_capacity(input.len()), Vec::with_capacity(input.len())];
    for (step, frames) in input.chunks(grid).enumerate() {
        if step > 0 {
            let (before, now) = (&plans[(step - 1).min(plans.len() - 1)], &plans[step.min(plans.len() - 1)]);
            early.glide_to(0, now, now != before);
        }
        for (index, frames) in frames.chunks(run).enumerate() {
            let segment = Segment { offset_frames: index * run, grid_frames: grid };
            let line = || vec![0.0_f32; frames.len()];
            let (mut left, mut right, mut first, mut second) = (line(), line(), line(), line());
            early.process(&[frames], &segment, [&mut left, &mut right, &mut first, &mut second]);
            heard[0].extend(left);
            heard[1].extend(right);
        }
    }
    heard
}
