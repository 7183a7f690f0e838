//! Decays as an octave filter measures them, and the decays to synthesise so that it measures what is wished.

use super::PRESSURE_EXPONENT;
use crate::acoustics::octave::{OCTAVES, WithTop};

/// Rounds in which decays are brought to what an octave filter measures, each half of the way that is left: all of it would
/// overshoot where an octave all but hides behind its neighbour.
const ROUNDS: usize = 8;
/// Rounds in which the masks' levels are found; neighbours overlap by a third of an octave at most.
const START_ROUNDS: usize = 5;
/// Levels between which a decay is fitted, dB: those of T30 (ISO 3382-1:2009).
const FITTED_FROM_DB: f64 = -5.0;
const FITTED_TO_DB: f64 = -35.0;
/// Levels through whose times the line goes, and from one to the next, dB: as far apart as a curve's points.
const MARKS: usize = 16;
const MARK_STEP_DB: f64 = (FITTED_FROM_DB - FITTED_TO_DB) / (MARKS - 1) as f64;
/// Points at which a decay curve is looked at, per decay time: 2 dB apart.
const POINTS: usize = 30;
/// Most points that are looked at where a neighbour's longer decay is all that is left.
const MOST_POINTS: usize = 8 * POINTS;

/// Shortest that an octave's own decay is made to make up for its neighbours, of what is wished; and its inverse the longest.
///
/// Where that is not enough a filter hears little but a neighbour, whatever the
/// octave does: of 40 000 platforms at random in range, 11 793 of 11 858 octaves
/// that went below missed the wish by more than 5 % all the same.
const SHORTEST: f64 = 0.7;

/// Returns the decays with which each octave, measured through its filter, decays as it should.
///
/// `energies` says how much each octave has in all, up to a common factor, and
/// `shares` how much of each passes each filter. The skirts of an
/// octave filter let the neighbours in; where a neighbour decays more slowly, it
/// is all that is left in the end. Where it leaves nothing to measure, the
/// octave's own decay stays at [`SHORTEST`] of the wish, which goes over without
/// a step into what can be measured.
pub(super) fn decays_to_synthesise(
    wished: &WithTop,
    energies: &WithTop,
    shares: &[WithTop; OCTAVES],
    octaves: usize,
) -> WithTop {
    let mut decays = *wished;
    for _ in 0..ROUNDS {
        let measured = measured_decays_s(&decays, energies, shares, octaves);
        for band in 0..octaves {
            let asked = decays[band] * (wished[band] / measured[band]).sqrt();
            let (shortest, longest) = (SHORTEST * wished[band], wished[band] / SHORTEST);
            decays[band] = asked.max(shortest).min(longest);
        }
    }
    decays
}

/// Returns the decay of each octave as its filter measures it, s; those that do not fit the rate keep theirs.
///
/// `energies` and `shares` as in [`decays_to_synthesise`].
pub(super) fn measured_decays_s(
    decays: &WithTop,
    energies: &WithTop,
    shares: &[WithTop; OCTAVES],
    octaves: usize,
) -> WithTop {
    // How strong each mask has to begin, so that every octave has its energy: the next one's mask reaches into it.
    let mut starts = [1.0; OCTAVES];
    for _ in 0..START_ROUNDS {
        let held: WithTop = std::array::from_fn(|octave| {
            (0..octaves).map(|band| shares[octave][band] * starts[band] * decays[band]).sum()
        });
        for band in 0..octaves {
            starts[band] *= energies[band] / held[band];
        }
    }
    std::array::from_fn(|band| {
        if band < octaves {
            let heard = std::array::from_fn(|other| shares[band][other] * starts[other]);
            measured_decay_s(band, &heard, decays, octaves)
        } else {
            decays[band]
        }
    })
}

/// Returns the decay that a straight line through a sum of decays has, in seconds.
///
/// Integrated backwards, each octave's curve is its share times its decay:
/// L(t) = `sum_b` `s_b` `T_b` exp(-6 ln 10 t/`T_b`). The line goes through the times
/// at which the sum has fallen to levels 2 dB apart: levels count alike, so that
/// a neighbour of which hardly more than the last one is left weighs no more
/// than that, however long it takes. What is not reached in the time looked at
/// is reached as the curve falls at its end.
fn measured_decay_s(filter: usize, shares: &WithTop, decays: &WithTop, octaves: usize) -> f64 {
    let step_s = decays[filter] / POINTS as f64;
    let mut curves = [0.0; OCTAVES];
    let mut ratios = [0.0; OCTAVES];
    for band in 0..octaves {
        curves[band] = shares[band] * decays[band];
        ratios[band] = (-2.0 * PRESSURE_EXPONENT * step_s / decays[band]).exp();
    }
    let whole: f64 = curves.iter().sum();
    let level_db = |curves: &WithTop| 10.0 * (curves.iter().sum::<f64>() / whole).log10();
    let mark_db = |mark: usize| FITTED_FROM_DB - MARK_STEP_DB * mark as f64;
    let mut times_s = [0.0; MARKS];
    let (mut mark, mut above_db) = (0, 0.0);
    for point in 0..MOST_POINTS {
        curves.iter_mut().zip(&ratios).for_each(|(curve, ratio)| *curve *= ratio);
        let below_db = level_db(&curves);
        while mark < MARKS && below_db <= mark_db(mark) {
            times_s[mark] = step_s * (point as f64 + (above_db - mark_db(mark)) / (above_db - below_db));
            mark += 1;
        }
        if mark == MARKS {
            break;
        }
        above_db = below_db;
    }
    let slope: f64 = curves.iter().zip(decays).take(octaves).map(|(curve, decay)| curve / decay).sum();
    let left_decay_s = curves.iter().sum::<f64>() / slope;
    for (mark, time_s) in times_s.iter_mut().enumerate().skip(mark) {
        *time_s = step_s * MOST_POINTS as f64 + (above_db - mark_db(mark)) / 60.0 * left_decay_s;
    }
    let middle = (MARKS - 1) as f64 / 2.0;
    let fit = times_s.iter().enumerate().fold((0.0, 0.0), |(product, square), (mark, time_s)| {
        let place = mark as f64 - middle;
        (product + place * time_s, square + place * place)
    });
    60.0 / MARK_STEP_DB * fit.0 / fit.1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tail::octave_masks::{OctaveMasks, shares_through_filters};

    #[test]
    fn equal_decays_are_measured_as_they_are() {
        let shares = shares_through_filters(OctaveMasks::new(OCTAVES), 48_000.0);
        let decays = decays_to_synthesise(&[0.5; OCTAVES], &[1.0; OCTAVES], &shares, OCTAVES);
        for decay in decays {
            assert!((decay - 0.5).abs() < 1e-9, "expected 0.5 s, got {decay} s");
        }
    }

    /// A neighbour's decay grows from half the octave's own up to thirty times it, far past where the octave can be
    /// measured: what is synthesised follows, by less than is heard (5 %, the JND of ISO 3382-1:2009) from one of its
    /// small steps to the next.
    #[test]
    fn what_cannot_be_measured_goes_over_without_a_step() {
        let shares = shares_through_filters(OctaveMasks::new(OCTAVES), 48_000.0);
        for octave in 0..OCTAVES {
            for neighbour in [octave.checked_sub(1), (octave + 1 < OCTAVES).then_some(octave + 1)] {
                let Some(neighbour) = neighbour else { continue };
                let mut last: Option<WithTop> = None;
                let mut reached = false;
                for step in 0..2048 {
                    let mut wished = [0.5; OCTAVES];
                    wished[neighbour] = 0.25 * 1.002_f64.powi(step);
                    let decays = decays_to_synthesise(&wished, &wished, &shares, OCTAVES);
                    for band in 0..OCTAVES {
                        let share = decays[band] / wished[band];
                        assert!(
                            (SHORTEST - 1e-9..=1.0 / SHORTEST + 1e-9).contains(&share),
                            "{wished:?}: {share}"
                        );
                        if let Some(last) = &last {
                            let change = (share / last[band]).ln().abs();
                            assert!(change < 0.05, "{wished:?}, octave {band}: {} then {share}", last[band]);
                        }
                        reached |= share < SHORTEST + 1e-9;
                    }
                    last = Some(std::array::from_fn(|band| decays[band] / wished[band]));
                }
                assert!(reached, "octave {octave} was measured all along beside {neighbour}");
            }
        }
    }

    #[test]
    fn a_neighbour_that_hides_an_octave_from_the_start_is_what_is_measured() {
        let mut decays = [1e-3; OCTAVES];
        decays[1] = 1e3;
        let mut shares = [0.0; OCTAVES];
        (shares[0], shares[1]) = (0.5, 0.5);
        let got = measured_decay_s(0, &shares, &decays, OCTAVES);
        assert!((got / 1e3 - 1.0).abs() < 1e-6, "expected the neighbour's 1000 s, got {got} s");
    }

    #[test]
    fn unequal_decays_are_made_up_for() {
        let shares = shares_through_filters(OctaveMasks::new(OCTAVES), 48_000.0);
        let wished = [0.9, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2, 0.13];
        let decays = decays_to_synthesise(&wished, &wished, &shares, OCTAVES);
        for band in 0..OCTAVES {
            let got = measured_decays_s(&decays, &wished, &shares, OCTAVES)[band];
            let error = got / wished[band] - 1.0;
            assert!(error.abs() < 0.01, "octave {band}: expected {} s, got {got} s", wished[band]);
        }
    }
}
