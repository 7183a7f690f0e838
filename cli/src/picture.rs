//! A picture of the editor for a seat or a hall, without a window.

use std::path::{Path, PathBuf};

use anyhow::{Result, ensure};
use rostra_terminal::{say, shown};

use crate::recording::is_same_file;

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
    /// The file to write; `editor.png` or `hall.png` in the current folder where none is named.
    #[arg(long, value_name = "FILE.png", overrides_with = "out")]
    out: Option<PathBuf>,
}

/// What is said by a program that was built without what draws.
#[cfg(not(feature = "pictures"))]
pub(crate) const LEFT_OUT: &str = "this program was built without support for pictures of the editor; build it with that support (in a checkout: cargo build --release -p rostra-cli)";

/// Draws it.
///
/// # Errors
/// When a file cannot be read, asks for what cannot be had, or nothing here can draw.
pub(crate) fn run(arguments: &Arguments) -> Result<()> {
    let Arguments { platform, seat, hall, scale, pixels, .. } = arguments;
    ensure!((0.75..=2.0).contains(scale), "--scale {scale}: is out of range; give 0.75 to 2");
    ensure!(
        (0.5..=4.0).contains(pixels),
        "--pixels {pixels}: is out of range; give 0.5 to 4 pixels per point"
    );
    let name = if hall.is_some() { "hall.png" } else { "editor.png" };
    let out = arguments.out.as_deref().unwrap_or(Path::new(name));
    for file in
        [platform.as_ref(), seat.as_ref(), hall.as_ref().and_then(Option::as_ref)].into_iter().flatten()
    {
        ensure!(
            !is_same_file(file, out),
            "{}: is an input, and the picture would overwrite it; choose another --out",
            file.display()
        );
    }
    drawing::draw(arguments, out)?;
    say!("{}", shown(out));
    Ok(())
}

/// What draws.
#[cfg(feature = "pictures")]
mod drawing {
    use std::io::Cursor;
    use std::path::{Path, PathBuf};

    use anyhow::{Context as _, Result};
    use rostra_files::{Kind, PLATFORM, SEAT};
    use rostra_picture::hall::{self, OpenHallSheet};
    use rostra_picture::{OpenSheet, PNG, draw as draw_sheet, values};

    use super::Arguments;
    use crate::recording::write_whole;

    /// Draws what was asked for, whole or not at all: what stood there before stays until the picture is written.
    pub(super) fn draw(arguments: &Arguments, out: &Path) -> Result<()> {
        let Arguments { platform, seat, hall, set, dark, scale, pixels, .. } = arguments;
        let picture = if let Some(file) = hall {
            let values = hall::values(file.as_deref(), set)?;
            hall::draw(OpenHallSheet::new(values, *dark), *scale, *pixels)?
        } else {
            let values = values(&files(platform.as_ref(), seat.as_ref()), set)?;
            draw_sheet(OpenSheet::new(values, *dark), *scale, *pixels)?
        };
        let mut coded = Cursor::new(Vec::new());
        picture.write_to(&mut coded, PNG).with_context(|| format!("{}: cannot be encoded", out.display()))?;
        write_whole(out, coded.get_ref())
    }

    /// Returns the files of a seat's picture, the platform's first.
    fn files(platform: Option<&PathBuf>, seat: Option<&PathBuf>) -> Vec<(Kind, PathBuf)> {
        let files = [(PLATFORM, platform), (SEAT, seat)];
        files.into_iter().filter_map(|(kind, written)| Some((kind, written?.clone()))).collect()
    }
}

/// What stands in where this was built without it.
#[cfg(not(feature = "pictures"))]
mod drawing {
    use std::path::Path;

    use anyhow::{Result, bail};

    use super::{Arguments, LEFT_OUT};

    pub(super) fn draw(arguments: &Arguments, _out: &Path) -> Result<()> {
        let Arguments { set, dark, .. } = arguments;
        let _ = (set, dark);
        bail!("{LEFT_OUT}")
    }
}
