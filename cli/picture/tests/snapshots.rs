//! Six seats, two halls, a menu and the first session of the README look as they did; the pictures are in `tests/pictures`
//! and `docs/pictures`. `ROSTRA_KEEP_PICTURES=1` makes them anew.
//!
//! Without any driver that draws there is nothing to compare: `cargo xtask test`
//! installs one where it may, and else shows the step as skipped.

use std::path::Path;

use anyhow::Result;
use egui_kittest::kittest::Queryable as _;
use image::RgbaImage;
use rostra::editor::sheet::Levels;
use rostra_picture::hall::{self, OpenHallSheet};
use rostra_picture::{OpenSheet, draw, open, values};

/// The seats: the name of the picture, and what is set.
const SEATS: [(&str, bool, &[&str]); 6] = [
    ("front-strings", false, &["depth=2.8", "bearing=-48", "family=top plate", "balance=25"]),
    (
        "horn-at-the-back",
        false,
        &["depth=10.5", "bearing=-22", "riser=0.9", "family=rear bell", "balance=65"],
    ),
    (
        "fourteen-violins",
        false,
        &[
            "depth=3.4",
            "bearing=-38",
            "facing=40",
            "family=top plate",
            "players=14",
            "width=4.8",
            "ranks=2.4",
            "balance=25",
        ],
    ),
    (
        "four-horns",
        true,
        &["depth=10.5", "bearing=-22", "riser=0.9", "family=rear bell", "players=4", "width=4"],
    ),
    ("off-the-platform", true, &["depth=24", "bearing=45", "family=tone holes", "decay=1.8", "close=0.3"]),
    (
        "large-platform",
        true,
        &[
            "plat_w=30",
            "plat_d=25",
            "plat_h=16",
            "depth=20",
            "family=drumhead",
            "mics=spaced omnis",
            "lowmid_g=-6",
        ],
    ),
];

/// Most pixels that may differ visibly, as a share: another version of the driver smooths edges otherwise.
const MOST_DIFFERENT: f64 = 0.004;
/// The same where what is looked at is a mark and a line of words.
const MOST_OF_LEAN: f64 = 0.0004;
/// Difference of a channel that is visible, of 255.
const VISIBLE: i32 = 48;

fn different(a: &RgbaImage, b: &RgbaImage) -> f64 {
    assert_eq!(a.dimensions(), b.dimensions());
    let differs = |(a, b): (&image::Rgba<u8>, &image::Rgba<u8>)| {
        a.0.iter().zip(&b.0).any(|(&a, &b)| (i32::from(a) - i32::from(b)).abs() > VISIBLE)
    };
    let count = a.pixels().zip(b.pixels()).filter(|&pair| differs(pair)).count();
    count as f64 / a.pixels().len() as f64
}

/// Returns the kept picture of a place; makes it anew where that is asked for.
fn kept(path: &Path, now: &RgbaImage) -> RgbaImage {
    if std::env::var_os("ROSTRA_KEEP_PICTURES").is_some() {
        now.save(path).expect("the picture is written");
    }
    image::open(path).expect("a kept picture").to_rgba8()
}

fn drawn(overrides: &[&str], is_dark: bool) -> Result<RgbaImage> {
    let overrides: Vec<String> = overrides.iter().map(|&text| text.to_owned()).collect();
    draw(OpenSheet::new(values(&[], &overrides).expect("overrides"), is_dark), 1.0, 1.0)
}

/// Draws the sheet with the menu of seat files open.
fn menu(is_dark: bool) -> Result<RgbaImage, String> {
    let values = values(&[], &[]).expect("no overrides");
    let mut harness = open(OpenSheet::new(values, is_dark), 1.0, 1.0);
    harness.run();
    let at = harness.get_by_label("Seat files").rect().center();
    harness.event(egui::Event::PointerMoved(at));
    for pressed in [true, false] {
        let (button, modifiers) = (egui::PointerButton::Primary, egui::Modifiers::NONE);
        harness.event(egui::Event::PointerButton { pos: at, button, pressed, modifiers });
        harness.step();
    }
    harness.run();
    harness.render()
}

#[test]
fn the_menu_of_seat_files_looks_as_it_did() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pictures/seat-files.png");
    let now = match menu(false) {
        Ok(now) => now,
        Err(why) => {
            eprintln!("Skipped: {why}");
            return;
        }
    };
    let before = kept(&path, &now);
    let share = different(&before, &now);
    assert!(share <= MOST_DIFFERENT, "{:.2} % of the pixels differ", 100.0 * share);
    // The control: a closed menu shows.
    let closed = drawn(&[], false).expect("it drew before");
    assert!(different(&before, &closed) > MOST_DIFFERENT, "a closed menu looks the same");
}

/// Draws eight cellos whose channel leans so far, dB; `None` draws a channel that does not say.
fn leaning(lean_db: Option<f32>) -> Result<RgbaImage, String> {
    let overrides = ["depth=3.5", "bearing=30", "family=front plate", "players=8", "width=3.2", "ranks=1.2"];
    let values = values(&[], &overrides.map(str::to_owned)).expect("overrides");
    let mut harness = open(OpenSheet::new(values, false), 1.0, 1.0);
    let levels = Levels { input_dbfs: -22.0, output_dbfs: -19.0, placed_lu: Some(0.4), lean_db };
    harness.state_mut().sheet.levels = Some(levels);
    harness.run();
    harness.render()
}

#[test]
fn a_channel_that_leans_looks_as_it_did() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pictures/cellos-that-lean.png");
    let now = match leaning(Some(5.4)) {
        Ok(now) => now,
        Err(why) => {
            eprintln!("Skipped: {why}");
            return;
        }
    };
    let before = kept(&path, &now);
    let share = different(&before, &now);
    assert!(share <= MOST_OF_LEAN, "{:.2} % of the pixels differ", 100.0 * share);
    // The control: mark, words and button show.
    let share = different(&before, &leaning(None).expect("it drew before"));
    assert!(share > MOST_OF_LEAN, "a channel that says nothing changes {:.2} % only", 100.0 * share);
}

#[test]
fn six_seats_look_as_they_did() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pictures");
    for (name, is_dark, overrides) in SEATS {
        let now = match drawn(overrides, is_dark) {
            Ok(now) => now,
            Err(why) => {
                eprintln!("Skipped: {why:#}");
                return;
            }
        };
        let path = folder.join(format!("{name}.png"));
        let before = kept(&path, &now);
        let share = different(&before, &now);
        assert!(share <= MOST_DIFFERENT, "{name}: {:.2} % of the pixels differ", 100.0 * share);
        // The control: a metre of depth shows.
        let elsewhere = drawn(&[overrides, &["depth=5.7"]].concat(), is_dark).expect("it drew before");
        let share = different(&before, &elsewhere);
        assert!(share > MOST_DIFFERENT, "{name}: another depth changes {:.2} % only", 100.0 * share);
    }
}

/// The halls: the name of the picture, whether the room is dark, and the file.
const HALLS: [(&str, bool, Option<&str>); 2] =
    [("hall", false, None), ("hall-short-cue", true, Some("built-in/Short cue"))];

fn drawn_hall(file: Option<&str>, overrides: &[&str], is_dark: bool) -> Result<RgbaImage> {
    let overrides: Vec<String> = overrides.iter().map(|&text| text.to_owned()).collect();
    let values = hall::values(file.map(Path::new), &overrides).expect("a hall");
    hall::draw(OpenHallSheet::new(values, is_dark), 1.0, 1.0)
}

#[test]
fn two_halls_look_as_they_did() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pictures");
    for (name, is_dark, file) in HALLS {
        let now = match drawn_hall(file, &[], is_dark) {
            Ok(now) => now,
            Err(why) => {
                eprintln!("Skipped: {why:#}");
                return;
            }
        };
        let path = folder.join(format!("{name}.png"));
        let before = kept(&path, &now);
        let share = different(&before, &now);
        assert!(share <= MOST_DIFFERENT, "{name}: {:.2} % of the pixels differ", 100.0 * share);
        // The control: a gap of 60 ms shows.
        let elsewhere = drawn_hall(file, &["pre_delay=60"], is_dark).expect("it drew before");
        let share = different(&before, &elsewhere);
        assert!(share > MOST_DIFFERENT, "{name}: another gap changes {:.2} % only", 100.0 * share);
    }
}

/// A part of a sheet, points: left, top, width, height.
type Part = [u32; 4];

/// What the README shows of a seat's sheet, step by step: the name of the picture, what is set, and the part that is shown.
///
/// The channel is called "Horns 2", so the title block suggests a seat until the horns sit there.
const STEPS: [(&str, &[&str], Part); 4] = [
    ("1-insert", &[], [0, 0, 1000, 700]),
    ("2-seat", &HORNS, [660, 0, 340, 168]),
    ("3-platform", &LINKED, [660, 168, 340, 164]),
    ("4-send", &LINKED, [0, 576, 411, 124]),
];
/// The seat of the demo's horns, with a little more of the platform.
const HORNS: [&str; 7] =
    ["depth=10.5", "bearing=-22", "riser=0.9", "family=rear bell", "players=4", "width=4", "balance=65"];
/// The same, on a platform that all channels share.
const LINKED: [&str; 8] = [
    "depth=10.5",
    "bearing=-22",
    "riser=0.9",
    "family=rear bell",
    "players=4",
    "width=4",
    "balance=65",
    "link=1",
];

/// Holds a picture against the one that is kept, or keeps it.
fn hold(path: &Path, now: &RgbaImage) {
    if std::env::var_os("ROSTRA_KEEP_PICTURES").is_some() {
        now.save(path).expect("the picture is written");
    }
    let before = image::open(path).expect("a kept picture").to_rgba8();
    let share = different(&before, now);
    assert!(share <= MOST_DIFFERENT, "{}: {:.2} % of the pixels differ", path.display(), 100.0 * share);
}

#[test]
fn the_first_session_looks_as_the_readme_shows_it() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/pictures");
    for (name, overrides, [left, top, width, height]) in STEPS {
        let overrides: Vec<String> = overrides.iter().map(|&text| text.to_owned()).collect();
        let mut desk = OpenSheet::new(values(&[], &overrides).expect("overrides"), false);
        desk.sheet.name_track("Horns 2");
        let sheet = match draw(desk, 1.0, 1.0) {
            Ok(sheet) => sheet,
            Err(why) => {
                eprintln!("Skipped: {why:#}");
                return;
            }
        };
        let part = image::imageops::crop_imm(&sheet, left, top, width, height).to_image();
        hold(&folder.join(format!("{name}.png")), &part);
    }
    let hall = drawn_hall(None, &[], false).expect("it drew before");
    hold(&folder.join("5-hall.png"), &hall);
    // The control: another step is another picture.
    let first = image::open(folder.join("1-insert.png")).expect("a kept picture").to_rgba8();
    let second = drawn(&HORNS, false).expect("it drew before");
    assert!(different(&first, &second) > MOST_DIFFERENT, "a seat changes nothing");
}
