//! The demo: an invented ensemble, dry and placed, and a picture of its seats.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use serde::Deserialize;

use crate::bundle::Bundle;
use crate::offline_host::Library;
use crate::place::{Common, Task, output_name, place_all, report, settings_of};
use crate::plan_picture::{self, Seated};
use crate::recording::{Recording, decibels};
use crate::seat_file::SeatFiles;
use crate::sitting::plain_settings;
use crate::workspace::{self, shown};

/// An ensemble file: who plays, from which seat, on which platform. Paths start from the file's folder.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Ensemble {
    name: String,
    cue: String,
    platform: PathBuf,
    listen: Vec<String>,
    player: Vec<Player>,
}

/// A player, or a section that sits as one.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Player {
    stem: PathBuf,
    seat: PathBuf,
}

/// Highest peak of a mix, full scale = 1: 1 dB below it, so that no player of files clips.
const MIX_PEAK: f32 = 0.891;

/// Builds the plug-in, places the ensemble, mixes and draws; returns how many stems were refused.
///
/// # Errors
/// When the plug-in does not build, the ensemble's files cannot be read, or nothing can be written.
pub(crate) fn run() -> Result<usize> {
    let folder = workspace::root()?.join("presets-demo");
    let out = workspace::target()?.join("demo");
    let ensemble = read(&folder.join("ensemble.toml"))?;
    let library = Library::load(&Bundle::fresh()?.clap)?;
    let placed_folder = out.join("placed");
    fs::create_dir_all(&placed_folder).with_context(|| format!("{} cannot be made", out.display()))?;

    println!("{}: {}", ensemble.name, ensemble.cue);
    let tasks: Vec<Task> = ensemble
        .player
        .iter()
        .map(|player| Task {
            input: folder.join(&player.stem),
            seat: Some(folder.join(&player.seat)),
            output: placed_folder.join(output_name(&player.stem)),
        })
        .collect();
    let common = Common { platform: Some(folder.join(&ensemble.platform)), ..Common::default() };
    let outcomes = place_all(&library, &tasks, &common, false, &placed_folder)?;
    let refused = report(&tasks, &outcomes);
    if refused > 0 {
        return Ok(refused);
    }

    let (mut dry, mut placed) = mixes(&tasks)?;
    let gain = match_loudness(&mut dry, &mut placed);
    let [dry_path, placed_path, picture] =
        ["dry mix.wav", "placed mix.wav", "seats.png"].map(|name| out.join(name));
    dry.write(&dry_path)?;
    placed.write(&placed_path)?;
    plan_picture::draw(
        &picture,
        &format!("{}: seats", ensemble.name),
        &seated(&library, &tasks, &folder.join(&ensemble.platform))?,
    )?;

    println!();
    println!("{}", shown(&dry_path));
    println!("{}", shown(&placed_path));
    println!("{}", shown(&picture));
    println!(
        "Both mixes have the same RMS level ({:.1} dBFS; the placed one was moved by {:+.1} dB for it).",
        decibels(dry.rms()),
        decibels(f64::from(gain))
    );
    println!();
    println!("Listen for:");
    for line in &ensemble.listen {
        println!("  - {line}");
    }
    Ok(0)
}

fn read(path: &Path) -> Result<Ensemble> {
    let text = fs::read_to_string(path).with_context(|| format!("{}: cannot be read", path.display()))?;
    let ensemble: Ensemble = toml::from_str(&text)
        .map_err(|error| anyhow!("{}: {}", path.display(), error.message().replace('\n', ", ")))?;
    ensure!(!ensemble.player.is_empty(), "{}: has no players", path.display());
    Ok(ensemble)
}

/// Sums the dry stems, the same on both channels, and the placed ones.
fn mixes(tasks: &[Task]) -> Result<(Recording, Recording)> {
    let mut dry: Option<Recording> = None;
    let mut placed: Option<Recording> = None;
    for task in tasks {
        add(&mut dry, &Recording::read(&task.input)?).with_context(|| task.input.display().to_string())?;
        add(&mut placed, &Recording::read(&task.output)?)
            .with_context(|| task.output.display().to_string())?;
    }
    let (Some(mut dry), Some(placed)) = (dry, placed) else { bail!("there is nothing to mix") };
    // As long as the placed mix, so that both can be looped and compared.
    for channel in &mut dry.channels {
        channel.resize(placed.frames(), 0.0);
    }
    Ok((dry, placed))
}

/// Adds a stem to a stereo sum, a mono stem to both channels.
fn add(sum: &mut Option<Recording>, stem: &Recording) -> Result<()> {
    let sum = sum.get_or_insert_with(|| Recording {
        rate_hz: stem.rate_hz,
        channels: vec![vec![0.0; stem.frames()]; 2],
    });
    ensure!(sum.rate_hz == stem.rate_hz, "has {} Hz, the others {} Hz", stem.rate_hz, sum.rate_hz);
    for (index, channel) in sum.channels.iter_mut().enumerate() {
        let from = &stem.channels[index.min(stem.channels.len() - 1)];
        if channel.len() < from.len() {
            channel.resize(from.len(), 0.0);
        }
        for (sample, more) in channel.iter_mut().zip(from) {
            *sample += more;
        }
    }
    Ok(())
}

/// Brings the placed mix to the dry one's RMS, then both down by as much if one would clip; returns the placed mix's gain.
fn match_loudness(dry: &mut Recording, placed: &mut Recording) -> f32 {
    let to_dry = (dry.rms() / placed.rms().max(f64::MIN_POSITIVE)) as f32;
    let both = (MIX_PEAK / dry.peak().max(placed.peak() * to_dry)).min(1.0);
    scale(dry, both);
    scale(placed, to_dry * both);
    to_dry
}

fn scale(recording: &mut Recording, gain: f32) {
    recording.channels.iter_mut().flatten().for_each(|sample| *sample *= gain);
}

/// Reads every seat for the picture; it is called what its file calls itself.
fn seated(library: &Library, tasks: &[Task], platform: &Path) -> Result<Vec<Seated>> {
    let parameters = library.instance()?.parameters()?;
    let files = SeatFiles::of(&parameters);
    let platform = files.platform(Some(platform))?;
    tasks
        .iter()
        .map(|task| {
            let settings = settings_of(library, &parameters, &files, &platform, task.seat.as_deref(), &[])?;
            let named =
                task.seat.as_deref().map(|seat| files.seat(seat)).transpose()?.and_then(|file| file.name);
            let stem = || task.input.file_stem().unwrap_or_default().to_string_lossy().into_owned();
            Ok(Seated { name: named.unwrap_or_else(stem), settings: plain_settings(&settings) })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(value: f32) -> Recording {
        Recording { rate_hz: 48_000, channels: vec![vec![value; 100], vec![-value; 100]] }
    }

    #[test]
    fn both_mixes_end_at_one_level_and_do_not_clip() {
        for (dry, placed) in [(0.1, 0.4), (0.9, 0.2), (2.0, 0.5)] {
            let (mut dry, mut placed) = (level(dry), level(placed));
            match_loudness(&mut dry, &mut placed);
            assert!((dry.rms() / placed.rms() - 1.0).abs() < 1e-6);
            assert!(dry.peak() <= MIX_PEAK * 1.0001 && placed.peak() <= MIX_PEAK * 1.0001);
        }
    }

    #[test]
    fn the_ensemble_of_this_checkout_is_whole() {
        let folder = workspace::root().unwrap().join("presets-demo");
        let ensemble = read(&folder.join("ensemble.toml")).unwrap();
        assert!(ensemble.player.len() >= 8);
        for player in &ensemble.player {
            assert!(folder.join(&player.stem).is_file(), "{} is missing", player.stem.display());
            assert!(folder.join(&player.seat).is_file(), "{} is missing", player.seat.display());
        }
        for entry in fs::read_dir(folder.join("stems")).unwrap() {
            let stem = Path::new("stems").join(entry.unwrap().file_name());
            assert!(
                ensemble.player.iter().any(|player| player.stem == stem),
                "{} has no seat",
                stem.display()
            );
        }
        assert!(folder.join(&ensemble.platform).is_file(), "{} is missing", ensemble.platform.display());
    }
}
