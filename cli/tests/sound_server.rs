//! Through a sound server of the test's own, whose sound card is none: what is played comes out whole, a microphone starts
//! shut, and a server that dies takes neither the program nor the ear with it.
//!
//! The server is `PulseAudio`, reached as any Linux program reaches it, through
//! ALSA. It runs in a folder of its own and touches no other. Where it is
//! missing, the tests say so and pass.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]
// Other programs are waited for.
#![allow(clippy::disallowed_methods)]
#![cfg(all(target_os = "linux", feature = "sound-card"))]

use rostra_dsp::extremes::larger;
use std::f32::consts::TAU;
use std::fs::{self, File};
use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

const RATE_HZ: u32 = 48_000;
/// Longest wait for anything of the system (our choice: a busy machine takes a while).
const LONGEST: Duration = Duration::from_secs(30);

/// A sound server with a sound card that nobody hears, and a microphone that hears what is played into the other one.
struct Server {
    folder: TempDir,
    process: Child,
}

impl Server {
    /// Starts one; `None` where it is not installed.
    fn start() -> Option<Self> {
        let is_there = |program: &str| Command::new(program).arg("--version").output().is_ok();
        if !is_there("pulseaudio") || !is_there("pactl") || !is_reached_from_alsa() {
            eprintln!("Skipped: pulseaudio, or the way to it from ALSA, is not here");
            return None;
        }
        let folder = tempfile::tempdir().unwrap();
        // Gaps are told only where that is asked for.
        fs::write(
            folder.path().join("asound.conf"),
            "</usr/share/alsa/alsa.conf>\npcm.!default { type pulse handle_underrun 1 }\nctl.!default { type pulse }\n",
        )
        .unwrap();
        // No server but this one, not even one that a client would start.
        fs::write(folder.path().join("client.conf"), "autospawn = no\n").unwrap();
        let sink = |name: &str| {
            format!("--load=module-null-sink sink_name={name} rate={RATE_HZ} format=float32le channels=2")
        };
        let process = within(&folder, "pulseaudio")
            .args(["-n", "--daemonize=no", "--exit-idle-time=-1", "--load=module-native-protocol-unix"])
            .args([sink("stage"), sink("room")])
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let server = Self { folder, process };
        for words in [["set-default-sink", "stage"], ["set-default-source", "room.monitor"]] {
            let start = Instant::now();
            while !server.tell(&words) {
                assert!(start.elapsed() < LONGEST, "the sound server does not come up");
                std::thread::sleep(Duration::from_millis(50));
            }
        }
        Some(server)
    }

    fn within(&self, program: &str) -> Command {
        within(&self.folder, program)
    }

    fn tell(&self, words: &[&str]) -> bool {
        self.within("pactl").args(words).stderr(Stdio::null()).status().unwrap().success()
    }

    /// Writes down what comes out of a sound card.
    fn record(&self, card: &str) -> Recorder {
        let path = self.folder.path().join(format!("{card}.raw"));
        let process = self
            .within("parec")
            .args([&format!("--device={card}.monitor"), "--format=float32le", "--channels=2", "--raw"])
            .arg(format!("--rate={RATE_HZ}"))
            .stdout(File::create(&path).unwrap())
            .spawn()
            .unwrap();
        Recorder { process, path }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        end(&mut self.process);
    }
}

/// Says whether ALSA has a way to the server, wherever this system keeps it.
fn is_reached_from_alsa() -> bool {
    const WAY: &str = "alsa-lib/libasound_module_pcm_pulse.so";
    let below = fs::read_dir("/usr/lib").into_iter().flatten().flatten().map(|entry| entry.path());
    below.chain(["/usr/lib", "/usr/lib64"].map(Into::into)).any(|folder| folder.join(WAY).exists())
}

/// A program that knows this server only, and no files of whoever runs the test.
fn within(folder: &TempDir, program: &str) -> Command {
    let mut command = Command::new(program);
    let path = folder.path();
    command.env("HOME", path).env("XDG_RUNTIME_DIR", path).env("XDG_CONFIG_HOME", path);
    command.env("PULSE_RUNTIME_PATH", path).env("ALSA_CONFIG_PATH", path.join("asound.conf"));
    command.env("PULSE_CLIENTCONFIG", path.join("client.conf"));
    for foreign in ["PULSE_SERVER", "PULSE_SINK", "PULSE_SOURCE", "DISPLAY"] {
        command.env_remove(foreign);
    }
    command
}

fn end(process: &mut Child) {
    // It may have ended already.
    let _ = process.kill();
    let _ = process.wait();
}

struct Recorder {
    process: Child,
    path: std::path::PathBuf,
}

impl Recorder {
    /// Returns what was heard up to now, left channel.
    fn stop(mut self) -> Vec<f32> {
        end(&mut self.process);
        let bytes = fs::read(&self.path).unwrap();
        bytes.chunks_exact(8).map(|frame| f32::from_le_bytes(frame[..4].try_into().unwrap())).collect()
    }
}

/// A tone, as a file: any gap in it and any step of a level is a click.
fn tone(server: &Server, seconds: u32) -> std::path::PathBuf {
    let path = server.folder.path().join("tone.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut file = hound::WavWriter::create(&path, spec).unwrap();
    for n in 0..seconds * RATE_HZ {
        file.write_sample(0.5 * (TAU * TONE_HZ * n as f32 / RATE_HZ as f32).sin()).unwrap();
    }
    file.finalize().unwrap();
    path
}

/// A whole number of its periods fits into a second, so that a loop of it has no seam but its fades.
const TONE_HZ: f32 = 440.0;

fn live(server: &Server, arguments: &[&str]) -> Child {
    server
        .within(env!("CARGO_BIN_EXE_rostra"))
        .arg("live")
        .args(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Waits for a program's end.
fn ended(mut process: Child) -> Output {
    let start = Instant::now();
    while process.try_wait().unwrap().is_none() {
        if start.elapsed() > LONGEST {
            end(&mut process);
            panic!("it hangs");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    process.wait_with_output().unwrap()
}

/// Plays a tone for eight seconds; returns what came out, and how many gaps were told of.
fn played(server: &Server, tone: &Path) -> (Vec<f32>, u64) {
    let recorder = server.record("stage");
    // Large blocks: this is about what is played, not about how late.
    let process = live(server, &["--stem", tone.to_str().unwrap(), "--block", "8192", "--seconds", "8"]);
    let output = ended(process);
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    let missed = said.split(" missed").next().and_then(|before| before.rsplit(' ').next());
    (recorder.stop(), missed.and_then(|count| count.parse().ok()).expect("it says how many were missed"))
}

#[test]
fn a_tone_comes_out_of_the_sound_card_without_a_click() {
    let Some(server) = Server::start() else { return };
    let tone = tone(&server, 1);
    // A machine that stops for a while makes gaps, and tells of them: then it is tried again.
    let heard = (0..3).map(|_| played(&server, &tone)).find(|(_, missed)| *missed == 0);
    let (heard, _) = heard.expect("three times in a row this machine was too late");
    let peak = heard.iter().fold(0.0_f32, |most, x| larger(most, x.abs()));
    // Half of full scale, 20 dB down, placed: the seat changes it by some decibels.
    assert!((0.01..0.2).contains(&peak), "the peak is {peak}");
    let sounding = heard.iter().filter(|x| x.abs() > 0.01 * peak).count();
    assert!(sounding > 4 * RATE_HZ as usize, "only {sounding} frames sound");
    // The steepest step of a steady tone of that peak; its fades add a tenth at most.
    let allowed = 1.1 * peak * TAU * TONE_HZ / RATE_HZ as f32;
    assert!(steepest(&heard) <= allowed, "a step of {}, {allowed} is allowed", steepest(&heard));
    // The control: one frame that is lost near a crest is found.
    let crest = heard.iter().position(|x| *x > 0.9 * peak).unwrap();
    let mut marred = heard;
    marred[crest] = 0.0;
    assert!(steepest(&marred) > allowed);
}

/// Returns the largest step from a frame to the next.
fn steepest(sound: &[f32]) -> f32 {
    sound.windows(2).fold(0.0, |most, pair| larger(most, (pair[1] - pair[0]).abs()))
}

#[test]
fn a_server_that_dies_is_told_in_a_line_and_a_microphone_starts_shut() {
    let Some(mut server) = Server::start() else { return };
    let tone = tone(&server, 20);
    let (recorder, beside) = (server.record("stage"), server.record("room"));
    let mut played = server.within("paplay").args(["--device=room", tone.to_str().unwrap()]).spawn().unwrap();
    let mut process = live(&server, &["--input", "default", "--seconds", "25"]);
    let mut said = BufReader::new(process.stdout.take().unwrap());
    let mut first = String::new();
    while !first.contains("The microphone default stays muted") {
        assert!(said.read_line(&mut first).unwrap() > 0, "it ended: {first}");
    }
    // So that the microphone is heard by the program, and would be by everybody.
    std::thread::sleep(Duration::from_secs(4));
    end(&mut server.process);
    let died = Instant::now();
    let output = ended(process);
    let took = died.elapsed();
    end(&mut played);
    let (heard, beside) = (recorder.stop(), beside.stop());
    let complained = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{complained}");
    let lines: Vec<&str> = complained.lines().collect();
    assert!(
        matches!(lines[..], [line] if line.starts_with("error: ") && line.contains("try again")),
        "{complained}"
    );
    // The patience with a server that may only stumble, and the wait for the stream.
    assert!(took < Duration::from_secs(15), "it took {took:?}");
    assert!(beside.iter().any(|x| x.abs() > 0.1), "the microphone had something to hear");
    assert!(!heard.is_empty() && heard.iter().all(|x| *x == 0.0), "the microphone was heard");
}
