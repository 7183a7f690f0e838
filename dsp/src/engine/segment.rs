//! Where a run of frames lies within the grid of plans.

use crate::engine::glide::GlideOf;

/// Steps into which a grid step is split; gains run straight between them.
pub const STEPS: usize = 8;

/// A run of frames within one of the eight steps of a grid step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Segment {
    /// Frames from the grid sample to the run's first frame.
    pub offset_frames: usize,
    /// Frames of a grid step, a multiple of eight.
    pub grid_frames: usize,
}

impl Segment {
    /// Returns the share of the grid step at frame `n` of the run.
    pub fn share(&self, n: usize) -> f64 {
        (self.offset_frames + n) as f64 / self.grid_frames as f64
    }

    /// Returns the growth of the share per frame.
    pub fn share_per_frame(&self) -> f64 {
        1.0 / self.grid_frames as f64
    }

    /// Returns the share of the grid step at the start of the run's step.
    pub fn share_of_step(&self) -> f64 {
        self.step_frames().0 as f64 / self.grid_frames as f64
    }

    /// Returns the first frame of the run's step and the frames of a step.
    pub fn step_frames(&self) -> (usize, usize) {
        let frames = self.grid_frames / STEPS;
        (self.offset_frames / frames * frames, frames)
    }

    /// Returns gains that run straight through the step: the values at the step's first frame, and their growth per frame.
    ///
    /// They depend on where the step lies, not on how it is cut into runs.
    #[inline(always)]
    pub fn ramp_of_step<const N: usize>(&self, glide: &GlideOf<N>) -> ([f32; N], [f32; N]) {
        let (start, frames) = self.step_frames();
        let per_grid = 1.0 / self.grid_frames as f32;
        let first = glide.values(start as f32 * per_grid);
        let last = glide.values((start + frames) as f32 * per_grid);
        let per_frame = 1.0 / frames as f32;
        (first, std::array::from_fn(|i| (last[i] - first[i]) * per_frame))
    }
}
