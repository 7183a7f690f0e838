//! What walls and air make of a decay together: air sets a ceiling that no wall lifts.

use crate::acoustics::air::Air;
use crate::acoustics::octave::{MID, WithTop, exact_midband_hz, mid_mean};

/// Least that walls take of a decay asked for, against what they would take without air (our choice).
///
/// Less, and in dry air with its loss many times the real one the bass, which
/// air hardly takes from, would ring several times as long as mid-band.
const LEAST_OF_WALLS: f64 = 0.5;

/// Rates of decay of each octave and the top, 1/T, one over seconds: of the walls as they stand to each other, and of the air.
#[derive(Clone, Copy, Debug)]
pub(crate) struct WallsAndAir {
    walls_per_s: WithTop,
    air_per_s: WithTop,
}

impl WallsAndAir {
    /// Takes the decays of walls alone, in seconds up to a common factor, and the air between them.
    pub(crate) fn new(walls_s: &WithTop, air: &Air) -> Self {
        Self {
            walls_per_s: walls_s.map(f64::recip),
            air_per_s: std::array::from_fn(|octave| air.longest_decay_s(exact_midband_hz(octave)).recip()),
        }
    }

    /// Returns the factor w on the walls' rates with which the mean of 500 Hz and 1 kHz is as asked for.
    ///
    /// 1/(w p + a) + 1/(w q + b) = 2 T, p and q the rates of the walls at 500 Hz
    /// and 1 kHz, a and b those of the air: a quadratic in w, whose larger root
    /// leaves both terms above 0. Where air takes most of mid-band, w is
    /// [`LEAST_OF_WALLS`] of what it is without air, and the mean stays under T.
    pub(crate) fn walls_for_mid(&self, mid_s: f64) -> f64 {
        let [(p, a), (q, b)] = MID.map(|octave| (self.walls_per_s[octave], self.air_per_s[octave]));
        let (square, linear) = (2.0 * mid_s * p * q, 2.0 * mid_s * (p * b + q * a) - p - q);
        let constant = 2.0 * mid_s * a * b - a - b;
        let root = ((linear * linear - 4.0 * square * constant).max(0.0).sqrt() - linear) / (2.0 * square);
        let without_air = mid_mean(&self.walls_per_s.map(f64::recip)) / mid_s;
        root.max(LEAST_OF_WALLS * without_air)
    }

    /// Returns the decays 1/(w/`T_walls` + a c/60 dB) for a factor w on the walls' rates, s.
    pub(crate) fn decays_s(&self, walls: f64) -> WithTop {
        std::array::from_fn(|octave| (walls * self.walls_per_s[octave] + self.air_per_s[octave]).recip())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WALLS_S: WithTop = [1.2, 1.1, 1.0, 0.9, 0.8, 0.8, 0.7, 0.7];

    fn mid_of(air: &Air, mid_s: f64) -> (f64, WithTop) {
        let both = WallsAndAir::new(&WALLS_S, air);
        let decays_s = both.decays_s(both.walls_for_mid(mid_s));
        (mid_mean(&decays_s), decays_s)
    }

    #[test]
    fn mid_band_is_as_asked_for_and_air_is_the_ceiling() {
        for loss in [0.0, 1.0, 4.0] {
            let air = Air { loss, ..Air::default() };
            for mid_s in [0.2, 0.5, 1.0, 3.0] {
                let (got_s, decays_s) = mid_of(&air, mid_s);
                assert!((got_s / mid_s - 1.0).abs() < 1e-9, "loss {loss}: asked {mid_s} s, got {got_s} s");
                for (octave, decay_s) in decays_s.into_iter().enumerate() {
                    assert!(
                        decay_s < air.longest_decay_s(exact_midband_hz(octave)),
                        "octave {octave}: {decay_s} s"
                    );
                }
            }
        }
    }

    /// Dry air, eight times as thick: its mid-band ceiling is under the decay asked for.
    #[test]
    fn where_air_takes_mid_band_the_bass_does_not_run_away() {
        let air = Air { humidity_pct: 10.0, loss: 8.0, ..Air::default() };
        let (got_s, decays_s) = mid_of(&air, 8.0);
        assert!(got_s < 8.0 && decays_s[0] < 2.5 * 8.0, "{decays_s:?}");
    }
}
