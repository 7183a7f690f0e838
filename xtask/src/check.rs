//! Everything that a change must pass, step by step, with a table at the end.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};

use crate::arm;
use crate::bundle::Bundle;
use crate::system_packages::{DRAWING, EMULATOR, NEEDED, Needed, SOUND_SERVER, XVFB, untraceable};
use crate::workspace;

/// What became of a step.
enum Outcome {
    Passed,
    Failed(String),
    Skipped(String),
}

struct Step {
    name: &'static str,
    outcome: Outcome,
    took: Duration,
}

/// Runs every step, the later ones too when one fails; returns whether all passed.
///
/// # Errors
/// When this does not run inside the checkout.
pub(crate) fn run() -> Result<bool> {
    let root = workspace::root()?;
    let mut steps = vec![
        step("system packages", system_packages),
        step("format", || cargo(&root, &["fmt", "--check"], &[])),
        step("supply", || supply(&root)),
        // Before the tests: those of hosts load it.
        step("bundle", || Bundle::build(true).map(|_| Outcome::Passed)),
        step("build", || cargo(&root, &BUILD, &[])),
    ];
    // Tests run one at a time and leave a processor idle: what they do not need runs beside, and tells what it has to tell
    // when it is done.
    // As it was built with the tests: optimised as they are, it is as fast as in release.
    let built_truth =
        workspace::target()?.join("debug/truth").with_extension(std::env::consts::EXE_EXTENSION);
    steps.extend(std::thread::scope(|scope| {
        let beside = scope.spawn(|| {
            let cargo = Path::new("cargo");
            [
                step_beside(&root, "truth", &built_truth, &[], &[]),
                step_beside(&root, "lints", cargo, &LINTS, &[]),
                step_beside(
                    &root,
                    "documentation",
                    cargo,
                    &DOCUMENTATION,
                    &[("RUSTDOCFLAGS", "-D warnings")],
                ),
                step_beside(&root, "allocation guard", cargo, &ALLOCATION_GUARD, &[]),
                match arm::why_not() {
                    Some(why) => step("64-bit ARM", || Ok(Outcome::Skipped(why))),
                    None => step_beside(&root, "64-bit ARM", cargo, &["xtask", "arm"], &[]),
                },
            ]
        });
        let mut steps = vec![step("tests", || cargo(&root, &["test", "--workspace", "--no-fail-fast"], &[]))];
        match beside.join() {
            Ok(beside) => steps.extend(beside),
            Err(_) => {
                steps
                    .push(step("beside", || bail!("the thread of the parallel steps stopped after a fault")));
            }
        }
        steps
    }));
    if let Some(why) = untraceable() {
        steps.push(step("system calls", || Ok(Outcome::Skipped(why))));
    }
    for (name, needed) in [
        ("window", &XVFB),
        ("pictures", &DRAWING),
        ("other processors", &EMULATOR),
        ("sound server", &SOUND_SERVER),
    ] {
        if let Some(why) = needed.missing() {
            steps.push(step(name, || Ok(Outcome::Skipped(why))));
        }
    }
    steps.extend(hosts(&root));
    Ok(summary(&steps))
}

/// Holds the libraries against `tests/deny.toml` with cargo-deny, where it is installed: building it takes minutes. The
/// tests of xtask hold most of it without.
fn supply(root: &Path) -> Result<Outcome> {
    let has = Command::new("cargo")
        .args(["deny", "--version"])
        .output()
        .is_ok_and(|output| output.status.success());
    if !has {
        let why = "cargo-deny is not installed; cargo install cargo-deny --locked";
        return Ok(Outcome::Skipped(why.into()));
    }
    cargo(root, &["deny", "--config", "tests/deny.toml", "check", "licenses", "bans", "sources"], &[])
}

/// Builds the tests, and what they run.
const BUILD: [&str; 3] = ["test", "--workspace", "--no-run"];

/// Runs the plug-in under the framework's own guard, which ends the program where `process` allocates.
///
/// All packages are asked for, though one has the test: so the libraries are those that the tests before were built with.
const ALLOCATION_GUARD: [&str; 6] =
    ["test", "--workspace", "--test", "allocation_guard", "--features", "rostra/assert_process_allocs"];

/// What the compiler and the linter have to say of every target.
const LINTS: [&str; 6] = ["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"];

/// Builds the documentation; a link that leads nowhere is a failure.
const DOCUMENTATION: [&str; 3] = ["doc", "--no-deps", "--workspace"];

/// Prints the table of figures against outside truth; optimised, since it renders minutes of sound.
const TRUTH: [&str; 7] = ["run", "--quiet", "--release", "--package", "rostra-tests", "--bin", "truth"];

/// Goes through platforms of the whole range; optimised, since it synthesises thousands of tails.
const TAILS: [&str; 7] = ["run", "--quiet", "--release", "--package", "rostra-tests", "--bin", "tails"];

/// Synthesises tails, as many as are asked for from a case on, and tells what is wrong; returns whether nothing is.
///
/// # Errors
/// When this does not run inside the checkout, or cargo cannot be run.
pub(crate) fn tails(count: usize, first: usize) -> Result<bool> {
    let root = workspace::root()?;
    let (count, first) = (count.to_string(), first.to_string());
    let arguments: Vec<&str> = TAILS.into_iter().chain(["--", &count, &first]).collect();
    Ok(matches!(cargo(&root, &arguments, &[])?, Outcome::Passed))
}

/// Prints the table, or the groups of it that are named; returns whether every figure holds.
///
/// # Errors
/// When this does not run inside the checkout, or cargo cannot be run.
pub(crate) fn truth(groups: &[String]) -> Result<bool> {
    let root = workspace::root()?;
    let mut arguments: Vec<&str> = TRUTH.to_vec();
    arguments.push("--");
    arguments.extend(groups.iter().map(String::as_str));
    Ok(matches!(cargo(&root, &arguments, &[])?, Outcome::Passed))
}

/// Runs a step under its heading.
fn step(name: &'static str, work: impl FnOnce() -> Result<Outcome>) -> Step {
    println!("\n== {name} ==");
    // The clock says how long a step took and nothing else.
    #[allow(clippy::disallowed_methods)]
    let start = Instant::now();
    let outcome = work().unwrap_or_else(|error| Outcome::Failed(format!("{error:#}")));
    if let Outcome::Failed(why) | Outcome::Skipped(why) = &outcome {
        println!("{why}");
    }
    Step { name, outcome, took: start.elapsed() }
}

/// Runs a program as a step beside others: what it says is kept, and stands under its heading when it is done.
fn step_beside(
    root: &Path,
    name: &'static str,
    program: &Path,
    arguments: &[&str],
    environment: &[(&str, &str)],
) -> Step {
    // The clock says how long a step took and nothing else.
    #[allow(clippy::disallowed_methods)]
    let start = Instant::now();
    let mut command = Command::new(program);
    command.args(arguments).envs(environment.iter().copied()).current_dir(root);
    let output = command.output();
    step(name, || {
        println!("$ {}", shown(&command));
        let output = output.with_context(|| format!("{}: cannot be run", shown(&command)))?;
        print!("{}{}", String::from_utf8_lossy(&output.stderr), String::from_utf8_lossy(&output.stdout));
        Ok(if output.status.success() {
            Outcome::Passed
        } else {
            Outcome::Failed(format!("{}: {}", shown(&command), output.status))
        })
    })
    .that_took(start.elapsed())
}

impl Step {
    fn that_took(self, took: Duration) -> Self {
        Self { took, ..self }
    }
}

fn summary(steps: &[Step]) -> bool {
    println!("\n== summary ==");
    let (mut passed, mut failed, mut skipped) = (0, 0, 0);
    for step in steps {
        let (word, why) = match &step.outcome {
            Outcome::Passed => {
                passed += 1;
                ("passed", "")
            }
            Outcome::Failed(why) => {
                failed += 1;
                ("FAILED", why.as_str())
            }
            Outcome::Skipped(why) => {
                skipped += 1;
                ("skipped", why.as_str())
            }
        };
        println!(
            "{:18} {word:8} {:7.1} s  {}",
            step.name,
            step.took.as_secs_f64(),
            why.lines().next().unwrap_or("")
        );
    }
    if skipped > 0 {
        println!("{passed} passed, {failed} failed, {skipped} skipped");
    } else {
        println!("{passed} passed, {failed} failed");
    }
    failed == 0
}

/// Runs cargo in the root of the checkout.
fn cargo(root: &Path, arguments: &[&str], environment: &[(&str, &str)]) -> Result<Outcome> {
    let mut command = Command::new("cargo");
    command.args(arguments).envs(environment.iter().copied()).current_dir(root);
    run_command(&mut command)
}

fn run_command(command: &mut Command) -> Result<Outcome> {
    let shown = shown(command);
    println!("$ {shown}");
    let status = command.status().with_context(|| format!("{shown}: cannot be run"))?;
    if status.success() { Ok(Outcome::Passed) } else { Ok(Outcome::Failed(format!("{shown}: {status}"))) }
}

fn shown(command: &Command) -> String {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    words.map(|word| word.to_string_lossy()).collect::<Vec<_>>().join(" ")
}

/// Looks for what building and testing need, and installs it where this runs as root.
fn system_packages() -> Result<Outcome> {
    if !cfg!(target_os = "linux") {
        return Ok(Outcome::Skipped("only Linux needs system packages".into()));
    }
    let missing: Vec<&Needed> = NEEDED.iter().filter(|needed| !needed.is_there()).collect();
    if missing.is_empty() {
        println!("Nothing is missing.");
        return Ok(Outcome::Passed);
    }
    for needed in &missing {
        println!("missing: {} ({})", needed.package, needed.why);
    }
    // What is optional shows as a step that is skipped, below.
    let is_vital = missing.iter().any(|needed| !needed.is_optional);
    let without = |why| if is_vital { Outcome::Failed(why) } else { Outcome::Passed };
    let packages: Vec<&str> = missing.iter().flat_map(|needed| needed.package.split(' ')).collect();
    let by_hand = format!("install by hand: sudo apt-get install {}", packages.join(" "));
    let has = |program: &str, argument: &str| Command::new(program).arg(argument).output();
    let is_root = has("id", "-u").is_ok_and(|output| output.stdout.trim_ascii() == b"0");
    if !is_root || has("apt-get", "--version").is_err() {
        println!("{by_hand}");
        return Ok(without(by_hand));
    }
    for arguments in
        [vec!["update"], [vec!["install", "--yes", "--no-install-recommends"], packages].concat()]
    {
        let mut command = Command::new("apt-get");
        command.args(arguments).env("DEBIAN_FRONTEND", "noninteractive");
        if let Outcome::Failed(why) = run_command(&mut command)? {
            return Ok(without(why));
        }
    }
    Ok(Outcome::Passed)
}

/// The tests in Python: each file of `tests/hosts` loads the bundle in a host and checks it.
fn hosts(root: &Path) -> Vec<Step> {
    let mut scripts: Vec<PathBuf> = fs::read_dir(root.join("tests/hosts"))
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "py"))
        .collect();
    scripts.sort();
    if scripts.is_empty() {
        return vec![step("hosts", || Ok(Outcome::Skipped("there are no tests in tests/hosts".into())))];
    }
    vec![step("hosts", || {
        let python = virtual_environment(root)?;
        let mut failed = Vec::new();
        for script in &scripts {
            let mut command = Command::new(&python);
            command.arg(script).current_dir(root);
            if let Outcome::Failed(why) = run_command(&mut command)? {
                failed.push(why);
            }
        }
        if failed.is_empty() { Ok(Outcome::Passed) } else { Ok(Outcome::Failed(failed.join("\n"))) }
    })]
}

/// Makes `.venv` where it is missing, brings its packages to those pinned, and returns its Python.
fn virtual_environment(root: &Path) -> Result<PathBuf> {
    let folder = root.join(".venv");
    let python = if cfg!(windows) { folder.join("Scripts/python.exe") } else { folder.join("bin/python3") };
    let system = if cfg!(windows) { "python" } else { "python3" };
    if !python.exists() {
        must_pass(Command::new(system).args(["-m", "venv"]).arg(&folder))?;
    }
    must_pass(
        Command::new(&python)
            .args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check"])
            // What is not listed with its hash is refused, also where pip would add it by itself.
            .args(["--require-hashes", "--requirement"])
            .arg(root.join("tests/requirements.txt")),
    )?;
    Ok(python)
}

fn must_pass(command: &mut Command) -> Result<()> {
    if let Outcome::Failed(why) = run_command(command)? {
        bail!("{why}");
    }
    Ok(())
}
