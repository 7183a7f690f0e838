//! The program for musicians, `rostra`: built as far as a command needs it, then run in the place of this one.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use anyhow::{Context as _, Result, ensure};
use rostra_terminal::tell;

use crate::bundle::{Bundle, newest_change};
use crate::packages::system;
use crate::release::Folders;
use crate::system_packages::ALSA;
use crate::workspace;

/// The package that holds the program, and the program.
const PACKAGE: &str = "rostra-cli";
const PROGRAM: &str = "rostra";
/// What it is compiled from, in the workspace's root.
const SOURCES: [&str; 12] = [
    "Cargo.toml",
    "Cargo.lock",
    "cli",
    "dsp/Cargo.toml",
    "dsp/src",
    "files/Cargo.toml",
    "files/src",
    "plugin/Cargo.toml",
    "plugin/src",
    "presets-demo/halls",
    "presets-demo/platforms",
    "presets-demo/seats",
];

/// Commands of the program.
#[derive(clap::Subcommand)]
pub(crate) enum Task {
    /// Place recordings on the platform, each as a 32-bit float WAV.
    #[command(disable_help_flag = true)]
    Place(Passed),
    /// Place all stems of a plan, add the hall, mix, and write a seating plan and a report.
    #[command(disable_help_flag = true)]
    Ensemble(Passed),
    /// Render the demo ensemble and say what to listen for.
    #[command(disable_help_flag = true)]
    Demo(Passed),
    /// Render the impulse response of a seat, measure it and draw it.
    #[command(disable_help_flag = true)]
    Impulse(Passed),
    /// List, check and save seat, platform and hall files.
    #[command(disable_help_flag = true)]
    Files(Passed),
    /// Draw the editor of a seat or a hall to a PNG file.
    #[command(disable_help_flag = true)]
    Picture(Passed),
    /// Hear a change of seat without a host: the editor, a loop and your sound card.
    #[command(disable_help_flag = true)]
    Live(Passed),
    /// Render a lesson: a short guided comparison with measured values and a picture. Without a name, list them.
    #[command(disable_help_flag = true)]
    Lesson(Passed),
}

/// What is handed on as it is; the program's own `--help` lists it.
#[derive(clap::Args)]
pub(crate) struct Passed {
    /// Options of the program.
    #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
    arguments: Vec<OsString>,
}

impl Passed {
    /// Says whether an option is among them, with or without its value in the same word.
    fn has(&self, option: &str) -> bool {
        self.arguments.iter().filter_map(|word| word.to_str()).any(|word| {
            word.strip_prefix(option).is_some_and(|rest| rest.is_empty() || rest.starts_with('='))
        })
    }

    fn asks_for_help(&self) -> bool {
        self.has("--help") || self.has("-h")
    }
}

/// What a command needs.
struct Recipe<'a> {
    command: &'static str,
    passed: &'a Passed,
    /// Features of the program beyond the bare one.
    feature: Option<&'static str>,
    needs_plug_in: bool,
    /// Where its output goes unless it is told.
    out: Option<PathBuf>,
}

impl Task {
    /// Builds what is missing and runs the command; returns its code.
    pub(crate) fn run(&self) -> ExitCode {
        match self.recipe().and_then(|recipe| recipe.follow()) {
            Ok(code) => code,
            Err(error) => {
                tell!("error: {error:#}");
                ExitCode::FAILURE
            }
        }
    }

    fn recipe(&self) -> Result<Recipe<'_>> {
        let bare =
            |command, passed| Recipe { command, passed, feature: None, needs_plug_in: false, out: None };
        let placing = |command, passed| Recipe { needs_plug_in: true, ..bare(command, passed) };
        let target = workspace::target()?;
        Ok(match self {
            Self::Place(passed) => placing("place", passed),
            Self::Ensemble(passed) => placing("ensemble", passed),
            Self::Demo(passed) => Recipe { out: Some(target.join("demo")), ..placing("demo", passed) },
            Self::Impulse(passed) => bare("impulse", passed),
            Self::Files(passed) => bare("files", passed),
            Self::Picture(passed) => {
                let name = if passed.has("--hall") { "hall.png" } else { "editor.png" };
                Recipe { feature: Some("pictures"), out: Some(target.join(name)), ..bare("picture", passed) }
            }
            Self::Live(passed) => {
                Recipe { feature: can_build_for_cards().then_some("sound-card"), ..bare("live", passed) }
            }
            Self::Lesson(passed) => {
                let is_list = passed.arguments.is_empty() || passed.asks_for_help();
                let draws = !is_list && !passed.has("--no-picture");
                Recipe { feature: draws.then_some("pictures"), ..bare("lesson", passed) }
            }
        })
    }
}

/// Says whether what plays to sound cards can be built here, and what brings that where it cannot.
fn can_build_for_cards() -> bool {
    if !cfg!(target_os = "linux") || ALSA.is_there() {
        return true;
    }
    tell!(
        "{} is missing: it {}; on Debian-based systems, as root: apt-get install {}",
        ALSA.package,
        ALSA.why,
        ALSA.package
    );
    false
}

impl Recipe<'_> {
    fn follow(&self) -> Result<ExitCode> {
        let root = workspace::root()?;
        let program = self.program(&root)?;
        let mut command = Command::new(&program);
        command.arg(self.command);
        // What is handed on comes later and wins.
        if self.needs_plug_in && !self.passed.asks_for_help() && !self.passed.has("--plugin") {
            command.arg("--plugin").arg(Bundle::fresh()?.clap);
        }
        command.arg("--presets").arg(root.join("presets-demo"));
        if let Some(out) = &self.out {
            command.arg("--out").arg(out);
        }
        command.args(&self.passed.arguments);
        if self.feature == Some("pictures") && std::env::var_os("XDG_RUNTIME_DIR").is_none() {
            // What looks for a display there complains where it is not set, several times; there is none in any folder.
            command.env("XDG_RUNTIME_DIR", std::env::temp_dir());
        }
        become_it(&mut command).with_context(|| format!("{} cannot be run", program.display()))
    }

    /// Builds the program with what the command needs, and returns where it lies.
    fn program(&self, root: &Path) -> Result<PathBuf> {
        let system = system()?;
        let folder = workspace::target()?.join(&system).join("release");
        // Cargo keeps what it built for each set of features and only the program of the last one in its place, so each set
        // has a mark of its own.
        let mark = folder.join(format!("{PROGRAM}-{}.built", self.feature.unwrap_or("bare")));
        let newest = SOURCES.iter().filter_map(|source| newest_change(&root.join(source))).max();
        let is_fresh = newest_change(&mark).is_some_and(|built| newest.is_some_and(|newest| newest <= built));
        let mut build = Command::new("cargo");
        build.current_dir(root).args([
            "build",
            "--locked",
            "--release",
            "--package",
            PACKAGE,
            "--bin",
            PROGRAM,
        ]);
        build.arg("--no-default-features").args(self.feature.map(|feature| format!("--features={feature}")));
        // As the bundles are: most of its libraries are theirs, which need not be compiled twice.
        Folders::of(&system)?.replace_in(&mut build, &system);
        if is_fresh {
            build.arg("--quiet");
        } else {
            let with = self
                .feature
                .map_or_else(String::new, |feature| format!(" with {}", feature.replace('-', " ")));
            tell!("Building the program {PROGRAM}{with} (some minutes the first time).");
        }
        let status = build.status().context("cargo cannot be run")?;
        ensure!(status.success(), "the program {PROGRAM} could not be built: {status}");
        if !is_fresh {
            std::fs::write(&mark, "").with_context(|| format!("{} cannot be written", mark.display()))?;
        }
        Ok(folder.join(PROGRAM).with_extension(std::env::consts::EXE_EXTENSION))
    }
}

/// Runs a command in the place of this program, so that input, output, signals and code are its own.
#[cfg(unix)]
fn become_it(command: &mut Command) -> Result<ExitCode> {
    use std::os::unix::process::CommandExt as _;
    Err(command.exec().into())
}

/// Runs a command and returns its code.
#[cfg(not(unix))]
fn become_it(command: &mut Command) -> Result<ExitCode> {
    let status = command.status()?;
    Ok(ExitCode::from(status.code().and_then(|code| u8::try_from(code).ok()).unwrap_or(1)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn passed(line: &str) -> Passed {
        Passed { arguments: line.split_whitespace().map(OsString::from).collect() }
    }

    #[test]
    fn an_option_is_known_with_and_without_its_value() {
        for line in ["--hall", "--hall=a.toml", "--dark --hall a.toml"] {
            assert!(passed(line).has("--hall"), "{line}");
        }
        assert!(!passed("--hallway --seat hall").has("--hall"));
    }

    #[test]
    fn listing_and_help_need_neither_plug_in_nor_what_draws() {
        for task in [
            Task::Lesson(passed("")),
            Task::Lesson(passed("--help")),
            Task::Lesson(passed("1 --no-picture")),
            Task::Files(passed("check")),
            Task::Impulse(passed("--seat horns")),
        ] {
            let recipe = task.recipe().unwrap();
            assert!(recipe.feature.is_none() && !recipe.needs_plug_in, "{}", recipe.command);
        }
        assert_eq!(Task::Lesson(passed("1")).recipe().unwrap().feature, Some("pictures"));
        assert!(Task::Place(passed("a.wav")).recipe().unwrap().needs_plug_in);
        let out = |line| Task::Picture(passed(line)).recipe().unwrap().out.unwrap();
        assert!(out("--hall").ends_with("hall.png") && out("--dark").ends_with("editor.png"));
    }
}
