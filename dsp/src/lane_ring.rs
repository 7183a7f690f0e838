//! The recent past of a channel, lane by lane.

use crate::bands::LANES;

/// A ring of frames, each lane contiguous.
#[derive(Debug)]
pub struct LaneRing {
    samples: Vec<f32>,
    size: usize,
    /// Where the next frame goes.
    head: usize,
}

impl LaneRing {
    /// Allocates a ring that can be read `longest_delay` frames back while `longest_block` frames are written.
    pub fn new(longest_delay_frames: usize, longest_block_frames: usize) -> Self {
        let size = (longest_delay_frames + longest_block_frames + 2).next_power_of_two();
        Self { samples: vec![0.0; size * LANES], size, head: 0 }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.samples.fill(0.0);
        self.head = 0;
    }

    /// Returns the number of frames kept.
    pub fn frames(&self) -> usize {
        self.size
    }

    /// Appends frames.
    pub fn write(&mut self, frames: &[[f32; LANES]]) {
        for lane in 0..LANES {
            let ring = &mut self.samples[lane * self.size..(lane + 1) * self.size];
            let first = frames.len().min(self.size - self.head);
            for (cell, frame) in ring[self.head..self.head + first].iter_mut().zip(frames) {
                *cell = frame[lane];
            }
            for (cell, frame) in ring.iter_mut().zip(&frames[first..]) {
                *cell = frame[lane];
            }
        }
        self.head = (self.head + frames.len()) & (self.size - 1);
    }

    /// Returns where the frame `delay_frames` before the first of the last `written_frames` lies.
    fn index(&self, delay_frames: usize, written_frames: usize) -> usize {
        (self.head + 2 * self.size - written_frames - delay_frames) & (self.size - 1)
    }

    /// Adds the weighted sum of the lanes, `delay_frames` late, to `sum`: one value for each of the frames last written.
    ///
    /// `sum` may be longer than the block when `delay_frames` reaches far enough
    /// back; its last value then stands for the frame `delay_frames` before the last.
    pub fn add_delayed(
        &self,
        delay_frames: usize,
        written_frames: usize,
        weights: &[f32; LANES],
        sum: &mut [f32],
    ) {
        let start = self.index(delay_frames, written_frames);
        let first = sum.len().min(self.size - start);
        let (head, rest) = sum.split_at_mut(first);
        self.add_run(start, weights, head);
        self.add_run(0, weights, rest);
    }

    fn add_run(&self, start: usize, weights: &[f32; LANES], sum: &mut [f32]) {
        if sum.is_empty() {
            return;
        }
        let frames = sum.len();
        // One slice at a time, each as long as `sum`, so that the compiler sees it and vectorises.
        let lane = |index: usize| &self.samples[index * self.size + start..][..frames];
        let (l0, l1, l2, l3) =
            (&lane(0)[..frames], &lane(1)[..frames], &lane(2)[..frames], &lane(3)[..frames]);
        let (l4, l5, l6, l7) =
            (&lane(4)[..frames], &lane(5)[..frames], &lane(6)[..frames], &lane(7)[..frames]);
        let [w0, w1, w2, w3, w4, w5, w6, w7] = *weights;
        let sum = &mut sum[..frames];
        for n in 0..frames {
            let low = (w0 * l0[n] + w1 * l1[n]) + (w2 * l2[n] + w3 * l3[n]);
            let high = (w4 * l4[n] + w5 * l5[n]) + (w6 * l6[n] + w7 * l7[n]);
            sum[n] += low + high;
        }
    }

    /// Like [`Self::add_delayed`], with weights that change linearly: `from` at the first value, `step` more at each next.
    pub fn add_delayed_ramp(
        &self,
        delay_frames: usize,
        written_frames: usize,
        from: &[f32; LANES],
        step: &[f32; LANES],
        sum: &mut [f32],
    ) {
        let start = self.index(delay_frames, written_frames);
        let first = sum.len().min(self.size - start);
        let (head, rest) = sum.split_at_mut(first);
        self.add_run_ramp(start, from, step, 0, head);
        self.add_run_ramp(0, from, step, first, rest);
    }

    fn add_run_ramp(
        &self,
        start: usize,
        from: &[f32; LANES],
        step: &[f32; LANES],
        offset: usize,
        sum: &mut [f32],
    ) {
        for lane in 0..LANES {
            let samples = &self.samples[lane * self.size + start..][..sum.len()];
            let (from, step) = (from[lane] + step[lane] * offset as f32, step[lane]);
            for (n, (out, &x)) in sum.iter_mut().zip(samples).enumerate() {
                *out += (from + step * n as f32) * x;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delayed_lane_is_the_lane_written_before() {
        let mut ring = LaneRing::new(20, 8);
        let mut written = Vec::new();
        for block in 0..10_u8 {
            let frames: Vec<[f32; LANES]> = (0..8_u8)
                .map(|n| std::array::from_fn(|lane| f32::from(block * 8 + n) + 100.0 * lane as f32))
                .collect();
            ring.write(&frames);
            written.extend(frames);
            let mut weights = [0.0; LANES];
            weights[2] = 2.0;
            let mut sum = [0.0; 8];
            ring.add_delayed(5, 8, &weights, &mut sum);
            let first = written.len() - 8;
            for (n, got) in sum.iter().enumerate() {
                let expected = (first + n).checked_sub(5).map_or(0.0, |index| 2.0 * written[index][2]);
                assert_eq!(*got, expected, "block {block}, frame {n}");
            }
        }
    }
}
