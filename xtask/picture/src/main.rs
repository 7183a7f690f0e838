//! Draws the editor for a seat or a hall into a PNG.

use std::io::{Cursor, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context as _, Result, ensure};
use clap::Parser;
use image::ImageFormat;
use rostra_files::{Kind, NewFile, PLATFORM, SEAT, Twin};
use rostra_picture::hall::HallDesk;
use rostra_picture::{Desk, draw, hall, values};
use rostra_terminal::tell;

#[derive(Parser)]
#[command(about = "Draws the editor for a seat or a hall")]
struct Arguments {
    /// A platform file, or the name of one at hand; before the seat.
    #[arg(long)]
    platform: Option<PathBuf>,
    /// A seat file, or the name of one at hand.
    #[arg(long)]
    seat: Option<PathBuf>,
    /// Draw the hall's sheet instead: for a hall file, the name of one at hand, or the default hall.
    #[arg(long, num_args = 0..=1, conflicts_with_all = ["platform", "seat"])]
    #[expect(clippy::option_option, reason = "not asked for, asked for, and asked for with a file")]
    hall: Option<Option<PathBuf>>,
    /// What is set after the files, as id=value; later ones win.
    #[arg(long = "set")]
    set: Vec<String>,
    /// Draw the sheet for a dark room.
    #[arg(long)]
    dark: bool,
    /// Size of the window against the sheet's own, 0.75 to 2.
    #[arg(long, default_value_t = 1.0)]
    scale: f32,
    /// Pixels per point, as of the screen: 1 or 2.
    #[arg(long, default_value_t = 1.0)]
    pixels: f32,
    /// The file to write.
    #[arg(long)]
    out: PathBuf,
}

fn main() -> ExitCode {
    match run(&rostra_terminal::arguments()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            tell!("error: {error:#}");
            ExitCode::from(2)
        }
    }
}

fn run(arguments: &Arguments) -> Result<()> {
    let Arguments { platform, seat, hall: of_hall, set, dark, scale, pixels, out } = arguments;
    ensure!((0.75..=2.0).contains(scale), "--scale {scale}: is out of range; give 0.75 to 2");
    ensure!(
        (0.5..=4.0).contains(pixels),
        "--pixels {pixels}: is out of range; give 0.5 to 4 pixels per point"
    );
    let picture = match of_hall {
        Some(file) => {
            let values = hall::values(file.as_deref(), set)?;
            hall::draw(HallDesk::new(values, *dark), *scale, *pixels)?
        }
        None => {
            draw(Desk::new(values(&files(platform.as_ref(), seat.as_ref()), set)?, *dark), *scale, *pixels)?
        }
    };
    // Whole or not at all: what stood there before stays until the picture is written.
    let cannot = || format!("{}: cannot be written", out.display());
    let folder = out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut coded = Cursor::new(Vec::new());
    picture.write_to(&mut coded, ImageFormat::Png).with_context(cannot)?;
    let mut file = NewFile::within(folder).with_context(cannot)?;
    file.write_all(coded.get_ref()).with_context(cannot)?;
    file.keep(out, Twin::Replaced).with_context(cannot)
}

/// Returns the files of a seat's picture, the platform's first.
fn files(platform: Option<&PathBuf>, seat: Option<&PathBuf>) -> Vec<(Kind, PathBuf)> {
    let files = [(PLATFORM, platform), (SEAT, seat)];
    files.into_iter().filter_map(|(kind, written)| Some((kind, written?.clone()))).collect()
}
