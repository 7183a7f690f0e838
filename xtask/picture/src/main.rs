//! Draws the editor for a seat into a PNG.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context as _, Result, ensure};
use clap::Parser;
use rostra_picture::{Desk, draw, values};

#[derive(Parser)]
#[command(about = "Draws the editor for a seat")]
struct Arguments {
    /// What is set, as id=value; later ones win.
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
    match run(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::from(2)
        }
    }
}

fn run(arguments: &Arguments) -> Result<()> {
    let Arguments { set, dark, scale, pixels, out } = arguments;
    ensure!((0.75..=2.0).contains(scale), "--scale {scale}: the sheet is drawn at 0.75 to 2 times its size");
    ensure!((0.5..=4.0).contains(pixels), "--pixels {pixels}: a screen has 0.5 to 4 pixels per point");
    let picture = draw(Desk::new(values(set)?, *dark), *scale, *pixels)?;
    picture.save(out).with_context(|| format!("{}: cannot be written", out.display()))
}
