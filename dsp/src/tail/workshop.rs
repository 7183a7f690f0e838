//! Where tails are made: levelled noise is kept, so that another decay is a matter of sums.

use std::f64::consts::PI;
use std::ops::Range;

use realfft::num_complex::Complex;

use super::filtered_decay::decays_to_synthesise;
use super::octave_masks::mask_edges_hz;
use super::octave_noise::{NoiseKind, OctaveNoise};
use super::transforms::Transforms;
use super::{PRESSURE_EXPONENT, TailSpec, TailSpectra};
use crate::acoustics::octave::{BANDS, OCTAVES, WithTop, edges_hz};
use crate::extremes::largest;
use crate::kernel::convolver::INPUTS;
use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};

/// Makes tails and keeps what the next ones have in common with them; for any thread but the audio thread.
///
/// A tail depends on its [`TailSpec`] alone, bit by bit, never on what the
/// workshop made before.
#[derive(Debug)]
pub struct TailWorkshop {
    set: InstructionSet,
    transforms: Transforms,
    /// The kinds of noise used last, the newest last.
    noises: Vec<OctaveNoise>,
}

/// Kinds of noise that are kept: a session has one rate, one pair, a temperature between two steps, and a hall.
const KEPT_NOISES: usize = 3;
/// Most memory that kept noise holds when another kind comes, bytes: at high rates fewer are kept (our choice).
const KEPT_BYTES: usize = 64 << 20;
/// Half the time over which the parts give way to each other, s (our choice: over the grain of the noise, under the mixing time).
const HALF_JOIN_S: f64 = 2.5e-3;
/// Where in its period the noise of the first part ends, s before the period's end.
///
/// The parts are independent noise where they meet: the second one reads from
/// the period's start. The longest mixing time of a platform is 0.123 s; a
/// hall's may be longer, and then its first part ends as much sooner.
const FIRST_PART_S: f64 = 0.128;
/// The same of a burst, s: of a few places tried, its octaves follow the exponential best there.
const BURST_S: f64 = 0.25;

impl Default for TailWorkshop {
    fn default() -> Self {
        Self::new()
    }
}

impl TailWorkshop {
    /// Opens an empty workshop.
    pub fn new() -> Self {
        Self { set: InstructionSet::widest(), transforms: Transforms::default(), noises: Vec::new() }
    }

    /// Makes the spectra of a tail.
    pub fn build(&mut self, spec: &TailSpec) -> TailSpectra {
        TailSpectra::new(spec, &self.synthesise(spec))
    }

    /// As [`Self::build`], unless `is_given_up` says so in time: it is asked between the octaves.
    pub fn build_unless(&mut self, spec: &TailSpec, is_given_up: &dyn Fn() -> bool) -> Option<TailSpectra> {
        let parts = self.synthesise_unless(spec, is_given_up)?;
        (!is_given_up()).then(|| TailSpectra::new(spec, &parts))
    }

    /// Makes both parts of a tail: by part, then channel, frames from the direct sound on.
    pub fn synthesise(&mut self, spec: &TailSpec) -> [Vec<Vec<f32>>; INPUTS] {
        self.synthesise_unless(spec, &|| false).unwrap_or_default()
    }

    fn synthesise_unless(
        &mut self,
        spec: &TailSpec,
        is_given_up: &dyn Fn() -> bool,
    ) -> Option<[Vec<Vec<f32>>; INPUTS]> {
        let kind = NoiseKind::new(spec);
        if let Some(index) = self.noises.iter().position(|noise| noise.kind() == kind) {
            self.noises[index..].rotate_left(1);
        } else {
            // A hall whose decay changes takes longer noise instead, not more of it.
            self.noises.retain(|noise| !noise.kind().differs_in_period(&kind));
            while self.noises.len() == KEPT_NOISES || self.kept_bytes() > KEPT_BYTES {
                self.noises.remove(0);
            }
            self.noises.push(OctaveNoise::unless(kind, &mut self.transforms, is_given_up)?);
        }
        let noise = &self.noises[self.noises.len() - 1];
        let [first, second] = parts(spec, noise);
        let first = first.synthesise(noise, self.set, &mut self.transforms);
        if is_given_up() {
            return None;
        }
        Some([first, second.synthesise(noise, self.set, &mut self.transforms)])
    }

    /// Returns the memory that the kept noise holds, in bytes.
    pub fn kept_bytes(&self) -> usize {
        self.noises.iter().map(OctaveNoise::bytes).sum()
    }
}

/// One part of a tail.
struct Part {
    rate_hz: f64,
    decay_s: WithTop,
    /// Frames in which the part sounds.
    frames: Range<usize>,
    /// Frames in which the part gives way to the other one or takes over from it, at equal power.
    join: Range<usize>,
    is_first: bool,
    /// Frames from the direct sound on in which the first part grows to its full level, as the square of time.
    build_up_frames: usize,
    /// Energy wished for in each octave.
    levels: WithTop,
    /// Frames before the end of the noise's period at which it starts.
    back_frames: usize,
    /// Frames of a transform that tells energies: |X|^2 of the short first part
    /// takes twice its frames, and as many again for lines close to the octaves'
    /// edges; the second part is folded where it has fallen by 40 dB.
    told_frames: usize,
}

/// Returns both parts, before and after the mixing time.
fn parts(spec: &TailSpec, noise: &OctaveNoise) -> [Part; INPUTS] {
    let rate_hz = spec.sample_rate_hz;
    let bands = noise.octaves().len();
    let energies = spec.decaying_energies();
    let decay_s = decays_to_synthesise(&spec.decay_s, &energies, noise.shares_through_filters(), bands);
    // As long as is asked for: what makes up for neighbours may last a little longer, 57 dB down.
    let longest_s = largest(spec.decay_s[..bands].iter().copied());
    let half_join = (HALF_JOIN_S * rate_hz) as usize;
    let onset = spec.onset_frames;
    // However short a tail is, it lasts until both parts have sounded.
    let middle = ((spec.mixing_time_s * rate_hz) as usize).max(onset + half_join + 1);
    let end = (onset + (longest_s * rate_hz).ceil() as usize).max(middle + half_join + 1);
    let join = middle - half_join..middle + half_join;
    // A burst fades out where it has fallen by 40 dB.
    let burst = spec.burst_s.map(|burst_s| {
        let decay_s: WithTop = std::array::from_fn(|octave| {
            let (low_hz, high_hz) = edges_hz(octave);
            burst_s.max(BURST_PERIODS / (high_hz - low_hz))
        });
        let lasts = (decay_s[0] * BURST_LASTS * rate_hz).ceil() as usize;
        let end = onset + lasts.max(2 * half_join + 1);
        (decay_s, end - 2 * half_join..end)
    });
    let (first_decay_s, first_join) = burst.unwrap_or_else(|| (decay_s, join.clone()));
    let back_s = match spec.burst_s {
        Some(_) => BURST_S,
        None => FIRST_PART_S.max(spec.mixing_time_s + 2.0 * HALF_JOIN_S),
    };
    let part = |frames: Range<usize>, is_first, told_frames| Part {
        rate_hz,
        decay_s: if is_first { first_decay_s } else { decay_s },
        frames,
        join: if is_first { first_join.clone() } else { join.clone() },
        is_first,
        build_up_frames: if is_first { (spec.build_up_s * rate_hz) as usize } else { 0 },
        levels: spec.levels[usize::from(!is_first)],
        back_frames: if is_first { (back_s * rate_hz) as usize / CHUNK * CHUNK } else { 0 },
        told_frames,
    };
    [
        part(onset..first_join.end, true, 4 * (first_join.end - onset)),
        part(join.start..end, false, (end - join.start) * 2 / 3),
    ]
}

/// Share of a burst's decay by 60 dB that sounds: down to -40 dB, under what comes after it (our choice).
const BURST_LASTS: f64 = 2.0 / 3.0;

/// Shortest decay by 60 dB of an octave's burst, in periods of its width: shorter, noise would be no noise of that octave
/// alone, and no filter would hear the difference (our choice).
const BURST_PERIODS: f64 = 14.0;

/// How far from 1 the energy of an octave may stay: 0.04 dB.
const ENERGY_TOLERANCE: f64 = 0.01;
/// Most rounds in which energies are brought to 1: the lowest octave of a short first part takes the most.
const ENERGY_ROUNDS: usize = 20;
/// Least energy that is made up for in one round: what is more than 30 dB too faint takes several, and nothing is divided
/// by zero.
const LEAST_TOLD: f64 = 1e-3;

impl Part {
    /// Sums levelled noise times decay and window, with the wished energy in each octave, all channels together.
    fn synthesise(
        &self,
        noise: &OctaveNoise,
        set: InstructionSet,
        transforms: &mut Transforms,
    ) -> Vec<Vec<f32>> {
        let bands = noise.octaves().len();
        let channels = noise.octaves()[0].len();
        let chunks = self.frames.start / CHUNK..self.frames.end.div_ceil(CHUNK);
        let mut outputs = vec![vec![0.0_f32; chunks.end * CHUNK]; channels];
        let lasting = self.lasting(bands, channels);
        let mut wished = self.levels;
        for round in 1.. {
            let gains = noise.powers().gains(&lasting, &wished);
            set.run(DecayingSum {
                octaves: noise.octaves(),
                decays: self.decays(&gains, bands),
                first_chunk: chunks.start,
                noise_chunk: self.noise_frame(noise, chunks.start * CHUNK) / CHUNK,
                outputs: &mut outputs,
            });
            for output in &mut outputs {
                self.window(output);
            }
            let mut energies = self.energies(&outputs, bands, transforms);
            for (energy, level) in energies.iter_mut().zip(self.levels) {
                // What is not wished for is not there, and right.
                *energy = if level > 0.0 { *energy / level } else { 1.0 };
            }
            // The top is brought along, but waited for by none.
            let is_level =
                energies[..bands].iter().take(BANDS).all(|energy| (energy - 1.0).abs() < ENERGY_TOLERANCE);
            if is_level || round == ENERGY_ROUNDS {
                break;
            }
            for band in 0..bands {
                wished[band] /= energies[band].max(LEAST_TOLD);
            }
        }
        for output in &mut outputs {
            output.truncate(self.frames.end);
        }
        outputs
    }

    /// Returns the place in the noise's period of what sounds at a frame.
    fn noise_frame(&self, noise: &OctaveNoise, frame: usize) -> usize {
        let period = noise.octaves()[0][0].len();
        (frame + period - self.back_frames) % period
    }

    /// Returns how long each pair of octaves sounds together, as sums over frames of the product of both envelopes.
    fn lasting(&self, bands: usize, channels: usize) -> [WithTop; OCTAVES] {
        let middle = usize::midpoint(self.join.start, self.join.end);
        let (from, to) = if self.is_first { (self.frames.start, middle) } else { (middle, self.frames.end) };
        let mut lasting = [[0.0; OCTAVES]; OCTAVES];
        for (a, row) in lasting.iter_mut().enumerate().take(bands) {
            for (b, sum) in row.iter_mut().enumerate().take(bands) {
                // A geometric series.
                let exponent =
                    -PRESSURE_EXPONENT * (1.0 / self.decay_s[a] + 1.0 / self.decay_s[b]) / self.rate_hz;
                let whole = (exponent * from as f64).exp() - (exponent * to as f64).exp();
                *sum = channels as f64 * whole / -exponent.exp_m1();
            }
        }
        lasting
    }

    fn decays(&self, gains: &WithTop, bands: usize) -> [Decay; OCTAVES] {
        std::array::from_fn(|band| {
            if band >= bands {
                return Decay::default();
            }
            let exponent = -PRESSURE_EXPONENT / (self.decay_s[band] * self.rate_hz);
            let first = (self.frames.start / CHUNK * CHUNK) as f64;
            let envelope = (exponent * first).exp();
            Decay {
                gain: gains[band],
                envelope,
                silent: SILENT.min(SILENT_IN_PART * envelope),
                ratio: exponent.exp(),
                chunk_ratio: (exponent * CHUNK as f64).exp(),
            }
        })
    }

    /// Cuts the sum to the part's frames and fades its join, at equal power.
    fn window(&self, output: &mut [f32]) {
        output[..self.frames.start].fill(0.0);
        output[self.frames.end..].fill(0.0);
        // As the number of reflections does that have come by then.
        for (n, x) in output.iter_mut().enumerate().take(self.build_up_frames).skip(self.frames.start) {
            *x *= (n as f32 / self.build_up_frames as f32).powi(2);
        }
        let quarter_turn = PI / 2.0 / self.join.len() as f64;
        for (n, x) in output[self.join.clone()].iter_mut().enumerate() {
            let (sin, cos) = (n as f64 * quarter_turn).sin_cos();
            *x *= (if self.is_first { cos } else { sin }) as f32;
        }
    }

    /// Returns the energy density of each octave, all channels together; 1 is that of a unit impulse.
    fn energies(&self, outputs: &[Vec<f32>], bands: usize, transforms: &mut Transforms) -> WithTop {
        let size = self.told_frames.next_power_of_two();
        let bins_per_hz = size as f64 / self.rate_hz;
        let mut energies = [0.0; OCTAVES];
        for output in outputs {
            let fold = |time: &mut [f32]| {
                for piece in output[self.frames.clone()].chunks(size) {
                    time.iter_mut().zip(piece).for_each(|(cell, x)| *cell += x);
                }
            };
            transforms.forward(size, fold, |bins| {
                for (band, energy) in energies.iter_mut().enumerate().take(bands) {
                    let (low_hz, high_hz) = mask_edges_hz(band, self.rate_hz);
                    *energy += mean_power(bins, low_hz * bins_per_hz, high_hz * bins_per_hz);
                }
            });
        }
        energies
    }
}

/// Returns the mean of |X|^2 from one place to another, in bins; each bin stands for half a bin to either side.
fn mean_power(bins: &[Complex<f32>], from: f64, to: f64) -> f64 {
    let (first, last) = (from.round() as usize, to.round() as usize);
    let inner: f64 = bins[first..=last]
        .chunks(64)
        .map(|chunk| f64::from(chunk.iter().map(Complex::norm_sqr).sum::<f32>()))
        .sum();
    // What of the bins at the ends lies beyond the ends.
    let beyond = [(first, from - (first as f64 - 0.5)), (last, last as f64 + 0.5 - to)];
    let outer: f64 = beyond.iter().map(|&(bin, share)| share * f64::from(bins[bin].norm_sqr())).sum();
    (inner - outer) / (to - from)
}

/// Frames that are summed at once: as many as fit the registers.
const CHUNK: usize = 32;
/// Envelope below which an octave is left out: 120 dB under its start, far below what single precision resolves beside others.
const SILENT: f64 = 1e-6;
/// The same, as a share of the envelope with which a part begins, where that is less: 60 dB (our choice).
///
/// An octave that has all but gone when the second part begins still has its
/// energy in it: without, it would be left out of it.
const SILENT_IN_PART: f64 = 1e-3;

/// The envelope of one octave.
#[derive(Clone, Copy, Debug, Default)]
struct Decay {
    gain: f64,
    /// Envelope at the first frame, and the one below which the octave is left out.
    envelope: f64,
    silent: f64,
    /// What is left of it after a frame, and after a chunk.
    ratio: f64,
    chunk_ratio: f64,
}

/// Sums octave noises times their decays.
struct DecayingSum<'a> {
    octaves: &'a [Vec<Vec<f32>>],
    decays: [Decay; OCTAVES],
    /// First chunk of the outputs, and of the noise.
    first_chunk: usize,
    noise_chunk: usize,
    outputs: &'a mut [Vec<f32>],
}

impl Kernel for DecayingSum<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(mut self) {
        let bands = self.octaves.len();
        let within: [[f32; CHUNK]; OCTAVES] = self.decays.map(|decay| {
            let mut envelope = 1.0;
            std::array::from_fn(|_| {
                let now = envelope;
                envelope *= decay.ratio;
                now as f32
            })
        });
        let chunks = self.outputs[0].len() / CHUNK;
        let noise_chunks = self.octaves[0][0].len() / CHUNK;
        for chunk in self.first_chunk..chunks {
            let noise_chunk = (chunk - self.first_chunk + self.noise_chunk) % noise_chunks;
            let mut gains = [0.0_f32; OCTAVES];
            for (gain, decay) in gains.iter_mut().zip(&mut self.decays).take(bands) {
                if decay.envelope > decay.silent {
                    *gain = (decay.gain * decay.envelope) as f32;
                    decay.envelope *= decay.chunk_ratio;
                }
            }
            for (channel, output) in self.outputs.iter_mut().enumerate() {
                let mut sums = [0.0_f32; CHUNK];
                for band in 0..bands {
                    if gains[band] == 0.0 {
                        continue;
                    }
                    let noise = &self.octaves[band][channel].as_chunks::<CHUNK>().0[noise_chunk];
                    for n in 0..CHUNK {
                        sums[n] = multiply_add::<FUSED>(gains[band] * within[band][n], noise[n], sums[n]);
                    }
                }
                output.as_chunks_mut::<CHUNK>().0[chunk] = sums;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::microphones::Pair;
    use crate::acoustics::platform::Platform;

    const RATE_HZ: f64 = 48_000.0;

    fn specs() -> Vec<TailSpec> {
        let mut specs = Vec::new();
        for (decay_s, pair, rate_hz, temperature_c) in [
            (0.5, Some(Pair::NearCoincident), RATE_HZ, 20.0),
            (0.3, Some(Pair::NearCoincident), RATE_HZ, 20.0),
            (0.5, Some(Pair::NearCoincident), RATE_HZ, 0.0),
            (2.0, Some(Pair::SpacedOmnis), RATE_HZ, 40.0),
            (0.5, Some(Pair::Coincident), 44_100.0, 20.0),
            (0.2, None, 22_050.0, 20.0),
        ] {
            let mut platform = Platform { decay_s, ..Platform::default() };
            platform.air.temperature_c = temperature_c;
            specs.push(TailSpec::new(&platform, pair, rate_hz));
        }
        specs
    }

    #[test]
    fn a_tail_is_the_same_bit_by_bit_whatever_was_made_before() {
        let specs = specs();
        let fresh: Vec<_> = specs.iter().map(|spec| TailWorkshop::new().synthesise(spec)).collect();
        let mut workshop = TailWorkshop::new();
        let order = (0..specs.len()).chain((0..specs.len()).rev()).chain([1, 3, 0, 2]);
        for index in order {
            assert!(workshop.synthesise(&specs[index]) == fresh[index], "tail {index} changed");
        }
        assert!(fresh[0] != fresh[1] && fresh[0] != fresh[2], "different platforms have different tails");
    }

    /// The mean of |X|^2 over the octave (Parseval's theorem), on lines less than 0.4 Hz apart.
    #[test]
    fn every_octave_of_both_parts_has_unit_energy_and_the_top_its_level() {
        for spec in specs() {
            let bands = crate::acoustics::octave::bands_at_rate(spec.sample_rate_hz);
            for (index, part) in TailWorkshop::new().synthesise(&spec).iter().enumerate() {
                for band in 0..=bands {
                    let energy: f64 =
                        part.iter().map(|samples| octave_energy(samples, band, spec.sample_rate_hz)).sum();
                    let wished = if band < bands { 1.0 } else { spec.levels[index][band] };
                    // 0.1 dB; at the top 0.5.
                    let tolerance = if band < bands { 0.023 } else { 0.12 };
                    assert!(
                        (energy / wished - 1.0).abs() < tolerance,
                        "{spec:?} part {index} octave {band}: expected {wished}, got {energy}"
                    );
                }
            }
        }
    }

    fn octave_energy(samples: &[f32], band: usize, rate_hz: f64) -> f64 {
        let size = (rate_hz / 0.4).ceil() as usize;
        let size = size.max(samples.len()).next_power_of_two();
        let (low_hz, high_hz) = mask_edges_hz(band, rate_hz);
        let bin = |hz: f64| (hz * size as f64 / rate_hz).round() as usize;
        Transforms::default().forward(
            size,
            |time| time[..samples.len()].copy_from_slice(samples),
            |bins| {
                let octave = &bins[bin(low_hz)..bin(high_hz)];
                octave.iter().map(|x| f64::from(x.norm_sqr())).sum::<f64>() / octave.len() as f64
            },
        )
    }

    /// Finishes of which each octave decays so differently that most have gone, or hide behind a neighbour, and platforms
    /// whose mixing time outlasts them.
    #[test]
    fn no_platform_panics_or_leaves_an_octave_silent() {
        use crate::acoustics::surface::Finish;
        let wool = Finish::MineralWool;
        let all = Platform { floor: wool, rear: wool, sides: wool, canopy: wool, ..Platform::default() };
        let low = Platform { depth_m: 25.0, height_m: 4.0, ..all };
        let mut dry = Platform { width_m: 30.0, depth_m: 25.0, height_m: 20.0, decay_s: 0.2, ..all };
        (dry.air.loss, dry.air.humidity_pct) = (8.0, 10.0);
        for rate_hz in [8_000.0, 22_050.0, RATE_HZ, 192_000.0] {
            for platform in [all, low, dry] {
                let spec = TailSpec::new(&platform, Some(Pair::NearCoincident), rate_hz);
                for part in TailWorkshop::new().synthesise(&spec) {
                    assert!(part.iter().flatten().all(|x| x.is_finite()));
                    for band in 0..crate::acoustics::octave::bands_at_rate(rate_hz) {
                        let energy: f64 =
                            part.iter().map(|samples| octave_energy(samples, band, rate_hz)).sum();
                        // 1 dB: a first part of 13 ms has few lines in the lowest octave.
                        assert!((energy.log10() * 10.0).abs() < 1.0, "{spec:?} octave {band}: got {energy}");
                    }
                }
            }
        }
    }

    /// A tail whose end would lie before the parts' join lasts until both have sounded.
    #[test]
    fn a_tail_shorter_than_its_mixing_time_has_both_parts() {
        let spec = TailSpec::new(&Platform::default(), None, RATE_HZ);
        for decay_s in [1e-3, 0.01, 0.04] {
            let spec = TailSpec { decay_s: [decay_s; OCTAVES], mixing_time_s: 0.05, ..spec };
            for part in TailWorkshop::new().synthesise(&spec) {
                assert!(part.iter().flatten().all(|x| x.is_finite()));
                assert!(part[0].iter().any(|&x| x != 0.0), "{decay_s} s");
            }
        }
    }

    #[test]
    fn a_build_is_given_up_between_octaves_and_leaves_the_workshop_as_it_was() {
        let spec = &specs()[0];
        let mut workshop = TailWorkshop::new();
        let asked = std::cell::Cell::new(0);
        let give_up_after = |times: u32| {
            move |asked: &std::cell::Cell<u32>| {
                asked.set(asked.get() + 1);
                asked.get() > times
            }
        };
        for times in [0, 3, 8] {
            asked.set(0);
            let give_up = give_up_after(times);
            assert!(workshop.build_unless(spec, &|| give_up(&asked)).is_none(), "after {times}");
        }
        assert!(workshop.synthesise(spec) == TailWorkshop::new().synthesise(spec));
        assert!(workshop.build_unless(spec, &|| false).is_some());
    }

    #[test]
    fn at_high_rates_fewer_noises_are_kept() {
        let mut workshop = TailWorkshop::new();
        for pair in Pair::ALL {
            workshop.synthesise(&TailSpec::new(&Platform::default(), Some(pair), 384_000.0));
        }
        // What was kept before the last kind came, and that kind: eight masks, two channels and 524 288 frames.
        assert!(workshop.kept_bytes() <= KEPT_BYTES + 8 * 2 * (1 << 19) * 4, "{}", workshop.kept_bytes());
    }

    #[test]
    fn kept_noise_stays_within_bounds() {
        let mut workshop = TailWorkshop::new();
        for spec in specs().iter().take(3) {
            workshop.synthesise(spec);
        }
        // Two kinds of eight masks, two channels and 65 536 frames.
        assert_eq!(workshop.kept_bytes(), 2 * 8 * 2 * 65_536 * 4);
    }

    #[test]
    fn both_instruction_sets_make_the_same_tail() {
        let spec = &specs()[0];
        let plain = TailWorkshop { set: InstructionSet::plain(), ..TailWorkshop::new() }.synthesise(spec);
        let wide = TailWorkshop::new().synthesise(spec);
        for (plain, wide) in plain.iter().flatten().flatten().zip(wide.iter().flatten().flatten()) {
            assert!((plain - wide).abs() < 1e-5, "{plain} and {wide}");
        }
    }
}
