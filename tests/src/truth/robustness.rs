//! What holds for any input: block splits, bad samples, the largest output.

use rostra_dsp::Settings;
use rostra_dsp::engine::parts::BranchBank;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::{InstructionSet, Noise};
use rostra_dsp::plan::{BRANCHES, Planner, SourcePlan, SplitDesign};
use rostra_dsp::tail::{BuildAtOnce, TailSpec, TailSpectra, synthesise};

use super::{Row, to_f64};

const RATE_HZ: f64 = 48_000.0;
const CONFIG: Config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };

/// A horn at the back, with everything in use.
fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.seat.depth_m = 9.0;
    settings.seat.bearing_deg = -20.0;
    settings.seat.family = rostra_dsp::acoustics::Family::RearBell;
    settings.tone.close_mic_m = Some(0.5);
    settings
}

/// Renders a mono input in blocks whose lengths `blocks` repeats; `change` may change the settings at a frame.
fn render(input: &[f32], blocks: &[usize], change: &dyn Fn(usize, &mut Settings)) -> [Vec<f32>; 2] {
    let mut engine = Engine::prepare(CONFIG).expect("the rate is in range");
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let (mut left, mut right) = (input.to_vec(), vec![0.0; input.len()]);
    let mut at = 0;
    for &block in blocks.iter().cycle() {
        if at == input.len() {
            break;
        }
        let mut now = settings();
        change(at, &mut now);
        let next_change = (at / CHANGE_FRAMES + 1) * CHANGE_FRAMES;
        let end = (at + block).min(next_change).min(input.len());
        engine.process(&now, &mut supply, &mut [&mut left[at..end], &mut right[at..end]]);
        at = end;
    }
    [left, right]
}

/// Frames between changes of the settings, where they change.
const CHANGE_FRAMES: usize = 1000;

fn noise(frames: usize) -> Vec<f32> {
    let mut noise = Noise::new(5);
    (0..frames).map(|_| (0.2 * noise.gaussian()) as f32).collect()
}

fn largest_difference(a: &[Vec<f32>; 2], b: &[Vec<f32>; 2]) -> f64 {
    a.iter().flatten().zip(b.iter().flatten()).map(|(x, y)| f64::from((x - y).abs())).fold(0.0, larger)
}

fn rms(sound: &[Vec<f32>; 2]) -> f64 {
    let all: Vec<f64> = sound.iter().flat_map(|channel| to_f64(channel)).collect();
    (all.iter().map(|x| x * x).sum::<f64>() / all.len() as f64).sqrt()
}

/// Any split of the same input into blocks against one block, at rest and while the settings change.
pub fn block_splits() -> Vec<Row> {
    let input = noise(48_000);
    let splits: [&[usize]; 7] =
        [&[1], &[17], &[64], &[480], &[1024], &[8192], &[3, 700, 41, 1, 129, 2048, 16]];
    let still = |_: usize, _: &mut Settings| {};
    let moving = |at: usize, now: &mut Settings| {
        now.seat.depth_m = 3.0 + 0.1 * (at / CHANGE_FRAMES) as f64;
        now.seat.bearing_deg = -20.0 + (at / CHANGE_FRAMES) as f64;
    };
    let other = |_: usize, now: &mut Settings| now.seat.depth_m = 8.5;
    let mut rows = Vec::new();
    for (name, change, bound) in [
        ("standing still", &still as &dyn Fn(usize, &mut Settings), 1e-6),
        ("under the same changes", &moving, 1e-4),
    ] {
        let whole = render(&input, &[input.len()], change);
        assert!(rms(&whole) > 0.01, "the sound is not silence");
        let worst = splits
            .iter()
            .map(|blocks| largest_difference(&whole, &render(&input, blocks, change)))
            .fold(0.0, larger);
        rows.push(Row::at_most(
            format!("any split into blocks against one, {name}, worst"),
            worst,
            bound,
            "",
            "one block",
        ));
        let changed = largest_difference(&whole, &render(&input, &[512], &other));
        rows.push(Row::at_least(
            format!("the same with another depth ({name}: the control)"),
            changed,
            0.01,
            "",
            "one block",
        ));
    }
    rows
}

/// Input that is not finite, subnormal or far too loud: finite output, and clean again after the tail.
pub fn bad_input() -> Vec<Row> {
    let mut engine = Engine::prepare(CONFIG).expect("the rate is in range");
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let bad = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e-42, 1e6, -1e6, f32::MAX, 0.5];
    let (mut left, mut right): (Vec<f32>, Vec<f32>) =
        (bad.iter().copied().cycle().take(24_000).collect(), vec![0.0; 24_000]);
    engine.process(&settings(), &mut supply, &mut [&mut left, &mut right]);
    let faulty = |channel: &[f32]| channel.iter().filter(|x| !x.is_finite() || x.is_subnormal()).count();
    let faults = faulty(&left) + faulty(&right);
    // Silence for the tail, to the next grid sample, then a clean sound, against a clean run with the same grid.
    let silence = engine.tail_frames().next_multiple_of(512) + 512 - 24_000 % 512;
    let clean = noise(24_000);
    let after = |engine: &mut Engine, supply: &mut BuildAtOnce| {
        let (mut left, mut right) = (vec![0.0; silence], vec![0.0; silence]);
        engine.process(&settings(), supply, &mut [&mut left, &mut right]);
        let (mut left, mut right) = (clean.clone(), vec![0.0; clean.len()]);
        engine.process(&settings(), supply, &mut [&mut left, &mut right]);
        [left, right]
    };
    let marred = after(&mut engine, &mut supply);
    let mut fresh = Engine::prepare(CONFIG).expect("the rate is in range");
    fresh.reset();
    let mut supply = BuildAtOnce::default();
    let (mut left, mut right) = (vec![0.0; 24_000], vec![0.0; 24_000]);
    fresh.process(&settings(), &mut supply, &mut [&mut left, &mut right]);
    let unmarred = after(&mut fresh, &mut supply);
    assert!(rms(&unmarred) > 0.01, "the sound is not silence");
    vec![
        Row::at_most("samples not finite or subnormal after bad input", faults as f64, 0.0, "", "0"),
        Row::at_most(
            "sound after bad input and the tail's length against a clean run",
            largest_difference(&marred, &unmarred),
            1e-6,
            "",
            "clean run",
        ),
    ]
}

/// The largest output for input within +-1 against the sum of absolute gains, as a ratio.
pub fn largest_output() -> Vec<Row> {
    let mut worst = 0.0_f64;
    for depth_m in [1.0, 5.0, 11.0] {
        let mut now = settings();
        now.seat.depth_m = depth_m;
        now.tone.close_mic_m = None;
        let input: Vec<f32> = noise(96_000).iter().map(|x| x.signum()).collect();
        let mut engine = Engine::prepare(CONFIG).expect("the rate is in range");
        engine.reset();
        let mut supply = BuildAtOnce::default();
        let (mut left, mut right) = (input, vec![0.0; 96_000]);
        engine.process(&now, &mut supply, &mut [&mut left, &mut right]);
        let most = left.iter().chain(&right).map(|x| f64::from(x.abs())).fold(0.0, larger);
        assert!(most > 0.5, "the sound is not silence");
        worst = larger(worst, most / largest_possible(&now));
    }
    vec![Row::at_most(
        "largest output against the sum of the plan's and the tail's absolute gains",
        worst,
        1.0,
        "",
        "the plan",
    )]
}

/// Most that an all-pass of the direct sound makes of samples within +-1: (1 + 3 a)/(1 - a) is below 3 for a up to 1/3.
const ALL_PASS: f64 = 3.0;

/// Returns the most that can come out for input within +-1, at 48 kHz from mono to stereo, linear.
///
/// Sum over branches of |weight| times the branch's own sum of absolute samples, over arrivals and both tails. Close
/// microphone and low-mid bell must not be in use: they are filters of their own.
pub fn largest_possible(settings: &Settings) -> f64 {
    let design = SplitDesign::new(RATE_HZ);
    let frames = BranchBank::impulse_responses(&design, 8192);
    let branch_sums: [f64; BRANCHES] =
        std::array::from_fn(|branch| frames.iter().map(|frame| f64::from(frame[branch].abs())).sum());
    let spec = TailSpec::new(&settings.platform, Some(settings.microphones.pair), RATE_HZ);
    let tail = TailSpectra::build(&spec);
    let mut planner = Planner::new(&design, 2, InstructionSet::widest());
    let mut plan = SourcePlan::SILENCE;
    planner.plan(settings, 0, Some(tail.low()), &mut plan);
    let weighed = |weights: &[f32; BRANCHES]| -> f64 {
        weights.iter().zip(&branch_sums).map(|(w, sum)| f64::from(w.abs()) * sum).sum()
    };
    let channel = |index: usize| -> f64 {
        let arrivals = &plan.capsules[index].weights;
        let early: f64 = ALL_PASS * weighed(&arrivals[0]) + arrivals[1..].iter().map(weighed).sum::<f64>();
        let tails: f64 = synthesise(&spec)
            .iter()
            .zip(plan.feeds())
            .map(|(part, feed)| {
                let fed: f64 = feed.iter().map(weighed).sum();
                fed * part[index].iter().map(|x| f64::from(x.abs())).sum::<f64>()
            })
            .sum();
        f64::from(plan.gain()) * (early + f64::from(plan.tail_level) * tails)
    };
    channel(0).max(channel(1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sound_that_is_no_number_holds_no_bound() {
        let (none, some) = ([vec![f32::NAN; 9], vec![f32::NAN; 9]], [vec![0.5; 9], vec![0.5; 9]]);
        for (a, b) in [(&none, &none), (&none, &some), (&some, &none)] {
            assert!(!Row::at_most("control", largest_difference(a, b), 1e-6, "", "none").holds());
        }
        assert!(Row::at_most("control", largest_difference(&some, &some), 1e-6, "", "none").holds());
    }
}
