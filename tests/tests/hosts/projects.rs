//! Two projects in one host: each keeps its shared platform, whatever the other does.

use super::clap_host::{Clap, Playing, Start};
use super::sound::{Sound, noise_burst};
use super::vst3_host::{SEAT, Vst3};

/// What is set on the platform of a project.
type Project = [(&'static str, &'static str); 3];

const A: Project = [("Platform link", "1"), ("Decay", "0.300 s"), ("Platform width", "9.00 m")];
const B: Project = [("Platform link", "1"), ("Decay", "1.600 s"), ("Platform width", "28.00 m")];

/// Live, in blocks that are longer than 20 ms.
const LIVE: Start = Start { block_frames: 1024, is_offline: false, ..Start::STEREO };

fn input() -> Sound {
    noise_burst(2).into_iter().map(|channel| channel[..8192].to_vec()).collect()
}

fn played(clap: Clap) -> Playing {
    let mut playing = clap.start(LIVE);
    playing.render(&input(), &[]);
    playing
}

/// A project of so many channels that one hand has linked, each of which has played.
fn new_project(project: Project, channels: usize) -> Vec<Playing> {
    let channel = |_| {
        let mut clap = Clap::new();
        clap.set(&project);
        played(clap)
    };
    (0..channels).map(channel).collect()
}

/// A project that is opened from its states.
fn opened(states: &[Vec<u8>]) -> Vec<Playing> {
    let channel = |state: &Vec<u8>| {
        let mut clap = Clap::new();
        assert!(clap.load(state));
        played(clap)
    };
    states.iter().map(channel).collect()
}

fn saved(channels: &mut [Playing]) -> Vec<Vec<u8>> {
    channels.iter_mut().map(|channel| channel.instance.save()).collect()
}

/// Stops a project and frees it.
fn close(channels: Vec<Playing>) {
    for channel in channels {
        drop(channel.stop());
    }
}

/// What reopens alone from a state.
fn alone(state: &[u8]) -> Vec<(String, String)> {
    let mut clap = Clap::new();
    assert!(clap.load(state));
    let all = clap.texts().into_iter();
    all.filter(|(name, _)| B.iter().any(|(known, _)| known == name)).collect()
}

/// The settings of a project in the order in which hosts list them.
fn texts(project: Project) -> Vec<(String, String)> {
    let [link, decay, width] = project.map(|(name, text)| (name.to_owned(), text.to_owned()));
    vec![width, decay, link]
}

fn assert_each(states: &[Vec<u8>], project: Project, what: &str) {
    for state in states {
        assert_eq!(alone(state), texts(project), "{what}");
    }
}

#[test]
fn a_project_that_is_opened_and_saved_beside_another_reopens_to_what_it_was() {
    let mut b = new_project(B, 3);
    let states = saved(&mut b);
    close(b);
    let a = new_project(A, 3);
    let mut b = opened(&states);
    let again = saved(&mut b);
    assert_each(&again, B, "saved beside A");
    // A is stopped and not freed, as by a host that shows one project at a time.
    let a: Vec<Clap> = a.into_iter().map(Playing::stop).collect();
    let mut more = opened(&again);
    assert_each(&saved(&mut more), B, "opened beside a deactivated A");
    close(more);
    close(b);
    drop(a);
    assert_each(&again, B, "alone");
}

#[test]
fn an_edit_in_one_project_reaches_its_channels_and_no_other_project() {
    let mut a = new_project(A, 2);
    let states = saved(&mut a);
    close(a);
    let mut b = new_project(B, 2);
    // B is there first; A is opened twice as large, the copies of its channels included.
    let mut a = opened(&[states.clone(), states].concat());
    let (decay, value) = a[3].instance.typed("Decay", "0.450 s");
    a[3].render(&input(), &[(decay, value)]);
    for channel in a.iter_mut().chain(&mut b) {
        channel.render(&input(), &[]);
    }
    let edited = [A[0], ("Decay", "0.450 s"), A[2]];
    assert_each(&saved(&mut a), edited, "an edit in A");
    assert_each(&saved(&mut b), B, "an edit in A");
    close(a);
    close(b);
}

#[test]
fn the_vst3_keeps_two_projects_apart_too() {
    let mut b = new_project(B, 1);
    let states = saved(&mut b);
    close(b);
    let mut a = new_project(A, 1);
    let a_states = saved(&mut a);
    close(a);
    let start = Start { block_frames: 1024, ..LIVE };
    // The states of both formats differ by the length in front.
    let [a_state, b_state] = [&a_states[0][8..], &states[0][8..]];
    let mut first = Vst3::at(SEAT, start, a_state);
    first.render(&input());
    let mut second = Vst3::at(SEAT, start, b_state);
    second.render(&input());
    first.render(&input());
    let saved = second.plugin.save_state().expect("the state is saved");
    drop((first, second));
    // The host puts an envelope of its own round it.
    let begin = saved.iter().position(|&byte| byte == b'{').expect("a state is JSON");
    let end = saved.iter().rposition(|&byte| byte == b'}').expect("a state is JSON");
    let json = &saved[begin..=end];
    let state = [&(json.len() as u64).to_le_bytes()[..], json].concat();
    assert_eq!(alone(&state), texts(B));
}

/// What a newer version saved is found by it again, in the state that this version saves.
#[test]
fn what_a_newer_version_saved_goes_along_into_the_next_state() {
    for id in [c"rostra.seat", c"rostra.hall"] {
        let mut state: serde_json::Value =
            serde_json::from_slice(&Clap::of(id).save()[8..]).expect("a state is JSON");
        state["version"] = "99.0.0".into();
        state["params"]["decay"] = serde_json::json!({"f32": 100.0});
        state["params"]["balcony"] = serde_json::json!({"f32": 0.5});
        state["fields"]["rooms"] = "[1, 2]".into();
        let text = serde_json::to_vec(&state).expect("it is JSON again");
        let mut bytes = (text.len() as u64).to_le_bytes().to_vec();
        bytes.extend(text);
        let mut clap = Clap::of(id);
        assert!(clap.load(&bytes), "{id:?}");
        let once = clap.save();
        let mut again = Clap::of(id);
        assert!(again.load(&once), "{id:?}");
        assert_eq!(again.save(), once, "{id:?}");
        let saved: serde_json::Value = serde_json::from_slice(&once[8..]).expect("a state is JSON");
        let newer = saved["fields"]["newer"].as_str().expect("it is carried");
        let newer: serde_json::Value = serde_json::from_str(newer).expect("it is JSON");
        assert_eq!(newer["version"], "99.0.0");
        assert_eq!(newer["params"]["balcony"]["value"], serde_json::json!({"f32": 0.5}));
        assert_eq!(newer["params"]["decay"]["value"], serde_json::json!({"f32": 100.0}));
        assert_eq!(newer["fields"]["rooms"], "[1, 2]");
        assert_ne!(saved["params"]["decay"], serde_json::json!({"f32": 100.0}));
    }
}
