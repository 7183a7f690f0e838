//! The low octaves of a plan, as fast as a plan has to be made: `oracle::low_octaves` is the oracle.
//!
//! The frequencies of an octave lie in pairs about its middle, f0 + d and f0 - d.
//! With A = `sum_k` `e_k` cos(2 pi d `t_k`) and B = `sum_k` `e_k` sin(2 pi d `t_k`),
//! `e_k` = `g_k` exp(-j 2 pi f0 `t_k`), the reflections have S = A - jB at f0 + d
//! and A + jB at f0 - d. The distances d are the same in all three octaves.

use crate::acoustics::platform::PARTS;
use crate::kernel::instruction_set::{SIMD_WIDTH, multiply_add};
use crate::kernel::polynomial::turn;
use crate::plan::band_split::SplitDesign;
use crate::plan::fast_fit::Wide;
use crate::plan::low_octaves::{ALL_POINTS, Complex, LOW, POINTS, middle_and_step_hz};
use crate::plan::step_energies::total;

/// First frequency of each octave in a [`Spectrum`], and the end: as many above the middle as below, in whole rows of eight.
///
/// Of each half 6 of 8, 12 of 16 and 24 of 24 are in use.
const STARTS: [usize; LOW + 1] = [0, 16, 48, 96];
/// Frequencies in a spectrum.
const FREQUENCIES: usize = STARTS[LOW];
/// Distances from the middle, of which the lower octaves take the first ones.
const DISTANCES: usize = 24;

/// One number at each frequency.
type Spread = [f32; FREQUENCIES];

/// Returns how many distances an octave has, in whole rows.
const fn half(octave: usize) -> usize {
    (STARTS[octave + 1] - STARTS[octave]) / 2
}

/// Puts numbers that stand at [`frequencies_hz`] in order: by octave, those above the middle and those below, nearest first.
fn spread(at: impl Fn(usize) -> f64) -> Spread {
    let mut spread = [0.0; FREQUENCIES];
    let mut start = 0;
    for octave in 0..LOW {
        let used = POINTS[octave] / 2;
        for distance in 0..used {
            spread[STARTS[octave] + distance] = at(start + used + distance) as f32;
            spread[STARTS[octave] + half(octave) + distance] = at(start + used - 1 - distance) as f32;
        }
        start += POINTS[octave];
    }
    spread
}

/// Complex numbers at the frequencies, real and imaginary parts.
type Spectrum = [Spread; 2];

/// The low octaves of a tail's parts.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct FastLowTail {
    /// |T|^2 of both channels together.
    power: [Spread; PARTS],
    /// Share of a part's energy that was faded out, per octave.
    unseen: [[f32; LOW]; PARTS],
}

impl FastLowTail {
    /// Puts spectra in order, by part, then channel.
    pub(crate) fn new(spectra: &[[[Complex; ALL_POINTS]; 2]; PARTS]) -> Self {
        let power = |part: usize, point: usize| -> f64 {
            spectra[part].iter().map(|channel| channel[point].0.powi(2) + channel[point].1.powi(2)).sum()
        };
        let unseen = |part: usize, octave: usize| {
            let start: usize = POINTS[..octave].iter().sum();
            let points = start..start + POINTS[octave];
            let seen = points.map(|point| power(part, point)).sum::<f64>() / POINTS[octave] as f64;
            (1.0 - seen).max(0.0) as f32
        };
        Self {
            power: [0, 1].map(|part| spread(|point| power(part, point))),
            unseen: [0, 1].map(|part| std::array::from_fn(|octave| unseen(part, octave))),
        }
    }
}

impl FastLowTail {
    /// Returns, per octave, the energy of a part of the tail that is fed as `fed` says: the mean of |T F|^2, both channels together.
    #[inline(always)]
    pub(crate) fn energies<const FUSED: bool>(
        &self,
        part: usize,
        fed: &LowSums,
        branches: &FastLowBranches,
    ) -> [f32; LOW] {
        let [re, im] = &fed.0;
        let mut fed_power = [0.0_f32; FREQUENCIES];
        let mut heard = [0.0_f32; FREQUENCIES];
        for n in 0..FREQUENCIES {
            fed_power[n] = multiply_add::<FUSED>(re[n], re[n], im[n] * im[n]) * branches.share[n];
            heard[n] = fed_power[n] * self.power[part][n];
        }
        let (fed_power, mut heard) = (over_octaves(&fed_power), over_octaves(&heard));
        for octave in 0..LOW {
            heard[octave] += self.unseen[part][octave] * fed_power[octave];
        }
        heard
    }
}

/// What the planner knows of the branches in the low octaves.
#[derive(Clone, Debug)]
pub(crate) struct FastLowBranches {
    /// 1 where a frequency is in use, divided by the octave's number of frequencies.
    share: Spread,
    /// First distances from the middle, in turns per sample.
    distance: Wide,
    /// From eight distances to the next, in turns per sample.
    row_step: f32,
    /// Middle of each octave, in turns per sample.
    middle: [f32; LOW],
}

impl FastLowBranches {
    /// Works out the responses of a band split.
    pub(crate) fn new(design: &SplitDesign) -> Self {
        let rate = design.sample_rate_hz();
        let step_hz = middle_and_step_hz(0).1;
        let octave_of = |point: usize| {
            let ends = [POINTS[0], POINTS[0] + POINTS[1], ALL_POINTS];
            ends.iter().position(|&end| point < end).unwrap_or(0)
        };
        Self {
            share: spread(|point| 1.0 / POINTS[octave_of(point)] as f64),
            row_step: (SIMD_WIDTH as f64 * step_hz / rate) as f32,
            distance: std::array::from_fn(|i| ((i as f64 + 0.5) * step_hz / rate) as f32),
            middle: std::array::from_fn(|octave| (middle_and_step_hz(octave).0 / rate) as f32),
        }
    }
}

/// What one channel's reflections do in one part.
#[derive(Clone, Debug)]
pub(crate) struct LowSums(Spectrum);

impl LowSums {
    pub(crate) const NOTHING: Self = Self([[0.0; FREQUENCIES]; 2]);

    /// Sets an octave: S = A - jB above its middle and A + jB below.
    #[inline(always)]
    fn set<const N: usize>(&mut self, octave: usize, pairs: &[[f32; N]; 2]) {
        let [re, im] = &mut self.0;
        let (pairs_re, pairs_im) =
            (pairs[0].as_chunks::<SIMD_WIDTH>().0, pairs[1].as_chunks::<SIMD_WIDTH>().0);
        for row in 0..N / (2 * SIMD_WIDTH) {
            let (a_re, b_re) = (&pairs_re[2 * row], &pairs_re[2 * row + 1]);
            let (a_im, b_im) = (&pairs_im[2 * row], &pairs_im[2 * row + 1]);
            let above = STARTS[octave] + row * SIMD_WIDTH;
            let below = above + half(octave);
            for i in 0..SIMD_WIDTH {
                re[above + i] = a_re[i] + b_im[i];
                im[above + i] = a_im[i] - b_re[i];
                re[below + i] = a_re[i] - b_im[i];
                im[below + i] = a_im[i] + b_re[i];
            }
        }
    }
}

/// Returns the sum over each octave.
#[inline(always)]
fn over_octaves(values: &Spread) -> [f32; LOW] {
    let (rows, _) = values.as_chunks::<SIMD_WIDTH>();
    let mut sums = [0.0; LOW];
    for octave in 0..LOW {
        let rows = &rows[STARTS[octave] / SIMD_WIDTH..STARTS[octave + 1] / SIMD_WIDTH];
        let mut sum = rows[0];
        for row in &rows[1..] {
            for i in 0..SIMD_WIDTH {
                sum[i] += row[i];
            }
        }
        sums[octave] = total(&sum);
    }
    sums
}

/// Taps that are summed in registers.
const TAPS_AT_ONCE: usize = 4;

/// Scratch memory of [`LowTaps::sums`]: the taps in order of their part, each part filled up to whole fours with silence.
#[derive(Clone, Debug)]
pub(crate) struct LowScratch<const SORTED: usize> {
    delay: [f32; SORTED],
    /// By octave; real and imaginary part.
    gain: [[[f32; SORTED]; 2]; LOW],
    /// Turns, then cosine and sine, from eight distances to the next.
    on: [[f32; SORTED]; 2],
    /// The same, eight times each.
    on_wide: [[Wide; SORTED]; 2],
    /// By row of eight distances, then tap.
    cos: [[Wide; SORTED]; DISTANCES / SIMD_WIDTH],
    sin: [[Wide; SORTED]; DISTANCES / SIMD_WIDTH],
    /// By tap: eight cosines, eight sines, and so on.
    phase: [[f32; 2 * DISTANCES]; SORTED],
}

impl<const SORTED: usize> LowScratch<SORTED> {
    pub(crate) const EMPTY: Self = Self {
        delay: [0.0; SORTED],
        gain: [[[0.0; SORTED]; 2]; LOW],
        on: [[0.0; SORTED]; 2],
        on_wide: [[[0.0; SIMD_WIDTH]; SORTED]; 2],
        cos: [[[0.0; SIMD_WIDTH]; SORTED]; DISTANCES / SIMD_WIDTH],
        sin: [[[0.0; SIMD_WIDTH]; SORTED]; DISTANCES / SIMD_WIDTH],
        phase: [[0.0; 2 * DISTANCES]; SORTED],
    };

    /// Works out cosines and sines of all distances at all taps.
    #[inline(always)]
    fn turn_distances<const FUSED: bool>(&mut self, branches: &FastLowBranches) {
        let Self { delay, on, on_wide, cos, sin, phase, .. } = self;
        let [on_cos, on_sin] = on;
        for tap in 0..SORTED {
            (on_cos[tap], on_sin[tap]) = turn::<FUSED>(branches.row_step * delay[tap]);
        }
        let [wide_cos, wide_sin] = on_wide;
        for tap in 0..SORTED {
            for i in 0..SIMD_WIDTH {
                cos[0][tap][i] = branches.distance[i] * delay[tap];
            }
            wide_cos[tap] = [on_cos[tap]; SIMD_WIDTH];
            wide_sin[tap] = [on_sin[tap]; SIMD_WIDTH];
        }
        for (c, s) in cos[0].as_flattened_mut().iter_mut().zip(sin[0].as_flattened_mut()) {
            (*c, *s) = turn::<FUSED>(*c);
        }
        let (wide_cos, wide_sin) = (wide_cos.as_flattened(), wide_sin.as_flattened());
        for row in 1..DISTANCES / SIMD_WIDTH {
            let ((cos, next_cos), (sin, next_sin)) = (cos.split_at_mut(row), sin.split_at_mut(row));
            let before = cos[row - 1].as_flattened().iter().zip(sin[row - 1].as_flattened());
            let next = next_cos[0].as_flattened_mut().iter_mut().zip(next_sin[0].as_flattened_mut());
            let by = wide_cos.iter().zip(wide_sin);
            for (((c, s), (a, b)), (next_c, next_s)) in before.zip(by).zip(next) {
                *next_c = multiply_add::<FUSED>(*c, *a, -s * b);
                *next_s = multiply_add::<FUSED>(*c, *b, s * a);
            }
        }
        for tap in 0..SORTED {
            let (rows, _) = phase[tap].as_chunks_mut::<SIMD_WIDTH>();
            for row in 0..DISTANCES / SIMD_WIDTH {
                rows[2 * row] = cos[row][tap];
                rows[2 * row + 1] = sin[row][tap];
            }
        }
    }
}

/// What an arrival is a part of: the reflections before or after the mixing time, or neither, as the direct sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub(crate) enum Part {
    /// Before the mixing time.
    Early,
    /// After it.
    Late,
    /// The direct sound, or a slot that holds nothing.
    None,
}

/// One run of reflections at one capsule.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LowTaps<'a, const TAPS: usize> {
    /// Delay in samples.
    pub(crate) delay: &'a [f32; TAPS],
    /// Complex gain in each octave.
    pub(crate) gain: &'a [[[f32; TAPS]; 2]; LOW],
    /// What each tap is a part of.
    pub(crate) part: &'a [Part; TAPS],
}

impl<const TAPS: usize> LowTaps<'_, TAPS> {
    /// Sums the reflections of both parts at all frequencies; SORTED is to be at least TAPS + 6.
    #[inline(always)]
    pub(crate) fn sums<const FUSED: bool, const SORTED: usize>(
        &self,
        branches: &FastLowBranches,
        scratch: &mut LowScratch<SORTED>,
        sums: [&mut LowSums; PARTS],
    ) {
        let ends = self.sort(scratch);
        scratch.turn_distances::<FUSED>(branches);
        let LowScratch { delay, gain, phase, .. } = scratch;
        for octave in 0..LOW {
            let [re, im] = &mut gain[octave];
            for tap in 0..SORTED {
                let (cos, sin) = turn::<FUSED>(-branches.middle[octave] * delay[tap]);
                let (a, b) = (re[tap], im[tap]);
                re[tap] = a * cos - b * sin;
                im[tap] = a * sin + b * cos;
            }
        }
        let mut start = 0;
        for (end, sums) in ends.into_iter().zip(sums) {
            let [low, middle, high] = &gain.each_ref().map(|[re, im]| (&re[start..end], &im[start..end]));
            let phase = &phase[start..end];
            // Two rows of eight, cosine and sine, for each row of distances.
            sums.set(0, &add::<FUSED, { 2 * half(0) }>(*low, phase));
            sums.set(1, &add::<FUSED, { 2 * half(1) }>(*middle, phase));
            sums.set(2, &add::<FUSED, { 2 * half(2) }>(*high, phase));
            start = end;
        }
    }

    /// Sorts the taps by part; returns where each part ends.
    #[inline(always)]
    fn sort<const SORTED: usize>(&self, scratch: &mut LowScratch<SORTED>) -> [usize; PARTS] {
        let mut ends = [0; PARTS];
        let mut at = 0;
        for (part, end) in [Part::Early, Part::Late].into_iter().zip(&mut ends) {
            for tap in 0..TAPS {
                if self.part[tap] == part && at < SORTED {
                    scratch.delay[at] = self.delay[tap];
                    for octave in 0..LOW {
                        scratch.gain[octave][0][at] = self.gain[octave][0][tap];
                        scratch.gain[octave][1][at] = self.gain[octave][1][tap];
                    }
                    at += 1;
                }
            }
            *end = at.next_multiple_of(TAPS_AT_ONCE).min(SORTED);
            while at < *end {
                for octave in 0..LOW {
                    scratch.gain[octave][0][at] = 0.0;
                    scratch.gain[octave][1][at] = 0.0;
                }
                at += 1;
            }
        }
        ends
    }
}

/// Returns the real and the imaginary part of A (eight distances), B (the same eight), and so on; the taps come in whole fours.
#[inline(always)]
fn add<const FUSED: bool, const N: usize>(
    gain: (&[f32], &[f32]),
    phase: &[[f32; 2 * DISTANCES]],
) -> [[f32; N]; 2] {
    let [mut re_sum, mut im_sum] = [[0.0_f32; N]; 2];
    let (re, _) = gain.0.as_chunks::<TAPS_AT_ONCE>();
    let (im, _) = gain.1.as_chunks::<TAPS_AT_ONCE>();
    let (phase, _) = phase.as_chunks::<TAPS_AT_ONCE>();
    for ((re, im), phase) in re.iter().zip(im).zip(phase) {
        for n in 0..N {
            let (mut a, mut b) = (re_sum[n], im_sum[n]);
            for tap in 0..TAPS_AT_ONCE {
                a = multiply_add::<FUSED>(re[tap], phase[tap][n], a);
                b = multiply_add::<FUSED>(im[tap], phase[tap][n], b);
            }
            (re_sum[n], im_sum[n]) = (a, b);
        }
    }
    [re_sum, im_sum]
}
