//! A gain that goes in straight lines, so that no switch clicks.

/// A gain on its way.
#[derive(Clone, Copy, Debug)]
pub struct Ramp {
    now: f32,
    target: f32,
    step: f32,
    fade_frames: f32,
}

impl Ramp {
    /// Makes a gain that rests, and takes `fade_frames` from any value to any other.
    pub fn new(gain: f32, fade_frames: f64) -> Self {
        Self { now: gain, target: gain, step: 0.0, fade_frames: fade_frames.max(1.0) as f32 }
    }

    /// Glides to a gain, as [`Self::glide_to`].
    #[must_use]
    pub fn to(mut self, gain: f32) -> Self {
        self.glide_to(gain);
        self
    }

    /// Glides to a gain from where it is.
    pub fn glide_to(&mut self, gain: f32) {
        if gain != self.target {
            self.target = gain;
            self.step = (gain - self.now) / self.fade_frames;
        }
    }

    /// Goes on by a frame and returns the gain.
    #[inline]
    pub fn step(&mut self) -> f32 {
        if self.now != self.target {
            let is_there = (self.target - self.now).abs() <= self.step.abs();
            self.now = if is_there { self.target } else { self.now + self.step };
        }
        self.now
    }

    /// Says whether it rests at a gain.
    pub fn is_at(&self, gain: f32) -> bool {
        self.now == gain && self.target == gain
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_arrives_in_time_in_even_steps_and_turns_back_from_where_it_is() {
        let mut ramp = Ramp::new(0.0, 100.0).to(1.0);
        let way: Vec<f32> = (0..101).map(|_| ramp.step()).collect();
        assert!(ramp.is_at(1.0), "at {}", ramp.step());
        assert!(way.windows(2).all(|pair| (pair[1] - pair[0] - 0.01).abs() < 1e-5 || pair[1] == 1.0));
        ramp.glide_to(0.0);
        let half: Vec<f32> = (0..50).map(|_| ramp.step()).collect();
        ramp.glide_to(1.0);
        assert!((ramp.step() - half[49]).abs() < 0.02);
    }
}
