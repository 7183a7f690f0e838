//! Bypass and the comparison with the dry signal.

use super::clap_host::{Clap, Start, placed};
use super::equality::SEAT;
use super::sound::{RATE_HZ, Sound, assert_same_bits, assert_sounds, largest_difference, noise_burst};

/// Frames after which a crossfade of 20 ms is over; single precision may add one.
const FADED_FRAMES: usize = RATE_HZ as usize / 50 + 1;

/// Returns a sound from a frame on.
fn from(sound: &Sound, frame: usize) -> Sound {
    sound.iter().map(|channel| channel[frame..].to_vec()).collect()
}

/// What the dry signal is in a layout: a single channel goes to both sides.
fn dry(input: &Sound, outputs: usize) -> Sound {
    (0..outputs).map(|side| input[side.min(input.len() - 1)].clone()).collect()
}

#[test]
fn bypass_passes_the_dry_signal_to_the_bit_after_its_fade_and_comes_back() {
    for (inputs, outputs) in [(2, 2), (1, 2), (1, 1)] {
        for is_offline in [true, false] {
            let what = format!("{inputs} -> {outputs}, offline {is_offline}");
            let start = Start { inputs, outputs, is_offline, ..Start::STEREO };
            let input = noise_burst(inputs);
            let mut clap = Clap::new();
            clap.set(&SEAT);
            let (on, off) = (clap.typed("Bypass", "on"), clap.typed("Bypass", "off"));
            let mut playing = clap.start(start);
            let before = playing.render(&input, &[]);
            assert_sounds(&before);
            let bypassed = playing.render(&input, &[on]);
            assert_same_bits(
                &what,
                &from(&dry(&input, outputs), FADED_FRAMES),
                &from(&bypassed, FADED_FRAMES),
            );
            assert!(
                largest_difference(&dry(&input, outputs), &bypassed) > 1e-3,
                "{what}: it switched, no fade"
            );
            let placed_again = playing.render(&input, &[off]);
            playing.stop();
            // The engine ran on meanwhile, so that what comes back is what never left.
            let mut clap = Clap::new();
            clap.set(&SEAT);
            let mut through = clap.start(start);
            through.render(&input, &[]);
            through.render(&input, &[]);
            let expected = through.render(&input, &[]);
            through.stop();
            assert_same_bits(&what, &from(&expected, FADED_FRAMES), &from(&placed_again, FADED_FRAMES));
        }
    }
}

#[test]
fn an_instance_that_starts_bypassed_passes_from_the_first_frame() {
    let input = noise_burst(2);
    let settings = [SEAT.as_slice(), &[("Bypass", "on")]].concat();
    assert_same_bits("bypassed", &input, &placed(&settings, Start::STEREO, &input));
}

#[test]
fn the_comparison_is_heard_live_and_ignored_offline() {
    let input = noise_burst(2);
    let compared = [SEAT.as_slice(), &[("Compare dry", "on")]].concat();
    let offline = placed(&compared, Start::STEREO, &input);
    assert_same_bits("offline", &placed(&SEAT, Start::STEREO, &input), &offline);
    let live = placed(&compared, Start { is_offline: false, ..Start::STEREO }, &input);
    // Before 0.4 s nothing is known of loudness, and the dry signal is as it came.
    let known = RATE_HZ as usize * 38 / 100;
    let start = |sound: &Sound| sound.iter().map(|channel| channel[..known].to_vec()).collect::<Sound>();
    assert_same_bits("live", &start(&input), &start(&live));
    assert!(largest_difference(&offline, &live) > 1e-3);
    // Then it is the dry signal times one gain, which makes it about as loud as the placed sound.
    let late = RATE_HZ as usize * 9 / 10..RATE_HZ as usize;
    let rms = |sound: &Sound| -> f64 {
        let squares = sound.iter().flat_map(|channel| &channel[late.clone()]).map(|&x| f64::from(x).powi(2));
        squares.sum::<f64>().sqrt()
    };
    let gain = rms(&live) / rms(&input);
    for (input, live) in input.iter().zip(&live) {
        for (input, live) in input[late.clone()].iter().zip(&live[late.clone()]) {
            assert!((f64::from(*live) - gain * f64::from(*input)).abs() < 0.01, "not one gain of {gain}");
        }
    }
    // Loudness weighs the highs more than the rms does: within 4 dB, where they were farther apart.
    let apart_db = 20.0 * (rms(&live) / rms(&offline)).log10();
    let before_db = 20.0 * (rms(&input) / rms(&offline)).log10();
    assert!(apart_db.abs() < 4.0, "{apart_db} dB apart, {before_db} dB before");
}
