//! What is left when the input ends: nothing subnormal on the way down, and exactly nothing after the tail.
//!
//! The truth is what `Engine::tail_frames` promises to hosts, which stop calling
//! after that; so no source stands beside these checks.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::Family;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;
use rostra_dsp::tail::BuildAtOnce;

const RATE_HZ: f64 = 48_000.0;
/// Frames of sound, and of the silence after it.
const SOUND_FRAMES: usize = 96_000;
const SILENCE_FRAMES: usize = 1_440_000;
const BLOCK_FRAMES: usize = 128;
/// Least rms of a sound that counts as one: -40 dBFS.
const LEAST_RMS: f64 = 0.01;

/// Settings at a frame: at rest, or moving until some frames into the silence.
type SettingsAt = fn(usize) -> Settings;

fn at_rest(_frame: usize) -> Settings {
    let mut settings = Settings::default();
    settings.seat.depth_m = 9.0;
    settings.seat.bearing_deg = -20.0;
    settings.seat.family = Family::RearBell;
    settings.tone.close_mic_m = Some(0.3);
    settings.tone.low_mid_db = -3.0;
    settings
}

/// The longest tail there is, over the largest platform.
fn longest(frame: usize) -> Settings {
    let mut settings = at_rest(frame);
    settings.platform.width_m = 30.0;
    settings.platform.depth_m = 25.0;
    settings.platform.height_m = 20.0;
    settings.platform.decay_s = 2.0;
    settings
}

/// The shortest tail, under the slowest filter of the tone: a close microphone just near enough to count.
fn shortest(frame: usize) -> Settings {
    let mut settings = at_rest(frame);
    settings.tone.close_mic_m = Some(1.99);
    settings.platform.decay_s = 0.2;
    settings
}

/// Moves, and changes its tail, until a tenth of a second into the silence.
fn moving(frame: usize) -> Settings {
    let mut settings = at_rest(frame);
    let moved = frame.min(SOUND_FRAMES + 4800);
    settings.seat.depth_m = 2.0 + 8.0 * moved as f64 / (SOUND_FRAMES + 4800) as f64;
    settings.platform.decay_s = if frame < SOUND_FRAMES + 2400 { 0.5 } else { 0.6 };
    settings
}

/// What came out, and how long the engine said at its end that it would sound.
struct Ending {
    sound: Vec<Vec<f32>>,
    tail_frames: usize,
}

fn ending(layout: Layout, settings_at: SettingsAt) -> Ending {
    let mut engine = Engine::prepare(Config { sample_rate_hz: RATE_HZ, layout }).expect("an ordinary rate");
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let channels: u64 = if layout == Layout::MonoToMono { 1 } else { 2 };
    let mut sound: Vec<Vec<f32>> = (0..channels)
        .map(|channel| {
            let mut noise = Noise::new(60 + channel);
            let mut samples: Vec<f32> = (0..SOUND_FRAMES).map(|_| (0.2 * noise.gaussian()) as f32).collect();
            samples.resize(SOUND_FRAMES + SILENCE_FRAMES, 0.0);
            samples
        })
        .collect();
    let mut tail_frames = 0;
    for at in (0..SOUND_FRAMES + SILENCE_FRAMES).step_by(BLOCK_FRAMES) {
        let mut block: Vec<&mut [f32]> =
            sound.iter_mut().map(|channel| &mut channel[at..at + BLOCK_FRAMES]).collect();
        engine.process(&settings_at(at), &mut supply, &mut block);
        // A tail that arrives in the silence counts: the host asks after every block.
        tail_frames = usize::max(tail_frames, engine.tail_frames());
    }
    Ending { sound, tail_frames }
}

#[test]
fn a_tail_ends_in_exact_silence_when_it_should_and_is_never_subnormal() {
    let mut failures = Vec::new();
    for layout in [Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo] {
        for (name, settings_at) in [
            ("at rest", at_rest as SettingsAt),
            ("longest tail", longest),
            ("shortest tail", shortest),
            ("moving", moving),
        ] {
            let Ending { sound, tail_frames } = ending(layout, settings_at);
            for channel in &sound {
                let power = channel[..SOUND_FRAMES].iter().map(|&x| f64::from(x).powi(2)).sum::<f64>();
                let rms = (power / SOUND_FRAMES as f64).sqrt();
                assert!(rms > LEAST_RMS, "{layout:?}, {name}: the sound is not silence");
                // The control: a tail is heard after the input ended.
                let after = &channel[SOUND_FRAMES..SOUND_FRAMES + 2400];
                assert!(after.iter().any(|x| x.abs() > 1e-3), "{layout:?}, {name}: no tail");
            }
            let subnormal = sound.iter().flatten().filter(|x| x.is_subnormal()).count();
            if subnormal > 0 {
                failures.push(format!("{layout:?}, {name}: {subnormal} samples are subnormal"));
            }
            let last = |channel: &Vec<f32>| channel.iter().rposition(|&x| x != 0.0).unwrap_or(0) + 1;
            let sounds_frames = sound.iter().map(last).fold(0, usize::max) - SOUND_FRAMES;
            eprintln!("{layout:?}, {name}: sounds for {sounds_frames} frames, said {tail_frames}");
            if sounds_frames > tail_frames {
                let loudest = sound
                    .iter()
                    .flat_map(|channel| &channel[SOUND_FRAMES + tail_frames..])
                    .fold(0.0_f32, |most, x| larger(most, x.abs()));
                failures.push(format!(
                    "{layout:?}, {name}: said {tail_frames} frames, sounds for {sounds_frames}, at up to {loudest:e}"
                ));
            }
        }
    }
    assert!(failures.is_empty(), "{failures:#?}");
}
