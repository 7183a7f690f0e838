//! Where and when a source feeds the tail: taps whose delays follow the seat.
//!
//! The tail's kernels belong to the platform; its first part, a short burst, is
//! fed at the reflections of the faces that scatter, its second part at a few
//! delays that stretch with the seat's distances from the walls. So two seats
//! share kernels and still have no fingerprint in common.

use crate::acoustics::platform::Face;
use crate::acoustics::scattering::{SCATTERINGS, scattering_of};
use crate::plan::band_split::{BRANCHES, Weights};

/// Taps that feed the second part: left, right and rear wall, and canopy.
pub const LATE_TAPS: usize = 4;
/// The scatterings whose reflections the taps of the second part follow.
pub(crate) const LATE_FOLLOWS: [usize; LATE_TAPS] = [
    scattering_of(Face::Left, None),
    scattering_of(Face::Right, None),
    scattering_of(Face::Rear, None),
    scattering_of(Face::Canopy, None),
];
/// Share of a reflection's delay that a tap of the second part has.
///
/// Our choice: taps of neighbouring desks then lie a millisecond apart, more
/// than noise resembles itself, and late sound still begins within a third of
/// the mixing time.
pub(crate) const LATE_SHARE: f64 = 0.25;
/// Share of the mixing time at which the second part begins: with its taps' delays it is on at the mixing time (our choice).
pub(crate) const LATE_BEGINS: f64 = 0.8;

/// Time by which the taps of the second part come later for the right end of a channel, s.
///
/// The width of the lowest octave, 88 Hz: over any octave both ends then add up
/// as energies do, whether their channels are alike or opposite.
pub(crate) const RIGHT_LATER_S: f64 = 1.0 / 88.0;

/// Signs of the taps of the first part and of the second, for the middle and the left end of a channel, and for its right end.
///
/// They keep taps from adding up in phase and the mirror images of a seat apart.
const SIGNS: [([f32; SCATTERINGS], [f32; LATE_TAPS]); 2] = [
    ([1.0, 1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0, -1.0, 1.0, -1.0], [1.0, -1.0, 1.0, 1.0]),
    ([1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0], [1.0, -1.0, 1.0, 1.0]),
];

/// Returns the signs of a source's taps: 0 the middle of a channel, 1 and 2 its ends.
pub(crate) const fn signs(source: usize) -> &'static ([f32; SCATTERINGS], [f32; LATE_TAPS]) {
    &SIGNS[if source == 2 { 1 } else { 0 }]
}

/// Latest start of the tail after what feeds it, s.
///
/// Our choice: shorter than the path differences of most first reflections, so no gap is heard.
const LATEST_ONSET_S: f64 = 3e-3;

/// Returns the largest power of two of frames that last at most 3 ms, and at least the eight that the convolver needs.
pub fn onset_frames(sample_rate_hz: f64) -> usize {
    let most = ((LATEST_ONSET_S * sample_rate_hz) as usize).max(8);
    1 << most.ilog2()
}

/// Time within which a tap that would have to come before the tail's onset goes over to the onset, s.
///
/// Our choice: a tap that stopped at the onset from one moment to the next would
/// be heard as a jump of pitch.
const GOES_OVER_S: f64 = 0.25e-3;

/// Returns the delay of a tap that sounds `late_samples` after the direct sound, in samples: less the onset by which the kernel
/// begins later, but never under 0.
///
/// (x + sqrt(x^2 + 4 g^2))/2, x the delay less the onset, g [`GOES_OVER_S`].
pub(crate) fn delay_before_onset(late_samples: f64, sample_rate_hz: f64) -> f64 {
    let over = late_samples - onset_frames(sample_rate_hz) as f64;
    let goes_over = GOES_OVER_S * sample_rate_hz;
    // `hypot` is a call of the C library.
    f64::midpoint(over, (over * over + 4.0 * goes_over * goes_over).sqrt())
}

/// Taps that feed one part of the tail, at a level of 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TailFeed<const TAPS: usize> {
    /// Delay of each tap, in samples: the kernel begins a block later.
    pub delay_samples: [f64; TAPS],
    /// Branch weights of each tap.
    pub weights: [Weights; TAPS],
}

impl<const TAPS: usize> TailFeed<TAPS> {
    /// Feeds nothing.
    pub const SILENCE: Self = Self { delay_samples: [0.0; TAPS], weights: [[0.0; BRANCHES]; TAPS] };
}
