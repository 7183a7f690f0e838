//! The direct sound starts with the note: no latency, no pre-delay.

use super::clap_host::{Start, placed};
use super::sound::{Sound, impulse_at, largest_difference};
use rostra_dsp::extremes::larger;

/// Returns the first frame in which a channel is not silent, and its sample against the channel's peak.
fn first_sound(sound: &Sound) -> Vec<Option<(usize, f32)>> {
    sound
        .iter()
        .map(|channel| {
            let peak = channel.iter().fold(0.0_f32, |peak, sample| larger(peak, sample.abs()));
            channel.iter().position(|&sample| sample != 0.0).map(|frame| (frame, channel[frame].abs() / peak))
        })
        .collect()
}

#[test]
fn an_impulse_comes_out_at_its_own_frame() {
    for microphones in ["coincident", "near-coincident", "spaced omnis"] {
        for (depth, bearing) in [("0.5 m", "0"), ("5 m", "0"), ("8.5 m", "20 deg"), ("11 m", "-45 deg")] {
            let seat = [
                ("Main microphones", microphones),
                ("Depth", depth),
                ("Bearing", bearing),
                ("Platform balance", "0 %"),
            ];
            for (inputs, outputs) in [(2, 2), (1, 2), (1, 1)] {
                for frame in [0, 1, 511, 512, 1234] {
                    let input = impulse_at(inputs, frame, 4096);
                    let output = placed(&seat, Start { inputs, outputs, ..Start::STEREO }, &input);
                    let firsts = first_sound(&output);
                    let what =
                        format!("{microphones}, {depth}, {bearing}, {inputs} -> {outputs}, frame {frame}");
                    let earliest = firsts.iter().flatten().map(|first| first.0).min();
                    assert_eq!(earliest, Some(frame), "{what}: {firsts:?}");
                    // No dust: the first sample carries a good part of the impulse.
                    let at_start = firsts.iter().flatten().filter(|first| first.0 == frame);
                    let share = at_start.map(|first| first.1).fold(0.0, larger);
                    assert!(share > 0.1, "{what}: the first sample is only {share} of the peak");
                }
            }
        }
    }
}

/// The control: a late impulse is seen as late.
#[test]
fn an_impulse_one_frame_later_is_told_apart() {
    let early = placed(&[("Platform balance", "0 %")], Start::STEREO, &impulse_at(2, 100, 1024));
    let late = placed(&[("Platform balance", "0 %")], Start::STEREO, &impulse_at(2, 101, 1024));
    assert!(largest_difference(&early, &late) > 0.1);
    assert_eq!(first_sound(&late)[0].map(|first| first.0), Some(101));
}
