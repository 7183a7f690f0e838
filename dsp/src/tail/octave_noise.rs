//! Noise in octaves, each level in itself, as coherent as a diffuse field: what all tails of a pair and a rate are cut from.

use std::f64::consts::PI;

use realfft::num_complex::Complex;

use super::TailSpec;
use super::diffuse_field::DiffuseField;
use super::octave_masks::{MaskPowers, OctaveMasks, hz_at, octaves_at, shares_through_filters};
use super::transforms::Transforms;
use crate::acoustics::microphones::Pair;
use crate::acoustics::octave::{OCTAVES, WithTop};
use crate::kernel::noise::Noise;

/// What noise depends on. The decays of a platform are not part of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct NoiseKind {
    sample_rate_hz: f64,
    /// `None` is a single channel.
    pair: Option<Pair>,
    /// Speed of sound in steps of [`SPEED_STEP_M_S`]; 0 where nothing depends on it.
    speed_steps: u32,
    /// Frames after which the noise repeats itself: a power of two.
    ///
    /// A tail that is longer repeats it 30 dB down or more, with a comb of lines
    /// a hertz apart or less that is shallower than 0.3 dB.
    period_frames: usize,
    seed: u64,
}

/// Steps of the speed of sound for which coherence is worked out, m/s.
///
/// Half a step is 1.2 % of the speed at most, which moves no coherence by more
/// than 0.013 (the steepest is sin(x)/x, |d/dx| x <= 1.1): an eighth of what a
/// tail is held to. 0 to 40 degrees are four steps.
const SPEED_STEP_M_S: f64 = 8.0;

impl NoiseKind {
    pub(super) fn new(spec: &TailSpec) -> Self {
        let TailSpec { sample_rate_hz, pair, speed_of_sound_m_s, least_period_s, seed, .. } = *spec;
        let depends_on_speed = pair.is_some_and(|pair| {
            let [left, right] = pair.capsules();
            (right.offset - left.offset).length() > 0.0
        });
        let speed_steps =
            if depends_on_speed { (speed_of_sound_m_s / SPEED_STEP_M_S).round() as u32 } else { 0 };
        let period_frames = ((least_period_s * sample_rate_hz).ceil() as usize).next_power_of_two();
        Self { sample_rate_hz, pair, speed_steps, period_frames, seed }
    }

    /// Says whether another kind is the same but for its length.
    pub(super) fn differs_in_period(&self, other: &Self) -> bool {
        self != other && Self { period_frames: other.period_frames, ..*self } == *other
    }
}

/// Window over which each octave's noise is levelled, s.
///
/// Long enough to leave the noise its texture, short enough that one tail, not
/// just the mean of many, decays on a straight line.
const ENVELOPE_S: f64 = 0.02;
/// Points of the envelope in a window of it, about.
const POINTS_IN_WINDOW: f64 = 32.0;
/// Distance of the frequencies at which coherence is worked out, Hz; it is a straight line between.
///
/// The fastest, that of omnis 0.5 m apart, has a period of 690 Hz.
const COHERENCE_STEP_HZ: f64 = 20.0;

/// Octave noises of one kind, and what follows from the octaves that fit the rate.
#[derive(Debug)]
pub(super) struct OctaveNoise {
    kind: NoiseKind,
    /// By octave, then channel: one period with a local mean square of 1.
    octaves: Vec<Vec<Vec<f32>>>,
    powers: MaskPowers,
    shares: [WithTop; OCTAVES],
}

impl OctaveNoise {
    /// Makes noise, milliseconds of work, unless `is_given_up` says so before an octave.
    pub(super) fn unless(
        kind: NoiseKind,
        transforms: &mut Transforms,
        is_given_up: &dyn Fn() -> bool,
    ) -> Option<Self> {
        let masks = OctaveMasks::at_rate(kind.sample_rate_hz);
        let lines = Lines::new(kind);
        let octave = |band| (!is_given_up()).then(|| lines.octave(masks, band, transforms));
        Some(Self {
            kind,
            octaves: (0..masks.count()).map(octave).collect::<Option<_>>()?,
            powers: MaskPowers::new(masks, kind.sample_rate_hz),
            shares: shares_through_filters(masks, kind.sample_rate_hz),
        })
    }

    pub(super) const fn kind(&self) -> NoiseKind {
        self.kind
    }

    /// Returns the noises by octave, then channel; each repeats itself.
    pub(super) fn octaves(&self) -> &[Vec<Vec<f32>>] {
        &self.octaves
    }

    /// Returns what white noise leaves behind the masks.
    pub(super) const fn powers(&self) -> &MaskPowers {
        &self.powers
    }

    /// Returns how much of each octave passes each octave filter.
    pub(super) const fn shares_through_filters(&self) -> &[WithTop; OCTAVES] {
        &self.shares
    }

    /// Returns the memory that the noise holds, in bytes.
    pub(super) fn bytes(&self) -> usize {
        self.octaves.iter().flatten().map(|noise| noise.len() * size_of::<f32>()).sum()
    }
}

/// The spectral lines of one period of white noise, by channel.
struct Lines {
    kind: NoiseKind,
    period_frames: usize,
    channels: Vec<Vec<Complex<f32>>>,
}

impl Lines {
    /// Draws the lines: all as strong, each in one of four phases.
    ///
    /// Sums of thousands of independent lines are Gaussian; their spectrum is
    /// flat to begin with.
    fn new(kind: NoiseKind) -> Self {
        let period_frames = kind.period_frames;
        let count = period_frames / 2 + 1;
        let mut noise = Noise::new(kind.seed);
        // Two signs for each of two lines, from the top of a draw down.
        let drawn = (0..count).map(|_| {
            let bits = noise.bits();
            let sign = |bit: u32| if bits >> (63 - bit) & 1 == 0 { 1.0_f32 } else { -1.0 };
            [Complex::new(sign(0), sign(1)), Complex::new(sign(2), sign(3))]
        });
        let Some(pair) = kind.pair else {
            return Self { kind, period_frames, channels: vec![drawn.map(|[line, _]| line).collect()] };
        };
        let field = DiffuseField::new(pair, f64::from(kind.speed_steps.max(1)) * SPEED_STEP_M_S);
        let steps = (kind.sample_rate_hz / 2.0 / COHERENCE_STEP_HZ) as usize + 2;
        let coherences: Vec<f32> =
            field.coherences(COHERENCE_STEP_HZ, steps).into_iter().map(|x| x as f32).collect();
        let steps_per_line = kind.sample_rate_hz / period_frames as f64 / COHERENCE_STEP_HZ;
        // With C the coherence: sqrt((1 + C)/2) of what is alike, plus and minus
        // sqrt((1 - C)/2) of what is not.
        let (left, right) = drawn
            .enumerate()
            .map(|(line, [alike, apart])| {
                let place = line as f64 * steps_per_line;
                let (below, share) = (place as usize, place.fract() as f32);
                let coherence = coherences[below] + (coherences[below + 1] - coherences[below]) * share;
                let alike = alike * f32::midpoint(1.0, coherence).max(0.0).sqrt();
                let apart = apart * ((1.0 - coherence) / 2.0).max(0.0).sqrt();
                (alike + apart, alike - apart)
            })
            .unzip();
        Self { kind, period_frames, channels: vec![left, right] }
    }

    /// Returns the levelled noise of one octave, by channel.
    fn octave(&self, masks: OctaveMasks, band: usize, transforms: &mut Transforms) -> Vec<Vec<f32>> {
        let line_hz = self.kind.sample_rate_hz / self.period_frames as f64;
        let line_at = |octaves: f64| ((hz_at(octaves) / line_hz) as usize).min(self.period_frames / 2);
        let (from, to) = (masks.skirt(band), masks.skirt(band + 1));
        let first = line_at(from.0 - from.1) + 1;
        let last = if to.0.is_finite() { line_at(to.0 + to.1) } else { self.period_frames / 2 - 1 };
        // Between its skirts a mask is 1.
        let (risen, falling) =
            (line_at(from.0 + from.1) + 1, line_at((to.0 - to.1).min(f64::from(u16::MAX))));
        let weight = |line: usize| {
            if line > risen && line < falling {
                1.0
            } else {
                masks.weight(band, octaves_at(line as f64 * line_hz)) as f32
            }
        };
        let weights: Vec<f32> = (first..=last).map(weight).collect();
        self.channels
            .iter()
            .map(|lines| {
                let mut noise = transforms.back(self.period_frames, |bins| {
                    for ((bin, line), weight) in
                        bins[first..=last].iter_mut().zip(&lines[first..=last]).zip(&weights)
                    {
                        *bin = line * weight;
                    }
                });
                level(&mut noise, self.kind.sample_rate_hz);
                noise
            })
            .collect()
    }
}

/// Divides noise by its own slow envelope, the root of its circular moving mean square under a Hann window of 20 ms.
///
/// The squares are summed over steps of a thirtieth of the window first: the
/// envelope is slower than that, and a straight line between its points.
fn level(noise: &mut [f32], sample_rate_hz: f64) {
    let step = ((ENVELOPE_S * sample_rate_hz / POINTS_IN_WINDOW).ceil() as usize).next_power_of_two();
    let half = (ENVELOPE_S * sample_rate_hz / 2.0 / step as f64).round() as usize;
    let weights: Vec<f32> = (0..2 * half)
        .map(|k| (1.0 - (PI * (k as f64 + 0.5) / half as f64).cos()) / (2 * half * step) as f64)
        .map(|weight| weight as f32)
        .collect();
    let mut squares: Vec<f32> = noise.chunks_exact(step).map(sum_of_squares).collect();
    let points = squares.len();
    // The window of point n begins `half` steps before it; the ends meet.
    squares.rotate_right(half);
    squares.extend_from_within(..2 * half);
    let gains: Vec<f32> = (0..=points)
        .map(|point| {
            let window = &squares[point % points..][..2 * half];
            let mean: f32 = window.iter().zip(&weights).map(|(square, weight)| square * weight).sum();
            1.0 / mean.max(f32::MIN_POSITIVE).sqrt()
        })
        .collect();
    for (frames, gains) in noise.chunks_exact_mut(step).zip(gains.windows(2)) {
        let slope = (gains[1] - gains[0]) / step as f32;
        for (n, x) in frames.iter_mut().enumerate() {
            *x *= gains[0] + slope * n as f32;
        }
    }
}

/// Returns the sum of squares of a few frames, eight at a time.
fn sum_of_squares(frames: &[f32]) -> f32 {
    let mut sums = [0.0_f32; 8];
    let (eights, rest) = frames.as_chunks::<8>();
    for eight in eights {
        for branch in 0..8 {
            sums[branch] += eight[branch] * eight[branch];
        }
    }
    sums.iter().sum::<f32>() + rest.iter().map(|x| x * x).sum::<f32>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::octave::edges_hz;
    use crate::acoustics::platform::Platform;

    /// The mean square of Gaussian noise of bandwidth B over a time T scatters by 1/sqrt(B T) of itself
    /// (Bendat and Piersol, from memory); levelled noise has to stay below half of that (our choice).
    #[test]
    fn every_octave_is_level_in_each_channel() {
        let rate_hz = 48_000.0;
        let kind = NoiseKind::new(&TailSpec::new(&Platform::default(), Some(Pair::NearCoincident), rate_hz));
        let noise =
            OctaveNoise::unless(kind, &mut Transforms::default(), &|| false).expect("nobody gives up");
        // Four windows of the envelope.
        let stretch_s = 4.0 * ENVELOPE_S;
        let frames = (stretch_s * rate_hz) as usize;
        for (band, octave) in noise.octaves().iter().enumerate() {
            let (low_hz, high_hz) = edges_hz(band);
            let gaussian = 1.0 / ((high_hz - low_hz) * stretch_s).sqrt();
            for samples in octave {
                let squares: Vec<f64> = samples
                    .chunks_exact(frames)
                    .map(|stretch| f64::from(sum_of_squares(stretch)) / frames as f64 - 1.0)
                    .map(|error| error * error)
                    .collect();
                let scatter = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
                assert!(
                    scatter < gaussian / 2.0,
                    "octave {band}: Gaussian noise {gaussian}, levelled {scatter}"
                );
            }
        }
    }

    #[test]
    fn close_speeds_share_their_noise_and_others_do_not() {
        let kind = |pair, speed_of_sound_m_s| {
            let spec = TailSpec::new(&Platform::default(), pair, 48_000.0);
            NoiseKind::new(&TailSpec { speed_of_sound_m_s, ..spec })
        };
        let pair = Some(Pair::SpacedOmnis);
        assert_eq!(kind(pair, 343.2), kind(pair, 344.0));
        assert_ne!(kind(pair, 343.2), kind(pair, 352.0));
        // One spot, one channel: no time passes between capsules.
        assert_eq!(kind(Some(Pair::Coincident), 331.3), kind(Some(Pair::Coincident), 354.7));
        assert_eq!(kind(None, 331.3), kind(None, 354.7));
    }
}
