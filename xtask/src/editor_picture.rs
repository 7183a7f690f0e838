//! A picture of the editor for a seat or a hall: read here, drawn by the package that carries what draws.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, bail, ensure};
use rostra_terminal::say;

use crate::parameter::Wish;
use crate::recording::is_same_file;
use crate::workspace;

/// What is drawn, and how.
#[derive(clap::Args)]
pub(crate) struct Arguments {
    /// The seat: a file, or a name that `files` lists; the default seat if left out.
    #[arg(long, value_name = "FILE.toml|NAME")]
    seat: Option<PathBuf>,
    /// The platform, likewise; applied before the seat.
    #[arg(long, value_name = "FILE.toml|NAME")]
    platform: Option<PathBuf>,
    /// Draw the editor of this hall instead; the default hall if no name is given.
    #[arg(long, value_name = "FILE.toml|NAME", num_args = 0..=1, conflicts_with_all = ["seat", "platform"])]
    #[expect(clippy::option_option, reason = "not asked for, asked for, and asked for with a file")]
    hall: Option<Option<PathBuf>>,
    /// Set a parameter, as id=value; overrides the files.
    #[arg(long = "set", value_name = "ID=VALUE")]
    set: Vec<String>,
    /// Draw on dark paper.
    #[arg(long)]
    dark: bool,
    /// Size of the window relative to the default, 0.75 to 2.
    #[arg(long, default_value_t = 1.0)]
    scale: f32,
    /// Pixels per point, as on the screen: 1 or 2.
    #[arg(long, default_value_t = 1.0)]
    pixels: f32,
    /// The file to write; `editor.png` or `hall.png` in the target folder where none is named.
    #[arg(long, value_name = "FILE.png")]
    out: Option<PathBuf>,
}

/// Returns the command that draws, without its arguments.
pub(crate) fn drawer(root: &Path) -> Command {
    let mut command = Command::new("cargo");
    command.current_dir(root).args(["run", "--quiet", "--package", "rostra-picture", "--"]);
    if std::env::var_os("XDG_RUNTIME_DIR").is_none() {
        // What looks for a display there complains where it is not set, several times; there is none in any folder.
        command.env("XDG_RUNTIME_DIR", std::env::temp_dir());
    }
    command
}

/// Draws it.
///
/// # Errors
/// When a file cannot be read, asks for what cannot be had, or nothing here can draw.
pub(crate) fn run(arguments: &Arguments) -> Result<()> {
    let Arguments { seat, platform, hall, set, dark, scale, pixels, out } = arguments;
    let wishes = set.iter().map(|text| Wish::from_option(text)).collect::<Result<Vec<_>>>()?;
    let root = workspace::root()?;
    let out = match out {
        Some(out) => std::path::absolute(out).with_context(|| format!("{}: is not a path", out.display()))?,
        None => workspace::target()?.join(if hall.is_some() { "hall.png" } else { "editor.png" }),
    };
    let mut command = drawer(&root);
    let of_hall = match hall {
        Some(None) => {
            command.arg("--hall");
            None
        }
        Some(file) => file.as_ref(),
        None => None,
    };
    for (option, file) in [("--platform", platform.as_ref()), ("--seat", seat.as_ref()), ("--hall", of_hall)]
    {
        if let Some(file) = file {
            ensure!(
                !is_same_file(file, &out),
                "{}: is an input, and the picture would overwrite it; choose another --out",
                file.display()
            );
            // A path counts from here, a name from anywhere.
            let here = file.exists().then(|| std::path::absolute(file)).transpose()?;
            command.arg(option).arg(here.as_ref().unwrap_or(file));
        }
    }
    for wish in &wishes {
        // `close = "off"` and the like are words of the plug-in's own.
        command.args(["--set", &format!("{}={}", wish.id, wish.value)]);
    }
    command.args(["--scale", &scale.to_string(), "--pixels", &pixels.to_string(), "--out"]).arg(&out);
    if *dark {
        command.arg("--dark");
    }
    let status = command.status().context("cargo cannot be run")?;
    if status.code() == Some(2) {
        bail!("nothing was drawn");
    }
    ensure!(status.success(), "the program that draws the picture could not be built");
    say!("{}", workspace::shown(&out));
    Ok(())
}
