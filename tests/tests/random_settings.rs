//! Random settings times random audio, the worst of it included: the output is finite, never subnormal, and after the
//! tail's length it is that of an engine which heard nothing of it.
//!
//! A thousand cases; more with `ROSTRA_CASES=100000 cargo test --release -p rostra-tests --test random_settings`. A case that fails
//! is told by its number, which is its seed: `ROSTRA_FIRST=93 ROSTRA_CASES=1` tries it alone.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, Finish, Pair, RecordedFrom};
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::hall::{Hall, HallEngine};
use rostra_dsp::kernel::Noise;
use rostra_dsp::tail::BuildAtOnce;

/// Rates that hosts offer, Hz; the highest take long and are in the tests of properties.
const RATES_HZ: [f64; 10] =
    [8_000.0, 11_025.0, 16_000.0, 22_050.0, 44_100.0, 44_100.0, 48_000.0, 48_000.0, 96_000.0, 192_000.0];

/// The cases to try: a thousand, or as many as are asked for, from the first or from the one that is asked for.
fn cases() -> std::ops::Range<u64> {
    let asked = |variable| std::env::var(variable).ok().and_then(|number| number.parse().ok());
    let first = asked("ROSTRA_FIRST").unwrap_or(0);
    first..first + asked("ROSTRA_CASES").unwrap_or(1000)
}

/// Says whether a case is held against a clean run, which takes ten times as long.
const fn is_held(case: u64) -> bool {
    case.is_multiple_of(10)
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
    settings.seat.recorded = one_of(noise, &RecordedFrom::ALL);
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
    settings.microphones.pair = one_of(noise, &Pair::ALL);
    settings.microphones.depth_m = drawn(noise, (0.0, 4.0));
    settings.microphones.height_m = drawn(noise, (1.5, 5.0));
    settings.tone.close_mic_m = (noise.uniform() < 0.5).then(|| drawn(noise, (0.05, 2.0)));
    settings.tone.low_mid_hz = drawn(noise, (150.0, 900.0));
    settings.tone.low_mid_db = drawn(noise, (-18.0, 6.0));
    settings.level.balance_pct = drawn(noise, (0.0, 100.0));
    settings.level.law_pct = drawn(noise, (0.0, 100.0));
    settings.level.trim_db = drawn(noise, (-24.0, 24.0));
    settings.seat.lean_db = drawn(noise, (-12.0, 12.0));
    if noise.uniform() < 0.4 {
        settings.seat.players = drawn(noise, (2.0, 16.0)) as u8;
        settings.seat.ranks_m = drawn(noise, (0.0, 6.0));
    }
    settings
}

fn hall(noise: &mut Noise) -> Hall {
    Hall {
        pre_delay_s: drawn(noise, (0.0, 0.12)),
        // The longest halls take long to build and are in the tests of the hall.
        decay_s: drawn(noise, (0.3, 2.0)).min(2.0),
        bass_ratio: drawn(noise, (0.7, 1.5)),
        treble_ratio: drawn(noise, (0.6, 1.2)),
        volume_m3: drawn(noise, (2000.0, 30_000.0)),
        early_db: drawn(noise, (-24.0, 6.0)),
        width_pct: drawn(noise, (0.0, 100.0)),
        wet_pct: drawn(noise, (0.0, 100.0)),
        trim_db: drawn(noise, (-24.0, 24.0)),
        octaves: std::array::from_fn(|_| drawn(noise, (0.5, 2.0))),
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

/// A block of noise as loud as music.
fn ordinary(noise: &mut Noise, frames: usize) -> Vec<f32> {
    (0..frames).map(|_| (0.2 * noise.gaussian()) as f32).collect()
}

/// Loudest output that is believed: input is let in up to 1e6 (+120 dB), trim and balance add 30 dB, and a tail's many
/// samples may add up; past this something has run away.
const MOST: f32 = 1e11;

fn check(case: u64, block: &[f32]) {
    for (frame, x) in block.iter().enumerate() {
        assert!(
            x.is_finite() && !x.is_subnormal() && x.abs() < MOST,
            "case {case}, frame {frame}: {x:e}; alone: ROSTRA_FIRST={case} ROSTRA_CASES=1"
        );
    }
}

/// Largest difference from a clean run once the tail's length has passed: the design's bound, for sound within full
/// scale; where trim and balance make more of it, the same share of its peak.
const SAME: f32 = 1e-6;
/// Frames that are compared: past a grid step at 48 kHz.
const COMPARED_FRAMES: usize = 1500;
/// How long a change of settings is on its way, s: three slow steps of the tail, a sixth of a second each, and its fade.
/// What bad audio silences does not glide there, and the tail remembers for its length how it was fed.
const MOVES_S: f64 = 0.6;
/// What of either plug-in is held to this.
trait Plays {
    fn play(&mut self, left: &mut [f32], right: &mut [f32]);
    fn tail_frames(&self) -> usize;
}

/// An engine with its settings and its tails.
struct Seated<'a> {
    engine: Engine,
    supply: &'a mut BuildAtOnce,
    settings: Settings,
    is_mono: bool,
}

impl Plays for Seated<'_> {
    fn play(&mut self, left: &mut [f32], right: &mut [f32]) {
        if self.is_mono {
            self.engine.process(&self.settings, self.supply, &mut [left]);
            right.fill(0.0);
        } else {
            self.engine.process(&self.settings, self.supply, &mut [left, right]);
        }
    }
    fn tail_frames(&self) -> usize {
        self.engine.tail_frames()
    }
}

/// A hall with its settings and its tails.
struct Bus<'a> {
    engine: HallEngine,
    supply: &'a mut BuildAtOnce,
    hall: Hall,
}

impl Plays for Bus<'_> {
    fn play(&mut self, left: &mut [f32], right: &mut [f32]) {
        self.engine.process(&self.hall, self.supply, [left, right]);
    }
    fn tail_frames(&self) -> usize {
        self.engine.tail_frames()
    }
}

/// Plays both on with the same sound, and holds what heard bad audio against what heard none once the tail's length has
/// passed; returns whether it was heard.
fn comes_back(
    case: u64,
    noise: &mut Noise,
    marred: &mut impl Plays,
    clean: &mut impl Plays,
    moves_frames: usize,
) -> bool {
    // A stereo channel of alike sides is one source, of unlike sides two: both come back.
    let is_alike = noise.uniform() < 0.5;
    let mut heard = |frames: usize| {
        let left = ordinary(noise, frames);
        let right = if is_alike { left.clone() } else { ordinary(noise, frames) };
        let (mut got, mut expected) = ([left.clone(), right.clone()], [left, right]);
        let [left, right] = &mut got;
        marred.play(left, right);
        check(case, left);
        check(case, right);
        let [left, right] = &mut expected;
        clean.play(left, right);
        // The clean run may ring on longer: what bad audio silences does not feed the old tail.
        (got, expected, marred.tail_frames().max(clean.tail_frames()))
    };
    let (.., tail_frames) = heard(moves_frames);
    heard(tail_frames);
    let (got, expected, _) = heard(COMPARED_FRAMES);
    let pairs = got.iter().flatten().zip(expected.iter().flatten());
    let peak = expected.iter().flatten().fold(0.0_f32, |most, x| larger(most, x.abs()));
    let worst = pairs.fold(0.0_f32, |most, (got, expected)| larger(most, (got - expected).abs()));
    assert!(
        worst <= SAME * peak.max(1.0),
        "case {case}: {tail_frames} frames after bad audio it differs from a clean run by {worst:e} at a peak of {peak}"
    );
    peak > 1e-4
}

#[test]
fn a_seat_survives_any_settings_and_any_audio() {
    let (mut heard, mut came_back) = (0_u64, 0_u64);
    // Kept from case to case, with the noise that all tails of a rate share; that changes no bit of them.
    let mut supplies = [BuildAtOnce::default(), BuildAtOnce::default()];
    for case in cases() {
        if case > 0 && case.is_multiple_of(10_000) {
            eprintln!("{case} cases hold");
        }
        let mut noise = Noise::new(case);
        let layout = one_of(&mut noise, &[Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo]);
        let config = Config { sample_rate_hz: one_of(&mut noise, &RATES_HZ), layout };
        let settings = settings(&mut noise);
        let [mut marred, mut clean] = supplies.each_mut().map(|supply| Seated {
            engine: Engine::prepare(config).expect("the rate is in range"),
            supply,
            settings,
            is_mono: layout == Layout::MonoToMono,
        });
        let mut moves_frames = 0;
        for _ in 0..4 {
            let frames = 1 + (noise.uniform() * 700.0) as usize;
            let (mut left, mut right) = (audio(&mut noise, frames), audio(&mut noise, frames));
            marred.play(&mut left, &mut right);
            check(case, &left);
            check(case, &right);
            heard += u64::from(left.iter().any(|x| x.abs() > 1e-4));
            let (mut left, mut right) = (ordinary(&mut noise, frames), ordinary(&mut noise, frames));
            if is_held(case) {
                clean.play(&mut left, &mut right);
            }
            if noise.uniform() < 0.3 {
                marred.settings.seat.depth_m = drawn(&mut noise, (0.5, 25.0));
                marred.settings.platform.decay_s = drawn(&mut noise, (0.2, 2.0));
                clean.settings = marred.settings;
                moves_frames = (MOVES_S * config.sample_rate_hz) as usize;
            }
        }
        if is_held(case) {
            came_back += u64::from(comes_back(case, &mut noise, &mut marred, &mut clean, moves_frames));
        }
    }
    // Of four blocks a case, two at least sound on average: the checks look at sound and not at silence.
    assert!(heard > 2 * (cases().end - cases().start), "{heard} blocks sound");
    let held = cases().filter(|&case| is_held(case)).count() as u64;
    assert!(came_back * 10 >= held * 9, "{came_back} of {held} sound in the end");
}

#[test]
fn a_hall_survives_any_settings_and_any_audio() {
    let (mut heard, mut came_back) = (0_u64, 0_u64);
    // Kept from case to case, with the noise that all tails of a rate share; that changes no bit of them.
    let mut supplies = [BuildAtOnce::default(), BuildAtOnce::default()];
    // One for five seats: a hall takes longer.
    let cases: Vec<u64> = cases().step_by(5).collect();
    for &case in &cases {
        if case > 0 && case.is_multiple_of(10_000) {
            eprintln!("{case} cases hold");
        }
        let mut noise = Noise::new(case);
        let rate_hz = one_of(&mut noise, &RATES_HZ[..3]);
        let hall = hall(&mut noise);
        let [mut marred, mut clean] = supplies.each_mut().map(|supply| Bus {
            engine: HallEngine::prepare(rate_hz).expect("the rate is in range"),
            supply,
            hall,
        });
        let mut moves_frames = 0;
        for _ in 0..12 {
            let frames = 1 + (noise.uniform() * 2000.0) as usize;
            let (mut left, mut right) = (audio(&mut noise, frames), audio(&mut noise, frames));
            marred.play(&mut left, &mut right);
            check(case, &left);
            check(case, &right);
            heard += u64::from(left.iter().any(|x| x.abs() > 1e-4));
            let (mut left, mut right) = (ordinary(&mut noise, frames), ordinary(&mut noise, frames));
            if is_held(case / 5) {
                clean.play(&mut left, &mut right);
            }
            if noise.uniform() < 0.2 {
                marred.hall.pre_delay_s = drawn(&mut noise, (0.0, 0.12));
                marred.hall.early_db = drawn(&mut noise, (-24.0, 6.0));
                marred.hall.wet_pct = drawn(&mut noise, (0.0, 100.0));
                clean.hall = marred.hall;
                moves_frames = (MOVES_S * rate_hz) as usize;
            }
        }
        if is_held(case / 5) {
            came_back += u64::from(comes_back(case, &mut noise, &mut marred, &mut clean, moves_frames));
        }
    }
    assert!(heard > 4 * cases.len() as u64, "{heard} blocks sound");
    let held = cases.iter().filter(|&case| is_held(case / 5)).count() as u64;
    assert!(came_back * 10 >= held * 9, "{came_back} of {held} sound in the end");
}
