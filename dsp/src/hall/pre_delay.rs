//! The gap before the hall answers: a delay that is changed by a crossfade, never by a glide, so that no pitch bends.

use super::PRE_DELAY;
use crate::engine::delay_line::DelayLine;
use crate::engine::early::LONGEST_RUN_FRAMES;

/// Time over which one gap gives way to another, s: as long as a fast tap's crossfade on the platform.
const FADE_S: f64 = 0.05;

/// Returns the longest gap, s.
pub(super) fn longest_pre_delay_s() -> f64 {
    PRE_DELAY.range().1 / 1e3
}

/// Both channels' gap.
#[derive(Debug)]
pub(super) struct PreDelay {
    lines: [DelayLine; 2],
    sample_rate_hz: f64,
    /// The gap that is heard, and the one that takes over, in frames.
    now_frames: usize,
    next_frames: usize,
    /// How far the next one has come, 0 to 1, and how much a frame adds.
    share: f32,
    step: f32,
}

impl PreDelay {
    pub(super) fn new(sample_rate_hz: f64) -> Self {
        let longest = (longest_pre_delay_s() * sample_rate_hz).ceil() as usize;
        Self {
            lines: [longest; 2].map(|longest| DelayLine::new(longest, LONGEST_RUN_FRAMES)),
            sample_rate_hz,
            now_frames: 0,
            next_frames: 0,
            share: 0.0,
            step: (1.0 / (FADE_S * sample_rate_hz)) as f32,
        }
    }

    pub(super) fn reset(&mut self) {
        self.lines.iter_mut().for_each(DelayLine::reset);
    }

    /// Starts with a gap.
    pub(super) fn jump_to(&mut self, pre_delay_s: f64) {
        self.now_frames = (pre_delay_s * self.sample_rate_hz).round() as usize;
        self.next_frames = self.now_frames;
        self.share = 0.0;
    }

    /// Wants a gap; a crossfade that is under way is finished first.
    pub(super) fn glide_to(&mut self, pre_delay_s: f64) {
        if self.next_frames == self.now_frames {
            self.next_frames = (pre_delay_s * self.sample_rate_hz).round() as usize;
        }
    }

    /// Delays a run of both channels.
    pub(super) fn process(&mut self, inputs: [&[f32]; 2], outputs: [&mut [f32]; 2]) {
        let frames = inputs[0].len();
        let is_fading = self.next_frames != self.now_frames;
        for ((line, input), output) in self.lines.iter_mut().zip(inputs).zip(outputs) {
            line.write(input);
            output.copy_from_slice(line.delayed(self.now_frames, frames));
            if is_fading {
                for (n, (out, next)) in
                    output.iter_mut().zip(line.delayed(self.next_frames, frames)).enumerate()
                {
                    let share = (self.share + self.step * n as f32).min(1.0);
                    *out += share * (next - *out);
                }
            }
        }
        if is_fading {
            self.share += self.step * frames as f32;
            if self.share >= 1.0 {
                self.now_frames = self.next_frames;
                self.share = 0.0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(gap: &mut PreDelay, input: &[f32]) -> Vec<f32> {
        let mut heard = Vec::new();
        for run in input.chunks(100) {
            let (mut left, mut right) = (vec![0.0; run.len()], vec![0.0; run.len()]);
            gap.process([run, run], [&mut left, &mut right]);
            assert_eq!(left, right);
            heard.extend(left);
        }
        heard
    }

    #[test]
    fn an_impulse_comes_after_the_gap_to_the_frame() {
        for (pre_delay_s, frames) in [(0.0, 0), (0.03, 1440), (0.12, 5760), (0.0001, 5)] {
            let mut gap = PreDelay::new(48_000.0);
            gap.jump_to(pre_delay_s);
            let mut input = vec![0.0; 7000];
            input[0] = 1.0;
            let heard = run(&mut gap, &input);
            assert_eq!(heard.iter().position(|x| *x != 0.0), Some(frames));
            assert_eq!(heard[frames], 1.0);
        }
    }

    /// A constant goes through a change of the gap unchanged, and the new gap is there after 50 ms.
    #[test]
    fn a_new_gap_fades_in() {
        let mut gap = PreDelay::new(48_000.0);
        gap.jump_to(0.0);
        run(&mut gap, &vec![0.5; 9000]);
        gap.glide_to(0.1);
        let heard = run(&mut gap, &vec![0.5; 4800]);
        assert!(heard.iter().all(|x| (x - 0.5).abs() < 1e-6));
        let mut input = vec![0.5; 6000];
        input[0] = 1.0;
        assert_eq!(run(&mut gap, &input).iter().position(|x| (x - 1.0).abs() < 1e-6), Some(4800));
    }
}
