//! Decay of sound energy, and how it is shared between early and late.

/// Why a decay could not be read off a curve.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DecayError {
    /// The response has no energy.
    #[error("the response is silent")]
    Silent,
    /// The curve ends before it has fallen far enough.
    #[error("the curve ends at {reached_db:.1} dB, before {wanted_db:.1} dB")]
    RangeNotReached {
        /// The lowest level asked for, dB.
        wanted_db: f64,
        /// The lowest level of the curve, dB.
        reached_db: f64,
    },
    /// The start of the fit lies behind the end of the response.
    #[error("the fit starts at {from_s} s, the response ends at {length_s} s")]
    StartsTooLate {
        /// The start asked for, s.
        from_s: f64,
        /// The length of the response, s.
        length_s: f64,
    },
    /// The range holds fewer than two samples, or levels that do not fall.
    #[error("{samples} samples between {from_db:.1} dB and {to_db:.1} dB make no falling line")]
    NoLine {
        /// Upper end of the range, dB.
        from_db: f64,
        /// Lower end of the range, dB.
        to_db: f64,
        /// Samples in the range.
        samples: usize,
    },
}

/// The energy that is still to come, against all of it, at every sample.
///
/// L(t) = 10 log10(E(t)/E(0)), E(t) the integral of p^2 from t to the end; 0 dB at the first sample.
/// A record that is cut short bends the curve down at its end: let it go on for
/// at least 15 dB below the range to be read.
///
/// ```
/// use rostra_dsp::measure::DecayCurve;
///
/// // A pressure that falls by 60 dB in 0.5 s, for a second.
/// let rate_hz = 48_000.0;
/// let decaying: Vec<f64> = (0..48_000).map(|n| 1e-3_f64.powf(f64::from(n) / rate_hz / 0.5)).collect();
/// let t30_s = DecayCurve::of(&decaying, rate_hz)?.t30_s()?;
/// assert!((t30_s - 0.5).abs() < 1e-6);
/// # Ok::<(), rostra_dsp::measure::DecayError>(())
/// ```
///
/// # Source
/// Schroeder (1965); ISO 3382-1:2009, clause 5.3.3, equation (1), noise being absent.
#[derive(Clone, Debug, PartialEq)]
pub struct DecayCurve {
    levels_db: Vec<f64>,
    sample_rate_hz: f64,
}

impl DecayCurve {
    /// Integrates a response backwards.
    ///
    /// # Errors
    /// When the response is silent.
    pub fn of(response: &[f64], sample_rate_hz: f64) -> Result<Self, DecayError> {
        let mut left = 0.0;
        let mut levels_db: Vec<f64> = response
            .iter()
            .rev()
            .map(|pressure| {
                left += pressure * pressure;
                left
            })
            .collect();
        levels_db.reverse();
        if left <= 0.0 {
            return Err(DecayError::Silent);
        }
        for level in &mut levels_db {
            *level = 10.0 * (*level / left).log10();
        }
        Ok(Self { levels_db, sample_rate_hz })
    }

    /// Returns the level at every sample, dB, never rising; minus infinity after the last sound.
    pub fn levels_db(&self) -> &[f64] {
        &self.levels_db
    }

    /// Returns the early decay time, 0 to -10 dB, in s (ISO 3382-1:2009, clause A.2.2).
    ///
    /// # Errors
    /// See [`Self::decay_s`].
    pub fn edt_s(&self) -> Result<f64, DecayError> {
        self.decay_s(0.0, -10.0)
    }

    /// Returns T20, -5 to -25 dB, in s (ISO 3382-2:2008, clause 6).
    ///
    /// # Errors
    /// See [`Self::decay_s`].
    pub fn t20_s(&self) -> Result<f64, DecayError> {
        self.decay_s(-5.0, -25.0)
    }

    /// Returns T30, -5 to -35 dB, in s (ISO 3382-2:2008, clause 6).
    ///
    /// # Errors
    /// See [`Self::decay_s`].
    pub fn t30_s(&self) -> Result<f64, DecayError> {
        self.decay_s(-5.0, -35.0)
    }

    /// Returns the time of a decay by 60 dB, T = -60/b s, b the slope of the least-squares line from `from_db` down to `to_db`.
    ///
    /// # Source
    /// ISO 3382-2:2008, annex C.
    ///
    /// # Errors
    /// When the curve ends above `to_db`, or the range holds no falling line.
    pub fn decay_s(&self, from_db: f64, to_db: f64) -> Result<f64, DecayError> {
        self.fit(self.levels_db.partition_point(|&level| level > from_db), from_db, to_db)
    }

    /// Returns the time of a decay by 60 dB, s, read from `from_s` on over the next `span_db`.
    ///
    /// The range starts at the curve's own level at that time, so that what came before has no part in it.
    ///
    /// # Errors
    /// When the time lies behind the end, the curve does not fall by the span, or the range holds no falling line.
    pub fn decay_after_s(&self, from_s: f64, span_db: f64) -> Result<f64, DecayError> {
        let first = (from_s.max(0.0) * self.sample_rate_hz).round() as usize;
        let length_s = self.levels_db.len() as f64 / self.sample_rate_hz;
        let from_db = *self.levels_db.get(first).ok_or(DecayError::StartsTooLate { from_s, length_s })?;
        self.fit(first, from_db, from_db - span_db)
    }

    fn fit(&self, first: usize, from_db: f64, to_db: f64) -> Result<f64, DecayError> {
        let reached_db =
            self.levels_db.iter().rev().copied().find(|level| level.is_finite()).unwrap_or(f64::NEG_INFINITY);
        if to_db.is_nan() || reached_db > to_db {
            return Err(DecayError::RangeNotReached { wanted_db: to_db, reached_db });
        }
        let after = self.levels_db.partition_point(|&level| level >= to_db);
        let range = self.levels_db.get(first..after).unwrap_or_default();
        let slope_db_per_sample = slope(range);
        if slope_db_per_sample < 0.0 {
            Ok(-60.0 / (slope_db_per_sample * self.sample_rate_hz))
        } else {
            Err(DecayError::NoLine { from_db, to_db, samples: range.len() })
        }
    }
}

/// Returns the slope of the least-squares line through equidistant values, per step; 0 for fewer than two.
fn slope(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let middle = (values.len() - 1) as f64 / 2.0;
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let (up, down) = values.iter().enumerate().fold((0.0, 0.0), |(up, down), (k, value)| {
        let x = k as f64 - middle;
        (up + x * (value - mean), down + x * x)
    });
    up / down
}

/// Returns the energy before and from `split_s` on, as sums of squared samples.
fn early_and_late(response: &[f64], sample_rate_hz: f64, split_s: f64) -> (f64, f64) {
    let split = ((split_s * sample_rate_hz).round() as usize).min(response.len());
    let energy = |part: &[f64]| part.iter().map(|p| p * p).sum::<f64>();
    (energy(&response[..split]), energy(&response[split..]))
}

/// Returns the share of a response's energy that comes before `split_s`, 0 to 1; 0 for silence.
pub fn early_share(response: &[f64], sample_rate_hz: f64, split_s: f64) -> f64 {
    let (early, late) = early_and_late(response, sample_rate_hz, split_s);
    if early + late > 0.0 { early / (early + late) } else { 0.0 }
}

/// Returns the clarity C80 = 10 log10(early/late), split at 80 ms, in dB.
///
/// Infinite where nothing is late, minus infinity where nothing is early, not a
/// number for silence.
///
/// # Source
/// ISO 3382-1:2009, equation (A.10).
pub fn c80_db(response: &[f64], sample_rate_hz: f64) -> f64 {
    let (early, late) = early_and_late(response, sample_rate_hz, 0.080);
    10.0 * (early / late).log10()
}

/// Returns the definition D50, the share of energy in the first 50 ms, 0 to 1.
///
/// # Source
/// ISO 3382-1:2009, equation (A.11).
pub fn d50(response: &[f64], sample_rate_hz: f64) -> f64 {
    early_share(response, sample_rate_hz, 0.050)
}

/// Returns the centre time Ts = sum t p^2 / sum p^2, in s; 0 for silence.
///
/// # Source
/// ISO 3382-1:2009, equation (A.13).
pub fn centre_time_s(response: &[f64], sample_rate_hz: f64) -> f64 {
    let (moment, energy) = response.iter().enumerate().fold((0.0, 0.0), |(moment, energy), (k, p)| {
        let e = p * p;
        (moment + k as f64 * e, energy + e)
    });
    if energy > 0.0 { moment / energy / sample_rate_hz } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::platform::DECAY_EXPONENT;

    const RATE_HZ: f64 = 48_000.0;

    fn exponential(decay_s: f64, length_s: f64) -> Vec<f64> {
        (0..(length_s * RATE_HZ) as usize)
            .map(|k| (-DECAY_EXPONENT / 2.0 * k as f64 / RATE_HZ / decay_s).exp())
            .collect()
    }

    #[test]
    fn the_late_fit_hears_only_what_comes_after() {
        // A fast decay for 100 ms, then a slow one 20 dB below the start.
        let mut response = exponential(0.2, 1.5);
        for (fast, slow) in response.iter_mut().zip(exponential(0.8, 1.5)) {
            *fast += 0.03 * slow;
        }
        let curve = DecayCurve::of(&response, RATE_HZ).expect("the response sounds");
        let late_s = curve.decay_after_s(0.4, 30.0).expect("the curve is deep");
        assert!((late_s / 0.8 - 1.0).abs() < 0.005, "expected 0.8, got {late_s}");
        let early_s = curve.edt_s().expect("the curve is deep");
        assert!(early_s < 0.4, "expected about 0.2, got {early_s}");
    }

    #[test]
    fn what_cannot_be_read_is_an_error() {
        assert_eq!(DecayCurve::of(&[0.0; 9], RATE_HZ), Err(DecayError::Silent));
        assert_eq!(DecayCurve::of(&[], RATE_HZ), Err(DecayError::Silent));
        let short = DecayCurve::of(&exponential(0.5, 0.05), RATE_HZ).expect("the response sounds");
        assert!(matches!(
            short.decay_s(-5.0, -95.0),
            Err(DecayError::RangeNotReached { wanted_db: -95.0, .. })
        ));
        assert!(matches!(short.decay_after_s(1.0, 10.0), Err(DecayError::StartsTooLate { from_s: 1.0, .. })));
        let mut click = vec![0.0; 100];
        click[0] = 1.0;
        let click = DecayCurve::of(&click, RATE_HZ).expect("the response sounds");
        assert!(matches!(click.t20_s(), Err(DecayError::RangeNotReached { .. })));
        assert!(matches!(short.decay_s(-20.0, -10.0), Err(DecayError::NoLine { samples: 0, .. })));
        assert!(short.decay_s(0.0, f64::NAN).is_err());
    }

    #[test]
    fn the_curve_starts_at_0_db_and_never_rises() {
        let curve = DecayCurve::of(&exponential(0.5, 1.0), RATE_HZ).expect("the response sounds");
        assert_eq!(curve.levels_db()[0], 0.0);
        assert!(curve.levels_db().is_sorted_by(|a, b| a >= b));
    }

    #[test]
    fn a_lone_impulse_is_all_early() {
        let mut click = vec![0.0; 48_000];
        click[4800] = 2.0;
        assert_eq!(d50(&click, RATE_HZ), 0.0);
        assert!((centre_time_s(&click, RATE_HZ) - 0.1).abs() < 1e-12);
        assert_eq!(c80_db(&click[1000..], RATE_HZ), f64::INFINITY);
        assert_eq!(centre_time_s(&[0.0; 4], RATE_HZ), 0.0);
        assert!(c80_db(&[0.0; 4], RATE_HZ).is_nan());
    }
}
