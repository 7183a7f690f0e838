//! Random settings times random audio, the worst of it included: the output is finite, never subnormal, and the engine
//! comes back from it.
//!
//! A thousand cases; more with `ROSTRA_CASES=100000 cargo test --release -p rostra-tests --test random_settings`. A case that fails
//! is told by its number, which is its seed.

use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::hall::Hall;
use rostra_dsp::hall::engine::HallEngine;
use rostra_dsp::noise::Noise;
use rostra_dsp::pickup::Pair;
use rostra_dsp::radiation::Family;
use rostra_dsp::surface::Finish;
use rostra_dsp::tail::BuildAtOnce;

/// Rates that hosts offer, and the ends of what the engine takes, Hz.
const RATES_HZ: [f64; 5] = [22_050.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0];

fn cases() -> u64 {
    std::env::var("ROSTRA_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(1000)
}

/// Draws from a range, a fifth of the time one of its ends, a tenth of the time far outside or no number.
fn drawn(noise: &mut Noise, (least, most): (f64, f64)) -> f64 {
    match (noise.uniform() * 20.0) as u32 {
        0 | 1 => least,
        2 | 3 => most,
        4 => [f64::NAN, f64::INFINITY, -1e300, 1e300][(noise.uniform() * 4.0) as usize],
        _ => least + noise.uniform() * (most - least),
    }
}

fn one_of<T: Copy>(noise: &mut Noise, all: &[T]) -> T {
    all[(noise.uniform() * all.len() as f64) as usize]
}

fn settings(noise: &mut Noise) -> Settings {
    let mut settings = Settings::default();
    settings.seat.depth_m = drawn(noise, (0.5, 25.0));
    settings.seat.bearing_deg = drawn(noise, (-60.0, 60.0));
    settings.seat.riser_m = drawn(noise, (0.0, 2.0));
    settings.seat.facing_deg = drawn(noise, (-180.0, 180.0));
    settings.seat.width_m = drawn(noise, (0.0, 8.0));
    settings.seat.family = one_of(noise, &Family::ALL);
    settings.platform.width_m = drawn(noise, (8.0, 30.0));
    settings.platform.depth_m = drawn(noise, (5.0, 25.0));
    settings.platform.height_m = drawn(noise, (4.0, 20.0));
    settings.platform.floor = one_of(noise, &Finish::ALL);
    settings.platform.rear = one_of(noise, &Finish::ALL);
    settings.platform.sides = one_of(noise, &Finish::ALL);
    settings.platform.canopy = one_of(noise, &Finish::ALL);
    settings.platform.decay_s = drawn(noise, (0.2, 2.0));
    settings.platform.air.loss = drawn(noise, (0.0, 8.0));
    settings.platform.air.temperature_c = drawn(noise, (0.0, 40.0));
    settings.platform.air.humidity_pct = drawn(noise, (10.0, 100.0));
    settings.pickup.pair = one_of(noise, &Pair::ALL);
    settings.pickup.depth_m = drawn(noise, (0.0, 4.0));
    settings.pickup.height_m = drawn(noise, (1.5, 5.0));
    settings.tone.close_mic_m = (noise.uniform() < 0.5).then(|| drawn(noise, (0.05, 2.0)));
    settings.tone.low_mid_hz = drawn(noise, (150.0, 900.0));
    settings.tone.low_mid_db = drawn(noise, (-18.0, 6.0));
    settings.level.balance_pct = drawn(noise, (0.0, 100.0));
    settings.level.law_pct = drawn(noise, (0.0, 100.0));
    settings.level.trim_db = drawn(noise, (-24.0, 24.0));
    settings
}

fn hall(noise: &mut Noise) -> Hall {
    Hall {
        pre_delay_s: drawn(noise, (0.0, 0.12)),
        // The longest halls take long to build and are in the tests of the hall.
        decay_s: drawn(noise, (0.8, 2.0)).min(2.0),
        bass_ratio: drawn(noise, (0.7, 1.5)),
        treble_ratio: drawn(noise, (0.6, 1.2)),
        volume_m3: drawn(noise, (2000.0, 30_000.0)),
        early_db: drawn(noise, (-24.0, 6.0)),
        width_pct: drawn(noise, (0.0, 100.0)),
        wet_pct: drawn(noise, (0.0, 100.0)),
        trim_db: drawn(noise, (-24.0, 24.0)),
    }
}

/// A block of one kind of audio.
fn audio(noise: &mut Noise, frames: usize) -> Vec<f32> {
    let kind = (noise.uniform() * 9.0) as u32;
    (0..frames)
        .map(|n| match kind {
            0 => noise.gaussian() as f32 * 0.2,
            1 => [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 0.0][n % 4],
            2 => f32::from_bits(1 + n as u32),
            3 => {
                if n % 97 < 48 {
                    1.0
                } else {
                    -1.0
                }
            }
            4 => 1.0,
            5 => f32::from(u8::from(n == frames / 2)),
            6 => 1e6,
            7 => f32::MAX,
            _ => 0.0,
        })
        .collect()
}

/// Loudest output that is believed: input is let in up to 1e6 (+120 dB), trim and balance add 30 dB, and a tail's many
/// samples may add up; past this something has run away.
const MOST: f32 = 1e11;

fn check(case: u64, block: &[f32]) {
    for (frame, x) in block.iter().enumerate() {
        assert!(
            x.is_finite() && !x.is_subnormal() && x.abs() < MOST,
            "case {case}, frame {frame}: {x:e}; run it alone with its number as the seed"
        );
    }
}

#[test]
fn a_seat_survives_any_settings_and_any_audio() {
    let mut heard = 0_u64;
    for case in 0..cases() {
        let mut noise = Noise::new(case);
        let layout = one_of(&mut noise, &[Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo]);
        let config = Config { sample_rate_hz: one_of(&mut noise, &RATES_HZ), layout };
        let mut engine = Engine::prepare(config).expect("the rate is in range");
        let mut supply = BuildAtOnce::default();
        let mut settings = settings(&mut noise);
        for _ in 0..4 {
            let frames = 1 + (noise.uniform() * 700.0) as usize;
            let (mut left, mut right) = (audio(&mut noise, frames), audio(&mut noise, frames));
            if layout == Layout::MonoToMono {
                engine.process(&settings, &mut supply, &mut [&mut left]);
                right.fill(0.0);
            } else {
                engine.process(&settings, &mut supply, &mut [&mut left, &mut right]);
            }
            check(case, &left);
            check(case, &right);
            heard += u64::from(left.iter().any(|x| x.abs() > 1e-4));
            if noise.uniform() < 0.3 {
                settings.seat.depth_m = drawn(&mut noise, (0.5, 25.0));
                settings.platform.decay_s = drawn(&mut noise, (0.2, 2.0));
            }
        }
    }
    // Of four blocks a case, two at least sound on average: the checks look at sound and not at silence.
    assert!(heard > 2 * cases(), "{heard} blocks sound");
}

#[test]
fn a_hall_survives_any_settings_and_any_audio() {
    let mut heard = 0_u64;
    let cases = cases() / 5;
    for case in 0..cases {
        let mut noise = Noise::new(case);
        let mut engine =
            HallEngine::prepare(one_of(&mut noise, &RATES_HZ[..3])).expect("the rate is in range");
        let mut supply = BuildAtOnce::default();
        let mut hall = hall(&mut noise);
        for _ in 0..12 {
            let frames = 1 + (noise.uniform() * 2000.0) as usize;
            let (mut left, mut right) = (audio(&mut noise, frames), audio(&mut noise, frames));
            engine.process(&hall, &mut supply, [&mut left, &mut right]);
            check(case, &left);
            check(case, &right);
            heard += u64::from(left.iter().any(|x| x.abs() > 1e-4));
            if noise.uniform() < 0.2 {
                hall.pre_delay_s = drawn(&mut noise, (0.0, 0.12));
                hall.early_db = drawn(&mut noise, (-24.0, 6.0));
                hall.wet_pct = drawn(&mut noise, (0.0, 100.0));
            }
        }
    }
    assert!(heard > 4 * cases, "{heard} blocks sound");
}
