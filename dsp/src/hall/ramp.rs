//! A gain that goes to a new value over one block, in a straight line.

/// A gain, where it comes from and where it is by the end of the block.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Ramp {
    from: f32,
    to: f32,
}

impl Ramp {
    /// Stands at a value.
    pub(super) fn jump_to(&mut self, value: f64) {
        *self = Self { from: value as f32, to: value as f32 };
    }

    /// Glides to a value, at the start of a block.
    pub(super) fn glide_to(&mut self, value: f64) {
        *self = Self { from: self.to, to: value as f32 };
    }

    /// Returns the gain at a frame of the block, and its change per frame.
    pub(super) fn at(self, frame: usize, block_frames: usize) -> (f32, f32) {
        let step = (self.to - self.from) / block_frames as f32;
        (self.from + step * frame as f32, step)
    }
}
