//! The same state and the same noise through a CLAP host and a VST3 host give the same samples.
//!
//! What the CLAP host renders goes to `target/host-equality`, where
//! `tests/hosts/equality.py` and `render_engine.py` hold two more hosts against it.

use serde_json::json;

use super::bundle;
use super::clap_host::{Clap, Start};
use super::sound::{
    Sound, assert_sounds, largest_difference, noise_and_silence, noise_burst, write_wav, write_wav_at,
};
use super::vst3_host::Vst3;

/// Largest difference of samples that still counts as the same.
///
/// Hosts may keep parameters as shares of their range in 32 bits; the engine
/// snaps them back to its grid, so that nothing but rounding is left.
const SAME: f32 = 1e-6;

/// Least difference that a changed parameter makes.
const CHANGED: f32 = 1e-3;

/// A seat that shares hardly anything with a new instance's; every value lies on the engine's grid.
pub(crate) const SEAT: [(&str, &str); 24] = [
    ("Depth", "8.5 m"),
    ("Bearing", "20 deg"),
    ("Riser", "0.4 m"),
    ("Facing", "-15 deg"),
    ("Radiation", "rear bell"),
    ("Source width", "2.2 m"),
    ("Platform width", "20 m"),
    ("Platform depth", "13 m"),
    ("Platform height", "11 m"),
    ("Floor", "carpet"),
    ("Rear wall", "brick"),
    ("Side walls", "plaster"),
    ("Canopy", "timber"),
    ("Decay", "0.62 s"),
    ("Main microphones", "spaced omnis"),
    ("Microphone depth", "0.5 m"),
    ("Microphone height", "3.2 m"),
    ("Air loss", "2 x"),
    ("Temperature", "18 C"),
    ("Humidity", "40 %"),
    ("Close-mic distance", "0.3 m"),
    ("Low-mid gain", "-3 dB"),
    ("Platform balance", "60 %"),
    ("Trim", "-2 dB"),
];

/// The one parameter that is changed to break the equality: half a metre of depth.
const ELSEWHERE: (&str, &str) = ("Depth", "9 m");

/// Layouts that are compared, and the name of their files.
const LAYOUTS: [(usize, usize, &str); 3] = [(2, 2, "stereo"), (1, 2, "mono to stereo"), (1, 1, "mono")];

/// What the CLAP host gives for a seat, and the state that it saved.
fn from_clap(settings: &[(&str, &str)], inputs: usize, outputs: usize, input: &Sound) -> (Sound, Vec<u8>) {
    let mut clap = Clap::new();
    clap.set(settings);
    let state = clap.save();
    let mut playing = clap.start(Start { inputs, outputs, ..Start::STEREO });
    let output = playing.render(input, &[]);
    playing.stop();
    (output, state)
}

/// Returns what the VST3 takes as its state: the CLAP's without the length in front of it.
pub(crate) fn without_length(state: &[u8]) -> &[u8] {
    let (length, text) = state.split_first_chunk::<8>().expect("a state begins with its length");
    assert_eq!(u64::from_le_bytes(*length), text.len() as u64);
    text
}

#[test]
fn clap_and_vst3_give_the_same_samples_in_every_layout() {
    let folder = bundle::shared_folder();
    for (inputs, outputs, name) in LAYOUTS {
        let input = noise_burst(inputs);
        let (placed, state) = from_clap(&SEAT, inputs, outputs, &input);
        assert_sounds(&placed);
        let mut vst3 = Vst3::new(inputs, outputs, without_length(&state));
        let from_vst3 = vst3.render(&input);
        assert_sounds(&from_vst3);
        let difference = largest_difference(&placed, &from_vst3);
        eprintln!("{name}: CLAP and VST3 differ by {difference:e} at most");
        assert!(
            difference <= SAME,
            "{name}: CLAP and VST3 differ by {difference:e}, at most {SAME:e} is allowed"
        );
        write_wav(&folder.join(format!("{name}.wav")), &input);
        write_wav(&folder.join(format!("{name} placed.wav")), &placed);
    }
}

#[test]
fn half_a_metre_of_depth_breaks_the_equality_in_either_host() {
    let input = noise_burst(2);
    let (placed, state) = from_clap(&SEAT, 2, 2, &input);
    let mut elsewhere = SEAT;
    elsewhere[0] = ELSEWHERE;
    let (moved, moved_state) = from_clap(&elsewhere, 2, 2, &input);
    let in_clap = largest_difference(&placed, &moved);
    let (depth, value) = Clap::new().typed(ELSEWHERE.0, ELSEWHERE.1);

    // The same change in the VST3, by its parameter and not by a state.
    let mut vst3 = Vst3::new(2, 2, without_length(&state));
    vst3.set(ELSEWHERE.0, value);
    let from_vst3 = vst3.render(&input);
    let across = largest_difference(&placed, &from_vst3);
    let same = largest_difference(&moved, &from_vst3);
    eprintln!(
        "0.5 m of depth (parameter {depth:?}) changes {in_clap}, across hosts {across}, and {same:e} between them"
    );
    assert!(in_clap > CHANGED && across > CHANGED, "0.5 m changes only {in_clap} and {across}");
    assert_ne!(state, moved_state);
}

#[test]
fn a_parameter_set_in_the_vst3_and_in_the_clap_gives_the_same_samples() {
    let input = noise_burst(2);
    let mut elsewhere = SEAT;
    elsewhere[0] = ELSEWHERE;
    let (moved, _) = from_clap(&elsewhere, 2, 2, &input);
    let (_, state) = from_clap(&[], 2, 2, &vec![vec![0.0; 64]; 2]);
    // From a new instance's state to the seat, parameter by parameter.
    let mut vst3 = Vst3::new(2, 2, without_length(&state));
    for (name, share) in shares(&elsewhere) {
        vst3.set(&name, share);
    }
    // The first blocks take the changes in; a new start then has them from its first sample.
    vst3.render(&vec![vec![0.0; 4800]; 2]);
    let from_vst3 = vst3.render(&input);
    assert_sounds(&from_vst3);
    let difference = largest_difference(&moved, &from_vst3);
    eprintln!("set by parameter: CLAP and VST3 differ by {difference:e} at most");
    assert!(difference <= SAME, "CLAP and VST3 differ by {difference:e}, at most {SAME:e} is allowed");
}

/// Returns what a VST3 host sets for the seat: shares of the ranges, by name.
pub(crate) fn shares(settings: &[(&str, &str)]) -> Vec<(String, f64)> {
    shares_of(&mut Clap::new(), settings)
}

/// As [`shares`], of either plug-in.
pub(crate) fn shares_of(clap: &mut Clap, settings: &[(&str, &str)]) -> Vec<(String, f64)> {
    let described = clap.parameters();
    settings
        .iter()
        .map(|&(name, text)| {
            let (id, value) = clap.typed(name, text);
            let found = described.iter().find(|found| found.id == id).expect("it was found by its name");
            (name.to_owned(), (value - found.least) / (found.most - found.least))
        })
        .collect()
}

/// Rates that the hosts in Python are to play, beside that of all other comparisons, Hz.
const RATES_HZ: [u32; 5] = [44_100, 88_200, 96_000, 176_400, 192_000];
/// Frames of noise and of the silence after it at these rates, ms.
const AT_RATES_MS: (u32, u32) = (400, 300);

/// Writes what the CLAP makes of the seat at every rate.
#[test]
fn the_seat_at_every_rate_is_rendered_for_the_hosts_in_python() {
    let folder = bundle::shared_folder();
    for rate_hz in RATES_HZ {
        let frames = |ms: u32| (rate_hz / 100 * ms / 10) as usize;
        let input = noise_and_silence(2, frames(AT_RATES_MS.0), frames(AT_RATES_MS.1));
        let mut clap = Clap::new();
        clap.set(&SEAT);
        let mut playing = clap.start(Start { rate_hz, ..Start::STEREO });
        let placed = playing.render(&input, &[]);
        playing.stop();
        assert_sounds(&placed);
        write_wav_at(&folder.join(format!("stereo {rate_hz}.wav")), &input, rate_hz);
        write_wav_at(&folder.join(format!("stereo {rate_hz} placed.wav")), &placed, rate_hz);
    }
    let text = serde_json::to_string(&json!({ "rates_hz": RATES_HZ })).expect("plain values");
    let path = folder.join("rates.json");
    std::fs::write(&path, text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
}

/// Frames from one value of the automated depth to the next: the block of the host in Python that does the same.
const STEP_FRAMES: usize = 512;

/// Writes what the CLAP makes of a depth that goes from 3 to 12 m in steps of a block.
#[test]
fn an_automated_depth_is_rendered_for_the_hosts_in_python() {
    let input = noise_burst(2);
    let mut clap = Clap::new();
    clap.set(&SEAT);
    let range = clap.parameters().into_iter().find(|found| found.name == "Depth").expect("the name is known");
    let steps = input[0].len() / STEP_FRAMES;
    let values: Vec<f64> = (0..steps)
        .map(|step| clap.typed("Depth", &format!("{} m", 3.0 + 9.0 * step as f64 / steps as f64)).1)
        .collect();
    let still = clap.save();
    let mut playing = clap.start(Start { block_frames: STEP_FRAMES, ..Start::STEREO });
    let mut placed = vec![Vec::new(); 2];
    for (step, &value) in values.iter().enumerate() {
        let span = step * STEP_FRAMES..(step + 1) * STEP_FRAMES;
        let block = input.iter().map(|channel| channel[span.clone()].to_vec()).collect();
        for (whole, heard) in placed.iter_mut().zip(playing.render(&block, &[(range.id, value)])) {
            whole.extend(heard);
        }
    }
    playing.stop();
    assert_sounds(&placed);
    // The control: without the automation it sounds otherwise.
    let mut clap = Clap::new();
    assert!(clap.load(&still), "its own state is taken");
    let mut playing = clap.start(Start::STEREO);
    let unmoved: Sound = playing
        .render(&input, &[])
        .into_iter()
        .map(|channel| channel[..steps * STEP_FRAMES].to_vec())
        .collect();
    playing.stop();
    assert!(largest_difference(&placed, &unmoved) > CHANGED, "the automation makes no difference");
    let folder = bundle::shared_folder();
    write_wav(&folder.join("automated placed.wav"), &placed);
    let shares: Vec<f64> =
        values.iter().map(|value| (value - range.least) / (range.most - range.least)).collect();
    let text = json!({ "name": "Depth", "step_frames": STEP_FRAMES, "shares": shares });
    let path = folder.join("automated.json");
    std::fs::write(&path, text.to_string()).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
}

/// Writes what the Python host is to set, as shares and as the text that it must then show.
#[test]
fn the_seat_is_written_down_for_the_host_in_python() {
    let mut clap = Clap::new();
    clap.set(&SEAT);
    let texts = clap.texts();
    let share_of = |settings: &[(&str, &str)]| -> Vec<_> {
        shares(settings).into_iter().map(|(name, share)| json!({"name": name, "share": share})).collect()
    };
    let layouts: Vec<_> = LAYOUTS
        .iter()
        .map(|&(inputs, outputs, name)| json!({"name": name, "inputs": inputs, "outputs": outputs}))
        .collect();
    let seat = json!({
        "same": SAME,
        "changed": CHANGED,
        "layouts": layouts,
        "seat": share_of(&SEAT),
        "elsewhere": share_of(&[ELSEWHERE]),
        "texts": texts.into_iter().map(|(name, text)| json!({"name": name, "text": text})).collect::<Vec<_>>(),
    });
    let path = bundle::shared_folder().join("seat.json");
    let text = serde_json::to_string_pretty(&seat).expect("plain values");
    std::fs::write(&path, text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
}
