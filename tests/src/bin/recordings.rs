//! Places real dry recordings through the built plug-in and holds each octave against the plan.
//!
//! `recordings FOLDER [PROGRAM]`: the folder holds what
//! `tests/recordings/fetch_recordings.py` made; PROGRAM is a built `rostra` to call
//! instead of `cargo xtask`, together with the bundle as it lies there. Each
//! recording is placed three times by `place`: direct sound alone (platform
//! balance 0), platform alone (100) and as in the room (50).
//!
//! What is printed for each octave is energy out against energy in, both
//! channels of the output together, over the whole recording and its tail. The
//! direct sound must follow the plan. The platform need not, note by note: a
//! steady tone has few partials in an octave, and each meets the peaks and dips
//! of one place in one room, so that the figure scatters about the plan's mean
//! over the octave by a few decibels; phrases of several notes scatter less than
//! a note. Reflections cannot be told from the tail in a running recording:
//! what is held against the plan is their sum. Then comes how loud each recording
//! is placed against dry: within 1 LU is what a seat is designed for. Last come
//! sections of such notes, and one such player, as many players on a seat against
//! one on it: attack, thirds in mono, loudness.
#![allow(clippy::print_stdout, reason = "printing is what this program is for")]

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, ensure};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{BANDS, Family, NOMINAL_HZ, PerBand};
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::measure::{delay_samples, octave_energies};
use rostra_dsp::plan::acoustics;
use rostra_dsp::tail::BuildAtOnce;
use rostra_tests::loudness::{centred_lufs, integrated_lufs};

/// A seat for each recording: family, depth m, bearing degrees, riser m; where such players sit (common practice, no source).
const SEATS: [(Family, f64, f64, f64); 4] = [
    (Family::RearBell, 10.5, -20.0, 0.8),
    (Family::TopPlate, 3.0, -40.0, 0.0),
    (Family::ToneHoles, 6.5, 8.0, 0.4),
    (Family::ForwardBell, 9.0, 12.0, 0.8),
];

/// The sections that `fetch_recordings.py` sums, as cues have them: family, players, width and depth in m (common practice, no
/// source).
const SECTIONS: [(Family, u8, f64, f64); 2] =
    [(Family::RearBell, 8, 5.0, 1.5), (Family::TopPlate, 14, 5.0, 2.4)];

/// How long after a note began what sounds counts as its attack, s: in 20 ms a string or a horn has begun to speak (our choice).
const ATTACK_S: f64 = 0.020;
/// Level of the steps of 5 ms in which a note is there, against the loudest one: -40 dB.
const THERE: f64 = 1e-4;

const RATES_HZ: [u32; 3] = [44_100, 48_000, 96_000];

/// Platform balances: direct sound alone, platform alone, as in the room.
const BALANCES_PCT: [u32; 3] = [0, 100, 50];

/// Energy of an octave against the loudest one under which it is told, but not counted: -50 dB.
///
/// It holds hardly more than the recording's own noise and the skirts of its neighbours.
const EXCITED: f64 = 1e-5;

fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1).map(PathBuf::from);
    let folder = arguments.next().context("name the folder with the recordings")?;
    let program = arguments.next();
    let mut totals = [Deviations::default(); 3];
    for (family, depth_m, bearing_deg, riser_m) in SEATS {
        let mut settings = Settings::default();
        settings.seat.family = family;
        settings.seat.depth_m = depth_m;
        settings.seat.bearing_deg = bearing_deg;
        settings.seat.riser_m = riser_m;
        let inputs = RATES_HZ.map(|rate_hz| folder.join(format!("{} {rate_hz}.wav", family.name())));
        let mut placed = Vec::new();
        for balance_pct in BALANCES_PCT {
            placed.push(place(&inputs, &settings, balance_pct, program.as_deref())?);
        }
        println!(
            "\n{} at {depth_m} m, {bearing_deg} degrees, riser {riser_m} m, default platform",
            family.name()
        );
        for (index, rate_hz) in RATES_HZ.into_iter().enumerate() {
            let outputs = [0, 1, 2].map(|balance| placed[balance][index].as_path());
            report(&inputs[index], outputs, &settings, rate_hz, &mut totals)?;
        }
    }
    for (family, depth_m, bearing_deg, riser_m) in SEATS {
        let mut settings = Settings::default();
        let seat = &mut settings.seat;
        (seat.family, seat.depth_m, seat.bearing_deg, seat.riser_m) = (family, depth_m, bearing_deg, riser_m);
        if let Some(&(_, players, width_m, ranks_m)) = SECTIONS.iter().find(|section| section.0 == family) {
            (seat.players, seat.width_m, seat.ranks_m) = (players, width_m, ranks_m);
            for name in ["section ", ""] {
                many_players(&folder.join(format!("{} {name}48000.wav", family.name())), &settings)?;
            }
        }
    }
    println!();
    for (name, total) in ["direct sound", "platform", "in the room"].iter().zip(totals) {
        println!("{name:12} against the plan: {total}");
    }
    Ok(())
}

/// Deviations of octaves from the plan, dB.
#[derive(Clone, Copy, Debug, Default)]
struct Deviations {
    count: f64,
    sum_db: f64,
    squares: f64,
    largest_db: f64,
}

impl Deviations {
    fn add(&mut self, found_db: f64, plan_db: f64) {
        let deviation_db = found_db - plan_db;
        self.count += 1.0;
        self.sum_db += deviation_db;
        self.squares += deviation_db * deviation_db;
        if deviation_db.abs() > self.largest_db.abs() {
            self.largest_db = deviation_db;
        }
    }
}

impl std::fmt::Display for Deviations {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "mean {:+.2} dB, rms {:.2} dB, largest {:+.2} dB, {} octaves",
            self.sum_db / self.count,
            (self.squares / self.count).sqrt(),
            self.largest_db,
            self.count
        )
    }
}

/// Prints one recording's table and adds its deviations to the totals.
fn report(
    input: &Path,
    outputs: [&Path; 3],
    settings: &Settings,
    rate_hz: u32,
    totals: &mut [Deviations; 3],
) -> Result<()> {
    let dry = read(input)?;
    let [direct, platform, room] = outputs.map(read);
    let (direct, platform, room) = (direct?, platform?, room?);
    let source = settings.seat.source(&settings.platform, &settings.microphones);
    let energies = acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2).energies;
    let of = |channels: &[Vec<f64>]| -> PerBand {
        let mut sum = [0.0; BANDS];
        for channel in channels {
            for (cell, energy) in sum.iter_mut().zip(octave_energies(channel, f64::from(rate_hz))) {
                *cell += energy;
            }
        }
        sum
    };
    let dry_energy = of(&dry);
    let found = [of(&direct), of(&platform), of(&room)];
    // The tail fills up what the reflections leave; where they exceed the target it is silent.
    let tail = energies.tail();
    let reflected: PerBand = std::array::from_fn(|band| {
        (0..tail.len()).map(|part| energies.specular[part][band] + tail[part][band]).sum()
    });
    let plan =
        [energies.direct, reflected, std::array::from_fn(|band| energies.direct[band] + reflected[band])];

    // The capsule on the player's side hears it first.
    let nearer = usize::from(settings.seat.bearing_deg >= 0.0);
    let lag = delay_samples(&dry[0], &direct[nearer]).context("silence came out")?;
    println!("{rate_hz} Hz: the direct sound comes {lag:+.2} samples after the dry one (nearer capsule)");
    println!("           dry   placed   direct: out, plan   platform: out, plan   in the room: out, plan");
    let loudest = dry_energy.iter().copied().fold(0.0, larger);
    for band in 0..BANDS {
        let is_excited = dry_energy[band] >= loudest * EXCITED;
        let ratio_db = |index: usize| db(found[index][band] / dry_energy[band]);
        println!(
            "{:5} Hz {:6.1}   {:6.1}   {:6.2} {:6.2}       {:6.2} {:6.2}         {:6.2} {:6.2}{}",
            NOMINAL_HZ[band],
            db(dry_energy[band] / loudest),
            db(found[2][band] / loudest),
            ratio_db(0),
            db(plan[0][band]),
            ratio_db(1),
            db(plan[1][band]),
            ratio_db(2),
            db(plan[2][band]),
            if is_excited { "" } else { "   hardly excited" }
        );
        if is_excited {
            for (index, total) in totals.iter_mut().enumerate() {
                total.add(ratio_db(index), db(plan[index][band]));
            }
        }
    }
    let dry_lufs = centred_lufs(&single(&dry[0]), rate_hz);
    let change_lu =
        |placed: &[Vec<f64>]| integrated_lufs([&single(&placed[0]), &single(&placed[1])], rate_hz) - dry_lufs;
    println!(
        "loudness, placed against dry (ITU-R BS.1770): {:+.2} LU direct sound, {:+.2} platform, {:+.2} in the room",
        change_lu(&direct),
        change_lu(&platform),
        change_lu(&room)
    );
    Ok(())
}

/// Prints what many players on a seat do to a channel against one player on it.
fn many_players(input: &Path, settings: &Settings) -> Result<()> {
    const RATE_HZ: u32 = 48_000;
    let dry = single(&read(input)?[0]);
    let mut alone = *settings;
    alone.seat.players = 1;
    let [many, one] = [settings, &alone].map(|settings| {
        let config = Config { sample_rate_hz: f64::from(RATE_HZ), layout: Layout::MonoToStereo };
        let mut engine = Engine::prepare(config).expect("an ordinary rate");
        engine.reset();
        let mut left = dry.clone();
        left.resize(dry.len() + RATE_HZ as usize, 0.0);
        let mut right = vec![0.0; left.len()];
        engine.process(settings, &mut BuildAtOnce::default(), &mut [&mut left, &mut right]);
        [left, right]
    });
    let onsets = onsets(&dry, RATE_HZ);
    ensure!(!onsets.is_empty(), "{}: no note begins", input.display());
    let attack = |heard: &[Vec<f32>; 2]| -> f64 {
        let frames = (ATTACK_S * f64::from(RATE_HZ)) as usize;
        let energy = |channel: &Vec<f32>, from: usize| -> f64 {
            channel[from..from + frames].iter().map(|&x| f64::from(x).powi(2)).sum()
        };
        onsets.iter().flat_map(|&from| heard.iter().map(move |channel| energy(channel, from))).sum()
    };
    let mono = |[left, right]: &[Vec<f32>; 2]| -> Vec<f64> {
        left.iter().zip(right).map(|(&l, &r)| f64::from(l) + f64::from(r)).collect()
    };
    let mono_octaves = |heard: &[Vec<f32>; 2]| octave_energies(&mono(heard), f64::from(RATE_HZ));
    let (in_mono, of_one, of_dry) = (
        mono_octaves(&many),
        mono_octaves(&one),
        octave_energies(&mono(&[dry.clone(), dry]), f64::from(RATE_HZ)),
    );
    let loudest = of_dry.iter().copied().fold(0.0, larger);
    let octaves: Vec<String> = (0..BANDS)
        .filter(|&band| of_dry[band] >= loudest * EXCITED)
        .map(|band| format!("{:+.1}", db(in_mono[band] / of_one[band])))
        .collect();
    let lufs = |[left, right]: &[Vec<f32>; 2]| integrated_lufs([left, right], RATE_HZ);
    println!(
        "\n{}: {} players against one, {} notes: attack {:+.2} dB, loudness {:+.2} LU, octaves in mono {} dB",
        input.file_stem().unwrap_or_default().to_string_lossy(),
        settings.seat.players,
        onsets.len(),
        db(attack(&many) / attack(&one)),
        lufs(&many) - lufs(&one),
        octaves.join(" "),
    );
    Ok(())
}

/// Returns the frames at which notes begin: where the level comes up to -40 dB after it was below it for 0.2 s.
fn onsets(dry: &[f32], rate_hz: u32) -> Vec<usize> {
    let step = rate_hz as usize / 200;
    let levels: Vec<f64> =
        dry.chunks(step).map(|part| part.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>()).collect();
    let least = THERE * levels.iter().copied().fold(0.0, larger);
    (40..levels.len())
        .filter(|&at| levels[at] >= least && levels[at - 40..at].iter().all(|&level| level < least))
        .map(|at| at * step)
        .collect()
}

fn single(channel: &[f64]) -> Vec<f32> {
    channel.iter().map(|&x| x as f32).collect()
}

fn db(ratio: f64) -> f64 {
    10.0 * ratio.max(1e-12).log10()
}

/// Places recordings and returns where the outputs lie.
fn place(
    inputs: &[PathBuf],
    settings: &Settings,
    balance_pct: u32,
    program: Option<&Path>,
) -> Result<Vec<PathBuf>> {
    let out = inputs[0].with_file_name(format!("placed {balance_pct}"));
    let seat = settings.seat;
    let mut command = if let Some(program) = program {
        let mut command = Command::new(program);
        command.args(["place", "--plugin", "target/bundled/rostra.clap"]);
        command
    } else {
        let mut command = Command::new("cargo");
        command.args(["xtask", "place"]);
        command
    };
    command.args(inputs).arg("--out").arg(&out);
    for wish in [
        format!("depth={}", seat.depth_m),
        format!("bearing={}", seat.bearing_deg),
        format!("riser={}", seat.riser_m),
        format!("family={}", seat.family.name()),
        format!("balance={balance_pct}"),
    ] {
        command.args(["--set", &wish]);
    }
    let output = command.output().context("the task cannot be run")?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let name =
        |input: &PathBuf| format!("{} placed.wav", input.file_stem().unwrap_or_default().to_string_lossy());
    Ok(inputs.iter().map(|input| out.join(name(input))).collect())
}

/// Reads the channels of a 32-bit float WAV.
fn read(path: &Path) -> Result<Vec<Vec<f64>>> {
    let mut reader =
        hound::WavReader::open(path).with_context(|| format!("{} is not read", path.display()))?;
    ensure!(
        reader.spec().sample_format == hound::SampleFormat::Float,
        "{}: expected 32-bit float",
        path.display()
    );
    let count = usize::from(reader.spec().channels);
    let mut channels = vec![Vec::new(); count];
    for (index, sample) in reader.samples::<f32>().enumerate() {
        channels[index % count].push(f64::from(sample?));
    }
    Ok(channels)
}
