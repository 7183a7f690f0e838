//! Places real dry recordings through the built plug-in and holds each octave against the plan.
//!
//! `recordings FOLDER`: the folder holds what `tests/recordings/render_phrases.py`
//! made. Each is placed three times by `cargo xtask place`: the direct sound
//! alone, the platform alone, and both.
#![allow(clippy::print_stdout, reason = "printing is what this program is for")]

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, ensure};
use rostra_dsp::Settings;
use rostra_dsp::measure::{delay_samples, octave_energies};
use rostra_dsp::octave::{BANDS, NOMINAL_HZ};
use rostra_dsp::plan::acoustics;
use rostra_dsp::radiation::Family;

/// A seat for each recording: depth m, bearing and the family.
const SEATS: [(&str, f64, f64, Family); 4] = [
    ("horn", 10.5, -20.0, Family::RearBell),
    ("violin", 3.0, -40.0, Family::TopPlate),
    ("clarinet", 6.5, -8.0, Family::ToneHoles),
    ("trumpet", 9.0, 12.0, Family::ForwardBell),
];
const RATES_HZ: [u32; 3] = [44_100, 48_000, 96_000];

fn main() -> Result<()> {
    let folder = PathBuf::from(std::env::args().nth(1).context("name the folder with the recordings")?);
    println!("level out against in, dB, by octave: direct sound (found/plan), platform alone (found/plan)");
    for (name, depth_m, bearing_deg, family) in SEATS {
        for rate_hz in RATES_HZ {
            let input = folder.join(format!("{name}-{rate_hz}.wav"));
            let mut settings = Settings::default();
            settings.seat.depth_m = depth_m;
            settings.seat.bearing_deg = bearing_deg;
            settings.seat.family = family;
            report(&input, &settings, rate_hz)?;
        }
    }
    Ok(())
}

fn report(input: &Path, settings: &Settings, rate_hz: u32) -> Result<()> {
    let dry = read(input)?;
    let direct = place(input, settings, 0.0)?;
    let platform = place(input, settings, 100.0)?;
    let source = settings.seat.source(&settings.platform, &settings.pickup);
    let energies = acoustics(&source, &settings.platform, &settings.pickup, &settings.level, 2).energies;
    let of = |channels: &[Vec<f64>]| {
        let mut sum = [0.0; BANDS];
        for channel in channels {
            for (cell, energy) in sum.iter_mut().zip(octave_energies(channel, f64::from(rate_hz))) {
                *cell += energy;
            }
        }
        sum
    };
    let (dry_energy, direct_energy, platform_energy) = (of(&dry), of(&direct), of(&platform));
    let first =
        |channels: &[Vec<f64>]| channels.iter().filter_map(|c| c.iter().position(|x| x.abs() > 1e-7)).min();
    let nearer = usize::from(settings.seat.bearing_deg >= 0.0);
    let lag = delay_samples(&dry[0], &direct[nearer]).unwrap_or(f64::NAN);
    println!(
        "{}: first sample in {:?}, out {:?}; lag {lag:.2} samples",
        input.file_name().unwrap_or_default().to_string_lossy(),
        first(&dry),
        first(&direct)
    );
    let loudest = dry_energy.iter().copied().fold(0.0, f64::max);
    for band in 0..BANDS {
        // An octave 50 dB under the loudest holds hardly more than the recording's own noise.
        let mark = if dry_energy[band] < loudest * 1e-5 { " (hardly excited)" } else { "" };
        let db = |ratio: f64| 10.0 * ratio.max(1e-12).log10();
        let target = energies.target[0][band] + energies.target[1][band];
        let specular = energies.specular[0][band] + energies.specular[1][band];
        println!(
            "  {:5} Hz  dry {:6.1} dB   direct {:6.2} / {:6.2}   platform {:6.2} / {:6.2}{mark}",
            NOMINAL_HZ[band],
            db(dry_energy[band] / loudest),
            db(direct_energy[band] / dry_energy[band]),
            db(energies.direct[band]),
            db(platform_energy[band] / dry_energy[band]),
            db(target.max(specular)),
        );
    }
    Ok(())
}

/// Places a recording with `cargo xtask place` and reads the result.
fn place(input: &Path, settings: &Settings, balance_pct: f64) -> Result<Vec<Vec<f64>>> {
    let out = input.with_file_name(format!("placed-{balance_pct:.0}"));
    let wishes = [
        format!("depth={}", settings.seat.depth_m),
        format!("bearing={}", settings.seat.bearing_deg),
        format!("family={}", settings.seat.family.name()),
        format!("balance={balance_pct}"),
    ];
    let mut command = Command::new("cargo");
    command.args(["xtask", "place"]).arg(input).arg("--out").arg(&out);
    for wish in &wishes {
        command.args(["--set", wish]);
    }
    let output = command.output().context("cargo is not run")?;
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let stem = input.file_stem().unwrap_or_default().to_string_lossy();
    read(&out.join(format!("{stem} placed.wav")))
}

fn read(path: &Path) -> Result<Vec<Vec<f64>>> {
    let mut reader =
        hound::WavReader::open(path).with_context(|| format!("{} is not read", path.display()))?;
    let count = usize::from(reader.spec().channels);
    let mut channels = vec![Vec::new(); count];
    let mut keep = |index: usize, x: f64| channels[index % count].push(x);
    match reader.spec().sample_format {
        hound::SampleFormat::Float => {
            for (index, x) in reader.samples::<f32>().enumerate() {
                keep(index, f64::from(x?));
            }
        }
        hound::SampleFormat::Int => {
            for (index, x) in reader.samples::<i16>().enumerate() {
                keep(index, f64::from(x?) / 32_768.0);
            }
        }
    }
    Ok(channels)
}
