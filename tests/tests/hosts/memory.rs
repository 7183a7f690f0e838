//! What a process holds in memory, and that it is given back.

use std::process::Command;

use super::clap_host::{Clap, Start};
use super::sound::{Sound, noise_burst};
use super::vst3_host::{self, Vst3};

/// Returns the memory of this process that no file backs, MiB (proc(5): `RssAnon` of `status`).
pub(crate) fn held_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("proc is mounted");
    let line = status.lines().find(|line| line.starts_with("RssAnon:")).expect("Linux 4.5 or newer");
    let kib: f64 = line.split_whitespace().nth(1).and_then(|kib| kib.parse().ok()).expect("a number");
    kib / 1024.0
}

/// What makes glibc keep no memory that was freed (mallopt(3)): one pool for all threads, trimmed at once, and pages of
/// its own for whatever is large. So what grows is what leaks.
pub(crate) const GIVEN_BACK_AT_ONCE: [(&str, &str); 3] =
    [("MALLOC_ARENA_MAX", "1"), ("MALLOC_TRIM_THRESHOLD_", "0"), ("MALLOC_MMAP_THRESHOLD_", "16384")];

/// Says to the inner run what it has to do.
const ROLE: &str = "ROSTRA_MEMORY_ROLE";
/// Lives in a round.
const LIVES: usize = 40;
/// Rounds before memory is compared: caches fill, and glibc settles.
const WARM_UP: usize = 3;
/// Rounds that are compared.
const ROUNDS: usize = 5;
/// Most that 200 lives may leave behind, MiB.
///
/// One life holds `LEAST_LIFE_MIB` and more, so that one life in a hundred which is never given back would show, and 5 KiB of
/// each. What is left is how the pieces lie.
const MOST_GROWN_MIB: f64 = 1.0;
/// Least that one live instance holds, MiB, and the control holds it against.
const LEAST_LIFE_MIB: f64 = 0.5;

/// One life: made, set, started, played, saved and loaded, stopped.
fn life(number: usize) -> Clap {
    let id = if number % 10 == 9 { c"rostra.hall" } else { c"rostra.seat" };
    let mut clap = Clap::of(id);
    let decay = ["0.9 s", "1.1 s", "1.3 s"][number % 3];
    clap.set(&[("Decay", decay)]);
    let start = Start {
        rate_hz: [48_000, 44_100, 96_000, 48_000][number % 4],
        is_offline: number.is_multiple_of(2),
        ..Start::STEREO
    };
    let input: Sound = noise_burst(2).into_iter().map(|channel| channel[..2400].to_vec()).collect();
    let mut playing = clap.start(start);
    let (trim, value) = playing.instance.typed("Trim", "-1 dB");
    let output = playing.render(&input, &[(trim, value)]);
    assert!(output.iter().flatten().any(|x| x.abs() > 1e-3), "life {number} is silent");
    let state = playing.instance.save();
    assert!(playing.instance.load(&state));
    playing.render(&input, &[]);
    playing.stop()
}

/// The same in a VST3, which its host's library makes, starts, plays, saves, loads and frees.
fn vst3_life(number: usize, state: &[u8]) {
    let start = Start { is_offline: number.is_multiple_of(2), ..Start::STEREO };
    let mut vst3 = Vst3::at(vst3_host::SEAT, start, state);
    let input: Sound = noise_burst(2).into_iter().map(|channel| channel[..2400].to_vec()).collect();
    let output = vst3.render(&input);
    assert!(output.iter().flatten().any(|x| x.abs() > 1e-3), "life {number} is silent");
    let state = vst3.plugin.save_state().expect("the state is saved");
    vst3.plugin.load_state(&state).expect("its own state is taken");
}

/// Lives through all rounds; returns by how much memory grew after the warm-up, MiB.
fn grown_mib(mut live: impl FnMut(usize)) -> f64 {
    let mut before_mib = 0.0;
    for round in 0..WARM_UP + ROUNDS {
        for number in 0..LIVES {
            live(round * LIVES + number);
        }
        let held_mib = held_mib();
        eprintln!("round {round}: {held_mib:.2} MiB held");
        if round + 1 == WARM_UP {
            before_mib = held_mib;
        }
    }
    held_mib() - before_mib
}

fn run(role: &str) {
    match role {
        "flat" => {
            let grown_mib = grown_mib(|number| drop(life(number)));
            eprintln!("{} lives left {grown_mib:.2} MiB behind", ROUNDS * LIVES);
            assert!(grown_mib < MOST_GROWN_MIB, "{grown_mib:.2} MiB leaked");
        }
        "flat vst3" => {
            let state = Clap::new().save();
            let grown_mib = grown_mib(|number| vst3_life(number, &state[8..]));
            eprintln!("{} lives of a VST3 left {grown_mib:.2} MiB behind", ROUNDS * LIVES);
            assert!(grown_mib < MOST_GROWN_MIB, "{grown_mib:.2} MiB leaked");
        }
        // The control: one life in a hundred that processes on is never given back.
        "leak" => {
            let grown_mib = grown_mib(|number| {
                if number % 100 == 50 {
                    std::mem::forget(life(number).start(Start::STEREO));
                }
            });
            eprintln!("control: two lives in {} kept, {grown_mib:.2} MiB left behind", ROUNDS * LIVES);
            assert!(grown_mib > MOST_GROWN_MIB, "{grown_mib:.2} MiB: a leak would not show");
        }
        _ => {
            let before_mib = held_mib();
            let kept: Vec<_> = (0..20).map(|_| Clap::new().start(Start::STEREO)).collect();
            let life_mib = (held_mib() - before_mib) / kept.len() as f64;
            eprintln!("one live instance holds {life_mib:.2} MiB");
            assert!(life_mib > LEAST_LIFE_MIB);
            for playing in kept {
                playing.stop();
            }
        }
    }
}

#[test]
fn two_hundred_lives_leave_nothing_behind() {
    const TEST: &str = "memory::two_hundred_lives_leave_nothing_behind";
    if let Ok(role) = std::env::var(ROLE) {
        return run(&role);
    }
    for role in ["life", "flat", "flat vst3", "leak"] {
        let output = Command::new(std::env::current_exe().expect("this program has a path"))
            .args(["--exact", TEST, "--nocapture"])
            .env(ROLE, role)
            .envs(GIVEN_BACK_AT_ONCE)
            .output()
            .expect("this program starts");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{role}: {}\n{said}", output.status);
        eprintln!("{said}");
    }
}
