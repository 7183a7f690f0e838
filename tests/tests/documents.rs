//! What the documents promise a reader: every link leads somewhere, and every command is run here or says why not.
//!
//! A fence of commands that no test runs has a line above it that begins with `<!-- not run in tests: ` and says why. All
//! other commands stand in [`RUN`].

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The commands of the documents that render and bundle nothing: as they are written, the program that does them, its
/// arguments, and a word of its answer.
const RUN: [(&str, Program, &[&str], &str); 3] = [
    ("cargo xtask --help", Program::Tasks, &["--help"], "ensemble"),
    ("cargo xtask files", Program::Rostra, &["files"], "Horns"),
    ("cargo xtask lesson", Program::Rostra, &["lesson"], "near-and-far"),
];

/// A program of the workspace.
#[derive(Clone, Copy)]
enum Program {
    /// The developers' tasks.
    Tasks,
    /// The musicians' program, as it was built beside this test.
    Rostra,
}

/// How a fence says that nobody runs it; the reason follows.
const NOT_RUN: &str = "<!-- not run in tests: ";
/// How the commands of the checkout begin.
const TASK: &str = "cargo xtask ";

/// A fenced block of a document.
#[derive(Debug)]
struct Fence {
    /// The document and the line at which the fence opens.
    from: String,
    language: String,
    is_marked: bool,
    lines: Vec<String>,
}

impl Fence {
    /// Returns the commands, without comments.
    fn commands(&self) -> Vec<&str> {
        let lines = self.lines.iter().map(|line| line.split(" # ").next().unwrap_or_default().trim());
        lines.filter(|line| !line.is_empty() && !line.starts_with('#')).collect()
    }
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the crate lies in the checkout").to_owned()
}

/// Returns the documents of a folder and of those in it.
fn within(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder of the checkout") {
        let path = entry.expect("an entry of it").path();
        if path.is_dir() {
            within(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "md") {
            found.push(path);
        }
    }
}

/// Returns every document and its text.
fn documents() -> Vec<(PathBuf, String)> {
    let root = root();
    let mut found: Vec<PathBuf> =
        ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "tests/README.md"].map(|name| root.join(name)).into();
    within(&root.join("docs"), &mut found);
    within(&root.join("presets-demo"), &mut found);
    found.sort();
    found
        .into_iter()
        .map(|path| {
            let text = fs::read_to_string(&path).expect("a document");
            (path, text)
        })
        .collect()
}

/// Parts a document into its text, a line each, empty where a fence is, and its fences.
fn parted(shown: &str, text: &str) -> (Vec<String>, Vec<Fence>) {
    let (mut prose, mut fences): (Vec<String>, Vec<Fence>) = (Vec::new(), Vec::new());
    let mut is_open = false;
    for (index, line) in text.lines().enumerate() {
        if let Some(language) = line.trim_start().strip_prefix("```") {
            if !is_open {
                let is_marked = prose.last().is_some_and(|above| above.starts_with(NOT_RUN));
                let from = format!("{shown}, line {}", index + 1);
                fences.push(Fence {
                    from,
                    language: language.trim().to_owned(),
                    is_marked,
                    lines: Vec::new(),
                });
            }
            is_open = !is_open;
            prose.push(String::new());
        } else if is_open {
            fences.last_mut().expect("it is open").lines.push(line.to_owned());
            prose.push(String::new());
        } else {
            prose.push(line.to_owned());
        }
    }
    assert!(!is_open, "{shown}: a fence is left open");
    (prose, fences)
}

/// Returns a line without what stands between backquotes.
fn without_code(line: &str) -> String {
    line.split('`').step_by(2).collect::<Vec<_>>().join(" ")
}

/// Returns where the links of a line lead.
fn links(line: &str) -> Vec<String> {
    let line = without_code(line);
    let targets = line.split("](").skip(1).filter_map(|rest| rest.split_once(')'));
    targets.map(|(target, _)| target.to_owned()).collect()
}

/// Returns the anchor that a heading has where documents are shown: small letters, digits and hyphens.
fn anchor(heading: &str) -> String {
    let kept = heading.trim().to_lowercase().replace('`', "");
    kept.chars()
        .filter(|c| c.is_alphanumeric() || " -_".contains(*c))
        .map(|c| if c == ' ' { '-' } else { c })
        .collect()
}

/// Says what is wrong with a link of a document; nothing where it leads somewhere.
fn fault(document: &Path, target: &str) -> Option<String> {
    if target.starts_with("https://") || target.starts_with("http://") {
        return None;
    }
    let (file, part) = target.split_once('#').unwrap_or((target, ""));
    let path = if file.is_empty() {
        document.to_owned()
    } else {
        document.parent().expect("a document lies in a folder").join(file)
    };
    if !path.exists() {
        return Some(format!("{target}: there is no such file"));
    }
    let has_part = || {
        let (prose, _) = parted(target, &fs::read_to_string(&path).expect("a document"));
        prose.iter().any(|line| line.starts_with('#') && anchor(line.trim_start_matches('#')) == part)
    };
    (!part.is_empty() && !has_part()).then(|| format!("{target}: there is no such heading"))
}

/// Returns every fence of the documents.
fn fences() -> Vec<Fence> {
    documents().iter().flat_map(|(path, text)| parted(&path.display().to_string(), text).1).collect()
}

/// Says what is wrong with a fence: commands that are neither run nor marked, or a block of which nobody knows what it is.
fn fault_of(fence: &Fence) -> Option<String> {
    match fence.language.as_str() {
        "" => Some("says no language; write ```sh for commands, ```text for what is none".to_owned()),
        "sh" if !fence.is_marked => {
            let unknown = |command: &&&str| RUN.iter().all(|(known, ..)| known != *command);
            let commands = fence.commands();
            let found = commands.iter().find(unknown)?;
            Some(format!("\"{found}\" is neither in RUN nor under a line \"{NOT_RUN}why -->\""))
        }
        _ => None,
    }
}

/// Runs a program of the workspace on an empty folder of own files, and returns what it prints.
fn printed(program: Program, arguments: &[&str]) -> String {
    let own = tempfile::tempdir().expect("a folder");
    let mut command = match program {
        Program::Tasks => {
            let mut cargo = Command::new(env!("CARGO"));
            cargo.arg("xtask");
            cargo
        }
        // Cargo would build it once more, with features of its own.
        Program::Rostra => {
            let tests = std::env::current_exe().expect("this test is a file");
            let built = tests.ancestors().nth(2).expect("a folder of builds");
            let program = built.join(format!("rostra{}", std::env::consts::EXE_SUFFIX));
            assert!(program.exists(), "{} is missing; run `cargo build -p rostra-cli`", program.display());
            Command::new(program)
        }
    };
    let run = command
        .current_dir(root())
        .args(arguments)
        .env("ROSTRA_FILES", own.path())
        .output()
        .expect("the program runs");
    assert!(run.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&run.stderr));
    String::from_utf8(run.stdout).expect("text")
}

#[test]
fn every_link_leads_somewhere() {
    let mut faults = Vec::new();
    let mut count = 0;
    for (path, text) in documents() {
        let (prose, _) = parted(&path.display().to_string(), &text);
        for (index, line) in prose.iter().enumerate() {
            for target in links(line) {
                count += 1;
                faults.extend(
                    fault(&path, &target)
                        .map(|what| format!("{}, line {}: {what}", path.display(), index + 1)),
                );
            }
        }
    }
    assert!(count > 30, "only {count} links were found");
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// The control: what leads nowhere is found, and code is no link.
#[test]
fn a_link_that_leads_nowhere_is_found() {
    let document = root().join("README.md");
    assert_eq!(
        links("see [one](docs/one.md#two), `[no](link)` and ![a](b.png)"),
        ["docs/one.md#two", "b.png"]
    );
    assert_eq!(fault(&document, "docs/model.md#sources"), None);
    assert!(fault(&document, "docs/modle.md").is_some_and(|what| what.contains("no such file")));
    assert!(fault(&document, "docs/model.md#sauces").is_some_and(|what| what.contains("no such heading")));
    assert_eq!(anchor(" What `live` needs, and why"), "what-live-needs-and-why");
}

#[test]
fn every_command_is_run_or_says_why_not() {
    let fences = fences();
    let faults: Vec<String> =
        fences.iter().filter_map(|fence| Some(format!("{}: {}", fence.from, fault_of(fence)?))).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    for (command, ..) in RUN {
        let is_there =
            fences.iter().any(|fence| fence.language == "sh" && fence.commands().contains(&command));
        assert!(is_there, "\"{command}\" stands in no document; take it out of RUN");
    }
    // Four spaces make a block, too, and nothing says what is in it.
    for (path, text) in documents() {
        let (prose, _) = parted(&path.display().to_string(), &text);
        let block = prose.iter().find(|line| line.starts_with("    ") && !line.trim().is_empty());
        assert_eq!(block, None, "{}: put it into a fence that says what it is", path.display());
    }
}

/// The control: what is neither run nor marked is found.
#[test]
fn a_command_that_is_neither_run_nor_marked_is_found() {
    let found = |text: &str| fault_of(&parted("x.md", text).1[0]);
    assert_eq!(found("```sh\ncargo xtask --help   # all of it\n```\n"), None);
    assert_eq!(found("<!-- not run in tests: slow -->\n```sh\ncargo xtask bench\n```\n"), None);
    assert_eq!(found("```toml\ndepth = 3\n```\n"), None);
    assert!(found("```sh\ncargo xtask bench\n```\n").is_some_and(|what| what.contains("cargo xtask bench")));
    assert!(found("```\ncargo xtask bench\n```\n").is_some_and(|what| what.contains("no language")));
}

#[test]
fn the_quick_commands_run() {
    for (command, package, arguments, word) in RUN {
        let said = printed(package, arguments);
        assert!(said.contains(word), "{command}: expected \"{word}\" in {said}");
    }
}

/// Commands that are not run still name what is there: a task, and files of the demo.
#[test]
fn every_command_names_what_there_is() {
    let help = printed(Program::Tasks, &["--help"]);
    let tasks: BTreeSet<&str> = help
        .lines()
        .filter(|line| line.starts_with("  "))
        .filter_map(|line| line.split_whitespace().next())
        .collect();
    let mut named = BTreeSet::new();
    for fence in fences().iter().filter(|fence| fence.language == "sh") {
        for command in fence.commands() {
            if let Some(words) = command.strip_prefix(TASK) {
                let task = words.split_whitespace().next().unwrap_or_default();
                assert!(
                    task.starts_with('-') || tasks.contains(task),
                    "{}: there is no task {task}",
                    fence.from
                );
                named.insert(task.to_owned());
            }
            for word in command.split_whitespace().filter(|word| word.starts_with("presets-demo/")) {
                assert!(root().join(word).exists(), "{}: there is no {word}", fence.from);
            }
        }
    }
    assert!(named.len() > 8, "only {named:?} were found");
    assert!(!tasks.contains("plaec"), "the control: a task that is none");
}
