//! How far the picture of a stereo channel leans to one side before it is placed.

/// Time over which both sides are heard, s: that of short-term loudness (EBU Tech 3341).
const WINDOW_S: f64 = 3.0;
/// Mean square under which a channel is silence: that of -70 dBFS, the absolute gate of ITU-R BS.1770.
const SILENCE: f64 = 1e-7;
/// Share of the energy in the difference of both sides under which they count as one signal: -60 dB.
const ALIKE: f64 = 1e-6;

/// Energies of both sides, which fade as they grow older.
#[derive(Clone, Debug)]
pub struct OwnLean {
    /// Left, right, and their difference: mean squares over the window.
    squares: [f64; 3],
    fades_per_frame: f64,
}

impl OwnLean {
    /// Starts without a memory.
    pub fn new(sample_rate_hz: f64) -> Self {
        Self { squares: [0.0; 3], fades_per_frame: 1.0 / (WINDOW_S * sample_rate_hz) }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.squares = [0.0; 3];
    }

    /// Hears a block of both sides.
    pub fn hear(&mut self, left: &[f32], right: &[f32]) {
        let keeps = (-self.fades_per_frame * left.len() as f64).exp();
        let mut new = [0.0; 3];
        for (&left, &right) in left.iter().zip(right) {
            let (left, right) = (f64::from(left), f64::from(right));
            new[0] += left * left;
            new[1] += right * right;
            new[2] += (left - right) * (left - right);
        }
        for (square, new) in self.squares.iter_mut().zip(new) {
            *square = *square * keeps + new * self.fades_per_frame;
        }
    }

    /// Returns how much stronger the right side is than the left one, dB; `None` in silence and where both are one signal.
    pub fn lean_db(&self) -> Option<f64> {
        let [left, right, difference] = self.squares;
        let whole = left + right;
        // What is no number is neither.
        let is_stereo = whole > SILENCE && difference > ALIKE * whole;
        is_stereo.then(|| 10.0 * ((right + SILENCE * 1e-3) / (left + SILENCE * 1e-3)).log10())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::acoustics::gain_of_db;
    use rostra_dsp::kernel::Noise;

    #[test]
    fn a_side_that_is_stronger_is_found_and_forgotten_and_one_signal_does_not_lean() {
        let mut noise = Noise::new(5);
        let mut sound = |gain: f64| -> Vec<f32> {
            (0..10 * 48_000).map(|_| (0.1 * gain * noise.gaussian()) as f32).collect()
        };
        let mut lean = OwnLean::new(48_000.0);
        assert_eq!(lean.lean_db(), None, "nothing was heard");
        for wanted_db in [-9.0, 0.0, 4.5] {
            let (left, right) = (sound(1.0), sound(gain_of_db(wanted_db)));
            for (left, right) in left.chunks(777).zip(right.chunks(777)) {
                lean.hear(left, right);
            }
            let got_db = lean.lean_db().expect("both sides sound");
            // Of what was heard before, exp(-10/3) is left.
            assert!((got_db - wanted_db).abs() < 0.6, "{wanted_db} dB: {got_db} dB");
        }
        lean.reset();
        let mono = sound(1.0);
        lean.hear(&mono, &mono);
        assert_eq!(lean.lean_db(), None, "one signal on both sides");
        lean.reset();
        lean.hear(&mono, &vec![0.0; mono.len()]);
        assert!(lean.lean_db().expect("one side sounds") < -30.0);
    }
}
