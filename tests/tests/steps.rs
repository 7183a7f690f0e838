//! A step of any parameter makes no click: the sound after it jumps no more than the steady sounds do.
//!
//! A click is a jump from one sample to the next that neither the sound before
//! nor the sound after has. Held against the engine itself, so no source stands
//! beside these checks; the factor of two is the design's (our choice).
//!
//! White noise is held to it as it is. A sine may pass louder places: where the
//! steady sound all but cancels among its reflections, a seat on its way meets
//! them otherwise, and the tone jumps more than twice as far without a click.
//! Such steps are printed, and what is held is the departure from the tone.

use std::f64::consts::TAU;

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, Finish, Pair, RecordedFrom};
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;
use rostra_dsp::settings::{Row, SEAT_PARAMETERS};
use rostra_dsp::tail::BuildAtOnce;

const RATE_HZ: f64 = 48_000.0;
/// Frames before the first step and after each: longer than the longest tail, 2 s, and its fade.
const HELD_FRAMES: usize = 115_200;
/// Frames at the end of each stretch in which the sound is steady.
const STEADY_FRAMES: usize = 14_400;
/// Most that the sound may jump against the larger of the steady ones.
const MOST: f64 = 2.0;
/// Most that a sine may depart from itself against the larger jump of the steady ones.
///
/// A click of half a steady jump is where it would begin to stand out of the
/// tone (our choice); what is found is 0.3 at most.
const MOST_DEPARTURE: f64 = 0.5;
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
const CONTINUOUS: [Step; 21] = [
    step!("depth", seat.depth_m, 0.5, 25.0),
    step!("bearing", seat.bearing_deg, -60.0, 60.0),
    step!("riser", seat.riser_m, 0.0, 2.0),
    step!("facing", seat.facing_deg, -180.0, 0.0),
    step!("source width", seat.width_m, 0.0, 8.0),
    step!("picture lean", seat.lean_db, -12.0, 12.0),
    step!("platform width", platform.width_m, 8.0, 30.0),
    step!("platform depth", platform.depth_m, 5.0, 25.0),
    step!("platform height", platform.height_m, 4.0, 20.0),
    step!("decay", platform.decay_s, 0.2, 2.0),
    step!("temperature", platform.air.temperature_c, 0.0, 40.0),
    step!("humidity", platform.air.humidity_pct, 10.0, 100.0),
    step!("air loss", platform.air.loss, 0.0, 8.0),
    step!("microphone depth", microphones.depth_m, 0.0, 4.0),
    step!("microphone height", microphones.height_m, 1.5, 5.0),
    step!("close-mic distance", tone.close_mic_m, Some(0.05), None),
    step!("low-mid frequency", tone.low_mid_hz, 150.0, 900.0),
    step!("low-mid gain", tone.low_mid_db, -18.0, 6.0),
    step!("platform balance", level.balance_pct, 0.0, 100.0),
    step!("distance fall-off", level.law_pct, 0.0, 100.0),
    step!("trim", level.trim_db, -24.0, 24.0),
];

/// Every list, between entries that differ much.
const LISTS: [Step; 9] = [
    step!("radiation, omnidirectional to rear bell", seat.family, Family::Omnidirectional, Family::RearBell),
    step!("radiation, forward bell to top plate", seat.family, Family::ForwardBell, Family::TopPlate),
    step!("recorded, on the axis to in front", seat.recorded, RecordedFrom::Axis, RecordedFrom::Front),
    step!("floor", platform.floor, Finish::Carpet, Finish::Concrete),
    step!("rear wall", platform.rear, Finish::Curtain, Finish::Brick),
    step!("side walls", platform.sides, Finish::Curtain, Finish::Concrete),
    step!("canopy", platform.canopy, Finish::Curtain, Finish::Plaster),
    step!("microphones, coincident to spaced", microphones.pair, Pair::Coincident, Pair::SpacedOmnis),
    step!(
        "microphones, near-coincident to coincident",
        microphones.pair,
        Pair::NearCoincident,
        Pair::Coincident
    ),
];

/// Sections: their size and their number, among them from one player to many and back.
const SECTIONS: [Step; 6] = [
    step!("players, one to eight", seat.players, 1, 8),
    step!("players, two to three", seat.players, 2, 3),
    step!("players, three to sixteen", seat.players, 3, 16),
    Step {
        name: "section width",
        low: |settings| (settings.seat.players, settings.seat.width_m) = (8, 0.0),
        high: |settings| (settings.seat.players, settings.seat.width_m) = (8, 8.0),
    },
    Step {
        name: "section depth",
        low: |settings| (settings.seat.players, settings.seat.ranks_m) = (8, 0.0),
        high: |settings| (settings.seat.players, settings.seat.ranks_m) = (8, 6.0),
    },
    Step {
        name: "bearing of a section",
        low: |settings| (settings.seat.players, settings.seat.bearing_deg) = (8, -40.0),
        high: |settings| (settings.seat.players, settings.seat.bearing_deg) = (8, 40.0),
    },
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
    sound.windows(2).map(|pair| f64::from((pair[1] - pair[0]).abs())).fold(0.0, larger)
}

/// Returns the largest departure from a steady tone: x(n + 1) - 2 cos(w) x(n) + x(n - 1), 0 for any sine of w.
///
/// A click of height J, from one sample to the next, departs by J.
fn largest_departure(sound: &[f32], hz: f64) -> f64 {
    let turn = 2.0 * (TAU * hz / RATE_HZ).cos();
    sound
        .windows(3)
        .map(|x| (f64::from(x[2]) - turn * f64::from(x[1]) + f64::from(x[0])).abs())
        .fold(0.0, larger)
}

fn rms(sound: &[f32]) -> f64 {
    (sound.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / sound.len() as f64).sqrt()
}

/// What a step did to one channel.
struct Found {
    text: String,
    /// Whether it is a click, and not a louder place that a tone passed.
    is_click: bool,
}

/// Returns what jumps too far in a sound that is steady up to each multiple of [`HELD_FRAMES`].
fn jumps(name: &str, signal: Signal, sound: &[Vec<f32>; 2]) -> Vec<Found> {
    let mut found = Vec::new();
    for (side, sound) in ["left", "right"].iter().zip(sound) {
        let steady = |stretch: usize| {
            let end = (stretch + 1) * HELD_FRAMES;
            largest_jump(&sound[end - STEADY_FRAMES..end])
        };
        for (stretch, way) in [(1, "up"), (2, "down")] {
            let steady = steady(stretch - 1).max(steady(stretch));
            let start = stretch * HELD_FRAMES;
            let after = &sound[start - 1..start + HELD_FRAMES];
            let mut report = |kind: &str, got: f64, allowed: f64, is_click: bool| {
                // What is no number is a click too.
                if got.is_nan() || got > allowed {
                    let text = format!(
                        "{name} {way}, {signal:?}, {side}: {kind} by {got:.2e}, allowed {allowed:.2e}; loudest after {:.1} ms",
                        loudest_after_s(after) * 1e3
                    );
                    found.push(Found { text, is_click: is_click || got.is_nan() });
                }
            };
            match signal {
                Signal::Noise => report("jumps", largest_jump(after), MOST * steady, true),
                Signal::SineHz(hz) => {
                    report("passes a louder place, jumps", largest_jump(after), MOST * steady, false);
                    report("departs", largest_departure(after, hz), MOST_DEPARTURE * steady, true);
                }
            }
        }
    }
    found
}

/// Returns when a sound jumps farthest, s.
fn loudest_after_s(sound: &[f32]) -> f64 {
    let jump = |n: usize| (sound[n] - sound[n - 1]).abs();
    (1..sound.len()).max_by(|&a, &b| jump(a).total_cmp(&jump(b))).map_or(0.0, |n| n as f64 / RATE_HZ)
}

/// Steps every parameter of a list with every signal, prints what jumps, and fails where anything clicks.
fn assert_no_clicks(steps: &[Step], layout: Layout) {
    let mut clicks = Vec::new();
    for step in steps {
        for signal in SIGNALS {
            let sound = render(step, signal, layout);
            let loudest = sound.iter().map(|channel| rms(channel)).fold(0.0, larger);
            assert!(loudest > LEAST_RMS, "{}, {signal:?}: the sound is not silence", step.name);
            for found in jumps(step.name, signal, &sound) {
                eprintln!("{layout:?}: {}", found.text);
                if found.is_click {
                    clicks.push(found.text);
                }
            }
        }
    }
    assert!(clicks.is_empty(), "{layout:?}: {} steps click:\n{}", clicks.len(), clicks.join("\n"));
}

/// A new parameter that sounds needs a step here.
#[test]
fn every_parameter_that_sounds_has_a_step() {
    for Row { parameter, field } in &SEAT_PARAMETERS {
        let Some(field) = field else { continue };
        let value_after = |set: fn(&mut Settings)| {
            let mut settings = horn();
            set(&mut settings);
            (field.get)(&settings)
        };
        let is_stepped = |step: &Step| value_after(step.low) != value_after(step.high);
        let is_covered = CONTINUOUS.iter().chain(&LISTS).chain(&SECTIONS).any(is_stepped);
        assert!(is_covered, "{} has no step: add one to CONTINUOUS, LISTS or SECTIONS", parameter.id);
    }
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

#[test]
fn no_step_of_a_section_clicks() {
    for layout in [Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo] {
        assert_no_clicks(&SECTIONS, layout);
    }
}

/// The control: a sine that is cut where the step lies clicks, and the same sine uncut does not.
#[test]
fn a_cut_is_noticed() {
    for signal in SIGNALS.iter().filter(|signal| matches!(signal, Signal::SineHz(_))) {
        let [whole, _] = signal.channels(3 * HELD_FRAMES);
        assert!(jumps("control", *signal, &[whole.clone(), whole.clone()]).is_empty());
        let mut cut = whole.clone();
        // Half a millisecond and a sample are left out, half a period or less of each sine and no whole one.
        cut.copy_within(HELD_FRAMES + 25.., HELD_FRAMES);
        let found = jumps("control", *signal, &[cut, whole]);
        assert!(found.iter().any(|found| found.is_click), "{signal:?}: the cut goes unnoticed");
    }
}

/// The control: noise that is four times as loud for a sample clicks.
#[test]
fn a_loud_sample_is_noticed() {
    let [whole, _] = Signal::Noise.channels(3 * HELD_FRAMES);
    assert!(jumps("control", Signal::Noise, &[whole.clone(), whole.clone()]).is_empty());
    let mut loud = whole.clone();
    loud[HELD_FRAMES] = 4.0 * largest_jump(&whole) as f32;
    let found = jumps("control", Signal::Noise, &[loud, whole]);
    assert!(found.iter().any(|found| found.is_click));
}

/// The control: every step is heard, or nothing was tested.
#[test]
fn every_step_is_heard() {
    for step in CONTINUOUS.iter().chain(&LISTS).chain(&SECTIONS) {
        let layout = if ["source width", "picture lean"].contains(&step.name) {
            Layout::StereoToStereo
        } else {
            Layout::MonoToStereo
        };
        let sound = render(step, Signal::Noise, layout);
        // Both channels by themselves: what is mirrored is as loud as before.
        let levels = |stretch: usize| {
            let end = stretch * HELD_FRAMES;
            sound.each_ref().map(|channel| rms(&channel[end - STEADY_FRAMES..end]))
        };
        let (low, high) = (levels(1), levels(2));
        let is_heard = low.iter().zip(&high).any(|(low, high)| (high / low - 1.0).abs() > 1e-3);
        assert!(is_heard, "{}: {low:?} and {high:?} sound alike", step.name);
    }
}
