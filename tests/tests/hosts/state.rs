//! A state that was saved comes back as the same sound; one that is damaged changes nothing.

use rostra_dsp::kernel::Noise;

use super::clap_host::{Clap, Start};
use super::equality::SEAT;
use super::sound::{assert_same_bits, assert_sounds, largest_difference, noise_burst};

/// Renders the seat and returns its state with its sound.
fn saved() -> (Vec<u8>, Vec<Vec<f32>>) {
    let mut clap = Clap::new();
    clap.set(&SEAT);
    let state = clap.save();
    let mut playing = clap.start(Start::STEREO);
    let sound = playing.render(&noise_burst(2), &[]);
    playing.stop();
    assert_sounds(&sound);
    (state, sound)
}

#[test]
fn a_state_loaded_before_the_start_gives_the_same_bits() {
    let (state, sound) = saved();
    for is_offline in [true, false] {
        let mut clap = Clap::new();
        assert!(clap.load(&state), "the state was refused");
        assert_eq!(clap.save(), state, "loaded and saved again");
        let mut playing = clap.start(Start { is_offline, ..Start::STEREO });
        let again = playing.render(&noise_burst(2), &[]);
        playing.stop();
        assert_same_bits(if is_offline { "offline" } else { "live" }, &sound, &again);
    }
    // The control: without the state it sounds otherwise.
    let mut playing = Clap::new().start(Start::STEREO);
    let other = playing.render(&noise_burst(2), &[]);
    assert!(largest_difference(&sound, &other) > 1e-3, "the state makes no difference");
}

#[test]
fn a_state_loaded_while_playing_gives_the_same_bits_after_a_reset() {
    let (state, sound) = saved();
    let mut playing = Clap::new().start(Start::STEREO);
    playing.render(&noise_burst(2), &[]);
    assert!(playing.instance.load(&state), "the state was refused");
    playing.reset();
    let again = playing.render(&noise_burst(2), &[]);
    playing.stop();
    assert_same_bits("after a reset", &sound, &again);
}

#[test]
fn a_state_loaded_while_playing_gives_the_same_bits_after_a_new_start() {
    let (state, sound) = saved();
    for is_offline in [true, false] {
        let mut playing = Clap::new().start(Start { is_offline, ..Start::STEREO });
        playing.render(&noise_burst(2), &[]);
        assert!(playing.instance.load(&state), "the state was refused");
        let mut playing = playing.stop().start(Start { is_offline, ..Start::STEREO });
        let again = playing.render(&noise_burst(2), &[]);
        playing.stop();
        assert_same_bits("after a new start", &sound, &again);
    }
}

#[test]
fn block_sizes_do_not_matter_to_a_reopened_session() {
    let (state, sound) = saved();
    for block_frames in [64, 333, 2048] {
        let mut clap = Clap::new();
        assert!(clap.load(&state), "the state was refused");
        let mut playing = clap.start(Start { block_frames, ..Start::STEREO });
        let again = playing.render(&noise_burst(2), &[]);
        playing.stop();
        // Standing still, the design's bound for any split into blocks.
        let difference = largest_difference(&sound, &again);
        assert!(difference <= 1e-6, "blocks of {block_frames}: {difference:e}");
    }
}

#[test]
fn a_damaged_state_is_refused_and_nothing_changes() {
    let (state, _) = saved();
    let with_length = |text: &[u8]| [&(text.len() as u64).to_le_bytes(), text].concat();
    let text = &state[8..];
    let damaged: [(&str, Vec<u8>); 8] = [
        ("nothing", Vec::new()),
        ("half a length", state[..4].to_vec()),
        ("a length alone", state[..8].to_vec()),
        ("half a state", state[..state.len() / 2].to_vec()),
        ("all but the last byte", state[..state.len() - 1].to_vec()),
        ("half a state with its own length", with_length(&text[..text.len() / 2])),
        ("letters", with_length(b"this is no state")),
        ("bytes", (0..=255_u8).cycle().skip(97).take(4096).collect()),
    ];
    let mut clap = Clap::new();
    clap.set(&SEAT);
    let texts = clap.texts();
    for (what, bytes) in &damaged {
        assert!(!clap.load(bytes), "{what} was taken for a state");
        assert_eq!(clap.texts(), texts, "{what} changed the settings");
        assert_eq!(clap.save(), state, "{what} changed the state");
    }
    let mut playing = clap.start(Start::STEREO);
    for (what, bytes) in &damaged {
        assert!(!playing.instance.load(bytes), "{what} was taken for a state while playing");
        assert_eq!(playing.instance.texts(), texts, "{what} changed the settings while playing");
    }
    playing.stop();
}

/// Any values that a host can set, saved and loaded into a fresh instance of either plug-in, are the same values and the
/// same sound, to the bit.
#[test]
fn any_values_come_back_from_their_state() {
    const CASES: u64 = 40;
    let input = noise_burst(2).into_iter().map(|channel| channel[..4800].to_vec()).collect();
    let mut noise = Noise::new(0x57a7e);
    for case in 0..CASES {
        let id = if case % 4 == 3 { c"rostra.hall" } else { c"rostra.seat" };
        let mut clap = Clap::of(id);
        let wanted: Vec<_> = clap
            .parameters()
            .into_iter()
            // The comparison is saved as off, whatever it was.
            .filter(|parameter| parameter.name != "Compare dry" && !parameter.is_bypass)
            .map(|parameter| {
                let value = parameter.least + noise.uniform() * (parameter.most - parameter.least);
                (parameter.id, if parameter.is_stepped { value.round() } else { value })
            })
            .collect();
        clap.set_values(&wanted);
        let state = clap.save();
        let mut again = Clap::of(id);
        assert!(again.load(&state), "case {case}: the state was refused");
        assert_eq!(again.save(), state, "case {case}");
        assert_eq!(again.values(), clap.values(), "case {case}");
        let [sound, same] = [clap, again].map(|clap| {
            let mut playing = clap.start(Start::STEREO);
            let sound = playing.render(&input, &[]);
            playing.stop();
            sound
        });
        assert!(sound.iter().flatten().any(|x| x.abs() > 1e-4), "case {case} is silence");
        assert_same_bits(&format!("case {case}"), &sound, &same);
    }
}
