//! A script of seat changes, rendered without a host, against the built CLAPs of seat and hall with their parameters automated
//! at the same frames.

#[path = "hosts/bundle.rs"]
#[allow(dead_code, reason = "the host's other tests need the rest")]
mod bundle;
#[path = "hosts/clap_host.rs"]
#[allow(dead_code, reason = "the host's other tests need the rest")]
mod clap_host;
#[path = "hosts/sound.rs"]
#[allow(dead_code, reason = "the host's other tests need the rest")]
mod sound;

use std::fs;

use clack_host::utils::ClapId;
use clap_host::{Clap, Start};
use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::{Group, Tabled as _};
use rostra_files::FileStore;
use rostra_live::moves::Moves;
use rostra_live::render::render;
use rostra_live::scene::{HALL_LEVEL_DB, Scene};
use rostra_live::sound_loop::SoundLoop;
use sound::{RATE_HZ, Sound, assert_sounds, largest_difference, noise_burst};

/// Largest difference of samples that still counts as the same: -100 dB of full scale, which nobody hears.
const SAME: f32 = 1e-5;
/// Least difference that one changed parameter makes.
const CHANGED: f32 = 1e-3;

/// A script whose times lie on no block and no grid step: seats, a platform, finishes, a pair, tone and level.
const SCRIPT: &str = r#"
[[move]]
at_s = 0.0
seat = "horns"

[[move]]
at_s = 0.21347
set = { depth = "6.3 m", bearing = 31.5, facing = -40 }

[[move]]
at_s = 0.4501
seat = "violins-1"
platform = "large-plaster"

[[move]]
at_s = 0.70001
set = { rear = "curtain", mics = "coincident", decay = "1.2 s", air = 3, close = "0.3 m", lowmid_g = -4.5, balance = 70 }

[[move]]
at_s = 1.0000
seat = "flute"
platform = "medium-timber"
set = { close = "off", trim = "-2 dB" }
"#;

/// A hall behind the seat that changes while it sounds, then a seat that asks for another send.
const HALL_SCRIPT: &str = r#"
[[move]]
at_s = 0.0
seat = "horns"
hall = "short-cue"

[[move]]
at_s = 0.31347
hall_set = { decay = "2.4 s", pre_delay = "12 ms", early = "-4 dB", width = 70, trim = "-1 dB" }

[[move]]
at_s = 0.6001
set = { depth = "4 m" }
"#;

/// Time in which the send follows the seat, s: that of every fade while it plays.
const SEND_FADE_S: f64 = 0.020;

fn script(text: &str) -> Moves {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("moves.toml");
    fs::write(&path, text).expect("the script is written");
    Moves::read(&path, &Scene::default(), &FileStore::at("no folder of files")).expect("the script is read")
}

/// Every value of every move as an event of the plug-in's own parameters, by its texts.
fn events(clap: &mut Clap, moves: &Moves) -> Vec<(usize, ClapId, f64)> {
    let mut events = Vec::new();
    for at in &moves.moves {
        let frame = (at.at_s * f64::from(RATE_HZ)).round() as usize;
        let values = &at.scene.values;
        for parameter in Settings::parameters().filter(|parameter| parameter.group != Group::Session) {
            let (id, value) = clap.typed(parameter.name, &parameter.shown(values.value(parameter)));
            events.push((frame, id, value));
        }
    }
    events
}

fn through_the_plug_in(input: &Sound, moves: &Moves) -> Sound {
    let mut clap = Clap::new();
    let events = events(&mut clap, moves);
    // What stands at the first frame is set before it, as a loaded state would.
    let first: Vec<_> = events.iter().filter(|event| event.0 == 0).map(|event| (event.1, event.2)).collect();
    clap.set_values(&first);
    let start =
        Start { inputs: input.len(), outputs: 2, block_frames: 512, is_offline: true, ..Start::STEREO };
    let mut playing = clap.start(start);
    let output = playing.render_automated(input, &events);
    playing.stop();
    output
}

/// As [`through_the_plug_in`], with the hall's own plug-in on a bus behind it, and a send that a hand would automate.
fn through_both_plug_ins(input: &Sound, moves: &Moves) -> Sound {
    let mut seated = through_the_plug_in(input, moves);
    let mut clap = Clap::of(c"rostra.hall");
    let (mut events, mut sends) = (Vec::new(), Vec::new());
    for at in &moves.moves {
        let frame = (at.at_s * f64::from(RATE_HZ)).round() as usize;
        let values = at.scene.hall.as_ref().expect("every move of the script has a hall");
        for parameter in Hall::parameters().filter(|parameter| parameter.group != Group::Session) {
            let (id, value) = clap.typed(parameter.name, &parameter.shown(values.value(parameter)));
            events.push((frame, id, value));
        }
        sends.push((frame, f64::from(at.scene.placement().hall.expect("a hall").gain)));
    }
    let first: Vec<_> = events.iter().filter(|event| event.0 == 0).map(|event| (event.1, event.2)).collect();
    clap.set_values(&first);
    let send = |n: usize| {
        let (mut gain, mut before) = (sends[0].1, sends[0].1);
        for &(frame, to) in sends.iter().filter(|send| send.0 <= n) {
            let share = (n + 1 - frame) as f64 / (SEND_FADE_S * f64::from(RATE_HZ));
            gain = before + (to - before) * share.min(1.0);
            before = to;
        }
        gain
    };
    let sent = |channel: &Vec<f32>| {
        channel.iter().enumerate().map(|(n, x)| (send(n) * f64::from(*x)) as f32).collect()
    };
    let bus: Sound = seated.iter().map(sent).collect();
    let mut playing = clap.start(Start::STEREO);
    let answer = playing.render_automated(&bus, &events);
    playing.stop();
    let return_gain = 10_f64.powf(HALL_LEVEL_DB / 20.0) as f32;
    for (channel, answer) in seated.iter_mut().zip(&answer) {
        channel.iter_mut().zip(answer).for_each(|(x, answer)| *x += return_gain * answer);
    }
    seated
}

fn without_a_host(input: &Sound, moves: &Moves) -> Sound {
    let seconds = input[0].len() as f64 / f64::from(RATE_HZ);
    let sound = SoundLoop { rate_hz: RATE_HZ, channels: input.clone() };
    render(sound, &Scene::default(), Some(moves), Some(seconds)).expect("it renders").channels
}

#[test]
fn a_render_is_what_the_plug_in_plays_under_automation() {
    let moves = script(SCRIPT);
    for channels in [1, 2] {
        let input = noise_burst(channels);
        let (plug_in, live) = (through_the_plug_in(&input, &moves), without_a_host(&input, &moves));
        assert_sounds(&plug_in);
        assert_sounds(&live);
        let difference = largest_difference(&plug_in, &live);
        eprintln!("{channels} in: differs by {difference:e} at most");
        assert!(difference <= SAME, "{channels} in: differs by {difference:e}, at most {SAME:e} is allowed");
        // The controls: another value, and another time.
        for changed in [SCRIPT.replace("bearing = 31.5", "bearing = 28.5"), SCRIPT.replace("0.4501", "0.48")]
        {
            let other = without_a_host(&input, &script(&changed));
            let difference = largest_difference(&plug_in, &other);
            assert!(difference > CHANGED, "{channels} in: a change is only {difference}");
        }
    }
}

#[test]
fn a_render_with_a_hall_is_what_both_plug_ins_play_under_automation() {
    let moves = script(HALL_SCRIPT);
    let input = noise_burst(1);
    let (both, live) = (through_both_plug_ins(&input, &moves), without_a_host(&input, &moves));
    assert_sounds(&both);
    let difference = largest_difference(&both, &live);
    eprintln!("with a hall: differs by {difference:e} at most");
    assert!(difference <= SAME, "with a hall: differs by {difference:e}, at most {SAME:e} is allowed");
    // The controls: no hall, another hall from the same time on, and another send.
    for changed in [
        HALL_SCRIPT.replace("short-cue", "long-cue"),
        HALL_SCRIPT.replace("2.4 s", "1.2 s"),
        HALL_SCRIPT.replace("4 m", "5 m"),
        SCRIPT.into(),
    ] {
        let difference = largest_difference(&both, &without_a_host(&input, &script(&changed)));
        assert!(difference > CHANGED, "{changed}: a change is only {difference}");
    }
}
