//! The hall in hosts: the CLAP, the VST3 and the engine alone give the same samples.

use rostra_dsp::hall::{Hall, HallEngine};
use rostra_dsp::tail::BuildAtOnce;

use serde_json::json;

use super::bundle;
use super::clap_host::{Clap, Start};
use super::equality::shares_of;
use super::sound::{RATE_HZ, Sound, assert_sounds, largest_difference, noise_burst, write_wav};
use super::vst3_host::Vst3;

/// Largest difference of samples that still counts as the same: rounding of parameters kept in 32 bits.
const SAME: f32 = 1e-6;
/// Least difference that a changed parameter makes.
const CHANGED: f32 = 1e-3;

/// The class id, sixteen bytes of text: `RostraHallBus001`.
pub(crate) const CLASS: &str = "526F7374726148616C6C427573303031";

/// A hall that shares nothing with a new instance's.
pub(crate) const HALL: [(&str, &str); 16] = [
    ("Pre-delay", "17.5 ms"),
    ("Decay", "1.35 s"),
    ("Bass ratio", "1.25 x"),
    ("Treble ratio", "0.7 x"),
    ("Hall size", "5200 m3"),
    ("Early level", "-2.5 dB"),
    ("Hall width", "80 %"),
    ("Dry/wet", "90 %"),
    ("Trim", "1.5 dB"),
    ("Decay at 125 Hz", "1.05 x"),
    ("Decay at 250 Hz", "0.95 x"),
    ("Decay at 500 Hz", "1.04 x"),
    ("Decay at 1 kHz", "0.97 x"),
    ("Decay at 2 kHz", "1.1 x"),
    ("Decay at 4 kHz", "0.9 x"),
    ("Decay at 8 kHz", "1.2 x"),
];

/// The same as plain values.
pub(crate) fn hall() -> Hall {
    Hall {
        pre_delay_s: 0.0175,
        decay_s: 1.35,
        bass_ratio: 1.25,
        treble_ratio: 0.7,
        volume_m3: 5200.0,
        early_db: -2.5,
        width_pct: 80.0,
        wet_pct: 90.0,
        trim_db: 1.5,
        octaves: [1.05, 0.95, 1.04, 0.97, 1.1, 0.9, 1.2],
    }
}

fn new() -> Clap {
    Clap::of(c"rostra.hall")
}

fn from_engine(hall: &Hall, input: &Sound) -> Sound {
    let mut output = input.clone();
    let mut engine = HallEngine::prepare(f64::from(RATE_HZ)).expect("the rate is in range");
    let [left, right] = &mut output[..] else { panic!("a stereo bus") };
    engine.process(hall, &mut BuildAtOnce::default(), [left, right]);
    output
}

fn from_clap(settings: &[(&str, &str)], input: &Sound) -> (Sound, Vec<u8>) {
    let mut clap = new();
    clap.set(settings);
    let state = clap.save();
    let mut playing = clap.start(Start::STEREO);
    let output = playing.render(input, &[]);
    playing.stop();
    (output, state)
}

#[test]
fn clap_vst3_and_engine_give_the_same_samples() {
    let input = noise_burst(2);
    let expected = from_engine(&hall(), &input);
    assert_sounds(&expected);
    let (placed, state) = from_clap(&HALL, &input);
    let clap = largest_difference(&placed, &expected);
    let mut vst3 = Vst3::of(CLASS, 2, 2, &state[8..]);
    let vst3 = largest_difference(&vst3.render(&input), &expected);
    write_down(&input, &placed);
    eprintln!("hall: the CLAP differs from the engine by {clap:e} at most, the VST3 by {vst3:e}");
    assert!(clap <= SAME && vst3 <= SAME, "{clap:e} and {vst3:e}");
    let mut other = HALL;
    other[1].1 = "1.5 s";
    let (other, _) = from_clap(&other, &input);
    assert!(largest_difference(&other, &expected) > CHANGED);
}

/// Writes what a host in Python is to set and to get.
fn write_down(input: &Sound, placed: &Sound) {
    let folder = bundle::shared_folder();
    write_wav(&folder.join("hall.wav"), input);
    write_wav(&folder.join("hall placed.wav"), placed);
    let settings: Vec<_> = shares_of(&mut new(), &HALL)
        .into_iter()
        .map(|(name, share)| json!({"name": name, "share": share}))
        .collect();
    let path = folder.join("hall.json");
    let text = json!({ "settings": settings, "same": SAME, "changed": CHANGED }).to_string();
    std::fs::write(&path, text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
}

#[test]
fn its_parameters_are_those_of_the_design() {
    let mut clap = new();
    let names: Vec<String> = clap.parameters().into_iter().map(|found| found.name).collect();
    let expected = HALL.iter().map(|(name, _)| *name).chain(["Bypass"]);
    assert!(names.iter().map(String::as_str).eq(expected), "{names:?}");
    let texts = clap.texts();
    for (name, text) in [("Pre-delay", "30.0 ms"), ("Decay", "3.500 s"), ("Dry/wet", "100.0 %")] {
        assert!(texts.iter().any(|(known, shown)| known == name && shown == text), "{name}: {texts:?}");
    }
}

#[test]
fn a_saved_hall_is_the_same_hall_and_a_damaged_one_changes_nothing() {
    let input = noise_burst(2);
    let (placed, state) = from_clap(&HALL, &input);
    let mut again = new();
    assert!(again.load(&state), "its own state is taken");
    assert_eq!(again.save(), state);
    assert!(!again.load(&state[..state.len() / 2]), "half a state is refused");
    assert!(!again.load(b"no state at all"));
    let mut playing = again.start(Start::STEREO);
    assert_eq!(playing.render(&input, &[]), placed, "to the bit");
    playing.stop();
}
