//! The ceiling over the output: nothing louder than -1 dBFS reaches an ear, and what is quiet is left as it is.

/// Level up to which nothing is touched: -6 dBFS, `10^(-6/20)`. Our choice: a loop at an ordinary level lies below.
pub const KNEE: f32 = 0.501_187_2;
/// Level that is never passed: -1 dBFS, `10^(-1/20)`, the head room that EBU R 128 leaves below full scale.
pub const CEILING: f32 = 0.891_250_9;

/// Returns a sample under the ceiling.
///
/// With k the knee and c the ceiling, y = x for |x| <= k, and beyond it
/// y = sgn(x) (k + (c - k) tanh((|x| - k)/(c - k))): the curve goes on with a
/// slope of 1 and never passes c. It looks at single samples, so it costs no
/// latency and cannot pump; what it catches is coloured instead. What is no
/// number is silence.
pub fn under_ceiling(x: f32) -> f32 {
    let size = x.abs();
    if size <= KNEE {
        x
    } else if x.is_nan() {
        0.0
    } else {
        let room = CEILING - KNEE;
        // Rounding may not carry it over the ceiling.
        (KNEE + room * ((size - KNEE) / room).tanh()).min(CEILING).copysign(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::acoustics::gain_of_db;

    #[test]
    fn both_levels_are_what_they_are_called() {
        for (got, level_db) in [(KNEE, -6.0_f64), (CEILING, -1.0)] {
            let expected = gain_of_db(level_db);
            assert!((f64::from(got) - expected).abs() < 1e-7, "expected {expected}, got {got}");
        }
    }

    #[test]
    fn below_the_knee_every_bit_stays() {
        for n in -1000..=1000 {
            let x = KNEE * n as f32 / 1000.0;
            assert_eq!(under_ceiling(x).to_bits(), x.to_bits());
        }
    }

    #[test]
    fn louder_is_never_quieter_and_nothing_passes_the_ceiling() {
        let mut last = -1.0;
        for n in -40_000..=40_000 {
            let y = under_ceiling(n as f32 * 1e-4);
            assert!(y >= last, "at {n}: {y} after {last}");
            last = y;
        }
        for x in [1.0, 1e6, f32::MAX, f32::INFINITY] {
            assert!(under_ceiling(x) <= CEILING && under_ceiling(x) > KNEE);
            assert_eq!(under_ceiling(-x), -under_ceiling(x));
        }
        assert_eq!(under_ceiling(f32::NAN), 0.0);
    }

    /// The slope on both sides of the knee is 1, so that no corner is heard.
    #[test]
    fn the_curve_leaves_the_knee_without_a_corner() {
        let step = 1e-3;
        let slope = (under_ceiling(KNEE + step) - under_ceiling(KNEE)) / step;
        assert!((slope - 1.0).abs() < 1e-2, "got {slope}");
    }
}
