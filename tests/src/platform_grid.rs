//! The tails of platforms from the whole range: every one has to be finite, to sound in every octave, and to decay as asked.
//!
//! A case is a function of its number, so that a fault is found again by it.

use std::fmt;
use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{
    Finish, NOMINAL_HZ, OCTAVE_RATIO, Pair, PerBand, bands_at_rate, edges_hz, mid_mean,
};
use rostra_dsp::extremes::{larger, largest};
use rostra_dsp::kernel::{InstructionSet, Noise};
use rostra_dsp::measure::{DecayCurve, OctaveFilter, fits_decay};
use rostra_dsp::plan::{Planner, SourcePlan, SplitDesign};
use rostra_dsp::tail::{TailSpec, TailSpectra, TailWorkshop, decays_through_filters};

/// Cases one after the other that share rate, pair and air, so that they share their noise.
pub const SIMILAR: usize = 27;
/// The first of them go through every pair of finishes, at each of these rates, Hz.
const RATES_OF_PAIRS_HZ: [f64; 3] = [48_000.0, 22_050.0, 8_000.0];
/// Cases that go through every pair of finishes.
pub const PAIRS: usize = RATES_OF_PAIRS_HZ.len() * Finish::ALL.len() * Finish::ALL.len();
/// Rates of the others, Hz; the highest come seldom, because they take longest.
const RATES_HZ: [f64; 8] = [8_000.0, 11_025.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0, 48_000.0, 48_000.0];
const HIGH_RATES_HZ: [f64; 4] = [88_200.0, 96_000.0, 176_400.0, 192_000.0];
const HIGHEST_RATES_HZ: [f64; 2] = [384_000.0, 768_000.0];

/// One of so many cases is planned as well, for a seat on its platform.
const PLANNED: usize = 4;

/// How far an octave's decay may be off, a share: the JND of ISO 3382-1:2009.
pub const DECAY_TOLERANCE: f64 = 0.05;
/// Share of the measured decays that have to be within it: two standard deviations hold 95 of 100 of Gaussian noise, and
/// the tail's, which is levelled, scatters less.
const WITHIN: f64 = 0.98;
/// How far the furthest may be off, of thousands: six standard deviations of a measurement of which two are the tolerance.
const FURTHEST: f64 = 3.0 * DECAY_TOLERANCE;

/// Returns the standard deviation of one measured decay over 30 dB, as a share of it: 0.55 sqrt((1 + 1.52/10)/(B T)).
///
/// # Source
/// ISO 3382-2:2008, annex A, one integrated impulse response (from memory).
fn scatter(band: usize, decay_s: f64) -> f64 {
    let (low_hz, high_hz) = edges_hz(band);
    0.55 * (1.152 / ((high_hz - low_hz) * decay_s)).sqrt()
}

/// Energy under which an octave is called silent, dB under what it should have (our choice: under a hundredth it is not
/// part of the sound).
pub const SILENT_DB: f64 = -20.0;

/// A platform and how it is heard.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    /// Which one it is.
    pub number: usize,
    /// The seat on its platform, and the microphones.
    pub settings: Settings,
    /// Whether one omni hears it, and not the pair.
    pub is_mono: bool,
    /// Sample rate, Hz.
    pub rate_hz: f64,
}

impl Case {
    /// Returns a case of any number.
    pub fn new(number: usize) -> Self {
        let mut shared = Noise::new((number / SIMILAR) as u64);
        let mut own = Noise::new(0x0067_7269_6400_0000 + number as u64);
        let mut settings = Settings::default();
        let of = |noise: &mut Noise, count: usize| (noise.uniform() * count as f64) as usize;
        let platform = &mut settings.platform;
        let faces: [Finish; 4];
        let rate_hz;
        if number < PAIRS {
            let pair = number % (PAIRS / RATES_OF_PAIRS_HZ.len());
            let (one, other) = (Finish::ALL[pair / Finish::ALL.len()], Finish::ALL[pair % Finish::ALL.len()]);
            faces = [one, one, other, other];
            rate_hz = RATES_OF_PAIRS_HZ[number / (PAIRS / RATES_OF_PAIRS_HZ.len())];
        } else {
            rate_hz = match of(&mut shared, 200) {
                0 => HIGHEST_RATES_HZ[of(&mut shared, HIGHEST_RATES_HZ.len())],
                1..13 => HIGH_RATES_HZ[of(&mut shared, HIGH_RATES_HZ.len())],
                _ => RATES_HZ[of(&mut shared, RATES_HZ.len())],
            };
            platform.width_m = drawn(&mut own, 8.0, 30.0);
            platform.depth_m = drawn(&mut own, 5.0, 25.0);
            platform.height_m = drawn(&mut own, 4.0, 20.0);
            platform.decay_s = drawn(&mut own, 0.2, 2.0);
            platform.air.loss = drawn(&mut own, 0.0, 8.0);
            platform.air.humidity_pct = drawn(&mut own, 10.0, 100.0);
            platform.air.temperature_c = drawn(&mut shared, 0.0, 40.0);
            settings.microphones.pair = Pair::ALL[of(&mut shared, Pair::ALL.len())];
            // Every third has one finish all around, which is where octaves differ most.
            let all = Finish::ALL[of(&mut own, Finish::ALL.len())];
            let one = |own: &mut Noise| Finish::ALL[of(own, Finish::ALL.len())];
            faces = if of(&mut own, 3) == 0 { [all; 4] } else { std::array::from_fn(|_| one(&mut own)) };
            settings.seat.depth_m = drawn(&mut own, 0.5, 25.0);
            settings.seat.bearing_deg = drawn(&mut own, -60.0, 60.0);
        }
        [
            settings.platform.floor,
            settings.platform.rear,
            settings.platform.sides,
            settings.platform.canopy,
        ] = faces;
        let is_mono = number >= PAIRS && of(&mut shared, 4) == 0;
        Self { number, settings: settings.snapped(), is_mono, rate_hz }
    }

    fn spec(&self) -> TailSpec {
        let pair = (!self.is_mono).then_some(self.settings.microphones.pair);
        TailSpec::new(&self.settings.platform, pair, self.rate_hz)
    }
}

impl fmt::Display for Case {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { number, settings, is_mono, rate_hz } = self;
        let p = &settings.platform;
        write!(
            f,
            "case {number}: {:.2} x {:.2} x {:.2} m, floor {}, rear {}, sides {}, canopy {}, decay {:.3} s, air x{:.2}, {:.1} C, {:.1} %, {}, {rate_hz} Hz",
            p.width_m,
            p.depth_m,
            p.height_m,
            p.floor.name(),
            p.rear.name(),
            p.sides.name(),
            p.canopy.name(),
            p.decay_s,
            p.air.loss,
            p.air.temperature_c,
            p.air.humidity_pct,
            if *is_mono { "one omni" } else { settings.microphones.pair.name() },
        )
    }
}

/// Draws from a range, a fifth of the time its lower end and a fifth its upper one.
fn drawn(noise: &mut Noise, least: f64, most: f64) -> f64 {
    let share = (noise.uniform() - 0.2) / 0.6;
    least + (most - least) * share.clamp(0.0, 1.0)
}

/// The worst of many, and where it was.
#[derive(Clone, Debug, Default)]
pub struct Worst {
    /// How far off.
    pub off: f64,
    /// Where.
    pub at: String,
}

impl Worst {
    fn take(&mut self, off: f64, at: impl FnOnce() -> String) {
        if larger(self.off, off).total_cmp(&self.off).is_ne() {
            *self = Self { off, at: at() };
        }
    }
}

/// What was found.
#[derive(Clone, Debug, Default)]
pub struct Findings {
    /// Tails that were synthesised.
    pub tails: usize,
    /// Of these, such as panicked.
    pub panicked: usize,
    /// Tails or plans with a value that is not finite.
    pub not_finite: usize,
    /// Octaves of a part, and of these, such as are silent.
    pub octaves: usize,
    /// Of these, such as are silent.
    pub silent: usize,
    /// Octaves whose decay was measured, and of these, such as are off by more than [`DECAY_TOLERANCE`].
    pub measured: usize,
    /// Of these, such as are off by more than [`DECAY_TOLERANCE`].
    pub off: usize,
    /// Octaves whose decay cannot be measured: neighbours hide it, the filter rings longer, or two standard
    /// deviations of one measurement are more than [`DECAY_TOLERANCE`].
    pub unmeasurable: usize,
    /// Energy of an octave, dB from what it should be.
    pub worst_energy: Worst,
    /// Decay of an octave, as a share of what it should be.
    pub worst_decay: Worst,
    /// Each fault with its settings, the first of each kind of each thread.
    pub faults: Vec<String>,
}

impl Findings {
    /// Says whether every tail is finite and sounds in every octave, and 98 of 100 decays are within the tolerance where they
    /// can be measured.
    pub fn all_hold(&self) -> bool {
        self.tails > 0
            && self.panicked + self.not_finite + self.silent == 0
            && self.off as f64 <= (1.0 - WITHIN) * self.measured as f64
            && self.worst_decay.off <= FURTHEST
    }

    fn add(&mut self, other: Self) {
        self.tails += other.tails;
        self.panicked += other.panicked;
        self.not_finite += other.not_finite;
        self.octaves += other.octaves;
        self.silent += other.silent;
        self.measured += other.measured;
        self.off += other.off;
        self.unmeasurable += other.unmeasurable;
        self.worst_energy.take(other.worst_energy.off, || other.worst_energy.at);
        self.worst_decay.take(other.worst_decay.off, || other.worst_decay.at);
        self.faults.extend(other.faults);
    }
}

/// Tries cases on all cores.
pub fn try_cases(numbers: Range<usize>) -> Findings {
    let threads = thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicUsize::new(numbers.start);
    let work = || {
        let mut found = Findings::default();
        loop {
            let start = next.fetch_add(SIMILAR, Ordering::Relaxed);
            if start >= numbers.end {
                return found;
            }
            let mut bench = Bench::default();
            for number in start..(start + SIMILAR).min(numbers.end) {
                bench.try_case(&Case::new(number), &mut found);
            }
        }
    };
    thread::scope(|scope| {
        let all: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        let mut found = Findings::default();
        for thread in all {
            found.add(thread.join().expect("what panics is caught"));
        }
        found
    })
}

/// What similar cases share.
#[derive(Default)]
struct Bench {
    workshop: TailWorkshop,
    planner: Option<Planner>,
    filters: Vec<OctaveFilter>,
    rate_hz: f64,
    transforms: RealFftPlanner<f32>,
}

impl Bench {
    fn try_case(&mut self, case: &Case, found: &mut Findings) {
        found.tails += 1;
        let spec = case.spec();
        if self.rate_hz != case.rate_hz {
            self.rate_hz = case.rate_hz;
            self.planner = None;
            self.filters = (0..bands_at_rate(case.rate_hz))
                .map(|band| OctaveFilter::new(band, case.rate_hz).expect("the band fits the rate"))
                .collect();
        }
        let workshop = &mut self.workshop;
        let is_planned = case.number.is_multiple_of(PLANNED);
        let made = catch_unwind(AssertUnwindSafe(|| {
            (workshop.synthesise(&spec), is_planned.then(|| workshop.build(&spec)))
        }));
        let Ok((parts, spectra)) = made else {
            found.panicked += 1;
            found.faults.push(format!("panics: {case}"));
            self.workshop = TailWorkshop::new();
            return;
        };
        let is_finite = parts.iter().flatten().flatten().all(|x| x.is_finite());
        if !is_finite || !spectra.is_none_or(|spectra| self.is_plan_finite(case, &spectra)) {
            found.not_finite += 1;
            found.faults.push(format!("not finite: {case}"));
            return;
        }
        self.hold_energies_and_decays(case, &spec, &parts, found);
    }

    fn is_plan_finite(&mut self, case: &Case, spectra: &TailSpectra) -> bool {
        let channels = if case.is_mono { 1 } else { 2 };
        let planner = self.planner.get_or_insert_with(|| {
            Planner::new(&SplitDesign::new(case.rate_hz), channels, InstructionSet::widest())
        });
        let mut plan = SourcePlan::SILENCE;
        planner.plan(&case.settings, 0, Some(spectra.low()), &mut plan);
        let weights = plan.capsules.iter().flat_map(|capsule| capsule.weights.iter().flatten());
        let energies = plan.energies.target.iter().chain(&plan.energies.specular).flatten();
        weights.chain(plan.feeds().into_iter().flatten().flatten()).all(|x| x.is_finite())
            && energies.chain(&plan.energies.direct).all(|x| x.is_finite())
    }

    /// Joins the parts as a room has them, each octave with its own gain, and looks at every octave.
    fn hold_energies_and_decays(
        &mut self,
        case: &Case,
        spec: &TailSpec,
        parts: &[Vec<Vec<f32>>; 2],
        found: &mut Findings,
    ) {
        let bands = bands_at_rate(case.rate_hz);
        let frames = parts.iter().flatten().map(Vec::len).max().unwrap_or(0);
        // As many frames again for lines that lie close, and nothing that comes round from the end.
        let size = (2 * frames).next_power_of_two();
        let (forward, back) =
            (self.transforms.plan_fft_forward(size), self.transforms.plan_fft_inverse(size));
        let spectra = parts
            .each_ref()
            .map(|part| part.iter().map(|channel| spectrum(forward.as_ref(), channel)).collect::<Vec<_>>());
        let bin = |hz: f64| (hz * size as f64 / case.rate_hz).round() as usize;
        for (index, part) in spectra.iter().enumerate() {
            for band in 0..bands {
                let (low_hz, high_hz) = edges_hz(band);
                let lines = bin(low_hz)..bin(high_hz);
                let energy: f64 = part
                    .iter()
                    .flat_map(|channel| &channel[lines.clone()])
                    .map(|line| f64::from(line.norm_sqr()))
                    .sum::<f64>()
                    / lines.len() as f64;
                let energy_db = 10.0 * energy.log10();
                found.octaves += 1;
                let at = || format!("part {}, {} Hz, {case}", index + 1, NOMINAL_HZ[band]);
                // What is no number is silent, too.
                if !matches!(energy_db.partial_cmp(&SILENT_DB), Some(std::cmp::Ordering::Greater)) {
                    found.silent += 1;
                    found.faults.push(format!("silent, {energy_db:.1} dB: {}", at()));
                }
                found.worst_energy.take(energy_db.abs(), at);
            }
        }
        let whole = joined(spec, &spectra, back.as_ref(), size, frames, case.rate_hz, bands);
        let through_filters = decays_through_filters(spec);
        for band in 0..bands {
            let wished_s = spec.decay_s[band];
            let is_heard = (through_filters[band] / wished_s - 1.0).abs() <= DECAY_TOLERANCE;
            if !is_heard || !fits_decay(band, wished_s) || 2.0 * scatter(band, wished_s) > DECAY_TOLERANCE {
                found.unmeasurable += 1;
                continue;
            }
            let mut backwards: Vec<f64> = whole.iter().rev().map(|&x| f64::from(x)).collect();
            backwards = self.filters[band].filter(&backwards);
            backwards.reverse();
            let got_s = DecayCurve::of(&backwards, case.rate_hz).and_then(|curve| curve.t30_s());
            let off = (got_s.unwrap_or(f64::INFINITY) / wished_s - 1.0).abs();
            found.measured += 1;
            let at = || format!("{} Hz, {:.3} s asked, {case}", NOMINAL_HZ[band], wished_s);
            // What is no number is off, too.
            if off > DECAY_TOLERANCE || off.is_nan() {
                found.off += 1;
                found.faults.push(format!("decay {:.1} % off: {}", 100.0 * off, at()));
            }
            found.worst_decay.take(off, at);
        }
    }
}

fn spectrum(transform: &dyn RealToComplex<f32>, samples: &[f32]) -> Vec<Complex<f32>> {
    let mut time = transform.make_input_vec();
    time[..samples.len()].copy_from_slice(samples);
    let mut lines = transform.make_output_vec();
    transform.process(&mut time, &mut lines).expect("the lengths fit");
    lines
}

/// Half of the overlap in which one octave's gain gives way to the next one's, octaves: that of the tail's own octaves.
const HALF_OVERLAP_OCTAVES: f64 = 0.125;

/// Returns the first channel of the second part as a room has it: each octave as loud from the start, as `T_b`. The first
/// part is a burst with a decay of its own.
fn joined(
    spec: &TailSpec,
    spectra: &[Vec<Vec<Complex<f32>>>; 2],
    back: &dyn ComplexToReal<f32>,
    size: usize,
    frames: usize,
    rate_hz: f64,
    bands: usize,
) -> Vec<f32> {
    let mid_s = mid_mean(&spec.decay_s);
    let gains: [PerBand; 2] = [0, 1].map(|part| {
        std::array::from_fn(|band| {
            let heard = if part == 0 { 0.0 } else { 1.0 };
            heard * (spec.decay_s[band] / mid_s).sqrt()
        })
    });
    let lowest_hz = edges_hz(0).0;
    let mut lines = back.make_input_vec();
    for (index, line) in lines.iter_mut().enumerate() {
        let hz = index as f64 * rate_hz / size as f64;
        let octaves = (hz.max(1.0) / lowest_hz).ln() / OCTAVE_RATIO.ln();
        let edge = octaves.round();
        let over = ((octaves - edge) / HALF_OVERLAP_OCTAVES).clamp(-1.0, 1.0);
        let above = 0.5 + 0.5 * (over * std::f64::consts::FRAC_PI_2).sin();
        let band = |octave: f64| octave.clamp(0.0, (bands - 1) as f64) as usize;
        for part in 0..2 {
            let gain = gains[part][band(edge - 1.0)] * (1.0 - above) + gains[part][band(edge)] * above;
            *line += spectra[part][0][index] * gain as f32;
        }
    }
    // A real signal has no phase there.
    lines[0].im = 0.0;
    lines[size / 2].im = 0.0;
    let mut time = back.make_output_vec();
    back.process(&mut lines, &mut time).expect("the lengths fit");
    time.truncate(frames);
    let scale = 1.0 / size as f32;
    for x in &mut time {
        *x *= scale;
    }
    debug_assert!(largest(time.iter().map(|x| x.abs())) > 0.0);
    time
}

#[cfg(test)]
mod tests {
    use rostra_dsp::acoustics::BANDS;

    use super::*;

    #[test]
    fn the_cases_reach_both_ends_of_every_range_and_every_pair_of_finishes() {
        let cases: Vec<Case> = (0..4000).map(Case::new).collect();
        for (ends, figure) in [
            ((8.0, 30.0), (|p| p.width_m) as fn(&rostra_dsp::acoustics::Platform) -> f64),
            ((5.0, 25.0), |p| p.depth_m),
            ((4.0, 20.0), |p| p.height_m),
            ((0.2, 2.0), |p| p.decay_s),
            ((0.0, 8.0), |p| p.air.loss),
            ((0.0, 40.0), |p| p.air.temperature_c),
            ((10.0, 100.0), |p| p.air.humidity_pct),
        ] {
            for end in [ends.0, ends.1] {
                assert!(cases.iter().any(|case| figure(&case.settings.platform) == end), "{end} of {ends:?}");
            }
        }
        for (one, other) in Finish::ALL.iter().flat_map(|one| Finish::ALL.map(|other| (*one, other))) {
            let has =
                |case: &Case| (case.settings.platform.floor, case.settings.platform.sides) == (one, other);
            assert!(cases[..PAIRS].iter().any(has), "{one:?} and {other:?}");
        }
        for rate_hz in RATES_HZ.iter().chain(&HIGH_RATES_HZ).chain(&HIGHEST_RATES_HZ) {
            assert!((0..40_000).step_by(SIMILAR).any(|n| Case::new(n).rate_hz == *rate_hz), "{rate_hz} Hz");
        }
    }

    #[test]
    fn a_fault_is_counted_and_told_with_its_settings() {
        let mut found = Findings::default();
        let mut bench = Bench::default();
        let case = Case::new(0);
        bench.try_case(&case, &mut found);
        assert!(found.all_hold(), "{:?}", found.faults);
        let spec = case.spec();
        let mut parts = TailWorkshop::new().synthesise(&spec);
        // Half the decay of what is asked for, and a second part that is silent.
        let asked = TailSpec { decay_s: spec.decay_s.map(|s| 2.0 * s), ..spec };
        parts[1].iter_mut().flatten().for_each(|x| *x *= 1e-3);
        bench.hold_energies_and_decays(&case, &asked, &parts, &mut found);
        assert_eq!(found.silent, BANDS);
        assert!(found.off > 0 && !found.all_hold());
        assert!(found.faults.iter().all(|fault| fault.contains("case 0: ") && fault.contains("48000 Hz")));
    }
}
