//! Decays as an octave filter measures them, and the decays to synthesise so that it measures what is wished.

use super::PRESSURE_EXPONENT;
use crate::octave::{BANDS, PerBand};

/// Rounds in which decays are brought to what an octave filter measures.
const ROUNDS: usize = 4;
/// Levels between which a decay is fitted, dB: those of T30 (ISO 3382-1:2009).
const FITTED_FROM_DB: f64 = -5.0;
const FITTED_TO_DB: f64 = -35.0;
/// Points at which a decay curve is looked at, per decay time: 2 dB apart, so that 15 are fitted.
const POINTS: usize = 30;
/// Most points that are looked at where a neighbour's longer decay is all that is left.
const MOST_POINTS: usize = 8 * POINTS;

/// Returns the decays with which each octave, measured through its filter, decays as it should.
///
/// `shares` says how much of each octave passes each filter. The skirts of an
/// octave filter let the neighbours in; where a neighbour decays more slowly, it
/// is all that is left in the end.
pub(super) fn decays_to_synthesise(wished: &PerBand, shares: &[PerBand; BANDS], bands: usize) -> PerBand {
    let mut decays = *wished;
    for _ in 0..ROUNDS {
        let measured: PerBand = std::array::from_fn(|band| {
            if band < bands { measured_decay_s(band, &shares[band], &decays, bands) } else { wished[band] }
        });
        for band in 0..bands {
            decays[band] *= wished[band] / measured[band];
        }
    }
    decays
}

/// Returns the decay that a straight line through a sum of decays has, in seconds.
///
/// Integrated backwards, each octave's curve is its share times its decay:
/// L(t) = `sum_b` `s_b` `T_b` exp(-6 ln 10 t/`T_b`).
fn measured_decay_s(filter: usize, shares: &PerBand, decays: &PerBand, bands: usize) -> f64 {
    let step_s = decays[filter] / POINTS as f64;
    let mut curves = [0.0; BANDS];
    let mut ratios = [0.0; BANDS];
    for band in 0..bands {
        curves[band] = shares[band] * decays[band];
        ratios[band] = (-2.0 * PRESSURE_EXPONENT * step_s / decays[band]).exp();
    }
    let whole: f64 = curves.iter().sum();
    let (from, to) = (10_f64.powf(FITTED_FROM_DB / 10.0), 10_f64.powf(FITTED_TO_DB / 10.0));
    // Sums of a straight line's fit: count, point, point^2, level and point times level.
    let mut sums = [0.0; 5];
    for point in 0..MOST_POINTS {
        let left = curves.iter().sum::<f64>() / whole;
        if left < to {
            break;
        }
        if left <= from {
            let (place, level_db) = (point as f64, 10.0 * left.log10());
            let values = [1.0, place, place * place, level_db, place * level_db];
            sums.iter_mut().zip(values).for_each(|(sum, value)| *sum += value);
        }
        curves.iter_mut().zip(&ratios).for_each(|(curve, ratio)| *curve *= ratio);
    }
    let [count, place, place_squared, level, product] = sums;
    let db_per_point = (count * product - place * level) / (count * place_squared - place * place);
    -60.0 * step_s / db_per_point
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tail::octave_masks::{OctaveMasks, shares_through_filters};

    #[test]
    fn equal_decays_are_measured_as_they_are() {
        let shares = shares_through_filters(OctaveMasks::new(BANDS));
        let decays = decays_to_synthesise(&[0.5; BANDS], &shares, BANDS);
        for decay in decays {
            assert!((decay - 0.5).abs() < 1e-9, "expected 0.5 s, got {decay} s");
        }
    }

    #[test]
    fn unequal_decays_are_made_up_for() {
        let shares = shares_through_filters(OctaveMasks::new(BANDS));
        let wished = [0.9, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2];
        let decays = decays_to_synthesise(&wished, &shares, BANDS);
        for band in 0..BANDS {
            let got = measured_decay_s(band, &shares[band], &decays, BANDS);
            let error = got / wished[band] - 1.0;
            assert!(error.abs() < 0.01, "octave {band}: expected {} s, got {got} s", wished[band]);
        }
    }
}
