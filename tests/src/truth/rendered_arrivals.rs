//! Each arrival rendered alone by the engine's own parts, against the plan.

use rostra_dsp::acoustics::{ARRIVALS, BANDS, NOMINAL_HZ};
use rostra_dsp::engine::parts::BranchBank;
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::InstructionSet;
use rostra_dsp::measure::{OctaveFilter, delay_samples, octave_energies};
use rostra_dsp::plan::{BRANCHES, Planner, SourcePlan, SplitDesign, Weights, acoustics, balance_gains};

use super::{Row, energy_db, quantile, to_f64};
use crate::{alone, seats};

const RATE_HZ: f64 = 48_000.0;
const SOURCE: &str = "the plan (image sources; see the rows above for it)";
/// Frames rendered: longer than the lowest low-pass rings.
const RESPONSE_FRAMES: usize = 8192;

/// What an arrival's rendering is played through.
struct Bench {
    design: SplitDesign,
    branches: Vec<[f32; BRANCHES]>,
    octaves: Vec<OctaveFilter>,
}

impl Bench {
    fn new() -> Self {
        let design = SplitDesign::new(RATE_HZ);
        let branches = BranchBank::impulse_responses(&design, RESPONSE_FRAMES);
        let octaves =
            (0..BANDS).map(|band| OctaveFilter::new(band, RATE_HZ).expect("the band fits the rate"));
        Self { design, branches, octaves: octaves.collect() }
    }

    /// Leaves of a sound what lies in the seven octaves, for which a plan has gains.
    fn in_octaves(&self, sound: &[f64]) -> Vec<f64> {
        let mut sum = vec![0.0; sound.len()];
        for filter in &self.octaves {
            for (cell, x) in sum.iter_mut().zip(filter.filter(sound)) {
                *cell += x;
            }
        }
        sum
    }

    /// Renders one reflection, or the direct sound, through the engine's early part.
    fn render(delay: f64, weights: Weights, direct: bool) -> Vec<f64> {
        let mut plan = SourcePlan::SILENCE;
        let arrival = usize::from(!direct);
        plan.capsules[0].delay_samples[arrival] = delay;
        plan.capsules[0].weights[arrival] = weights;
        let mut impulse = vec![0.0_f32; RESPONSE_FRAMES + delay as usize];
        impulse[0] = 1.0;
        let [left, _] = alone::play(&impulse, &[plan], RATE_HZ);
        to_f64(&left)
    }
}

/// Renders every arrival of every seat alone and compares delay and octave levels with the plan.
///
/// The delay is found by cross-correlation with the same weights at delay 0, within the octave bands;
/// levels are octave energies against the plan's band gains.
pub fn own_rendered_arrivals() -> Vec<Row> {
    let bench = Bench::new();
    let mut planner = Planner::new(&bench.design, 2, InstructionSet::widest());
    let mut plan = SourcePlan::SILENCE;
    let mut delays: Vec<f64> = Vec::new();
    let (mut strong, mut weak): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    let (mut loudest, mut worst) = (0.0_f64, (0.0_f64, String::new()));
    for settings in seats::all() {
        let source = settings.seat.source(&settings.platform, &settings.microphones);
        let seat = acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2);
        planner.plan(&settings, 0, None, &mut plan);
        for index in 0..ARRIVALS {
            let (capsule, gain) = (&plan.capsules[0], plan.gain());
            let response = bench.branches.iter().map(|frame| {
                frame.iter().zip(&capsule.weights[index]).map(|(x, w)| f64::from(x * w * gain)).sum::<f64>()
            });
            let response: Vec<f64> = response.collect();
            let (direct_gain, platform_gain) = balance_gains(&settings.level);
            let balance = if index == 0 { direct_gain } else { platform_gain };
            let wanted = seat.arrivals[0][index].gain.map(|gain| gain * balance * seat.factor_gain);
            let strongest = wanted.iter().copied().fold(0.0, larger);
            let (mut worst_strong, mut worst_weak) = (0.0_f64, 0.0_f64);
            for (band, (energy, gain)) in octave_energies(&response, RATE_HZ).iter().zip(&wanted).enumerate()
            {
                loudest = larger(loudest, *energy);
                let error = (energy_db(*energy) - energy_db(gain * gain)).abs();
                if gain / strongest >= 0.1 {
                    worst_strong = larger(worst_strong, error);
                    if error > worst.0 {
                        let (family, depth_m) = (settings.seat.family.name(), settings.seat.depth_m);
                        let hz = NOMINAL_HZ[band];
                        worst = (error, format!("{family}, {depth_m} m, arrival {index}, {hz} Hz"));
                    }
                } else {
                    worst_weak = larger(worst_weak, error);
                }
            }
            strong.push(worst_strong);
            weak.push(worst_weak);
        }
        // Rendering through ring and taps is slow; the bearings of one row, all arrivals.
        if settings.seat.bearing_deg == 9.0 || settings.seat.bearing_deg == -42.0 {
            delays.extend(delay_errors(&bench, &plan));
        }
    }
    assert!(loudest > 1e-4, "the arrivals rendered are not silence");
    let all_delays = quantile(&mut delays, 1.0);
    vec![
        Row::at_most("arrival alone, delay, worst of all", all_delays, 0.5, "sample", SOURCE),
        Row::at_most(
            "arrival alone, bands within 20 dB, 95 % of arrivals",
            quantile(&mut strong, 0.95),
            0.5,
            "dB",
            SOURCE,
        ),
        // A horn's leak falls by 12 dB from 500 Hz to 1 kHz, more than one step of the fast fit follows.
        Row::short(
            format!("arrival alone, bands within 20 dB, worst ({})", worst.1),
            quantile(&mut strong, 1.0),
            (1.0, 1.3),
            "dB",
            SOURCE,
        ),
        Row::at_most(
            "arrival alone, bands lower than that, worst",
            quantile(&mut weak, 1.0),
            2.0,
            "dB",
            SOURCE,
        ),
    ]
}

fn delay_errors(bench: &Bench, plan: &SourcePlan) -> Vec<f64> {
    let mut errors = Vec::new();
    for capsule in &plan.capsules {
        for index in 0..ARRIVALS {
            let weights = capsule.weights[index];
            let delay = capsule.delay_samples[index];
            let late = Bench::render(delay, weights, index == 0);
            let at_once = Bench::render(0.0, weights, index == 0);
            let (at_once, late) = (bench.in_octaves(&at_once), bench.in_octaves(&late));
            let found = delay_samples(&at_once, &late).expect("an arrival is not silence");
            errors.push((found - delay).abs());
        }
    }
    errors
}
