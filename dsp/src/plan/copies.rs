//! The copies of a channel that the places of a section play: as loud as the channel in every third of an octave, and unlike
//! each other.
//!
//! A copy is a few taps of the channel with a gain for each octave: low octaves
//! last tens of milliseconds, because over a third of an octave of 58 Hz nothing
//! shorter can be unlike, the high ones, in which an attack lies, a few. The first
//! tap of each copy comes at once, but for two samples. Nothing in them moves: no pitch, no beating.

use crate::acoustics::section::PLACES;
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

/// Shares of a channel's left side that the places play, from left to right, by number of places; the right side is its mirror
/// image.
///
/// Three conditions on n places (our choice): the squares add up to n, so a side
/// keeps its energy; the products with the mirror image add up to 0, so both
/// sides together keep theirs whatever is alike in them; and of four the outer
/// and the inner ones on its own side play as much of it. Then what is alike in
/// both sides stays in the middle, 4 dB stronger there than at the ends (of three
/// places 3 dB), and a side that sounds alone lies on its own half, 13 dB
/// stronger there (of three places, 15 dB stronger at its own end).
const LEFT_SIDE: [[f32; PLACES]; PLACES + 1] = [
    [0.0; PLACES],
    [1.0, 0.0, 0.0, 0.0],
    [std::f32::consts::SQRT_2, 0.0, 0.0, 0.0],
    [1.482_050_8, 0.860_828_3, -0.25, 0.0],
    [1.382_027_5, 1.382_027_5, 0.3, -0.3],
];

/// Returns how much of a source a place plays, of so many places: all of the middle, and of each side as [`LEFT_SIDE`] has it.
pub(crate) fn share_of_source(source: usize, place: usize, places: usize) -> f32 {
    match source {
        0 => 1.0,
        1 => LEFT_SIDE[places][place],
        _ => LEFT_SIDE[places][places - 1 - place],
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

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
    fn the_sides_of_a_channel_keep_their_energy_and_what_is_alike_in_them_stays_in_the_middle() {
        for places in 2..=PLACES {
            let of =
                |source| -> Vec<f32> { (0..places).map(|n| share_of_source(source, n, places)).collect() };
            let (left, right) = (of(1), of(2));
            let energy =
                |shares: &[f32]| shares.iter().map(|share| share * share).sum::<f32>() / places as f32;
            assert!((energy(&left) - 1.0).abs() < 1e-6 && (energy(&right) - 1.0).abs() < 1e-6, "{left:?}");
            let alike: Vec<f32> = left.iter().zip(&right).map(|(a, b)| a + b).collect();
            assert!((energy(&alike) - 2.0).abs() < 1e-6, "{places} places: {alike:?}");
            let (near, far) = (energy(&left[..places / 2]), energy(&left[places.div_ceil(2)..]));
            assert!(near > 5.0 * far, "{places} places: {left:?}");
            let (end, inner) = (alike[0].powi(2), alike[places / 2].powi(2));
            assert!(places == 2 || inner > 1.9 * end, "{places} places: {alike:?}");
        }
    }
}
