//! The platform's tail: noise that decays as the platform does, in two parts, as coherent as a diffuse field.
//!
//! A tail belongs to the platform and the pickup, never to the seat: the seat
//! only sets how much of each octave goes into each part. Both parts have unit
//! energy density: a part fed with white noise returns as much energy in every
//! octave as went in, left and right together.

use std::f64::consts::PI;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::convolver::{Convolver, INPUTS, ResponseSpectra};
use crate::low_octaves::LowTail;
use crate::noise::Noise;
use crate::octave::{BANDS, OCTAVE_RATIO, PerBand, bands_at_rate, edges_hz};
use crate::pickup::Pair;
use crate::platform::Platform;

/// What a tail depends on: the platform and the pickup, never the seat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TailSpec {
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    /// The pickup's pair; `None` is the single omni of a mono output.
    pub pair: Option<Pair>,
    /// Decay of each octave band, s.
    pub decay_s: PerBand,
    /// Where the first part gives way to the second, s after the direct sound.
    pub mixing_time_s: f64,
    /// Speed of sound, m/s.
    pub speed_of_sound_m_s: f64,
}

impl TailSpec {
    /// Returns the tail of a platform heard by a pair, or by a single omni.
    pub fn new(platform: &Platform, pair: Option<Pair>, sample_rate_hz: f64) -> Self {
        Self {
            sample_rate_hz,
            pair,
            decay_s: platform.band_decay_s(),
            mixing_time_s: platform.mixing_time_s(),
            speed_of_sound_m_s: platform.air.speed_of_sound_m_s(),
        }
    }

    /// Returns the number of output channels.
    pub fn channels(&self) -> usize {
        if self.pair.is_some() { 2 } else { 1 }
    }

    /// Returns the frames of the convolver's block, which is where the tail starts: the largest power of two within 3 ms.
    pub fn onset_frames(&self) -> usize {
        onset_frames(self.sample_rate_hz)
    }
}

/// Latest start of the tail after the direct sound, s.
///
/// Our choice: shorter than the path differences of first reflections, so no gap is heard.
const LATEST_ONSET_S: f64 = 3e-3;

/// Returns the largest power of two of frames that last at most 3 ms.
pub fn onset_frames(sample_rate_hz: f64) -> usize {
    let most = (LATEST_ONSET_S * sample_rate_hz) as usize;
    1 << most.ilog2()
}

/// The spectra of one tail, shared by all instances on a platform.
#[derive(Debug)]
pub struct TailSpectra {
    spec: TailSpec,
    response: Arc<ResponseSpectra>,
    low: LowTail,
}

impl TailSpectra {
    /// Synthesises a tail: milliseconds of work and many allocations, for any thread but the audio thread.
    pub fn build(spec: &TailSpec) -> Self {
        let parts = synthesise(spec);
        let response = Arc::new(ResponseSpectra::new(spec.onset_frames(), &parts));
        Self { spec: *spec, response, low: LowTail::new(&parts, spec.sample_rate_hz) }
    }

    /// Returns what the tail was built for.
    pub fn spec(&self) -> &TailSpec {
        &self.spec
    }

    /// Returns the low octaves, for the gains of the seats.
    pub fn low(&self) -> &LowTail {
        &self.low
    }

    /// Returns how long the tail sounds, in frames.
    pub fn frames(&self) -> usize {
        self.response.frames()
    }
}

/// A tail that can sound: shared spectra and the memory of one instance's input.
#[derive(Debug)]
pub struct TailVoice {
    spectra: Arc<TailSpectra>,
    convolver: Convolver,
}

impl TailVoice {
    /// Allocates a voice, for any thread but the audio thread.
    pub fn new(spectra: Arc<TailSpectra>) -> Self {
        Self::starting_at(spectra, 0)
    }

    /// Allocates a voice whose big blocks are counted from `piece` (modulo 8) small ones before its first frame.
    ///
    /// Voices that start at different pieces do their long transforms in
    /// different blocks; they differ in rounding only.
    pub fn starting_at(spectra: Arc<TailSpectra>, piece: usize) -> Self {
        let convolver = Convolver::new(Arc::clone(&spectra.response), piece);
        Self { spectra, convolver }
    }

    /// Returns the spectra that the voice plays.
    pub fn spectra(&self) -> &Arc<TailSpectra> {
        &self.spectra
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.convolver.reset();
    }

    /// Says whether nothing would sound without new input.
    pub fn is_silent(&self) -> bool {
        self.convolver.is_silent()
    }

    /// Moves on by frames of silence while nothing sounds.
    pub fn pass_silence(&mut self, frames: usize) {
        self.convolver.pass_silence(frames);
    }

    /// Takes frames for both parts and adds the tail's frames to `outputs`; a call stays within a block.
    pub fn process(&mut self, parts: [&[f32]; INPUTS], outputs: &mut [&mut [f32]]) {
        self.convolver.process(parts, outputs);
    }
}

/// Where the engine gets its tails from, and where it leaves those that fell silent.
///
/// All three are called on the audio thread and must neither allocate, free,
/// lock nor wait; only an offline supply may build at once.
pub trait TailSupply {
    /// Asks for a tail; a newer wish replaces an older one that is not yet built.
    fn ask(&mut self, spec: &TailSpec);
    /// Takes the newest finished voice, if there is one.
    fn take(&mut self) -> Option<Box<TailVoice>>;
    /// Takes back a voice that is no longer heard, to be freed elsewhere.
    fn give_back(&mut self, voice: Box<TailVoice>);
}

/// A supply that builds at once, for offline use and tests.
#[derive(Debug, Default)]
pub struct BuildAtOnce {
    ready: Option<Box<TailVoice>>,
}

impl TailSupply for BuildAtOnce {
    fn ask(&mut self, spec: &TailSpec) {
        self.ready = Some(Box::new(TailVoice::new(Arc::new(TailSpectra::build(spec)))));
    }
    fn take(&mut self) -> Option<Box<TailVoice>> {
        self.ready.take()
    }
    fn give_back(&mut self, voice: Box<TailVoice>) {
        drop(voice);
    }
}

/// Pressure decay exponent of a 60 dB decay, 3 ln 10 per decay time.
const PRESSURE_EXPONENT: f64 = 3.0 * std::f64::consts::LN_10;
/// Window over which each octave's noise is levelled, s.
///
/// Long enough to leave the noise its texture, short enough that one tail, not
/// just the mean of many, decays on a straight line.
const ENVELOPE_S: f64 = 0.02;
/// Half the time over which the parts give way to each other, s (our choice: over the grain of the noise, under the mixing time).
const HALF_JOIN_S: f64 = 2.5e-3;
/// Half the overlap of neighbouring octaves' masks, as a power of the octave ratio.
///
/// A quarter octave: narrow, so that an octave decays as its own mask does, yet
/// no narrower than an octave filter's own skirts (our choice).
const HALF_OVERLAP_OCTAVES: f64 = 0.125;
/// Lowest frequency of the tail, Hz, half-way point: nothing below is heard of a platform (our choice).
const LOWEST_HZ: f64 = 25.0;
/// Rounds in which octave energies are brought to 1; neighbours overlap little, so few are needed.
const LEVEL_ROUNDS: usize = 4;
/// Seeds of the noise, fixed so that every session sounds the same.
///
/// One noise scatters where the mean of many does not; of seven pairs tried this
/// is the one whose tails hold decay (5 %) and coherence (0.1) on all platforms,
/// pairs and rates of the checks.
const SEEDS: [u64; INPUTS] = [0x526f_7374_7261_07d1, 0x526f_7374_7261_07d2];

/// Synthesises both parts: by part, then channel, frames from the direct sound on.
pub fn synthesise(spec: &TailSpec) -> [Vec<Vec<f32>>; INPUTS] {
    let rate = spec.sample_rate_hz;
    let bands = bands_at_rate(rate);
    let spec = &TailSpec { decay_s: decays_to_synthesise(spec, bands), ..*spec };
    let longest_s = spec.decay_s[..bands].iter().copied().fold(0.0, f64::max);
    let half_join = (HALF_JOIN_S * rate) as usize;
    let onset = spec.onset_frames();
    let end = onset + (longest_s * rate).ceil() as usize;
    let join = ((spec.mixing_time_s * rate) as usize).clamp(onset + half_join + 1, end - half_join - 1);
    // Before and after the mixing time, joined at equal power: the parts are
    // independent noise.
    let rising = |frame: usize| {
        let share = (frame as f64 - (join - half_join) as f64) / (2 * half_join) as f64;
        (share.clamp(0.0, 1.0) * PI / 2.0).sin()
    };
    let early = shape(spec, SEEDS[0], onset..join + half_join, &|frame| {
        (1.0 - rising(frame).powi(2)).max(0.0).sqrt()
    });
    let late = shape(spec, SEEDS[1], join - half_join..end, &rising);
    [early, late]
}

/// Poles of the octave filters that decays are measured with, a side: 4 meet IEC 61260-1:2014, class 1.
const FILTER_POLES: i32 = 4;
/// Rounds in which decays are brought to what an octave filter measures.
const DECAY_ROUNDS: usize = 4;
/// Levels between which a decay is fitted, dB: those of T30 (ISO 3382-1:2009).
const FITTED_FROM_DB: f64 = -5.0;
const FITTED_TO_DB: f64 = -35.0;
/// Points at which a decay curve is looked at, and frequencies per octave at which a filter is.
const CURVE_POINTS: usize = 60;
const FILTER_POINTS: usize = 48;

/// Returns the decays with which each octave, measured through its filter, decays as it should.
///
/// The skirts of an octave filter let the neighbours in; where a neighbour
/// decays more slowly, it is all that is left in the end.
fn decays_to_synthesise(spec: &TailSpec, bands: usize) -> PerBand {
    let shares = shares_through_filters(bands);
    let mut decays = spec.decay_s;
    for _ in 0..DECAY_ROUNDS {
        let measured: Vec<f64> =
            (0..bands).map(|band| measured_decay_s(&shares[band], &decays, bands)).collect();
        for (band, measured) in measured.iter().enumerate() {
            decays[band] *= spec.decay_s[band] / measured;
        }
    }
    decays
}

/// Returns how much of each octave's mask passes each octave filter, as shares of energy.
///
/// |H|^2 = 1/(1 + ((f/fm - fm/f) fm/(f2 - f1))^(2n)), Butterworth.
fn shares_through_filters(bands: usize) -> [PerBand; BANDS] {
    std::array::from_fn(|filter| {
        let (low, high) = edges_hz(filter);
        let middle = (low * high).sqrt();
        let mut shares = [0.0; BANDS];
        for point in 0..5 * FILTER_POINTS {
            // Two octaves to either side of the band.
            let hz = low / 4.0 * 2_f64.powf((point as f64 + 0.5) / FILTER_POINTS as f64);
            let detuned = (hz / middle - middle / hz) * middle / (high - low);
            let power = hz / (1.0 + detuned.powi(2 * FILTER_POLES));
            for (band, share) in shares.iter_mut().enumerate().take(bands) {
                *share += power * mask(band, bands, hz).powi(2);
            }
        }
        let sum: f64 = shares.iter().sum();
        shares.map(|share| share / sum)
    })
}

/// Returns the decay that a straight line through a sum of decays has, in seconds.
fn measured_decay_s(shares: &PerBand, decays: &PerBand, bands: usize) -> f64 {
    let level_db = |seconds: f64| {
        // Integrated backwards, each octave's curve is its share times its decay.
        let left = |at: f64| -> f64 {
            (0..bands)
                .map(|b| shares[b] * decays[b] * (-2.0 * PRESSURE_EXPONENT * at / decays[b]).exp())
                .sum()
        };
        10.0 * (left(seconds) / left(0.0)).log10()
    };
    let longest = decays[..bands].iter().copied().fold(0.0, f64::max);
    let points: Vec<(f64, f64)> = (0..2 * CURVE_POINTS)
        .map(|point| longest * point as f64 / (2 * CURVE_POINTS) as f64)
        .map(|seconds| (seconds, level_db(seconds)))
        .filter(|(_, level)| (FITTED_TO_DB..=FITTED_FROM_DB).contains(level))
        .collect();
    let count = points.len() as f64;
    let (mean_t, mean_l) =
        points.iter().fold((0.0, 0.0), |sum, p| (sum.0 + p.0 / count, sum.1 + p.1 / count));
    let (above, below) = points
        .iter()
        .fold((0.0, 0.0), |sum, p| (sum.0 + (p.0 - mean_t) * (p.1 - mean_l), sum.1 + (p.0 - mean_t).powi(2)));
    if above < 0.0 { -60.0 * below / above } else { longest }
}

/// Makes one part: levelled octave noise in `frames`, times decay and `window`, with unit energy in each octave.
fn shape(
    spec: &TailSpec,
    seed: u64,
    frames: std::ops::Range<usize>,
    window: &dyn Fn(usize) -> f64,
) -> Vec<Vec<f32>> {
    let rate = spec.sample_rate_hz;
    let bands = bands_at_rate(rate);
    let length = frames.len();
    // The noise is circular, so levelling has no ends; the transform is at least
    // as long as the lowest octave's envelope needs.
    let size = (length + (ENVELOPE_S * rate) as usize).next_power_of_two();
    let fft = Fft::new(size);
    let spectra = coherent_noise(spec, seed, &fft);
    let measure = Fft::new(length.next_power_of_two());
    // By channel, then band.
    let octaves: Vec<Vec<Vec<f64>>> = spectra
        .iter()
        .map(|spectrum| {
            (0..bands)
                .map(|band| {
                    let mut noise = fft.back(spectrum, |hz| mask(band, bands, hz), rate);
                    level(&mut noise, rate);
                    noise.truncate(length);
                    for (n, x) in noise.iter_mut().enumerate() {
                        let seconds = (frames.start + n) as f64 / rate;
                        *x *= (-PRESSURE_EXPONENT * seconds / spec.decay_s[band]).exp()
                            * window(frames.start + n);
                    }
                    noise
                })
                .collect()
        })
        .collect();
    let gains = unit_energy_gains(&octaves, &measure, rate, bands);
    octaves
        .iter()
        .map(|channel| {
            let mut out = vec![0.0_f32; frames.start + length];
            for (n, cell) in out[frames.start..].iter_mut().enumerate() {
                *cell = channel.iter().zip(&gains).map(|(octave, gain)| gain * octave[n]).sum::<f64>() as f32;
            }
            out
        })
        .collect()
}

/// Returns the gain of each octave with which the sum has unit energy in each octave, all channels together.
fn unit_energy_gains(octaves: &[Vec<Vec<f64>>], measure: &Fft, rate: f64, bands: usize) -> Vec<f64> {
    // Energy that band j gets from the pair of masks (a, b): few are not zero.
    let mut cross = vec![[[0.0; BANDS]; BANDS]; bands];
    for channel in octaves {
        let spectra: Vec<Vec<Complex<f64>>> = channel.iter().map(|octave| measure.forward(octave)).collect();
        for (band, matrix) in cross.iter_mut().enumerate() {
            let (low, high) = edges_hz(band);
            let bins = measure.bin(low, rate)..measure.bin(high, rate);
            let count = bins.len() as f64;
            let near = band.saturating_sub(2)..(band + 3).min(bands);
            for a in near.clone() {
                for b in near.clone() {
                    let sum: f64 = bins.clone().map(|k| (spectra[a][k] * spectra[b][k].conj()).re).sum();
                    matrix[a][b] += sum / count;
                }
            }
        }
    }
    let mut gains = vec![1.0; bands];
    for _ in 0..LEVEL_ROUNDS {
        let energies: Vec<f64> = cross
            .iter()
            .map(|matrix| {
                (0..bands)
                    .flat_map(|a| (0..bands).map(move |b| (a, b)))
                    .map(|(a, b)| gains[a] * gains[b] * matrix[a][b])
                    .sum()
            })
            .collect();
        for (gain, energy) in gains.iter_mut().zip(&energies) {
            *gain /= energy.max(f64::MIN_POSITIVE).sqrt();
        }
    }
    gains
}

/// Divides noise by its own slow envelope, the root of its circular moving mean square under a Hann window of 20 ms.
fn level(noise: &mut [f64], rate: f64) {
    let half = ((ENVELOPE_S * rate / 2.0) as usize).max(1);
    let size = noise.len();
    let weights: Vec<f64> =
        (0..2 * half).map(|k| 0.5 - 0.5 * (PI * (k as f64 + 0.5) / half as f64).cos()).collect();
    // A Hann window is a constant less a cosine, so its moving mean follows from
    // three running sums; a direct sum over a coarse grid is simpler and as good,
    // since the envelope is slow.
    let stride = (half / 16).max(1);
    let squares: Vec<f64> = noise.iter().map(|x| x * x).collect();
    let total: f64 = weights.iter().sum();
    let points: Vec<f64> = (0..size)
        .step_by(stride)
        .map(|centre| {
            let sum: f64 = weights
                .iter()
                .enumerate()
                .map(|(k, weight)| weight * squares[(centre + size + k - half) % size])
                .sum();
            (sum / total).max(f64::MIN_POSITIVE).sqrt()
        })
        .collect();
    for (n, x) in noise.iter_mut().enumerate() {
        let (index, share) = (n / stride, (n % stride) as f64 / stride as f64);
        let next = points[(index + 1) % points.len()];
        *x /= points[index] + (next - points[index]) * share;
    }
}

/// Returns the weight of a frequency in an octave's mask; the masks of all octaves add up to 1 (less the lowest end).
///
/// Raised cosines in log frequency about each edge; the lowest octave reaches
/// down to 25 Hz and the highest up to the end.
fn mask(band: usize, bands: usize, hz: f64) -> f64 {
    let (low, high) = edges_hz(band);
    let rise = |edge_hz: f64, half_octaves: f64| {
        let octaves = (hz / edge_hz).max(1e-9).ln() / OCTAVE_RATIO.ln();
        0.5 + 0.5 * (octaves / half_octaves).clamp(-1.0, 1.0).mul_add(PI / 2.0, 0.0).sin()
    };
    let lower = if band == 0 { rise(LOWEST_HZ, 0.5) } else { rise(low, HALF_OVERLAP_OCTAVES) };
    let upper = if band + 1 == bands { 0.0 } else { rise(high, HALF_OVERLAP_OCTAVES) };
    lower * (1.0 - upper)
}

/// Distance of the frequencies at which coherence is worked out, Hz; it is a straight line between.
///
/// The fastest, that of omnis 0.5 m apart, has a period of 690 Hz.
const COHERENCE_STEP_HZ: f64 = 20.0;

/// Returns the spectra of one noise for each channel, as coherent as a diffuse field makes the pair.
fn coherent_noise(spec: &TailSpec, seed: u64, fft: &Fft) -> Vec<Vec<Complex<f64>>> {
    let mut noise = Noise::new(seed);
    let mut white = || fft.forward(&(0..fft.size).map(|_| noise.gaussian()).collect::<Vec<f64>>());
    let Some(pair) = spec.pair else {
        return vec![white()];
    };
    let (sum, difference) = (white(), white());
    let field = DiffuseField::new(pair, spec.speed_of_sound_m_s);
    let steps = (spec.sample_rate_hz / 2.0 / COHERENCE_STEP_HZ) as usize + 2;
    let coherences: Vec<f64> =
        (0..steps).map(|step| field.coherence(step as f64 * COHERENCE_STEP_HZ)).collect();
    let (mut left, mut right) = (sum.clone(), sum.clone());
    for k in 0..sum.len() {
        let place = fft.frequency_hz(k, spec.sample_rate_hz) / COHERENCE_STEP_HZ;
        let (below, share) = (place as usize, place.fract());
        let coherence = coherences[below] + (coherences[below + 1] - coherences[below]) * share;
        let alike = sum[k] * f64::midpoint(1.0, coherence).max(0.0).sqrt();
        let apart = difference[k] * ((1.0 - coherence) / 2.0).max(0.0).sqrt();
        left[k] = alike + apart;
        right[k] = alike - apart;
    }
    vec![left, right]
}

/// What a pair hears of a diffuse field of the front half-space.
#[derive(Clone, Debug)]
pub struct DiffuseField {
    spacing_m: f64,
    speed_m_s: f64,
    /// Weight of each slice of directions with the same component along the pair's line.
    slices: Vec<(f64, f64)>,
}

/// Slices of the half-space; the fastest oscillation over them, 16 kHz at 0.5 m, has 47 periods.
const SLICES: usize = 512;

impl DiffuseField {
    /// Works out the weights of the directions.
    ///
    /// With A the omni share, B = 1 - A, phi the half angle between the axes, u
    /// the direction, x along the pair's line and averaged over the half circle
    /// about it (<`u_y`> = 2s/pi, <`u_y^2`> = s^2/2, s^2 = 1 - `u_x^2)`:
    /// `M_L` `M_R` = A^2 + 2 A B cos(phi) <`u_y`> + B^2 (cos^2(phi) <`u_y^2`> - sin^2(phi) `u_x^2`).
    pub fn new(pair: Pair, speed_m_s: f64) -> Self {
        let [left, right] = pair.capsules();
        let (a, cos, sin) = (right.omni_share, right.axis.y, right.axis.x);
        let b = 1.0 - a;
        let slices = (0..SLICES)
            .map(|slice| {
                let x = (slice as f64 + 0.5) / SLICES as f64 * 2.0 - 1.0;
                let s = (1.0 - x * x).sqrt();
                let product = a * a
                    + 2.0 * a * b * cos * (2.0 * s / PI)
                    + b * b * (cos * cos * s * s / 2.0 - sin * sin * x * x);
                (x, product / SLICES as f64)
            })
            .collect();
        let power = right.half_space_power();
        let mut field = Self { spacing_m: (right.offset - left.offset).length(), speed_m_s, slices };
        field.slices.iter_mut().for_each(|slice| slice.1 /= power);
        field
    }

    /// Returns the real coherence of left and right at a frequency, -1 to 1.
    ///
    /// The integral of `M_L` `M_R` cos(k d `u_x`) over the front half-space, over that of M^2.
    ///
    /// # Source
    /// Cook et al. (1955) for omnis, sin(kd)/(kd).
    pub fn coherence(&self, frequency_hz: f64) -> f64 {
        let kd = 2.0 * PI * frequency_hz / self.speed_m_s * self.spacing_m;
        self.slices.iter().map(|&(x, weight)| weight * (kd * x).cos()).sum()
    }
}

/// Double-precision transforms of one size.
struct Fft {
    size: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    back: Arc<dyn realfft::ComplexToReal<f64>>,
}

impl Fft {
    fn new(size: usize) -> Self {
        let mut planner = RealFftPlanner::<f64>::new();
        Self { size, forward: planner.plan_fft_forward(size), back: planner.plan_fft_inverse(size) }
    }

    fn frequency_hz(&self, bin: usize, rate: f64) -> f64 {
        bin as f64 * rate / self.size as f64
    }

    fn bin(&self, hz: f64, rate: f64) -> usize {
        ((hz * self.size as f64 / rate).round() as usize).min(self.size / 2)
    }

    fn forward(&self, samples: &[f64]) -> Vec<Complex<f64>> {
        let mut time = samples.to_vec();
        time.resize(self.size, 0.0);
        let mut bins = self.forward.make_output_vec();
        let mut scratch = self.forward.make_scratch_vec();
        // PANIC: the buffers were made by the plan itself.
        self.forward
            .process_with_scratch(&mut time, &mut bins, &mut scratch)
            .expect("buffers have the plan's lengths");
        bins
    }

    fn back(&self, spectrum: &[Complex<f64>], gain_at: impl Fn(f64) -> f64, rate: f64) -> Vec<f64> {
        let mut bins: Vec<Complex<f64>> =
            spectrum.iter().enumerate().map(|(k, x)| x * gain_at(self.frequency_hz(k, rate))).collect();
        bins[0].im = 0.0;
        bins[self.size / 2].im = 0.0;
        let mut time = self.back.make_output_vec();
        let mut scratch = self.back.make_scratch_vec();
        // PANIC: the buffers were made by the plan itself.
        self.back
            .process_with_scratch(&mut bins, &mut time, &mut scratch)
            .expect("buffers have the plan's lengths");
        for x in &mut time {
            *x /= self.size as f64;
        }
        time
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tail_starts_within_three_milliseconds_at_any_rate() {
        for rate in [22_050.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0, 176_400.0, 192_000.0] {
            let seconds = onset_frames(rate) as f64 / rate;
            assert!((0.0014..=0.003).contains(&seconds), "rate {rate}: got {seconds} s");
        }
    }

    #[test]
    fn masks_add_up_to_one_above_the_lowest_octave() {
        for hz in [90.0, 177.0, 700.0, 3000.0, 15_000.0] {
            let sum: f64 = (0..BANDS).map(|band| mask(band, BANDS, hz)).sum();
            assert!((sum - 1.0).abs() < 1e-9, "{hz} Hz: got {sum}");
        }
    }

    /// Figures of the design, two digits; Cook et al. (1955) for omnis.
    #[test]
    fn coherence_follows_the_integral_over_the_front_half_space() {
        let speed = 343.2;
        let close = |pair, hz, expected: f64| {
            let got = DiffuseField::new(pair, speed).coherence(hz);
            assert!((got - expected).abs() < 0.01, "{pair:?} at {hz} Hz: expected {expected}, got {got}");
        };
        close(Pair::Coincident, 125.0, 0.84);
        close(Pair::Coincident, 4000.0, 0.84);
        close(Pair::NearCoincident, 250.0, 0.71);
        close(Pair::NearCoincident, 500.0, 0.56);
        close(Pair::NearCoincident, 1000.0, 0.15);
        for hz in [100.0, 400.0, 1000.0_f64] {
            let kd = 2.0 * PI * hz / speed * 0.5;
            close(Pair::SpacedOmnis, hz, kd.sin() / kd);
        }
    }
}
