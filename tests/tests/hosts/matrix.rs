//! Every layout, rate, block and mode in both formats: what is heard is what the engine plays, within 1e-6.
//!
//! Parameters reach the CLAP by flush or as events of the first block, the VST3 in its state or one by one. All of it together
//! is asked for with `ROSTRA_MATRIX=whole`; otherwise a part in which any two of these meet in every way (all pairs).

use std::collections::{BTreeMap, BTreeSet};

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, Finish, Pair};
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::hall::HallEngine;
use rostra_dsp::tail::BuildAtOnce;

use super::clap_host::{Clap, Start};
use super::equality::{SEAT, shares, without_length};
use super::hall::{self, HALL};
use super::sound::{Sound, assert_sounds, largest_difference, noise_and_silence};
use super::vst3_host::{self, Vst3};

/// Largest difference of samples that still counts as the same: rounding of parameters kept in 32 bits.
const SAME: f32 = 1e-6;
/// Least difference that a changed parameter makes.
const CHANGED: f32 = 1e-3;

const LAYOUTS: [(usize, usize, Layout); 3] =
    [(2, 2, Layout::StereoToStereo), (1, 2, Layout::MonoToStereo), (1, 1, Layout::MonoToMono)];
const RATES_HZ: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
const BLOCKS_FRAMES: [usize; 9] = [1, 16, 63, 64, 333, 512, 1024, 4096, 8192];

/// One combination: layout, rate, block, offline or not, by events (parameters) or not.
type Combination = [usize; 5];
const SIZES: Combination = [LAYOUTS.len(), RATES_HZ.len(), BLOCKS_FRAMES.len(), 2, 2];

/// Returns every combination, or those that make all pairs.
fn combinations(is_whole: bool) -> Vec<Combination> {
    let count: usize = SIZES.iter().product();
    let all = (0..count).map(|mut number| {
        SIZES.map(|size| {
            let place = number % size;
            number /= size;
            place
        })
    });
    // Rate and block meet in every way; the others take turns, each with another period.
    let turns = |[layout, rate, block, mode, way]: &Combination| {
        *layout == (rate + block) % 3 && *mode == (rate / 3 + block) % 2 && *way == (rate + block / 3) % 2
    };
    all.filter(|combination| is_whole || turns(combination)).collect()
}

#[test]
fn any_two_of_them_meet_in_every_way() {
    let combinations = combinations(false);
    for first in 0..SIZES.len() {
        for second in 0..first {
            let pairs: BTreeSet<_> = combinations.iter().map(|of| (of[first], of[second])).collect();
            assert_eq!(pairs.len(), SIZES[first] * SIZES[second], "factors {first} and {second}");
        }
    }
    assert_eq!(combinations.len(), 54);
}

fn is_whole() -> bool {
    std::env::var("ROSTRA_MATRIX").is_ok_and(|word| word == "whole")
}

fn start_of(&[layout, rate, block, mode, _]: &Combination) -> Start {
    Start {
        inputs: LAYOUTS[layout].0,
        outputs: LAYOUTS[layout].1,
        rate_hz: RATES_HZ[rate],
        block_frames: BLOCKS_FRAMES[block],
        is_offline: mode == 0,
    }
}

/// 0.2 s of noise and 0.1 s of silence.
fn input(channels: usize, rate_hz: u32) -> Sound {
    noise_and_silence(channels, rate_hz as usize / 5, rate_hz as usize / 10)
}

/// [`SEAT`] as plain values, at a depth.
fn settings(depth_m: f64) -> Settings {
    let mut s = Settings::default();
    s.seat.depth_m = depth_m;
    s.seat.bearing_deg = 20.0;
    s.seat.riser_m = 0.4;
    s.seat.facing_deg = -15.0;
    s.seat.family = Family::RearBell;
    s.seat.width_m = 2.2;
    (s.platform.width_m, s.platform.depth_m, s.platform.height_m) = (20.0, 13.0, 11.0);
    s.platform.floor = Finish::Carpet;
    s.platform.rear = Finish::Brick;
    s.platform.sides = Finish::Plaster;
    s.platform.canopy = Finish::Timber;
    s.platform.decay_s = 0.62;
    s.microphones.pair = Pair::SpacedOmnis;
    (s.microphones.depth_m, s.microphones.height_m) = (0.5, 3.2);
    s.platform.air.loss = 2.0;
    s.platform.air.temperature_c = 18.0;
    s.platform.air.humidity_pct = 40.0;
    s.tone.close_mic_m = Some(0.3);
    s.tone.low_mid_db = -3.0;
    s.level.balance_pct = 60.0;
    s.level.trim_db = -2.0;
    s
}

fn from_engine(depth_m: f64, (inputs, outputs, layout): (usize, usize, Layout), rate_hz: u32) -> Sound {
    let config = Config { sample_rate_hz: f64::from(rate_hz), layout };
    let mut engine = Engine::prepare(config).expect("the rate is in range");
    engine.reset();
    let mut sound = input(inputs, rate_hz);
    sound.resize(outputs, vec![0.0; sound[0].len()]);
    let mut channels: Vec<&mut [f32]> = sound.iter_mut().map(Vec::as_mut_slice).collect();
    engine.process(&settings(depth_m), &mut BuildAtOnce::default(), &mut channels);
    sound
}

/// What the engine plays for each layout and rate, with the seat elsewhere as the control.
fn expected() -> BTreeMap<(usize, usize), [Sound; 2]> {
    let mut expected = BTreeMap::new();
    for (index, layout) in LAYOUTS.into_iter().enumerate() {
        for (rate, rate_hz) in RATES_HZ.into_iter().enumerate() {
            let sounds = [8.5, 9.0].map(|depth_m| from_engine(depth_m, layout, rate_hz));
            for sound in &sounds {
                assert_sounds(sound);
            }
            assert!(largest_difference(&sounds[0], &sounds[1]) > CHANGED, "{layout:?}, {rate_hz} Hz");
            expected.insert((index, rate), sounds);
        }
    }
    expected
}

/// Holds what a host heard against the engine; returns the difference.
fn hold(what: &str, heard: &Sound, [same, other]: &[Sound; 2]) -> f32 {
    assert_sounds(heard);
    let difference = largest_difference(heard, same);
    assert!(difference <= SAME, "{what}: differs from the engine by {difference:e}");
    assert!(largest_difference(heard, other) > CHANGED, "{what}: another depth changes nothing");
    difference
}

/// Settings that a tail depends on: live, another tail takes its time, so they come before the start.
fn is_of_the_tail(name: &str) -> bool {
    [
        "Platform width",
        "Platform depth",
        "Platform height",
        "Floor",
        "Rear wall",
        "Side walls",
        "Canopy",
        "Decay",
    ]
    .contains(&name)
        || ["Main microphones", "Air loss", "Temperature", "Humidity"].contains(&name)
}

fn through_clap(start: Start, by_events: bool) -> Sound {
    let mut clap = Clap::new();
    let (events, flushed): (Vec<_>, Vec<_>) =
        SEAT.iter().partition(|(name, _)| by_events && (start.is_offline || !is_of_the_tail(name)));
    clap.set(&flushed);
    let events: Vec<_> = events.iter().map(|(name, text)| clap.typed(name, text)).collect();
    let mut playing = clap.start(start);
    let sound = playing.render(&input(start.inputs, start.rate_hz), &events);
    playing.stop();
    sound
}

#[test]
fn the_clap_plays_what_the_engine_plays() {
    let (expected, combinations) = (expected(), combinations(is_whole()));
    let mut worst = 0.0_f32;
    for combination @ [layout, rate, .., way] in &combinations {
        let start = start_of(combination);
        let what = format!("CLAP, {start:?}, by events: {}", *way == 1);
        let heard = through_clap(start, *way == 1);
        worst = larger(worst, hold(&what, &heard, &expected[&(*layout, *rate)]));
    }
    eprintln!("CLAP: {} combinations, at most {worst:e} from the engine", combinations.len());
}

#[test]
fn the_vst3_plays_what_the_engine_plays() {
    let (expected, combinations) = (expected(), combinations(is_whole()));
    let mut clap = Clap::new();
    let unset = clap.save();
    clap.set(&SEAT);
    let state = clap.save();
    let shares = shares(&SEAT);
    let mut worst = 0.0_f32;
    for combination @ [layout, rate, .., way] in &combinations {
        let start = start_of(combination);
        let mut vst3 = if *way == 0 {
            Vst3::at(vst3_host::SEAT, start, without_length(&state))
        } else {
            let mut vst3 = Vst3::at(vst3_host::SEAT, start, without_length(&unset));
            for (name, share) in &shares {
                vst3.set(name, *share);
            }
            // A block takes the changes in; the next start has them from its first sample.
            vst3.render(&vec![vec![0.0; start.block_frames]; start.inputs]);
            vst3
        };
        let what = format!("VST3, {start:?}, by parameters: {}", *way == 1);
        let heard = vst3.render(&input(start.inputs, start.rate_hz));
        worst = larger(worst, hold(&what, &heard, &expected[&(*layout, *rate)]));
    }
    eprintln!("VST3: {} combinations, at most {worst:e} from the engine", combinations.len());
}

#[test]
fn the_hall_plays_what_its_engine_plays() {
    let mut clap = Clap::of(c"rostra.hall");
    clap.set(&HALL);
    let state = clap.save();
    let (mut worst, mut count) = (0.0_f32, 0);
    for (rate, rate_hz) in RATES_HZ.into_iter().enumerate() {
        let sounds = [5200.0, 9000.0].map(|volume_m3| {
            let mut engine = HallEngine::prepare(f64::from(rate_hz)).expect("the rate is in range");
            let mut sound = input(2, rate_hz);
            let [left, right] = &mut sound[..] else { panic!("a stereo bus") };
            let hall = rostra_dsp::hall::Hall { volume_m3, ..hall::hall() };
            engine.process(&hall, &mut BuildAtOnce::default(), [left, right]);
            sound
        });
        for (block, block_frames) in BLOCKS_FRAMES.into_iter().enumerate() {
            for is_offline in [true, false] {
                // Each rate with a third of the blocks, each block with two of the rates.
                let is_asked = is_whole() || ((rate + block) % 3 == 0 && is_offline == (rate % 2 == 0));
                if !is_asked {
                    continue;
                }
                let start = Start { rate_hz, block_frames, is_offline, ..Start::STEREO };
                let mut clap = Clap::of(c"rostra.hall");
                clap.set(&HALL);
                let mut playing = clap.start(start);
                let heard = playing.render(&input(2, rate_hz), &[]);
                playing.stop();
                worst = larger(worst, hold(&format!("hall, CLAP, {start:?}"), &heard, &sounds));
                let mut vst3 = Vst3::at(hall::CLASS, start, without_length(&state));
                let heard = vst3.render(&input(2, rate_hz));
                worst = larger(worst, hold(&format!("hall, VST3, {start:?}"), &heard, &sounds));
                count += 2;
            }
        }
    }
    eprintln!("hall: {count} combinations, at most {worst:e} from the engine");
}
