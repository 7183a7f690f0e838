//! States that earlier versions saved: this version loads them and renders the same sound.
//!
//! `tests/states` holds each state as a host keeps it, the version that saved
//! it in its name, and the sound that it had then: 0.15 s of it as 32-bit float
//! WAV, and the level of all of it, to the end of the tail, every 50 ms. To add this version's: `ROSTRA_KEEP_STATES=1 cargo test -p rostra-tests
//! --test hosts kept_states`. One that is there is never written again: a sound
//! that changes is a line in the changelog and a state of its own.

use rostra_dsp::extremes::larger;
use std::path::{Path, PathBuf};

use super::clap_host::{Clap, Start};
use super::equality::SEAT;
use super::hall::HALL;
use super::sound::{Sound, assert_sounds, largest_difference, noise_burst, read_wav, write_wav};

/// Largest difference of samples that still counts as the same: -100 dB of full scale, which nobody hears.
const SAME: f32 = 1e-5;
/// Least difference that a changed parameter makes.
const CHANGED: f32 = 1e-3;
/// Frames of the sound: longer than the hall's gap and the first reflections.
const FRAMES: usize = 7200;

/// Frames over which a level is taken: 50 ms.
const LEVEL_FRAMES: usize = 2400;
/// Largest difference of levels that still counts as the same, dB: two processors that round otherwise differ by less
/// than a thousandth.
const SAME_DB: f64 = 0.02;
/// Level below which nothing is heard, dB of full scale, rms; all that lies lower counts as the same.
const LEAST_DB: f64 = -140.0;

/// A state to keep.
struct Kept {
    name: &'static str,
    is_hall: bool,
    inputs: usize,
    outputs: usize,
    settings: &'static [(&'static str, &'static str)],
}

/// What this version keeps: both plug-ins, every layout, every list's last entry, both ends of most ranges.
const KEPT: [Kept; 8] = [
    Kept { name: "seat-default", is_hall: false, inputs: 2, outputs: 2, settings: &[] },
    Kept { name: "seat-horns", is_hall: false, inputs: 2, outputs: 2, settings: &SEAT },
    Kept { name: "seat-mono-to-stereo", is_hall: false, inputs: 1, outputs: 2, settings: &SEAT },
    Kept {
        name: "seat-mono",
        is_hall: false,
        inputs: 1,
        outputs: 1,
        settings: &[
            ("Radiation", "drumhead"),
            ("Depth", "10 m"),
            ("Riser", "1.2 m"),
            ("Distance fall-off", "100 %"),
        ],
    },
    Kept {
        name: "seat-near",
        is_hall: false,
        inputs: 2,
        outputs: 2,
        settings: &[
            ("Depth", "0.5 m"),
            ("Bearing", "-60 deg"),
            ("Radiation", "top plate"),
            ("Source width", "8 m"),
            ("Main microphones", "coincident"),
            ("Close-mic distance", "0.05 m"),
            ("Platform balance", "20 %"),
            ("Air loss", "8 x"),
        ],
    },
    Kept {
        name: "seat-linked",
        is_hall: false,
        inputs: 2,
        outputs: 2,
        settings: &[
            ("Platform link", "3"),
            ("Depth", "25 m"),
            ("Facing", "180 deg"),
            ("Platform width", "30 m"),
            ("Platform depth", "25 m"),
            ("Floor", "mineral wool"),
            ("Decay", "2 s"),
            ("Temperature", "40 C"),
            ("Humidity", "10 %"),
            ("Low-mid gain", "-18 dB"),
            ("Low-mid frequency", "900 Hz"),
        ],
    },
    Kept { name: "hall-default", is_hall: true, inputs: 2, outputs: 2, settings: &[] },
    Kept { name: "hall-short", is_hall: true, inputs: 2, outputs: 2, settings: &HALL },
];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("states")
}

fn instance(is_hall: bool) -> Clap {
    Clap::of(if is_hall { c"rostra.hall" } else { c"rostra.seat" })
}

fn render(clap: Clap, inputs: usize, outputs: usize) -> Sound {
    let input: Sound = noise_burst(inputs).into_iter().map(|channel| channel[..FRAMES].to_vec()).collect();
    let mut playing = clap.start(Start { inputs, outputs, ..Start::STEREO });
    let sound = playing.render(&input, &[]);
    playing.stop();
    sound
}

/// Renders the same sound and all that follows; returns the level of each channel every 50 ms, dB of full scale, rms.
fn levels(clap: Clap, inputs: usize, outputs: usize) -> Vec<Vec<f64>> {
    let head: Sound = noise_burst(inputs).into_iter().map(|channel| channel[..FRAMES].to_vec()).collect();
    let mut playing = clap.start(Start { inputs, outputs, ..Start::STEREO });
    let mut sound = playing.render(&head, &[]);
    let rest = vec![vec![0.0; playing.tail_frames() as usize]; inputs];
    for (channel, rest) in sound.iter_mut().zip(playing.render(&rest, &[])) {
        channel.extend(rest);
    }
    playing.stop();
    let level = |span: &[f32]| {
        let sum: f64 = span.iter().map(|&x| f64::from(x).powi(2)).sum();
        (10.0 * (sum / span.len() as f64).log10()).max(LEAST_DB)
    };
    sound.iter().map(|channel| channel.chunks_exact(LEVEL_FRAMES).map(level).collect()).collect()
}

/// Writes levels: a line every 50 ms, a channel after the other.
fn written(levels: &[Vec<f64>]) -> String {
    let line = |n| levels.iter().map(|channel: &Vec<f64>| format!("{:.3}", channel[n])).collect::<Vec<_>>();
    (0..levels[0].len()).map(|n| line(n).join(" ") + "\n").collect()
}

/// Reads levels as [`written`] writes them.
fn read_levels(path: &Path) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut levels: Vec<Vec<f64>> = Vec::new();
    for line in text.lines() {
        for (n, number) in line.split(' ').enumerate() {
            if levels.len() == n {
                levels.push(Vec::new());
            }
            levels[n].push(number.parse().expect("a level"));
        }
    }
    levels
}

/// Returns the largest difference of levels, dB, and where it is, s.
fn largest_level_difference(a: &[Vec<f64>], b: &[Vec<f64>]) -> (f64, f64) {
    let mut worst = (0.0, 0.0);
    for (a, b) in a.iter().zip(b) {
        // Where one ends earlier, it is silent.
        let at = |levels: &[f64], n: usize| levels.get(n).copied().unwrap_or(LEAST_DB);
        for n in 0..a.len().max(b.len()) {
            let (a, b) = (at(a, n), at(b, n));
            assert!(a.is_finite() && b.is_finite(), "{a} and {b} dB cannot be compared");
            if (a - b).abs() > worst.0 {
                worst = ((a - b).abs(), (n * LEVEL_FRAMES) as f64 / f64::from(Start::STEREO.rate_hz));
            }
        }
    }
    worst
}

/// Keeps this version's states and sounds, where that is asked for and they are not there.
///
/// A sound that changes on purpose: take its `.wav` and `.levels` away, keep
/// them anew from the state that stays, and tell it in CHANGELOG.md.
fn keep() {
    if std::env::var_os("ROSTRA_KEEP_STATES").is_none() {
        return;
    }
    std::fs::create_dir_all(folder()).expect("a folder");
    for Kept { name, is_hall, inputs, outputs, settings } in KEPT {
        let stem = folder().join(format!("{} {name} {inputs}-{outputs}", env!("CARGO_PKG_VERSION")));
        let [state, sound, levels_file] = ["state", "wav", "levels"].map(|ending| with_ending(&stem, ending));
        let clap = || {
            let mut clap = instance(is_hall);
            match std::fs::read(&state) {
                Ok(kept) => assert!(clap.load(&kept), "{} is taken", state.display()),
                Err(_) => clap.set(settings),
            }
            clap
        };
        if !levels_file.exists() {
            let levels = written(&levels(clap(), inputs, outputs));
            std::fs::write(levels_file, levels).expect("the levels are written");
        }
        if !sound.exists() {
            write_wav(&sound, &render(clap(), inputs, outputs));
        }
        // The state comes last: where it is there, its sound is.
        if !state.exists() {
            std::fs::write(&state, clap().save()).expect("the state is written");
        }
    }
}

/// A version's points are no ending.
fn with_ending(stem: &Path, ending: &str) -> PathBuf {
    PathBuf::from(format!("{}.{ending}", stem.display()))
}

/// Every kept state: its name without the ending, whether it is the hall's, channels in and out.
fn kept() -> Vec<(PathBuf, bool, usize, usize)> {
    let mut found: Vec<_> = std::fs::read_dir(folder())
        .expect("tests/states is there")
        .filter_map(|entry| {
            let path = entry.ok()?.path();
            let text = path.to_str()?.strip_suffix(".state")?.to_owned();
            let (rest, layout) = text.rsplit_once(' ')?;
            let (inputs, outputs) = layout.split_once('-')?;
            Some((PathBuf::from(&text), rest.contains(" hall-"), inputs.parse().ok()?, outputs.parse().ok()?))
        })
        .collect();
    found.sort();
    found
}

#[test]
fn every_kept_state_sounds_as_it_did() {
    keep();
    let all = kept();
    for Kept { name, inputs, outputs, .. } in KEPT {
        let of_this = folder().join(format!("{} {name} {inputs}-{outputs}", env!("CARGO_PKG_VERSION")));
        assert!(
            all.iter().any(|(stem, ..)| *stem == of_this),
            "{}: this version keeps no such state; see the head of this file",
            of_this.display()
        );
    }
    let mut worst = 0.0_f32;
    let mut worst_db = 0.0_f64;
    for (stem, is_hall, inputs, outputs) in all {
        let shown = stem.display();
        let state = std::fs::read(with_ending(&stem, "state")).expect("it was listed");
        let expected = read_wav(&with_ending(&stem, "wav"));
        assert_sounds(&expected);
        let mut clap = instance(is_hall);
        assert!(clap.load(&state), "{shown}: the state is refused");
        let difference = largest_difference(&render(clap, inputs, outputs), &expected);
        worst = larger(worst, difference);
        assert!(difference <= SAME, "{shown}: differs by {difference:e}, at most {SAME:e}");
        let kept = read_levels(&with_ending(&stem, "levels"));
        let mut clap = instance(is_hall);
        assert!(clap.load(&state));
        let (off_db, at_s) = largest_level_difference(&levels(clap, inputs, outputs), &kept);
        worst_db = larger(worst_db, off_db);
        assert!(off_db <= SAME_DB, "{shown}: {off_db:.3} dB off at {at_s:.2} s, at most {SAME_DB} dB");
        // The controls: one parameter changed after the state was loaded.
        let mut clap = instance(is_hall);
        assert!(clap.load(&state));
        clap.set(&[("Decay", if is_hall { "2.9 s" } else { "1.1 s" })]);
        let (changed_db, _) = largest_level_difference(&levels(clap, inputs, outputs), &kept);
        assert!(changed_db > 1.0, "{shown}: another decay changes only {changed_db} dB");
        let mut clap = instance(is_hall);
        assert!(clap.load(&state));
        clap.set(if is_hall { &[("Hall size", "9000")] } else { &[("Bearing", "11 deg"), ("Depth", "7 m")] });
        let changed = largest_difference(&render(clap, inputs, outputs), &expected);
        assert!(changed > CHANGED, "{shown}: a changed parameter changes only {changed:e}");
    }
    eprintln!("kept states differ by {worst:e} at most, their levels by {worst_db:.4} dB");
}

/// States that no version saves: cut, foreign, of a later version, out of range, huge. None is taken for another sound.
#[test]
fn foreign_states_are_refused_or_brought_into_range() {
    let text = |state: &[u8]| String::from_utf8(state[8..].to_vec()).expect("JSON after the length");
    let framed = |text: &str| [&(text.len() as u64).to_le_bytes()[..], text.as_bytes()].concat();
    for (stem, is_hall, inputs, outputs) in kept() {
        let shown = stem.display();
        let state = std::fs::read(with_ending(&stem, "state")).expect("it was listed");
        let expected = read_wav(&with_ending(&stem, "wav"));
        let json = text(&state);
        // A later version, and fields that this one does not know: the sound is that of what is known.
        let mut later: serde_json::Value = serde_json::from_str(&json).expect("JSON");
        later["version"] = "99.0.0".into();
        later["params"]["not_known_yet"] = serde_json::json!({ "f32": 0.5 });
        later["fields"]["nor_this"] = "x".into();
        let mut clap = instance(is_hall);
        assert!(clap.load(&framed(&later.to_string())), "{shown}: a later version is refused");
        let difference = largest_difference(&render(clap, inputs, outputs), &expected);
        assert!(difference <= SAME, "{shown}, later version: differs by {difference:e}");
        // Nonsense is refused, and what was set stays.
        for nonsense in [
            Vec::new(),
            state[..7].to_vec(),
            state[..state.len() - 1].to_vec(),
            framed("{}{}"),
            framed("[1, 2, 3]"),
            framed("\u{0}"),
            framed(&json.replace('{', "[")),
            [&u64::MAX.to_le_bytes()[..], json.as_bytes()].concat(),
            noise_burst(1)[0].iter().flat_map(|x| x.to_le_bytes()).collect(),
        ] {
            let mut clap = instance(is_hall);
            assert!(clap.load(&state));
            let before = clap.save();
            let is_taken = clap.load(&nonsense);
            assert!(!is_taken, "{shown}: {} bytes of nonsense were taken", nonsense.len());
            assert_eq!(clap.save(), before, "{shown}: nonsense changed something");
        }
        // Values that no number is and numbers outside their range come out finite and in range.
        let mut wild: serde_json::Value = serde_json::from_str(&json).expect("JSON");
        for (place, value) in wild["params"].as_object_mut().expect("parameters").values_mut().enumerate() {
            *value = match place % 4 {
                0 => serde_json::json!({ "f32": 1e30 }),
                1 => serde_json::json!({ "f32": -1e30 }),
                // Beyond single precision.
                2 => serde_json::json!({ "f32": 1e39 }),
                _ => serde_json::json!({ "string": "no such entry" }),
            };
        }
        let mut clap = instance(is_hall);
        assert!(clap.load(&framed(&wild.to_string())), "{shown}: wild values are repaired, not refused");
        let described = clap.parameters();
        let values = clap.values();
        for (parameter, value) in described.iter().zip(values) {
            assert!(
                (parameter.least..=parameter.most).contains(&value),
                "{shown}, {}: {value}",
                parameter.name
            );
        }
        let sound = render(clap, inputs, outputs);
        assert!(sound.iter().flatten().all(|x| x.is_finite() && x.abs() < 1e3), "{shown}: wild values");
        // No number at all is refused, and what was set stays.
        let mut none: serde_json::Value = serde_json::from_str(&json).expect("JSON");
        let first =
            none["params"].as_object_mut().expect("parameters").values_mut().next().expect("a parameter");
        *first = serde_json::json!({ "f32": null });
        let mut clap = instance(is_hall);
        assert!(clap.load(&state));
        let before = clap.save();
        assert!(!clap.load(&framed(&none.to_string())), "{shown}: no number was taken");
        assert_eq!(clap.save(), before);
    }
}

/// A state of a hundred megabytes, all of it one text that says nothing: refused or taken, but in the end the same sound.
#[test]
fn a_state_of_a_hundred_megabytes_does_no_harm() {
    let (stem, is_hall, inputs, outputs) = kept().remove(0);
    let state = std::fs::read(with_ending(&stem, "state")).expect("it was listed");
    let json = String::from_utf8(state[8..].to_vec()).expect("JSON after the length");
    let mut huge: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    huge["fields"]["filling"] = "x".repeat(100 << 20).into();
    let text = huge.to_string();
    let mut clap = instance(is_hall);
    let _ = clap.load(&[&(text.len() as u64).to_le_bytes()[..], text.as_bytes()].concat());
    assert!(clap.load(&state));
    let difference =
        largest_difference(&render(clap, inputs, outputs), &read_wav(&with_ending(&stem, "wav")));
    assert!(difference <= SAME, "{difference:e}");
}
