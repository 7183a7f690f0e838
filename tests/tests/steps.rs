//! A step of any parameter makes no click: the sound after it jumps no more than the steady sounds do.
//!
//! A click is a jump from one sample to the next that neither the sound before
//! nor the sound after has. Held against the engine itself, so no source stands
//! beside these checks; the factor of two is the design's (our choice).
//!
//! White noise is held to it here. Sines at 100 Hz, 1 and 6 kHz are not: where
//! the steady sound all but cancels among its reflections, a seat on its way
//! passes places that are louder, and jumps more than twice as far without a
//! click. What they do is printed, not asserted.

use std::f64::consts::TAU;

use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::noise::Noise;
use rostra_dsp::pickup::Pair;
use rostra_dsp::radiation::Family;
use rostra_dsp::surface::Finish;
use rostra_dsp::tail::BuildAtOnce;

const RATE_HZ: f64 = 48_000.0;
/// Frames before the first step and after each: longer than the longest tail, 2 s, and its fade.
const HELD_FRAMES: usize = 115_200;
/// Frames at the end of each stretch in which the sound is steady.
const STEADY_FRAMES: usize = 14_400;
/// Most that the sound may jump against the larger of the steady ones.
const MOST: f64 = 2.0;
/// Least rms of a sound that counts as one: -40 dBFS.
const LEAST_RMS: f64 = 0.01;
/// Frames of a call: no divisor of a grid step, so that steps fall anywhere in it.
const BLOCK_FRAMES: usize = 480;

/// A parameter, and the two values between which it steps.
struct Step {
    name: &'static str,
    low: fn(&mut Settings),
    high: fn(&mut Settings),
}

/// Writes one step: the field, the low value, the high one.
macro_rules! step {
    ($name:literal, $($field:ident).+, $low:expr, $high:expr) => {
        Step {
            name: $name,
            low: |settings| settings.$($field).+ = $low,
            high: |settings| settings.$($field).+ = $high,
        }
    };
}

/// Every continuous parameter, from the bottom of its range to the top.
const CONTINUOUS: [Step; 20] = [
    step!("depth", seat.depth_m, 0.5, 25.0),
    step!("bearing", seat.bearing_deg, -60.0, 60.0),
    step!("riser", seat.riser_m, 0.0, 2.0),
    step!("facing", seat.facing_deg, -180.0, 0.0),
    step!("source width", seat.width_m, 0.0, 8.0),
    step!("platform width", platform.width_m, 8.0, 30.0),
    step!("platform depth", platform.depth_m, 5.0, 25.0),
    step!("platform height", platform.height_m, 4.0, 20.0),
    step!("decay", platform.decay_s, 0.2, 2.0),
    step!("temperature", platform.air.temperature_c, 0.0, 40.0),
    step!("humidity", platform.air.humidity_pct, 10.0, 100.0),
    step!("air loss", platform.air.loss, 0.0, 8.0),
    step!("pickup depth", pickup.depth_m, 0.0, 4.0),
    step!("pickup height", pickup.height_m, 1.5, 5.0),
    step!("close-mic distance", tone.close_mic_m, Some(0.05), None),
    step!("low-mid frequency", tone.low_mid_hz, 150.0, 900.0),
    step!("low-mid gain", tone.low_mid_db, -18.0, 6.0),
    step!("platform balance", level.balance_pct, 0.0, 100.0),
    step!("level with distance", level.law_pct, 0.0, 100.0),
    step!("trim", level.trim_db, -24.0, 24.0),
];

/// Every list, between entries that differ much.
const LISTS: [Step; 8] = [
    step!("radiation, even to rear bell", seat.family, Family::Even, Family::RearBell),
    step!("radiation, forward bell to top plate", seat.family, Family::ForwardBell, Family::TopPlate),
    step!("floor", platform.floor, Finish::Carpet, Finish::Concrete),
    step!("rear wall", platform.rear, Finish::Curtain, Finish::Brick),
    step!("side walls", platform.sides, Finish::Curtain, Finish::Concrete),
    step!("canopy", platform.canopy, Finish::Curtain, Finish::Plaster),
    step!("pickup, coincident to spaced", pickup.pair, Pair::Coincident, Pair::SpacedOmnis),
    step!("pickup, near-coincident to coincident", pickup.pair, Pair::NearCoincident, Pair::Coincident),
];

/// A horn off the middle, with all tone in use, so that every parameter matters.
fn horn() -> Settings {
    let mut settings = Settings::default();
    settings.seat.depth_m = 7.0;
    settings.seat.bearing_deg = 18.0;
    settings.seat.riser_m = 0.4;
    settings.seat.family = Family::RearBell;
    settings.tone.close_mic_m = Some(0.5);
    settings.tone.low_mid_db = -6.0;
    settings
}

/// Sounds whose own jumps are known: sines, and white noise.
#[derive(Clone, Copy, Debug)]
enum Signal {
    SineHz(f64),
    Noise,
}

const SIGNALS: [Signal; 4] =
    [Signal::SineHz(100.0), Signal::SineHz(1000.0), Signal::SineHz(6000.0), Signal::Noise];

impl Signal {
    /// Returns a left and a right channel that are not alike.
    fn channels(self, frames: usize) -> [Vec<f32>; 2] {
        let channel = |right: bool| -> Vec<f32> {
            let mut noise = Noise::new(if right { 8 } else { 7 });
            (0..frames)
                .map(|n| match self {
                    Self::SineHz(hz) => {
                        let phase = if right { 0.7 } else { 0.0 };
                        (0.25 * (TAU * hz * n as f64 / RATE_HZ + phase).sin()) as f32
                    }
                    Self::Noise => (0.1 * noise.gaussian()) as f32,
                })
                .collect()
        };
        [channel(false), channel(true)]
    }
}

/// Holds the low value, the high one and the low one again; returns left and right.
fn render(step: &Step, signal: Signal, layout: Layout) -> [Vec<f32>; 2] {
    let config = Config { sample_rate_hz: RATE_HZ, layout };
    let mut engine = Engine::prepare(config).expect("an ordinary rate");
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let [mut left, mut right] = signal.channels(3 * HELD_FRAMES);
    let blocks = left.chunks_mut(BLOCK_FRAMES).zip(right.chunks_mut(BLOCK_FRAMES));
    for (block, (left, right)) in blocks.enumerate() {
        let mut settings = horn();
        if block * BLOCK_FRAMES / HELD_FRAMES == 1 {
            (step.high)(&mut settings);
        } else {
            (step.low)(&mut settings);
        }
        engine.process(&settings, &mut supply, &mut [left, right]);
    }
    [left, right]
}

fn largest_jump(sound: &[f32]) -> f64 {
    sound.windows(2).map(|pair| f64::from((pair[1] - pair[0]).abs())).fold(0.0, f64::max)
}

fn rms(sound: &[f32]) -> f64 {
    (sound.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / sound.len() as f64).sqrt()
}

/// Returns what clicks of a sound that is steady up to each multiple of [`HELD_FRAMES`].
fn clicks(name: &str, what: &str, sound: &[Vec<f32>; 2]) -> Vec<String> {
    let mut found = Vec::new();
    for (side, sound) in ["left", "right"].iter().zip(sound) {
        let steady = |stretch: usize| {
            let end = (stretch + 1) * HELD_FRAMES;
            largest_jump(&sound[end - STEADY_FRAMES..end])
        };
        for (stretch, way) in [(1, "up"), (2, "down")] {
            let allowed = MOST * steady(stretch - 1).max(steady(stretch));
            let start = stretch * HELD_FRAMES;
            let jump = largest_jump(&sound[start - 1..start + HELD_FRAMES]);
            // What is no number is a click too.
            if jump.is_nan() || jump > allowed {
                let at = (start..start + HELD_FRAMES)
                    .max_by(|&a, &b| {
                        let jump = |n: usize| (sound[n] - sound[n - 1]).abs();
                        jump(a).total_cmp(&jump(b))
                    })
                    .map_or(0.0, |n| (n - start) as f64 / RATE_HZ * 1e3);
                found.push(format!(
                    "{name} {way}, {what}, {side}: jumps by {jump:.2e} after {at:.1} ms, allowed {allowed:.2e}"
                ));
            }
        }
    }
    found
}

/// Steps every parameter of a list with every signal, prints what jumps, and fails where noise does.
fn assert_no_clicks(steps: &[Step], layout: Layout) {
    let mut found = Vec::new();
    for step in steps {
        for signal in SIGNALS {
            let sound = render(step, signal, layout);
            let loudest = sound.iter().map(|channel| rms(channel)).fold(0.0, f64::max);
            assert!(loudest > LEAST_RMS, "{}, {signal:?}: the sound is not silence", step.name);
            let jumps = clicks(step.name, &format!("{signal:?}"), &sound);
            for jump in &jumps {
                eprintln!("{layout:?}: {jump}");
            }
            if matches!(signal, Signal::Noise) {
                found.extend(jumps);
            }
        }
    }
    assert!(found.is_empty(), "{layout:?}: {} steps click:\n{}", found.len(), found.join("\n"));
}

#[test]
fn no_step_of_a_continuous_parameter_clicks_on_a_mono_channel() {
    assert_no_clicks(&CONTINUOUS, Layout::MonoToStereo);
}

#[test]
fn no_step_of_a_continuous_parameter_clicks_on_a_stereo_channel() {
    assert_no_clicks(&CONTINUOUS, Layout::StereoToStereo);
}

#[test]
fn no_step_of_a_list_clicks() {
    for layout in [Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo] {
        assert_no_clicks(&LISTS, layout);
    }
}

/// The control: a sine that is cut where the step lies clicks, and the same sine uncut does not.
#[test]
fn a_cut_is_noticed() {
    let [whole, _] = Signal::SineHz(100.0).channels(3 * HELD_FRAMES);
    assert!(clicks("control", "100 Hz", &[whole.clone(), whole.clone()]).is_empty());
    let mut cut = whole.clone();
    // A quarter of a period is left out: 120 frames of 48 kHz.
    cut.copy_within(HELD_FRAMES + 120.., HELD_FRAMES);
    assert!(!clicks("control", "100 Hz", &[cut, whole]).is_empty());
}

/// The control: every step is heard, or nothing was tested.
#[test]
fn every_step_is_heard() {
    for step in CONTINUOUS.iter().chain(&LISTS) {
        let layout = if step.name == "source width" { Layout::StereoToStereo } else { Layout::MonoToStereo };
        let sound = render(step, Signal::Noise, layout);
        let level = |stretch: usize| {
            let end = stretch * HELD_FRAMES;
            sound.iter().map(|channel| rms(&channel[end - STEADY_FRAMES..end])).sum::<f64>()
        };
        let (low, high) = (level(1), level(2));
        assert!((high / low - 1.0).abs() > 1e-3, "{}: {low} and {high} sound alike", step.name);
    }
}
