//! What a VST3 host tells the controller while sound is processed: it is known at once, and does not fight automation.

use super::raw_vst3::{Block, Changes, HALL, OFFLINE, RawVst3, SEAT, render};
use super::sound::{Sound, assert_same_bits, assert_sounds, largest_difference, noise_burst};
use super::vst3_host::raw;
use vst3::Steinberg::{kInvalidArgument, kResultOk};

const FRAMES: usize = 480;
/// How far a value may lie from what was told: the steps of single precision through a logarithm, doubled.
const SAME_VALUE: f64 = 1e-5;

/// Starts an instance, with a parameter of a value that came as a point.
fn started(class: &[u8; 16], name: &str, value: f64) -> (RawVst3, u32) {
    let vst3 = raw(class);
    let id = vst3.id(name);
    vst3.start(48_000.0, FRAMES as i32, OFFLINE);
    play(&vst3, 0.0, &[(id, vec![(0, value)])]);
    assert_near("the point", vst3.get(id), value);
    (vst3, id)
}

/// Plays a block of a constant with points; returns what comes out.
fn play(vst3: &RawVst3, input: f32, points: &[(u32, Vec<(i32, f64)>)]) -> Sound {
    let mut block = Block::new(2, 2, FRAMES);
    block.input.iter_mut().for_each(|channel| channel.fill(input));
    block.change(Changes::new(points.to_vec()));
    assert_eq!(vst3.process(&mut block.data()), kResultOk);
    block.output
}

fn assert_near(what: &str, got: f64, expected: f64) {
    assert!((got - expected).abs() < SAME_VALUE, "{what}: {got}, not {expected}");
}

/// Returns what a state says of a parameter: asks an instance that loads it.
fn value_in(state: &[u8], class: &[u8; 16], id: u32) -> f64 {
    let reader = raw(class);
    assert_eq!(reader.load(state), kResultOk);
    reader.get(id)
}

#[test]
fn what_the_controller_sets_while_processing_is_known_and_saved_at_once() {
    for (class, names) in [
        (SEAT, &["Depth", "Bearing", "Radiation", "Floor", "Compare dry", "Decay", "Bypass"][..]),
        (HALL, &["Pre-delay", "Decay", "Dry/wet", "Bypass"][..]),
    ] {
        for name in names {
            let (vst3, id) = started(&class, name, 0.0);
            assert_eq!(vst3.set(id, 1.0), kResultOk);
            assert_near(name, vst3.get(id), 1.0);
            // The comparison is off in every loaded state.
            if *name != "Compare dry" {
                assert_near(name, value_in(&vst3.save(), &class, id), 1.0);
            }
            // It stays so while blocks bring nothing newer, and after the end.
            play(&vst3, 0.1, &[]);
            assert_near(name, vst3.get(id), 1.0);
            vst3.stop();
            assert_near(name, vst3.get(id), 1.0);
            // A newer point wins.
            vst3.start(48_000.0, FRAMES as i32, OFFLINE);
            play(&vst3, 0.1, &[(id, vec![(17, 0.0)])]);
            assert_near(name, vst3.get(id), 0.0);
            vst3.stop();
        }
    }
}

#[test]
fn what_lies_within_the_automation_that_plays_is_known_at_once_and_kept_when_processing_ends() {
    let (vst3, id) = started(&SEAT, "Depth", 0.2);
    play(&vst3, 0.1, &[(id, vec![(0, 0.4), (479, 0.8)])]);
    for told in [0.5, 0.3] {
        assert_eq!(vst3.set(id, told), kResultOk);
        assert_near("asked", vst3.get(id), told);
        assert_near("saved", value_in(&vst3.save(), &SEAT, id), told);
    }
    let radiation = vst3.id("Radiation");
    play(&vst3, 0.1, &[(radiation, vec![(0, 0.0), (100, 1.0)])]);
    assert_eq!(vst3.set(radiation, 0.5), kResultOk);
    let entry = vst3.get(radiation);
    assert_near("a list", value_in(&vst3.save(), &SEAT, radiation), entry);
    vst3.stop();
    assert_near("after the end", vst3.get(id), 0.3);
    assert_near("saved after the end", value_in(&vst3.save(), &SEAT, id), 0.3);
    // A loaded state is newer than anything told before.
    let (other, _) = started(&SEAT, "Depth", 0.9);
    let state = other.save();
    vst3.start(48_000.0, FRAMES as i32, OFFLINE);
    play(&vst3, 0.1, &[(id, vec![(0, 0.1), (479, 0.8)])]);
    assert_eq!(vst3.set(id, 0.5), kResultOk);
    assert_eq!(vst3.load(&state), kResultOk);
    assert_near("loaded", vst3.get(id), 0.9);
}

/// Renders noise under automation of the depth; after each block the host echoes a value some blocks old, or nothing.
fn automated(echo_blocks: Option<usize>) -> (Sound, f64) {
    let (vst3, id) = started(&SEAT, "Depth", 0.2);
    let noise = noise_burst(2);
    let mut output: Sound = vec![Vec::new(); 2];
    let value = |block: usize| 0.2 + 0.6 * (block.min(30) as f64 / 30.0);
    for block in 0..60 {
        let mut data = Block::new(2, 2, FRAMES);
        for (taken, channel) in data.input.iter_mut().zip(&noise) {
            taken.copy_from_slice(&channel[block * FRAMES..][..FRAMES]);
        }
        if block <= 30 {
            data.change(Changes::new([(id, vec![(0, value(block)), (240, value(block) + 0.01)])]));
        }
        assert_eq!(vst3.process(&mut data.data()), kResultOk);
        for (channel, given) in output.iter_mut().zip(&data.output) {
            channel.extend_from_slice(given);
        }
        if let Some(late) = echo_blocks.filter(|&late| (late..40).contains(&block)) {
            assert_eq!(vst3.set(id, value(block - late)), kResultOk);
        }
    }
    let last = vst3.get(id);
    vst3.stop();
    (output, last)
}

/// The display of a host lags behind; what it tells then is old, and the sound must not go back to it.
#[test]
fn an_echo_of_automation_does_not_turn_the_sound_back() {
    let (plain, _) = automated(None);
    assert_sounds(&plain);
    for late in [0, 1, 3, 9] {
        assert_same_bits(&format!("an echo {late} blocks late"), &automated(Some(late)).0, &plain);
    }
}

/// What lies within the automation and nothing follows was meant: it is set once a second of sound has passed.
#[test]
fn what_no_newer_point_follows_is_set_after_a_second() {
    let (vst3, id) = started(&SEAT, "Depth", 0.2);
    play(&vst3, 0.1, &[(id, vec![(0, 0.8)])]);
    assert_eq!(vst3.set(id, 0.5), kResultOk);
    for _ in 0..99 {
        play(&vst3, 0.1, &[]);
    }
    assert_near("within a second", vst3.get(id), 0.5);
    for _ in 0..3 {
        play(&vst3, 0.1, &[]);
    }
    assert_near("after a second", vst3.get(id), 0.5);
    // It is the value by now, and no note: a point of automation counts again.
    play(&vst3, 0.1, &[(id, vec![(0, 0.7)])]);
    assert_near("after a newer point", vst3.get(id), 0.7);
}

/// What lies outside the automation is heard in the next block, without a point.
#[test]
fn what_the_controller_sets_is_heard() {
    let noise: Sound = noise_burst(2).into_iter().map(|channel| channel[..24_000].to_vec()).collect();
    let sound = |set: Option<f64>| {
        let (vst3, id) = started(&SEAT, "Bearing", 0.2);
        if let Some(value) = set {
            assert_eq!(vst3.set(id, value), kResultOk);
        }
        let sound = render(&vst3, &noise, 2, FRAMES);
        vst3.stop();
        sound
    };
    let (kept, moved) = (sound(None), sound(Some(0.9)));
    assert_sounds(&kept);
    assert!(largest_difference(&kept, &moved) > 0.01, "the bearing moved");
    assert_same_bits("the same again", &kept, &sound(None));
}

/// More points than there is room for: the last of each parameter counts.
#[test]
fn a_flood_of_points_ends_where_its_last_ones_say() {
    let vst3 = raw(&SEAT);
    vst3.start(48_000.0, FRAMES as i32, OFFLINE);
    let ids: Vec<u32> = vst3.parameters().iter().map(|info| info.id).collect();
    let flood = |last: f64| -> Vec<(i32, f64)> {
        (0..200).map(|n| (2 * n, f64::from(n % 2))).chain([(450, last)]).collect()
    };
    let points: Vec<_> = ids.iter().map(|&id| (id, flood(1.0))).collect();
    play(&vst3, 0.1, &points);
    for id in ids {
        assert_near("the last point", vst3.get(id), 1.0);
    }
    assert_eq!(vst3.set(u32::MAX, 0.5), kInvalidArgument);
    vst3.stop();
}
