//! What plays without a host: built and run here, as a package of its own, because it needs a system's sound and a window.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, ExitStatus};

use anyhow::{Context as _, Result, ensure};

use crate::REFUSED;
use crate::check::ALSA;
use crate::recording::new_file_in;
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
    /// The lesson; all are listed where none is named.
    name: Option<String>,
    /// Folder for its recordings and its picture.
    #[arg(long, value_name = "DIR", default_value = "lesson")]
    out: PathBuf,
    /// Leave the picture out: what draws it takes minutes to build the first time.
    #[arg(long)]
    no_picture: bool,
}

/// Name of the picture in a lesson's folder.
const PICTURE: &str = "lesson.png";

/// Plays, or renders; returns the code that it ended with.
pub(crate) fn run(passed: &Passed) -> ExitCode {
    // A file needs no sound card, so that it can be made where nothing can be built for one.
    let is_silent = passed.arguments.iter().any(|word| {
        word.to_str()
            .is_some_and(|word| word == "--render" || word.starts_with("--render=") || word == "--help")
    });
    let outcome = (|| {
        ensure!(
            is_silent || can_build_for_cards(),
            "{} is missing: it {}; on Debian: sudo apt-get install {}; or add --render FILE.wav, which needs none",
            ALSA.package,
            ALSA.why,
            ALSA.package
        );
        start("live", &passed.arguments)
    })();
    match outcome {
        Ok(status) if status.success() => ExitCode::SUCCESS,
        // It said why itself.
        Ok(status) => ExitCode::from(status.code().and_then(|code| u8::try_from(code).ok()).unwrap_or(1)),
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::from(REFUSED)
        }
    }
}

/// Renders a lesson, or lists them, and draws its picture.
///
/// # Errors
/// When the lesson is not there, or its folder cannot be written to.
pub(crate) fn lesson(lesson: &Lesson) -> Result<()> {
    let Lesson { name, out, no_picture } = lesson;
    let mut arguments: Vec<OsString> = Vec::new();
    if let Some(name) = name {
        arguments.extend([name.into(), "--out".into(), out.into()]);
    }
    let status = start("lesson", &arguments)?;
    ensure!(status.success(), "nothing was rendered");
    if name.is_none() || *no_picture {
        return Ok(());
    }
    let picture = out.join(PICTURE);
    draw(out, &picture)?;
    println!("{}", shown(&picture));
    Ok(())
}

/// Says whether what plays to sound cards can be built here.
fn can_build_for_cards() -> bool {
    !cfg!(target_os = "linux") || ALSA.is_there()
}

/// Builds it, optimised, and runs it in the folder in which this was called.
fn start(task: &str, arguments: &[OsString]) -> Result<ExitStatus> {
    let manifest = workspace::root()?.join("Cargo.toml");
    let mut command = Command::new("cargo");
    command.args(["run", "--quiet", "--release", "--manifest-path"]).arg(manifest);
    command.args(["--package", "rostra-live"]);
    if !can_build_for_cards() {
        command.arg("--no-default-features");
    }
    command.args(["--", task]).args(arguments);
    command.status().context("cargo cannot be run")
}

/// Draws the sheet of each seat of a lesson, side by side: that of the hall where the seats have halls, else the seat's.
fn draw(folder: &Path, picture: &Path) -> Result<()> {
    let root = workspace::root()?;
    let folder = std::path::absolute(folder).with_context(|| format!("{}: is no path", folder.display()))?;
    let mut seats: Vec<PathBuf> = fs::read_dir(&folder)?.flatten().map(|entry| entry.path()).collect();
    // Other recordings may lie there.
    seats.retain(|path| {
        path.extension().is_some_and(|ending| ending == "wav") && path.with_extension("seat.toml").exists()
    });
    seats.sort();
    let sheets = tempfile::tempdir().context("no folder for the sheets")?;
    let mut drawn = Vec::new();
    for (place, seat) in seats.iter().enumerate() {
        let sheet = sheets.path().join(format!("{place}.png"));
        let mut command = Command::new("cargo");
        command.current_dir(&root).args(["run", "--quiet", "--package", "rostra-picture", "--"]);
        let hall = seat.with_extension("hall.toml");
        if hall.exists() {
            command.arg("--hall").arg(hall);
        } else {
            command.arg("--platform").arg(seat.with_extension("platform.toml"));
            command.arg("--seat").arg(seat.with_extension("seat.toml"));
        }
        let status = command.arg("--out").arg(&sheet).status().context("cargo cannot be run")?;
        ensure!(status.success(), "the picture could not be drawn; the recordings are there");
        drawn.push(image::open(&sheet).context("a sheet cannot be read")?.into_rgb8());
    }
    let width = drawn.iter().map(image::RgbImage::width).sum();
    let height = drawn.iter().map(image::RgbImage::height).max().unwrap_or(0);
    ensure!(width > 0, "there is no recording in {}", folder.display());
    let mut whole = image::RgbImage::new(width, height);
    let mut x = 0;
    for sheet in &drawn {
        image::imageops::replace(&mut whole, sheet, i64::from(x), 0);
        x += sheet.width();
    }
    let file = new_file_in(picture.parent().unwrap_or(Path::new(".")))?;
    whole
        .write_to(&mut std::io::BufWriter::new(file.as_file()), image::ImageFormat::Png)
        .with_context(|| format!("{}: cannot be written", picture.display()))?;
    file.persist(picture).with_context(|| format!("{}: cannot be written", picture.display()))?;
    Ok(())
}
