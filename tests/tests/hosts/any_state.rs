//! Any bytes as a state: refused without a change, or taken with every value in range.
//!
//! `ROSTRA_FUZZ_S=600 cargo test -p rostra-tests --test hosts any_bytes` tries for ten minutes.

use std::cell::{Cell, RefCell};
use std::ffi::CStr;
use std::fs;
use std::path::Path;
use std::process::Command;

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use rostra_fuzz::{Target, damaged};

use super::clap_host::{Clap, Start};
use super::sound::{Sound, noise_burst};

const TARGET: Target = Target { name: "states", inputs: 1500 };

/// Which of the states that are taken is also heard: starting an instance takes a thousand times as long as loading. Our choice.
const HEARD: u64 = 300;
/// Frames that are heard.
const FRAMES: usize = 2400;
/// No output comes near this; what a gain out of range makes of the burst does. Our choice.
const LARGEST: f32 = 1000.0;

/// Puts a text behind its length, as the framework saves a state for a CLAP.
fn with_length(text: &[u8]) -> Vec<u8> {
    [&(text.len() as u64).to_le_bytes(), text].concat()
}

/// The states of each version, and what once broke something.
fn good() -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("states");
    let mut paths: Vec<_> =
        fs::read_dir(folder).expect("states are kept").flatten().map(|entry| entry.path()).collect();
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "state"));
    paths.sort();
    let kept = paths.iter().map(|path| fs::read(path).expect("a state"));
    kept.chain(TARGET.corpus().into_iter().map(|(_, bytes)| bytes)).collect()
}

/// States as JSON with any values of any kind.
fn made_up(ids: Vec<String>) -> impl Strategy<Value = Vec<u8>> {
    let number = prop_oneof![
        3 => (-100.0..100.0_f64).prop_map(|number| format!("{number:?}")),
        1 => any::<f64>().prop_map(|number| format!("{number:e}")),
        1 => any::<i64>().prop_map(|number| number.to_string()),
        1 => select(vec!["1e39", "-1e39", "1e400", "null", "-0.0", "4294967296"]).prop_map(str::to_owned),
    ];
    let text = prop_oneof![
        3 => select(vec!["even", "rear-bell", "timber", "plaster", "spaced-omnis", "1", "4", "off", "on"]).prop_map(str::to_owned),
        1 => any::<String>(),
    ];
    let value = prop_oneof![
        4 => number.clone().prop_map(|number| format!("{{\"f32\":{number}}}")),
        1 => number.clone().prop_map(|number| format!("{{\"i32\":{number}}}")),
        1 => any::<bool>().prop_map(|is_on| format!("{{\"bool\":{is_on}}}")),
        3 => text.prop_map(|text| format!("{{\"string\":{}}}", serde_json::Value::String(text))),
        1 => select(vec!["{}", "[]", "null", "{\"f64\":1.0}", "{\"f32\":1.0,\"i32\":1}"]).prop_map(str::to_owned),
    ];
    let saved = vec((select(ids.clone()), number.clone(), number), 0..4).prop_map(|saved| {
        let entries: Vec<String> = saved
            .iter()
            .map(|(id, value, own)| format!("\"{id}\":{{\"value\":{value},\"own\":{own}}}"))
            .collect();
        serde_json::Value::String(format!("{{{}}}", entries.join(","))).to_string()
    });
    (vec((select(ids), value), 0..32), saved).prop_map(|(params, saved)| {
        let params: Vec<String> = params.iter().map(|(id, value)| format!("\"{id}\":{value}")).collect();
        let text = format!(
            "{{\"version\":\"0\",\"params\":{{{}}},\"fields\":{{\"platform\":{saved}}}}}",
            params.join(",")
        );
        with_length(text.as_bytes())
    })
}

/// The ids that stand in a saved state.
fn ids_of(state: &[u8]) -> Vec<String> {
    let state: serde_json::Value = serde_json::from_slice(&state[8..]).expect("JSON");
    state["params"].as_object().expect("parameters").keys().cloned().collect()
}

/// Set in the program that loads the states.
const TRIAL: &str = "ROSTRA_STATE_TRIAL";

/// Runs in a program of its own: one that a state ends is told with that state, and what the framework says of each is
/// not.
#[test]
fn any_bytes_are_refused_without_a_change_or_taken_with_values_in_range() {
    if std::env::var_os(TRIAL).is_some() {
        return try_states();
    }
    let nowhere = if cfg!(windows) { "NUL" } else { "/dev/null" };
    let name = "any_state::any_bytes_are_refused_without_a_change_or_taken_with_values_in_range";
    let output = Command::new(std::env::current_exe().expect("this program has a path"))
        .args(["--exact", name, "--nocapture", "--test-threads=1"])
        .envs([(TRIAL, "yes"), ("NICE_LOG", nowhere)])
        .output()
        .expect("this program runs");
    let said = String::from_utf8_lossy(&output.stderr);
    eprintln!("{said}");
    assert!(output.status.success(), "{}; the last state is kept in target/fuzz/states.last", output.status);
    assert!(said.contains("of them accepted"), "nothing was tried");
}

fn try_states() {
    let ids = [c"rostra.seat", c"rostra.hall"].map(|id| ids_of(&Clap::of(id).save())).concat();
    let texts: Vec<Vec<u8>> =
        good().into_iter().filter(|state| state.len() > 8).map(|state| state[8..].to_vec()).collect();
    let words = [
        "{",
        "}",
        "\"",
        ":",
        ",",
        "null",
        "1e999",
        "-1e39",
        "{\"f32\":",
        "\"params\"",
        "\"fields\"",
        "\\u0000",
        "[",
    ];
    let inputs = prop_oneof![
        2 => made_up(ids),
        3 => damaged(texts, &words).prop_map(|text| with_length(&text)),
        1 => damaged(good(), &words),
    ];
    let [seat, hall] = [c"rostra.seat", c"rostra.hall"].map(|id| RefCell::new(Trial::new(id)));
    for (name, bytes) in TARGET.corpus() {
        eprintln!("corpus: {name}");
        for trial in [&seat, &hall] {
            trial.borrow_mut().load(&bytes, true);
        }
    }
    let taken = Cell::new(0_u64);
    TARGET.run(&inputs, Clone::clone, |bytes| {
        TARGET.keep("last", bytes);
        let is_heard = taken.get() % HEARD == HEARD - 1;
        let is_taken = [&seat, &hall].map(|trial| trial.borrow_mut().load(bytes, is_heard));
        taken.set(taken.get() + u64::from(is_taken[0]));
        is_taken.contains(&true)
    });
}

/// An instance that loads one state after the other.
struct Trial {
    id: &'static CStr,
    clap: Clap,
    ranges: Vec<(String, f64, f64)>,
    burst: Sound,
}

impl Trial {
    fn new(id: &'static CStr) -> Self {
        let mut clap = Clap::of(id);
        let ranges =
            clap.parameters().into_iter().map(|found| (found.name, found.least, found.most)).collect();
        let burst = noise_burst(2).into_iter().map(|channel| channel[..FRAMES].to_vec()).collect();
        Self { id, clap, ranges, burst }
    }

    /// Loads bytes and says whether they were taken.
    fn load(&mut self, bytes: &[u8], is_heard: bool) -> bool {
        let before = self.clap.save();
        if !self.clap.load(bytes) {
            assert_eq!(self.clap.save(), before, "refused, and something changed");
            return false;
        }
        for ((name, least, most), value) in self.ranges.iter().zip(self.clap.values()) {
            assert!((least..=most).contains(&&value), "{name} is {value}");
        }
        // The text of every value, which a list's place outside the list cannot have.
        self.clap.texts();
        let saved = self.clap.save();
        assert!(self.clap.load(&saved), "what was saved is refused");
        assert_eq!(self.clap.save(), saved, "loaded and saved again");
        if is_heard {
            let mut fresh = Clap::of(self.id);
            assert!(fresh.load(bytes), "another instance refuses it");
            let mut playing = fresh.start(Start::STEREO);
            let output = playing.render(&self.burst, &[]);
            playing.stop();
            assert!(
                output.iter().flatten().all(|sample| sample.abs() <= LARGEST),
                "the output is out of bounds"
            );
        }
        true
    }
}
