//! How a value travels from plan to plan: a curve without kinks through the grid.
//!
//! A plan is made once a grid step. Between two grid samples a value follows
//! the quadratic B-spline of the last three plans, so that both the value and
//! its speed are continuous; a plan is reached two grid steps after it was made.

/// A value on its way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glide {
    controls: [f64; 3],
}

impl Glide {
    /// Starts at rest.
    pub const fn at(value: f64) -> Self {
        Self { controls: [value; 3] }
    }

    /// Starts the next grid step, on the way to `target`.
    pub fn glide_to(&mut self, target: f64) {
        self.controls = [self.controls[1], self.controls[2], target];
    }

    /// Returns the value after a share s of the grid step, 0 to 1:
    /// (c0 + c1)/2 + (c1 - c0) s + (c2 - 2 c1 + c0) s^2/2.
    pub fn value(&self, share: f64) -> f64 {
        let [c0, c1, c2] = self.controls;
        f64::midpoint(c0, c1) + (c1 - c0) * share + (c2 - 2.0 * c1 + c0) * share * share / 2.0
    }

    /// Returns the value as a polynomial of the share of the grid step: constant, linear, quadratic.
    pub fn polynomial(&self) -> [f64; 3] {
        let [c0, c1, c2] = self.controls;
        [f64::midpoint(c0, c1), c1 - c0, 0.5 * (c2 - 2.0 * c1 + c0)]
    }

    /// Returns the newest target.
    pub const fn target(&self) -> f64 {
        self.controls[2]
    }

    /// Says whether the value rests throughout the grid step.
    pub fn rests(&self) -> bool {
        self.controls[0] == self.controls[1] && self.controls[1] == self.controls[2]
    }
}

/// Several values that travel together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GlideOf<const N: usize> {
    controls: [[f32; N]; 3],
}

impl<const N: usize> GlideOf<N> {
    /// Starts at rest.
    pub const fn at(values: [f32; N]) -> Self {
        Self { controls: [values; 3] }
    }

    /// Starts the next grid step, on the way to `targets`.
    pub fn glide_to(&mut self, targets: [f32; N]) {
        self.controls = [self.controls[1], self.controls[2], targets];
    }

    /// Returns the values after a share of the grid step, 0 to 1; see [`Glide::value`].
    pub fn values(&self, share: f32) -> [f32; N] {
        let [c0, c1, c2] = &self.controls;
        std::array::from_fn(|i| {
            0.5 * (c0[i] + c1[i])
                + (c1[i] - c0[i]) * share
                + (c2[i] - 2.0 * c1[i] + c0[i]) * (0.5 * share * share)
        })
    }

    /// Returns the newest targets.
    pub const fn targets(&self) -> [f32; N] {
        self.controls[2]
    }

    /// Says whether all values rest throughout the grid step.
    pub fn rests(&self) -> bool {
        self.controls[0] == self.controls[1] && self.controls[1] == self.controls[2]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn value_and_speed_are_continuous_and_the_target_is_reached_in_two_steps() {
        let mut glide = Glide::at(0.0);
        let mut last = (0.0, 0.0);
        for (step, target) in [1.0, 3.0, 2.0, 2.0, 2.0].into_iter().enumerate() {
            glide.glide_to(target);
            let start = glide.value(0.0);
            let speed = (glide.value(1e-6) - start) / 1e-6;
            assert!((start - last.0).abs() < 1e-12, "step {step}: expected {}, got {start}", last.0);
            assert!((speed - last.1).abs() < 1e-4, "step {step}: expected {}, got {speed}", last.1);
            last = (glide.value(1.0), (glide.value(1.0) - glide.value(1.0 - 1e-6)) / 1e-6);
        }
        assert!((last.0 - 2.0).abs() < 1e-12);
        assert!(glide.rests());
    }
}
