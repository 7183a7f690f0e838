//! The masks that cut noise into octaves, and what they share with each other and with octave filters.
//!
//! Places in frequency are counted in octaves (of ratio G) from the lower edge
//! of the 125 Hz octave, so that octave `band` reaches from `band` to `band` + 1.

use std::f64::consts::PI;

use crate::acoustics::octave::{OCTAVE_RATIO, OCTAVES, WithTop, bands_at_rate, edges_hz};

/// Half the overlap of neighbouring octaves' masks, as a power of the octave ratio.
///
/// A quarter octave: narrow, so that an octave decays as its own mask does, yet
/// no narrower than an octave filter's own skirts (our choice).
const HALF_OVERLAP_OCTAVES: f64 = 0.125;
/// Edge from which on the masks lie lower than their octaves, 2.8 kHz, and by how much, octaves.
///
/// Up there air makes each octave decay faster than the one below, up to three
/// times in a long hall. An octave filter lets its lower neighbour in most just
/// under its own edge, and the longer decay would be all that it hears in the
/// end. A third is the least of thirds, quarters and fifths with which every
/// octave of halls up to 8 s can be measured as it is set (our choice).
const LOWERED_FROM: usize = 5;
const LOWERED_OCTAVES: f64 = 1.0 / 3.0;
/// Lowest frequency of the tail, Hz, half-way point: nothing below is heard of a platform (our choice).
const LOWEST_HZ: f64 = 25.0;
/// Half of the skirt at the lowest frequency, octaves (our choice: no steeper than a first octave needs).
const HALF_LOWEST_SKIRT_OCTAVES: f64 = 0.5;

/// Least width of what lies above the highest octave that fits a rate, octaves, to have a mask of its own (our choice).
///
/// Narrower, the skirts would be most of the mask. Of the usual rates all have it.
const LEAST_TOP_OCTAVES: f64 = 0.48;

/// The masks of as many octaves as fit a sample rate, and of what lies above them.
///
/// They add up to 1 (less the lowest end): raised cosines in log frequency
/// about each edge; the lowest octave reaches down to 25 Hz and the highest up
/// to the end.
#[derive(Clone, Copy, Debug)]
pub(super) struct OctaveMasks {
    count: usize,
    lowest_octaves: f64,
}

impl OctaveMasks {
    pub(super) fn new(count: usize) -> Self {
        Self { count, lowest_octaves: octaves_at(LOWEST_HZ) }
    }

    /// Returns the masks of the octaves that fit a sample rate, and of the next one where there is room for it.
    pub(super) fn at_rate(sample_rate_hz: f64) -> Self {
        let bands = bands_at_rate(sample_rate_hz);
        let has_top = octaves_at(sample_rate_hz / 2.0) >= bands as f64 + LEAST_TOP_OCTAVES;
        Self::new(bands + usize::from(has_top))
    }

    /// Returns the number of masks.
    pub(super) const fn count(&self) -> usize {
        self.count
    }

    /// Returns the weight of a position in frequency in an octave's mask.
    pub(super) fn weight(&self, band: usize, octaves: f64) -> f64 {
        self.passed(band, octaves) * (1.0 - self.passed(band + 1, octaves))
    }

    /// Returns how far a mask that begins at an edge has risen, 0 to 1; above the last octave none begins.
    pub(super) fn passed(&self, edge: usize, octaves: f64) -> f64 {
        let (at, half) = self.skirt(edge);
        let position = (octaves - at) / half;
        if position >= 1.0 {
            1.0
        } else if position > -1.0 {
            0.5 + 0.5 * (position * PI / 2.0).sin()
        } else {
            0.0
        }
    }

    /// Returns the middle of the skirt at an edge and half its width, in octaves.
    pub(super) fn skirt(&self, edge: usize) -> (f64, f64) {
        if edge == 0 {
            (self.lowest_octaves, HALF_LOWEST_SKIRT_OCTAVES)
        } else if edge == self.count {
            (f64::INFINITY, HALF_OVERLAP_OCTAVES)
        } else if edge >= LOWERED_FROM {
            (edge as f64 - LOWERED_OCTAVES, HALF_OVERLAP_OCTAVES)
        } else {
            (edge as f64, HALF_OVERLAP_OCTAVES)
        }
    }
}

/// Returns the edges between which an octave's energy is counted at a sample rate, Hz: the top reaches no further than half of it.
pub(super) fn mask_edges_hz(octave: usize, sample_rate_hz: f64) -> (f64, f64) {
    let (low_hz, high_hz) = edges_hz(octave);
    (low_hz, high_hz.min(sample_rate_hz / 2.0))
}

/// Returns a frequency's position, in octaves above the lower edge of 125 Hz.
pub(super) fn octaves_at(hz: f64) -> f64 {
    (hz / edges_hz(0).0).ln() / OCTAVE_RATIO.ln()
}

/// Returns the frequency at a position, in Hz.
pub(super) fn hz_at(octaves: f64) -> f64 {
    edges_hz(0).0 * OCTAVE_RATIO.powf(octaves)
}

/// Places per octave at which masks are looked at: skirts of a quarter octave get twelve.
const PLACES: usize = 48;

/// How much white noise the masks let through.
#[derive(Clone, Debug)]
pub(super) struct MaskPowers {
    masks: OctaveMasks,
    /// Mean square behind each mask of white noise with a mean square of 1.
    pub(super) mean_square: WithTop,
    /// By octave j, then masks a and b: the mean of `m_a` `m_b` over octave j.
    shared: [[WithTop; OCTAVES]; OCTAVES],
}

impl MaskPowers {
    /// Integrates the masks up to half the sample rate.
    pub(super) fn new(masks: OctaveMasks, sample_rate_hz: f64) -> Self {
        let mut mean_square = [0.0; OCTAVES];
        let mut shared = [[[0.0; OCTAVES]; OCTAVES]; OCTAVES];
        let (start, end) = (masks.skirt(0).0 - masks.skirt(0).1, octaves_at(sample_rate_hz / 2.0));
        for (octaves, width_hz) in positions(start, end) {
            let weights: WithTop =
                std::array::from_fn(
                    |band| {
                        if band < masks.count { masks.weight(band, octaves) } else { 0.0 }
                    },
                );
            for (sum, weight) in mean_square.iter_mut().zip(&weights) {
                *sum += weight * weight * width_hz / (sample_rate_hz / 2.0);
            }
            if !(0.0..masks.count as f64).contains(&octaves) {
                continue;
            }
            let octave = octaves as usize;
            let (low_hz, high_hz) = mask_edges_hz(octave, sample_rate_hz);
            let share = width_hz / (high_hz - low_hz);
            for a in 0..masks.count {
                for b in 0..masks.count {
                    shared[octave][a][b] += weights[a] * weights[b] * share;
                }
            }
        }
        Self { masks, mean_square, shared }
    }

    /// Returns the pressure gains of levelled octave noises with which their sum has the wished energies, to be expected of stationary noise.
    ///
    /// `lasting` says how long each pair of masks sounds together, the sum over
    /// frames of the product of both envelopes; `wished` is energy density, 1
    /// for a response that returns as much energy as goes in.
    pub(super) fn gains(&self, lasting: &[WithTop; OCTAVES], wished: &WithTop) -> WithTop {
        let count = self.masks.count;
        let mut gains = [0.0; OCTAVES];
        for band in 0..count {
            gains[band] = (wished[band] / lasting[band][band]).sqrt();
        }
        for _ in 0..EXPECTATION_ROUNDS {
            let expected: WithTop = std::array::from_fn(|octave| {
                let near = octave.saturating_sub(1)..(octave + 2).min(count);
                near.clone()
                    .flat_map(|a| near.clone().map(move |b| (a, b)))
                    .map(|(a, b)| gains[a] * gains[b] * self.shared[octave][a][b] * lasting[a][b])
                    .sum()
            });
            for band in 0..count {
                gains[band] *= (wished[band] / expected[band]).sqrt();
            }
        }
        std::array::from_fn(|band| gains[band] * self.mean_square[band].sqrt())
    }
}

/// Rounds in which expected energies are brought to what is wished; neighbours overlap little, so few are needed.
const EXPECTATION_ROUNDS: usize = 5;

/// Poles of the octave filters that decays are measured with, a side: 4 meet IEC 61260-1:2014, class 1.
const FILTER_POLES: i32 = 4;
/// Octaves to either side of a band in which a filter is looked at.
const SKIRT_OCTAVES: f64 = 2.0;

/// Share of the sample rate up to which a filter's upper edge may reach here: the top's does not fit every rate.
const HIGHEST_EDGE: f64 = 0.49;

/// Returns how much of each octave's mask passes each octave filter at a sample rate, as shares of energy.
///
/// |H|^2 = 1/(1 + ((w/wm - wm/w) wm/(w2 - w1))^(2n)), Butterworth, w =
/// tan(pi f/fs): the bilinear transform makes the skirt at 4.5 kHz of the 8 kHz
/// filter 1.3 dB wider at 48 kHz.
pub(super) fn shares_through_filters(masks: OctaveMasks, sample_rate_hz: f64) -> [WithTop; OCTAVES] {
    let warped = |hz: f64| (PI * hz.min(HIGHEST_EDGE * sample_rate_hz) / sample_rate_hz).tan();
    std::array::from_fn(|filter| {
        let (low, high) = edges_hz(filter);
        let (low, high) = (warped(low), warped(high));
        let middle = (low * high).sqrt();
        let mut shares = [0.0; OCTAVES];
        let first = filter as f64;
        for (octaves, width_hz) in positions(first - SKIRT_OCTAVES, first + 1.0 + SKIRT_OCTAVES) {
            let at = warped(hz_at(octaves));
            let detuned = (at / middle - middle / at) * middle / (high - low);
            let power = width_hz / (1.0 + detuned.powi(2 * FILTER_POLES));
            for (band, share) in shares.iter_mut().enumerate().take(masks.count()) {
                *share += power * masks.weight(band, octaves).powi(2);
            }
        }
        let sum: f64 = shares.iter().sum();
        shares.map(|share| share / sum)
    })
}

/// Returns positions from `start` to `end`, evenly spread in octaves, each with the width in Hz that it stands for.
fn positions(start: f64, end: f64) -> impl Iterator<Item = (f64, f64)> {
    let count = ((end - start) * PLACES as f64).ceil();
    let step = (end - start) / count;
    let hz_per_hz = OCTAVE_RATIO.ln() * step;
    let mut hz = hz_at(start + step / 2.0);
    let ratio = OCTAVE_RATIO.powf(step);
    (0..count as usize).map(move |position| {
        let width_hz = hz * hz_per_hz;
        hz *= ratio;
        (start + step * (position as f64 + 0.5), width_hz)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masks_add_up_to_one_above_the_lowest_octave() {
        let masks = OctaveMasks::new(OCTAVES);
        for hz in [90.0, 177.0, 700.0, 3000.0, 15_000.0] {
            let sum: f64 = (0..OCTAVES).map(|band| masks.weight(band, octaves_at(hz))).sum();
            assert!((sum - 1.0).abs() < 1e-9, "{hz} Hz: got {sum}");
        }
    }

    #[test]
    fn equal_envelopes_need_gains_that_keep_the_sum_white() {
        let powers = MaskPowers::new(OctaveMasks::new(OCTAVES), 48_000.0);
        let gains = powers.gains(&[[100.0; OCTAVES]; OCTAVES], &[1.0; OCTAVES]);
        for band in 0..OCTAVES {
            // White noise of the same length has a mean square of 1/100.
            let expected = (powers.mean_square[band] / 100.0).sqrt();
            let error = gains[band] / expected - 1.0;
            assert!(error.abs() < 0.01, "octave {band}: expected {expected}, got {}", gains[band]);
        }
    }
}
