//! The bundle on a processor without wide vectors plays the same sound, in a host, and so does an older one with them.
//!
//! This test starts itself once more in an emulator that shows the program
//! another processor, and lets it play the kept states there: their sound was
//! rendered by a release build with the widest instructions. Where there is no
//! emulator, it says so and passes.

use std::process::Command;

use rostra_dsp::kernel::InstructionSet;

/// The emulator of single programs; what its processors have: `qemu-x86_64 -cpu help` and its manual.
const EMULATOR: &str = "qemu-x86_64";

/// A processor of 2008, up to SSE4.2, and one of 2013, with AVX2 and fused multiply-add.
const PROCESSORS: [(&str, bool); 2] = [("Nehalem", false), ("Haswell", true)];

/// Says in the emulator what the engine runs with.
#[test]
fn it_is_told_what_the_engine_runs_with() {
    eprintln!("wide vectors: {}", InstructionSet::widest().is_wide());
}

#[test]
fn other_processors_play_the_same_sound() {
    if Command::new(EMULATOR).arg("--version").output().is_err() {
        eprintln!("Skipped: {EMULATOR} is not here");
        return;
    }
    let program = std::env::current_exe().expect("this program has a path");
    for (processor, is_wide) in PROCESSORS {
        let output = Command::new(EMULATOR)
            .args(["-cpu", processor])
            .arg(&program)
            .args(["it_is_told_what_the_engine_runs_with", "every_kept_state_sounds_as_it_did"])
            .args(["--nocapture", "--test-threads", "1"])
            .output()
            .expect("the emulator was there before");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let (said, complained) = (text(&output.stdout), text(&output.stderr));
        assert!(output.status.success(), "{processor}: {said}\n{complained}");
        assert!(said.contains("2 passed"), "{processor}: {said}");
        assert!(complained.contains(&format!("wide vectors: {is_wide}")), "{processor}: {complained}");
        let differ = complained.lines().find(|line| line.contains("kept states differ"));
        eprintln!("{processor}: {}", differ.expect("the kept states were played").trim());
    }
}
