//! The picture of a stereo channel, brought to the middle of its seat: what was panned as it was recorded is taken out.

use crate::acoustics::decibel::gain_of_db;
use crate::engine::glide::GlideOf;

/// Returns the gains of the left and the right side at which a picture that leans lies in the middle, as loud as it was.
///
/// Where the right side is r times as strong as the left one, r = 10^(lean/20),
/// gL = sqrt((1 + r^2)/2) and gR = gL/r: both sides come out equally strong, and
/// gL^2 + gR^2 r^2 = 1 + r^2.
pub(crate) fn side_gains(lean_db: f64) -> [f32; 2] {
    let ratio = gain_of_db(lean_db);
    let left = (0.5 * (1.0 + ratio * ratio)).sqrt();
    [left, left / ratio].map(|gain| gain as f32)
}

/// The gains of both sides, on their way.
#[derive(Clone, Debug)]
pub(crate) struct SideLevels {
    gains: GlideOf<2>,
}

impl SideLevels {
    /// Starts at rest, at a lean in dB.
    pub(crate) fn new(lean_db: f64) -> Self {
        Self { gains: GlideOf::at(side_gains(lean_db)) }
    }

    /// Starts the next grid step on the way to a lean.
    pub(crate) fn glide_to(&mut self, lean_db: f64) {
        self.gains.glide_to(side_gains(lean_db));
    }

    /// Says whether the gains rest throughout the grid step.
    pub(crate) fn rests(&self) -> bool {
        self.gains.rests()
    }

    /// Levels the two ends of a channel in place; `shares` is the share of the grid step at the first sample and its growth per
    /// sample.
    pub(crate) fn process(&self, shares: (f64, f64), sides: [&mut [f32]; 2]) {
        let moves = !self.gains.rests();
        let mut gains = self.gains.values(shares.0 as f32);
        if !moves && gains == [1.0; 2] {
            return;
        }
        let [left, right] = sides;
        for (n, (left, right)) in left.iter_mut().zip(right).enumerate() {
            if moves {
                gains = self.gains.values((shares.0 + shares.1 * n as f64) as f32);
            }
            *left *= gains[0];
            *right *= gains[1];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_that_leans_comes_to_the_middle_as_loud_as_it_was() {
        assert_eq!(side_gains(0.0), [1.0; 2]);
        for lean_db in [-12.0, -3.0, 0.5, 6.0, 12.0] {
            let sides = [1.0, 10.0_f64.powf(lean_db / 20.0)];
            let gains = side_gains(lean_db).map(f64::from);
            let [left, right] = [sides[0] * gains[0], sides[1] * gains[1]];
            assert!((left - right).abs() < 1e-6, "{lean_db} dB: {left} and {right}");
            let energy = |sides: [f64; 2]| sides[0].powi(2) + sides[1].powi(2);
            assert!((energy([left, right]) / energy(sides) - 1.0).abs() < 1e-6, "{lean_db} dB");
        }
    }
}
