//! Two filters that let both sides of a stereo channel drive one tail without cancelling each other.

/// Delay of the all-passes, s: over the period of the lowest octave (our choice).
const DELAY_S: f64 = 12.7e-3;
/// Gain g = 3^(-1/2): with +g on one side and -g on the other the impulse
/// responses are orthogonal, -g^2 + (1 - g^2)^2/(1 + g^2) = 0.
const GAIN: f32 = 0.577_350_26;
/// State below which the filter is silent, linear.
const SILENT: f32 = 1e-20;

/// How long the all-passes of a stereo channel ring, s: from the loudest input, +120 dB, down to 1e-6 (measured with a delay of 9.1 ms: 0.32 s; scaled and rounded up).
pub(crate) const RINGS_S: f64 = 0.56;

/// An all-pass, H(z) = (g + z^-d)/(1 + g z^-d).
///
/// # Source
/// Schroeder (1962).
#[derive(Clone, Debug)]
pub(crate) struct Decorrelator {
    gain: f32,
    line: Vec<f32>,
    at: usize,
}

impl Decorrelator {
    /// Allocates the filter of the left side (`right` false) or the right side.
    pub(crate) fn new(right: bool, sample_rate_hz: f64) -> Self {
        let gain = if right { -GAIN } else { GAIN };
        Self { gain, line: vec![0.0; (DELAY_S * sample_rate_hz) as usize], at: 0 }
    }

    /// Forgets all sound.
    pub(crate) fn reset(&mut self) {
        self.line.fill(0.0);
        self.at = 0;
    }

    /// Filters `input` into `output`.
    pub(crate) fn filter(&mut self, input: &[f32], output: &mut [f32]) {
        let mut done = 0;
        while done < input.len() {
            // To the end of the ring: within it no frame reads what another one wrote.
            let frames = (self.line.len() - self.at).min(input.len() - done);
            let ring = &mut self.line[self.at..self.at + frames];
            let heard = input[done..done + frames].iter().zip(&mut output[done..done + frames]);
            for (late, (x, out)) in ring.iter_mut().zip(heard) {
                let fed = x - self.gain * *late;
                *out = self.gain * fed + *late;
                *late = if fed.abs() < SILENT { 0.0 } else { fed };
            }
            self.at = (self.at + frames) % self.line.len();
            done += frames;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_sides_keep_their_energy_and_are_orthogonal() {
        let mut impulse = vec![0.0_f32; 48_000];
        impulse[0] = 1.0;
        let response = |right| {
            let mut out = vec![0.0; impulse.len()];
            Decorrelator::new(right, 48_000.0).filter(&impulse, &mut out);
            out
        };
        let (left, right) = (response(false), response(true));
        let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(x, y)| f64::from(x * y)).sum::<f64>();
        assert!((dot(&left, &left) - 1.0).abs() < 1e-5);
        assert!((dot(&right, &right) - 1.0).abs() < 1e-5);
        assert!(dot(&left, &right).abs() < 1e-5);
    }
}
