//! The low octaves of a plan, as quickly as a plan has to be made: [`crate::low_octaves`] is the oracle.
//!
//! The frequencies of an octave lie in pairs about its middle, f0 + d and f0 - d.
//! With A = `sum_k` `e_k` cos(2 pi d `t_k`) and B = `sum_k` `e_k` sin(2 pi d `t_k`),
//! `e_k` = `g_k` exp(-j 2 pi f0 `t_k`), the reflections have S = A - jB at f0 + d
//! and A + jB at f0 - d. The distances d are the same in all three octaves.

use crate::bands::{FITTED, LANES, SplitDesign, Weights};
use crate::instruction_set::multiply_add;
use crate::lane_fit::steps_of_lanes;
use crate::low_octaves::{ALL_POINTS, Complex, LOW, POINTS, frequencies_hz, middle_and_step_hz};
use crate::plan::PARTS;
use crate::polynomial::turn;
use crate::quick_fit::{ABREAST, Abreast, total};

/// Rows of eight distances in all octaves: 6 of 8, 12 of 16, 24 of 24 are in use.
pub(crate) const ROWS: usize = 6;
/// Rows of distances: those of the highest octave, of which the lower ones take the first.
const DISTANCES: usize = 3;
/// First row and number of rows of each octave.
const ROWS_OF: [(usize, usize); LOW] = [(0, 1), (1, 2), (3, 3)];

/// One value for each pair of frequencies.
pub(crate) type Pairs = [Abreast; ROWS];

/// Returns the octave, the place in [`frequencies_hz`] above the middle and the one below, of a pair in use.
fn pair(row: usize, i: usize) -> Option<(usize, usize, usize)> {
    let octave = (0..LOW).rev().find(|&octave| row >= ROWS_OF[octave].0)?;
    let distance = (row - ROWS_OF[octave].0) * ABREAST + i;
    let half = POINTS[octave] / 2;
    let start: usize = POINTS[..octave].iter().sum();
    (distance < half).then(|| (octave, start + half + distance, start + half - 1 - distance))
}

/// Complex numbers at the frequencies above the middle and below it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Spectrum {
    above: [Pairs; 2],
    below: [Pairs; 2],
}

impl Spectrum {
    const NOTHING: Self = Self { above: [[[0.0; ABREAST]; ROWS]; 2], below: [[[0.0; ABREAST]; ROWS]; 2] };

    fn new(at: impl Fn(usize) -> Complex) -> Self {
        let mut spectrum = Self::NOTHING;
        for row in 0..ROWS {
            for i in 0..ABREAST {
                if let Some((_, above, below)) = pair(row, i) {
                    let (above, below) = (at(above), at(below));
                    spectrum.above[0][row][i] = above.0 as f32;
                    spectrum.above[1][row][i] = above.1 as f32;
                    spectrum.below[0][row][i] = below.0 as f32;
                    spectrum.below[1][row][i] = below.1 as f32;
                }
            }
        }
        spectrum
    }
}

/// The low octaves of a tail's parts.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct QuickLowTail {
    /// By part, then channel.
    spectra: [[Spectrum; 2]; PARTS],
    /// |T|^2 of both channels together, above and below.
    power: [[Pairs; 2]; PARTS],
    /// Share of a part's energy that was faded out, per octave.
    unseen: [[f32; LOW]; PARTS],
}

impl QuickLowTail {
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
            spectra: spectra
                .each_ref()
                .map(|channels| channels.each_ref().map(|channel| Spectrum::new(|point| channel[point]))),
            power: std::array::from_fn(|part| {
                let both = Spectrum::new(|point| (power(part, point), 0.0));
                [both.above[0], both.below[0]]
            }),
            unseen: std::array::from_fn(|part| std::array::from_fn(|octave| unseen(part, octave))),
        }
    }
}

/// What the planner knows of the lanes in the low octaves.
#[derive(Clone, Debug)]
pub(crate) struct QuickLowLanes {
    lanes: [Spectrum; LANES],
    /// Response of each step between lanes in the middle of each octave.
    pub(crate) steps: [[[f32; FITTED]; 2]; LOW],
    /// 1 where a pair is in use, divided by the octave's number of frequencies.
    share: Pairs,
    /// Distances from the middle, in turns per sample.
    distance: Abreast,
    /// From a row of distances to the next, in turns per sample.
    row_step: f32,
    /// Middle of each octave, in turns per sample.
    middle: [f32; LOW],
}

impl QuickLowLanes {
    /// Works out the responses of a band split.
    pub(crate) fn new(design: &SplitDesign) -> Self {
        let rate = design.sample_rate_hz();
        let responses = frequencies_hz().map(|hz| design.lane_responses(hz));
        let step_hz = middle_and_step_hz(0).1;
        let mut share = [[0.0; ABREAST]; ROWS];
        for (row, cells) in share.iter_mut().enumerate() {
            for (i, cell) in cells.iter_mut().enumerate() {
                *cell = pair(row, i).map_or(0.0, |(octave, ..)| 1.0 / POINTS[octave] as f32);
            }
        }
        Self {
            lanes: std::array::from_fn(|lane| Spectrum::new(|point| responses[point][lane])),
            steps: std::array::from_fn(|octave| {
                let lanes = design.lane_responses(middle_and_step_hz(octave).0);
                let steps = steps_of_lanes(lanes, design.low_passes() + 1);
                [steps.map(|step| step.0 as f32), steps.map(|step| step.1 as f32)]
            }),
            share,
            distance: std::array::from_fn(|i| ((i as f64 + 0.5) * step_hz / rate) as f32),
            row_step: (ABREAST as f64 * step_hz / rate) as f32,
            middle: std::array::from_fn(|octave| (middle_and_step_hz(octave).0 / rate) as f32),
        }
    }
}

/// A and B of one channel's reflections in one part.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PairSums {
    cos: [Pairs; 2],
    sin: [Pairs; 2],
}

impl PairSums {
    pub(crate) const NOTHING: Self =
        Self { cos: [[[0.0; ABREAST]; ROWS]; 2], sin: [[[0.0; ABREAST]; ROWS]; 2] };

    /// Returns the mean of |S|^2 in each octave.
    #[inline(always)]
    pub(crate) fn energies<const FUSED: bool>(&self, lanes: &QuickLowLanes) -> [f32; LOW] {
        let mut energies = [0.0; LOW];
        for octave in 0..LOW {
            let (first, rows) = ROWS_OF[octave];
            let mut sum = [0.0_f32; ABREAST];
            for row in first..first + rows {
                for i in 0..ABREAST {
                    let mut power = self.cos[0][row][i] * self.cos[0][row][i];
                    power = multiply_add::<FUSED>(self.cos[1][row][i], self.cos[1][row][i], power);
                    power = multiply_add::<FUSED>(self.sin[0][row][i], self.sin[0][row][i], power);
                    power = multiply_add::<FUSED>(self.sin[1][row][i], self.sin[1][row][i], power);
                    sum[i] = multiply_add::<FUSED>(2.0 * power, lanes.share[row][i], sum[i]);
                }
            }
            energies[octave] = total(&sum);
        }
        energies
    }
}

/// One run of reflections at one capsule.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LowTaps<'a, const TAPS: usize> {
    /// Delay in samples.
    pub(crate) delay: &'a [f32; TAPS],
    /// Complex gain in each octave.
    pub(crate) gain: &'a [[[f32; TAPS]; 2]; LOW],
    /// Which part a reflection belongs to; another number for none.
    pub(crate) part: &'a [u8; TAPS],
}

impl<const TAPS: usize> LowTaps<'_, TAPS> {
    /// Sums the reflections of both parts on all pairs of frequencies.
    #[inline(always)]
    pub(crate) fn sums<const FUSED: bool>(&self, lanes: &QuickLowLanes) -> [PairSums; PARTS] {
        // Phases that belong to a tap alone, eight taps at a time.
        let mut phased = [[[0.0_f32; TAPS]; 2]; LOW];
        for octave in 0..LOW {
            for tap in 0..TAPS {
                let (cos, sin) = turn::<FUSED>(-lanes.middle[octave] * self.delay[tap]);
                let (re, im) = (self.gain[octave][0][tap], self.gain[octave][1][tap]);
                phased[octave][0][tap] = re * cos - im * sin;
                phased[octave][1][tap] = re * sin + im * cos;
            }
        }
        let mut on = [[0.0_f32; TAPS]; 2];
        for tap in 0..TAPS {
            let (cos, sin) = turn::<FUSED>(lanes.row_step * self.delay[tap]);
            on[0][tap] = cos;
            on[1][tap] = sin;
        }
        let mut cos = [[[0.0_f32; ABREAST]; TAPS]; DISTANCES];
        let mut sin = [[[0.0_f32; ABREAST]; TAPS]; DISTANCES];
        for tap in 0..TAPS {
            for i in 0..ABREAST {
                let (c, s) = turn::<FUSED>(lanes.distance[i] * self.delay[tap]);
                cos[0][tap][i] = c;
                sin[0][tap][i] = s;
            }
        }
        for row in 1..DISTANCES {
            for tap in 0..TAPS {
                for i in 0..ABREAST {
                    let (c, s) = (cos[row - 1][tap][i], sin[row - 1][tap][i]);
                    cos[row][tap][i] = multiply_add::<FUSED>(c, on[0][tap], -s * on[1][tap]);
                    sin[row][tap][i] = multiply_add::<FUSED>(c, on[1][tap], s * on[0][tap]);
                }
            }
        }
        let mut sums = [PairSums::NOTHING; PARTS];
        let mut chosen = [[0_u8; TAPS]; PARTS];
        let mut count = [0; PARTS];
        for tap in 0..TAPS {
            let part = usize::from(self.part[tap]);
            if part < PARTS {
                chosen[part][count[part]] = tap as u8;
                count[part] += 1;
            }
        }
        for part in 0..PARTS {
            let chosen = &chosen[part][..count[part]];
            for octave in 0..LOW {
                let (first, rows) = ROWS_OF[octave];
                for row in 0..rows {
                    let mut sum = [[0.0_f32; ABREAST]; 4];
                    for &tap in chosen {
                        let tap = usize::from(tap).min(TAPS - 1);
                        let (re, im) = (phased[octave][0][tap], phased[octave][1][tap]);
                        let (cos, sin) = (&cos[row][tap], &sin[row][tap]);
                        for i in 0..ABREAST {
                            sum[0][i] = multiply_add::<FUSED>(re, cos[i], sum[0][i]);
                        }
                        for i in 0..ABREAST {
                            sum[1][i] = multiply_add::<FUSED>(im, cos[i], sum[1][i]);
                        }
                        for i in 0..ABREAST {
                            sum[2][i] = multiply_add::<FUSED>(re, sin[i], sum[2][i]);
                        }
                        for i in 0..ABREAST {
                            sum[3][i] = multiply_add::<FUSED>(im, sin[i], sum[3][i]);
                        }
                    }
                    let sums = &mut sums[part];
                    sums.cos[0][first + row] = sum[0];
                    sums.cos[1][first + row] = sum[1];
                    sums.sin[0][first + row] = sum[2];
                    sums.sin[1][first + row] = sum[3];
                }
            }
        }
        sums
    }
}

/// What a part's reflections and a tail share, before the tail's own weights.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Shared {
    /// `sum_channel` S* T, above and below.
    product: [[Pairs; 2]; 2],
}

impl Shared {
    /// Works out S* T for a part of a tail.
    #[inline(always)]
    pub(crate) fn new<const FUSED: bool>(sums: &[PairSums], tail: &QuickLowTail, part: usize) -> Self {
        let mut shared = Self { product: [[[[0.0; ABREAST]; ROWS]; 2]; 2] };
        for (channel, sums) in sums.iter().enumerate() {
            let spectrum = &tail.spectra[part][channel];
            for side in 0..2 {
                let t = if side == 0 { &spectrum.above } else { &spectrum.below };
                let sign = if side == 0 { 1.0 } else { -1.0 };
                for row in 0..ROWS {
                    for i in 0..ABREAST {
                        let re = multiply_add::<FUSED>(sign, sums.sin[1][row][i], sums.cos[0][row][i]);
                        let im = multiply_add::<FUSED>(-sign, sums.sin[0][row][i], sums.cos[1][row][i]);
                        let product = &mut shared.product[side];
                        product[0][row][i] += multiply_add::<FUSED>(re, t[0][row][i], im * t[1][row][i]);
                        product[1][row][i] += multiply_add::<FUSED>(re, t[1][row][i], -im * t[0][row][i]);
                    }
                }
            }
        }
        shared
    }

    /// Returns, per octave, the energy of a tail that is fed with lane weights, and what it shares with the reflections: means of |T|^2 and Re(S* T).
    #[inline(always)]
    pub(crate) fn meet<const FUSED: bool>(
        &self,
        tail: &QuickLowTail,
        part: usize,
        weights: &Weights,
        lanes: &QuickLowLanes,
    ) -> [[f32; LOW]; 2] {
        let mut met = [[0.0; LOW]; 2];
        for octave in 0..LOW {
            let (first, rows) = ROWS_OF[octave];
            let mut sums = [[0.0_f32; ABREAST]; 3];
            for row in first..first + rows {
                for side in 0..2 {
                    let (mut re, mut im) = ([0.0_f32; ABREAST], [0.0_f32; ABREAST]);
                    for lane in 0..LANES {
                        let spectrum = &lanes.lanes[lane];
                        let response = if side == 0 { &spectrum.above } else { &spectrum.below };
                        for i in 0..ABREAST {
                            re[i] = multiply_add::<FUSED>(weights[lane], response[0][row][i], re[i]);
                        }
                        for i in 0..ABREAST {
                            im[i] = multiply_add::<FUSED>(weights[lane], response[1][row][i], im[i]);
                        }
                    }
                    let (product, power) = (&self.product[side], &tail.power[part][side][row]);
                    for i in 0..ABREAST {
                        let fed = multiply_add::<FUSED>(re[i], re[i], im[i] * im[i]) * lanes.share[row][i];
                        let shared = re[i] * product[0][row][i] - im[i] * product[1][row][i];
                        sums[0][i] = multiply_add::<FUSED>(fed, power[i], sums[0][i]);
                        sums[1][i] = multiply_add::<FUSED>(shared, lanes.share[row][i], sums[1][i]);
                        sums[2][i] += fed;
                    }
                }
            }
            met[0][octave] = total(&sums[0]) + tail.unseen[part][octave] * total(&sums[2]);
            met[1][octave] = total(&sums[1]);
        }
        met
    }
}
