//! A short guided comparison: a recording for each of its seats, its figures, and a picture.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow};
use rostra::editor::filing::contents_of;
use rostra::file_table::table;
use rostra_files::{HALL, PLATFORM, SEAT};
use rostra_live::lessons::{self, Lesson, Seat};
use rostra_terminal::say;

use crate::at_hand::AtHand;
use crate::recording::write_whole;

/// Which lesson, and where to.
#[derive(clap::Args)]
pub(crate) struct Arguments {
    /// The lesson; without a name all are listed.
    name: Option<String>,
    /// Folder for its recordings and its picture; by default the lesson's own name.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Leave the picture out; it needs a graphics driver.
    #[arg(long)]
    no_picture: bool,
}

/// Renders a lesson, or lists them, and draws its picture.
///
/// # Errors
/// When the demo is not found, the lesson is not there, its folder cannot be written to, or nothing here can draw.
pub(crate) fn run(arguments: &Arguments, at_hand: &AtHand) -> Result<()> {
    let lessons = lessons::all(&at_hand.presets()?)?;
    let Some(name) = &arguments.name else {
        for lesson in lessons {
            say!("{:32} {}", lesson.name, lesson.title);
        }
        say!("Render one by its number or its name, to a folder of that name: lesson 1");
        return Ok(());
    };
    let mut lesson = lessons::find(lessons, name)?;
    let out = &arguments.out.clone().unwrap_or_else(|| file_name(&lesson.name).into());
    render(&mut lesson, out)?;
    if arguments.no_picture {
        return Ok(());
    }
    picture::draw(&lesson, out).context("the picture was not drawn; the recordings are complete")
}

/// Renders each seat of a lesson, all at one loudness, and writes its files beside it.
fn render(lesson: &mut Lesson, out: &Path) -> Result<()> {
    fs::create_dir_all(out)
        .map_err(|error| anyhow!("--out {}: cannot be created ({error}); choose another", out.display()))?;
    say!("{}", lesson.title);
    lesson.listen.lines().for_each(|line| say!("{line}"));
    let recordings = lesson.render_matched()?;
    if let Some(lufs) = lesson.matched_lufs {
        say!(
            "All at {lufs:.1} LUFS (ITU-R BS.1770): each seat is trimmed down to the quietest, so none wins by level."
        );
    }
    for (place, (seat, recording)) in lesson.seats.iter().zip(recordings).enumerate() {
        let called = format!("{}-{}", place + 1, file_name(&seat.name));
        recording.write(&out.join(format!("{called}.wav")))?;
        write_files(seat, out, &called)?;
        say!("{called}.wav  {}", seat.figures_text(&lesson.figures));
    }
    Ok(())
}

/// Writes the files of a seat, so that the plug-in's own menus can take what was heard.
fn write_files(seat: &Seat, out: &Path, called: &str) -> Result<()> {
    for kind in [SEAT, PLATFORM] {
        let table = table(kind);
        let contents = contents_of(&seat.scene.values, &table, seat.name.clone());
        write_whole(&out.join(format!("{called}.{}.toml", kind.word)), contents.text(&table))?;
    }
    if let Some(hall) = &seat.scene.hall {
        let table = table(HALL);
        let contents = contents_of(hall, &table, seat.name.clone());
        write_whole(&out.join(format!("{called}.hall.toml")), contents.text(&table))?;
    }
    Ok(())
}

/// Returns a name that any system takes for a file.
fn file_name(name: &str) -> String {
    let letters = name.to_lowercase();
    let words: Vec<&str> =
        letters.split(|letter: char| !letter.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
    words.join("-")
}

/// The lesson's picture, where this was built with what draws.
#[cfg(feature = "pictures")]
mod picture {
    use std::path::Path;

    use anyhow::{Context as _, Result, ensure};
    use image::RgbImage;
    use rostra_live::lessons::{Lesson, Seat};
    use rostra_picture::hall::{self, OpenHallSheet};
    use rostra_picture::{OpenSheet, draw as draw_sheet};
    use rostra_terminal::{say, shown};

    use crate::paper::{self, Anchor, INK, VERMILION};

    /// Height of the heading over the sheets, pixels: a line for the lesson, one for the seats.
    const HEAD_PIXELS: u32 = 70;
    /// Left edge of its lines, their heights and sizes, pixels.
    const HEAD_LEFT: f64 = 16.0;
    const TITLE: (f64, f64) = (22.0, 22.0);
    const NAMES: (f64, f64) = (52.0, 18.0);
    /// Name of the picture in a lesson's folder.
    const PICTURE: &str = "lesson.png";

    /// Draws the sheet of each seat of a lesson, side by side under its name: that of the hall where the seat has one, else
    /// the seat's.
    pub(super) fn draw(lesson: &Lesson, out: &Path) -> Result<()> {
        let drawn = lesson.seats.iter().map(sheet).collect::<Result<Vec<_>>>()?;
        let width = drawn.iter().map(RgbImage::width).sum();
        let height = drawn.iter().map(RgbImage::height).max().unwrap_or(0);
        ensure!(width > 0, "the lesson has no seats");
        let mut whole = RgbImage::new(width, HEAD_PIXELS + height);
        let head = paper::drawn((width, HEAD_PIXELS), |paper| {
            paper.text(&lesson.title, (HEAD_LEFT, TITLE.0), TITLE.1, Anchor::Left, INK)?;
            let mut x = HEAD_LEFT;
            for (seat, sheet) in lesson.seats.iter().zip(&drawn) {
                paper.text(&seat.name, (x, NAMES.0), NAMES.1, Anchor::Left, VERMILION)?;
                x += f64::from(sheet.width());
            }
            Ok(())
        })?;
        image::imageops::replace(&mut whole, &head, 0, 0);
        let mut x = 0;
        for sheet in &drawn {
            image::imageops::replace(&mut whole, sheet, i64::from(x), i64::from(HEAD_PIXELS));
            x += sheet.width();
        }
        let path = out.join(PICTURE);
        paper::write(&path, &whole)?;
        say!("{}", shown(&path));
        Ok(())
    }

    /// Draws the sheet of a seat, without what lies behind it.
    fn sheet(seat: &Seat) -> Result<RgbImage> {
        let picture = match &seat.scene.hall {
            Some(hall) => hall::draw(OpenHallSheet::new(hall.clone(), false), 1.0, 1.0)?,
            None => draw_sheet(OpenSheet::new(seat.scene.values.clone(), false), 1.0, 1.0)?,
        };
        let (width, height) = (picture.width(), picture.height());
        let colours = picture.pixels().flat_map(|pixel| [pixel[0], pixel[1], pixel[2]]).collect();
        RgbImage::from_raw(width, height, colours).context("a sheet is not as large as it says")
    }
}

/// What stands in where this was built without what draws.
#[cfg(not(feature = "pictures"))]
mod picture {
    use std::path::Path;

    use anyhow::{Result, bail};
    use rostra_live::lessons::Lesson;

    pub(super) fn draw(_lesson: &Lesson, _out: &Path) -> Result<()> {
        bail!("{}; add --no-picture", crate::picture::LEFT_OUT)
    }
}
