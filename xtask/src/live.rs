//! What plays without a host: built and run here, as a package of its own, because it needs a system's sound and a window.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, ExitStatus};

use anyhow::{Context as _, Result, ensure};
use rostra_terminal::{say, tell};

use crate::REFUSED;
use crate::check::{ALSA, OPENGL};
use crate::editor_picture::drawer;
use crate::packages::system;
use crate::picture::{Anchor, INK, VERMILION};
use crate::recording::write_whole;
use crate::release::Folders;
use crate::workspace::{self, shown};

/// What is handed on as it is; `cargo xtask live --help` lists it.
#[derive(clap::Args)]
pub(crate) struct Passed {
    /// Options of `live`.
    #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
    arguments: Vec<OsString>,
}

/// Which lesson, and where to.
#[derive(clap::Args)]
pub(crate) struct Lesson {
    /// The lesson; without a name all are listed.
    name: Option<String>,
    /// Folder for its recordings and its picture; by default the lesson's own name.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Leave the picture out; the program that draws it takes minutes to build the first time.
    #[arg(long)]
    no_picture: bool,
}

/// Height of the heading over the sheets, pixels: a line for the lesson, one for the seats.
const HEAD_PIXELS: u32 = 70;
/// Left edge of its lines, their heights and sizes, pixels.
const HEAD_LEFT: f64 = 16.0;
const TITLE: (f64, f64) = (22.0, 22.0);
const NAMES: (f64, f64) = (52.0, 18.0);
/// Name of the picture in a lesson's folder.
const PICTURE: &str = "lesson.png";

/// Plays, or renders; returns the code that it ended with.
pub(crate) fn run(passed: &Passed) -> ExitCode {
    let outcome = (|| {
        // All of it before the build, which takes minutes.
        let missing = missing(&passed.arguments);
        ensure!(missing.is_empty(), "{}{}", missing.join("; "), instead(&passed.arguments));
        start("live", &passed.arguments)
    })();
    match outcome {
        Ok(status) if status.success() => ExitCode::SUCCESS,
        // It said why itself.
        Ok(status) => ExitCode::from(status.code().and_then(|code| u8::try_from(code).ok()).unwrap_or(1)),
        Err(error) => {
            tell!("error: {error:#}");
            ExitCode::from(REFUSED)
        }
    }
}

/// Says what can be done without any of it; a microphone cannot be rendered.
fn instead(arguments: &[OsString]) -> &'static str {
    let is_input = |word: &str| word == "--input" || word.starts_with("--input=");
    if arguments.iter().filter_map(|word| word.to_str()).any(is_input) {
        ""
    } else {
        "; or add --render FILE.wav, which needs no sound card and no display"
    }
}

/// Says what is not here that would be needed: what builds for sound cards, and a display.
fn missing(arguments: &[OsString]) -> Vec<String> {
    let mut missing = Vec::new();
    if !is_silent(arguments) && !can_build_for_cards() {
        missing.push(format!(
            "{} is missing: it {}; on Debian-based systems, as root: apt-get install {}",
            ALSA.package, ALSA.why, ALSA.package
        ));
    }
    let has_display = std::env::var_os("DISPLAY").is_some_and(|display| !display.is_empty());
    if cfg!(target_os = "linux") && wants_window(arguments) && !has_display {
        missing.push(
            "there is no display for the window (DISPLAY is not set): add --seconds 30 to play without a window"
                .into(),
        );
    } else if wants_window(arguments) && Path::new("/etc/debian_version").exists() && !OPENGL.is_there() {
        missing.push(format!(
            "OpenGL is missing, which {}; on Debian-based systems, as root: apt-get install {}",
            OPENGL.why, OPENGL.package
        ));
    }
    missing
}

/// Says whether a window is to open.
fn wants_window(arguments: &[OsString]) -> bool {
    let alone = ["--render", "--seconds", "--help", "-h", "--devices"];
    let is = |word: &str| alone.iter().any(|known| word.split('=').next() == Some(known));
    !arguments.iter().filter_map(|word| word.to_str()).any(is)
}

/// Says whether no sound card is needed, so that it can be run where nothing can be built for one.
fn is_silent(arguments: &[OsString]) -> bool {
    let words: Vec<&str> = arguments.iter().filter_map(|word| word.to_str()).collect();
    let alone = ["--render", "--help", "-h", "--devices", "--device=silent"];
    words.iter().any(|word| alone.contains(word) || word.starts_with("--render="))
        || words.windows(2).any(|pair| pair == ["--device", "silent"])
}

/// A recording of a lesson.
struct Rendered {
    path: PathBuf,
    /// What its seat is called.
    name: String,
}

/// Renders a lesson, or lists them, and draws its picture; returns how many were refused, which has been told.
///
/// # Errors
/// When the lesson is not there, or its folder cannot be written to.
pub(crate) fn lesson(lesson: &Lesson) -> Result<usize> {
    let Lesson { name, out, no_picture } = lesson;
    let folder = tempfile::tempdir().context("no temporary folder for the list of recordings")?;
    let list = folder.path().join("made.txt");
    let mut arguments: Vec<OsString> = Vec::new();
    if let Some(name) = name {
        arguments.extend([name.into(), "--made".into(), list.clone().into()]);
        if let Some(out) = out {
            arguments.extend(["--out".into(), out.into()]);
        }
    }
    let status = start("lesson", &arguments)?;
    if !status.success() {
        // It said why itself.
        return Ok(1);
    }
    if name.is_none() || *no_picture {
        return Ok(0);
    }
    // Only these: another lesson's may lie beside them.
    let made = fs::read_to_string(&list).context("the list of recordings cannot be read")?;
    let (title, seats) = made.split_once('\n').context("the list of recordings cannot be read")?;
    let seats: Vec<Rendered> = seats
        .lines()
        .filter_map(|line| line.split_once('\t'))
        .map(|(path, name)| Rendered { path: path.into(), name: name.into() })
        .collect();
    let folder = seats.first().and_then(|seat| seat.path.parent()).unwrap_or(Path::new("."));
    let picture = folder.join(PICTURE);
    draw(title, &seats, &picture)?;
    say!("{}", shown(&picture));
    Ok(0)
}

/// Says whether what plays to sound cards can be built here.
fn can_build_for_cards() -> bool {
    !cfg!(target_os = "linux") || ALSA.is_there()
}

/// Builds it, optimised, and runs it in the folder in which this was called.
fn start(task: &str, arguments: &[OsString]) -> Result<ExitStatus> {
    let manifest = workspace::root()?.join("Cargo.toml");
    let mut command = Command::new("cargo");
    // Not quiet: a build that takes minutes shall say what it does.
    command.args(["run", "--release", "--manifest-path"]).arg(manifest);
    command.args(["--package", "rostra-live"]);
    // As the bundles are: most of its libraries are theirs, which need not be compiled twice.
    let system = system()?;
    Folders::of(&system)?.replace_in(&mut command, &system);
    if !can_build_for_cards() {
        command.arg("--no-default-features");
    }
    command.args(["--", task]).args(arguments);
    command.status().context("cargo cannot be run")
}

/// Draws the sheet of each seat of a lesson, side by side under its name: that of the hall where the seats have halls, else the
/// seat's.
fn draw(title: &str, seats: &[Rendered], picture: &Path) -> Result<()> {
    let root = workspace::root()?;
    let sheets = tempfile::tempdir().context("no temporary folder for the pictures")?;
    let mut drawn = Vec::new();
    tell!("Drawing the picture; the program that draws it takes some minutes to build the first time.");
    for (place, seat) in seats.iter().enumerate() {
        // What draws is run in another folder.
        let seat = &seat.path;
        let seat = std::path::absolute(seat).with_context(|| format!("{}: is not a path", seat.display()))?;
        let sheet = sheets.path().join(format!("{place}.png"));
        let mut command = drawer(&root);
        let hall = seat.with_extension("hall.toml");
        if hall.exists() {
            command.arg("--hall").arg(hall);
        } else {
            command.arg("--platform").arg(seat.with_extension("platform.toml"));
            command.arg("--seat").arg(seat.with_extension("seat.toml"));
        }
        let status = command.arg("--out").arg(&sheet).status().context("cargo cannot be run")?;
        ensure!(status.success(), "the picture could not be drawn; the recordings are complete");
        drawn.push(image::open(&sheet).context("a sheet cannot be read")?.into_rgb8());
    }
    let width = drawn.iter().map(image::RgbImage::width).sum();
    let height = drawn.iter().map(image::RgbImage::height).max().unwrap_or(0);
    ensure!(width > 0, "no recording was made");
    let mut whole = image::RgbImage::new(width, HEAD_PIXELS + height);
    let head = sheets.path().join("head.png");
    crate::picture::draw(&head, (width, HEAD_PIXELS), |paper| {
        paper.text(title, (HEAD_LEFT, TITLE.0), TITLE.1, Anchor::Left, INK)?;
        let mut x = HEAD_LEFT;
        for (seat, sheet) in seats.iter().zip(&drawn) {
            paper.text(&seat.name, (x, NAMES.0), NAMES.1, Anchor::Left, VERMILION)?;
            x += f64::from(sheet.width());
        }
        Ok(())
    })?;
    image::imageops::replace(
        &mut whole,
        &image::open(&head).context("a heading cannot be read")?.into_rgb8(),
        0,
        0,
    );
    let mut x = 0;
    for sheet in &drawn {
        image::imageops::replace(&mut whole, sheet, i64::from(x), i64::from(HEAD_PIXELS));
        x += sheet.width();
    }
    let mut coded = std::io::Cursor::new(Vec::new());
    whole.write_to(&mut coded, image::ImageFormat::Png).context("the picture cannot be encoded")?;
    write_whole(picture, coded.get_ref())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_microphone_is_not_told_to_be_rendered() {
        let advice = |words: &[&str]| instead(&words.iter().map(OsString::from).collect::<Vec<_>>());
        assert!(advice(&["--input", "default"]).is_empty() && advice(&["--input=default"]).is_empty());
        assert!(advice(&["--stem", "a.wav"]).contains("--render FILE.wav"));
    }

    #[test]
    fn what_opens_a_window_is_known() {
        let wants = |line: &str| wants_window(&line.split(' ').map(OsString::from).collect::<Vec<_>>());
        for line in ["--click", "--device silent", "--stem a.wav --block 64", "--moves m.toml"] {
            assert!(wants(line), "{line}");
        }
        for line in
            ["--help", "--devices", "--seconds 3", "--seconds=3", "--click --render a.wav", "--render=a.wav"]
        {
            assert!(!wants(line), "{line}");
        }
    }

    #[test]
    fn what_needs_no_sound_card_is_known() {
        let is = |line: &str| is_silent(&line.split(' ').map(OsString::from).collect::<Vec<_>>());
        for line in [
            "--help",
            "--devices",
            "--click --device silent",
            "--device=silent",
            "--render=a.wav",
            "--render a.wav",
        ] {
            assert!(is(line), "{line}");
        }
        for line in ["--click", "--device hw:0", "--device", "--stem silent"] {
            assert!(!is(line), "{line}");
        }
    }
}
