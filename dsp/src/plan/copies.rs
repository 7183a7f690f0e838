//! The copies of a channel that the places of a section play: as loud as the channel in every third of an octave, and unlike
//! each other.
//!
//! A copy is a few taps of the channel with a gain for each octave: low octaves
//! last tens of milliseconds, because over a third of an octave of 58 Hz nothing
//! shorter can be unlike, the high ones, in which an attack lies, a few. The first
//! tap of each copy comes at once, but for two samples. Nothing in them moves: no pitch, no beating.

use crate::plan::band_split::{BRANCHES, FITTED, SplitDesign, Weights};

mod table;

use table::COPIES;
pub(crate) use table::TAPS;

/// Longest delay of a tap, s.
pub(crate) const COPY_LASTS_S: f64 = 0.050;

/// Samples by which a copy comes later, and all that is heard of its place once more: nearer, a tap of which anything moves
/// cannot read.
pub(crate) const READ_AHEAD_SAMPLES: f64 = 2.0;

/// A tap of a copy.
#[derive(Clone, Copy, Debug)]
struct CopyTap {
    delay_ms: f64,
    /// Gain of each octave, and of the top above them.
    gain: [f32; FITTED],
}

/// Returns delays in samples and branch weights of a place's copy at a sample rate.
pub(crate) fn copy_taps(place: usize, design: &SplitDesign) -> ([f64; TAPS], [Weights; TAPS]) {
    let bands = design.low_passes() + 1;
    let copy = &COPIES[place];
    let delays = copy.map(|tap| (tap.delay_ms * 1e-3 * design.sample_rate_hz()).round() + READ_AHEAD_SAMPLES);
    let weights = copy.map(|tap| {
        let mut branches = [0.0; BRANCHES];
        branches[0] = tap.gain[bands - 1];
        for band in 0..bands - 1 {
            branches[band + 1] = tap.gain[band] - tap.gain[band + 1];
        }
        branches
    });
    (delays, weights)
}

/// Returns how much of a source a place plays, of so many places: all of the middle, and of each end what stands on its side.
///
/// The left end sounds from the left half of the places, as much louder as they
/// are fewer; a place in the middle plays of both.
pub(crate) fn share_of_source(source: usize, place: usize, places: usize) -> f32 {
    let twice_middle = 2 * place + 1;
    let is_on_side = |side: usize| match side {
        1 => twice_middle <= places,
        _ => twice_middle >= places,
    };
    match source {
        0 => 1.0,
        side if !is_on_side(side) => 0.0,
        _ if twice_middle == places => 1.0,
        _ => std::f32::consts::SQRT_2,
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::acoustics::section::PLACES;

    /// Responses of all copies at a frequency, as (real, imaginary).
    type Responses = [(f64, f64); PLACES];

    /// Responses of all copies at frequencies of a third of an octave, by frequency.
    fn responses(design: &SplitDesign, third: i32) -> Vec<Responses> {
        let copies: [_; PLACES] = std::array::from_fn(|place| copy_taps(place, design));
        let middle_hz = 1000.0 * 10.0_f64.powf(f64::from(third) / 10.0);
        (0..200)
            .map(|n| {
                let hz = middle_hz * 10.0_f64.powf((f64::from(n) + 0.5 - 100.0) / 2000.0);
                let branches = design.branch_responses(hz);
                copies.each_ref().map(|(delays, weights)| {
                    let (mut re, mut im) = (0.0, 0.0);
                    for (delay, weights) in delays.iter().zip(weights) {
                        let (sin, cos) = (-TAU * hz * delay / design.sample_rate_hz()).sin_cos();
                        for (branch, &weight) in branches.iter().zip(weights) {
                            re += f64::from(weight) * (branch.0 * cos - branch.1 * sin);
                            im += f64::from(weight) * (branch.0 * sin + branch.1 * cos);
                        }
                    }
                    (re, im)
                })
            })
            .collect()
    }

    /// Energies of copies, and of their sum against that of four unlike ones, in thirds from 250 Hz to 10 kHz.
    #[test]
    fn copies_and_their_sum_keep_the_energy_of_every_third() {
        for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
            let design = SplitDesign::new(rate_hz);
            for third in -6..=10 {
                let responses = responses(&design, third);
                let mean = |energy: &dyn Fn(&Responses) -> f64| {
                    10.0 * (responses.iter().map(energy).sum::<f64>() / responses.len() as f64).log10()
                };
                let sum_db = mean(&|copies| {
                    let sum = copies.iter().fold((0.0, 0.0), |sum, copy| (sum.0 + copy.0, sum.1 + copy.1));
                    (sum.0 * sum.0 + sum.1 * sum.1) / PLACES as f64
                });
                assert!(sum_db.abs() < 1.0, "{rate_hz} Hz, third {third}: sum {sum_db} dB");
                for place in 0..PLACES {
                    let copy_db = mean(&|copies| copies[place].0.powi(2) + copies[place].1.powi(2));
                    assert!(copy_db.abs() < 1.5, "{rate_hz} Hz, third {third}, copy {place}: {copy_db} dB");
                }
            }
        }
    }

    #[test]
    fn the_ends_of_a_channel_keep_their_energy_on_their_side() {
        for places in 2..=PLACES {
            for end in [1, 2] {
                let shares: Vec<f32> = (0..places).map(|place| share_of_source(end, place, places)).collect();
                let energy = shares.iter().map(|share| share * share).sum::<f32>() / places as f32;
                assert!((energy - 1.0).abs() < 1e-6, "{places} places, end {end}: {shares:?}");
                let far_side = if end == 1 { shares[places - 1] } else { shares[0] };
                assert_eq!(far_side, 0.0, "{places} places, end {end}");
            }
        }
    }
}
