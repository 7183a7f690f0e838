//! Short guided comparisons: two or three scenes, what to listen for, and the figures that change.
//!
//! A lesson is data. Its figures are not: they are worked out from the plan when
//! they are shown, so that what is told is what plays. Nor is the trim that brings
//! all its seats to one loudness: that is measured on what they render.
//!
//! ```toml
//! title = "Near and far"
//! loop = "clarinet"                       # a stem of the demo
//! listen = "Which of them sits with you, and which across the room?"
//! figures = ["direct-to-reflected"]
//!
//! [[seat]]
//! name = "Near"
//! set = { depth = 2.5 }
//! ```

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, ensure};
use rostra::editor::values::Edit;
use rostra_dsp::acoustics::gain_of_db;
use rostra_dsp::extremes::least;
use rostra_dsp::settings::TRIM;
use rostra_files::{FileStore, loose};
use rostra_recording::{Loudness, Recording};
use serde::Deserialize;
use toml::Spanned;

use crate::figures::Figure;
use crate::render::render;
use crate::scene::{Scene, Source, Written};
use crate::sound_loop::Listed;

/// A lesson.
#[derive(Clone, Debug, PartialEq)]
pub struct Lesson {
    /// What its file is called, without the ending.
    pub name: String,
    /// Its heading.
    pub title: String,
    /// What to listen for, a sentence.
    pub listen: String,
    /// What plays.
    pub loop_file: PathBuf,
    /// What is told of each seat.
    pub figures: Vec<Figure>,
    /// Two or three seats.
    pub seats: Vec<Seat>,
    /// Loudness to which all seats were brought, LUFS; `None` before [`Self::render_matched`].
    pub matched_lufs: Option<f64>,
}

/// A seat of a lesson.
#[derive(Clone, Debug, PartialEq)]
pub struct Seat {
    /// What it is called.
    pub name: String,
    /// Where it is.
    pub scene: Scene,
}

impl Seat {
    /// Returns the figures of this seat, in words.
    pub fn figures_text(&self, figures: &[Figure]) -> String {
        let figures = figures.iter().map(|figure| format!("{} {}", figure.name(), figure.text(&self.scene)));
        let trim_db = self.scene.values.value(TRIM);
        let trim = (trim_db != 0.0).then(|| format!("trim {trim_db:+.1} dB").replace('-', "\u{2212}"));
        figures.chain(trim).collect::<Vec<_>>().join(", ")
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: String,
    listen: String,
    #[serde(rename = "loop")]
    loop_name: Spanned<String>,
    figures: Vec<Figure>,
    #[serde(rename = "seat", default)]
    seats: Vec<Entry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    name: String,
    seat: Option<Spanned<String>>,
    platform: Option<Spanned<String>>,
    hall: Option<Spanned<String>>,
    set: Option<Spanned<toml::Table>>,
    hall_set: Option<Spanned<toml::Table>>,
}

/// Reads the lessons that come with the demo, in the order of their files' names.
///
/// # Errors
/// In a line, when the folder or a lesson cannot be read.
pub fn all(demo: &Path) -> Result<Vec<Lesson>> {
    let folder = demo.join("lessons");
    let cannot = || format!("{}: cannot be read; name the demo's folder with --presets", folder.display());
    let mut files: Vec<PathBuf> =
        fs::read_dir(&folder).with_context(cannot)?.flatten().map(|entry| entry.path()).collect();
    files.retain(|path| path.extension().is_some_and(|ending| ending == "toml"));
    files.sort();
    files.iter().map(|path| Lesson::read(path, demo)).collect()
}

/// Finds a lesson by its name, its title or its number, spelt loosely.
///
/// # Errors
/// In a line that names those there are.
pub fn find(lessons: Vec<Lesson>, name: &str) -> Result<Lesson> {
    let names: Vec<String> = lessons.iter().map(|lesson| lesson.name.clone()).collect();
    let asked = loose(name);
    let is_asked = |lesson: &Lesson| {
        let number = lesson.name.split('-').next().unwrap_or_default();
        [number, &lesson.name, &lesson.title].into_iter().any(|known| loose(known) == asked)
    };
    let found = lessons.into_iter().find(is_asked);
    found.with_context(|| format!("there is no lesson \"{name}\"; there are: {}", names.join(", ")))
}

impl Lesson {
    fn read(path: &Path, demo: &Path) -> Result<Self> {
        let called = path.display().to_string();
        let text =
            fs::read_to_string(path).with_context(|| format!("{called}: cannot be read; check the path"))?;
        let folder = path.parent().unwrap_or(Path::new("."));
        let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        Self::parse(&Source { text: &text, called: &called, folder }, name, demo)
    }

    fn parse(source: &Source, name: String, demo: &Path) -> Result<Self> {
        let File { title, listen, loop_name, figures, seats } = source.parse()?;
        let loop_file = demo.join("stems").join(loop_name.get_ref()).with_extension("flac");
        ensure!(
            loop_file.is_file(),
            "{}: there is no stem \"{}\" in the demo; write the name of a file in {} without its extension",
            source.line(loop_name.span().start),
            loop_name.get_ref(),
            demo.join("stems").display()
        );
        ensure!(
            (2..=3).contains(&seats.len()),
            "{}: has {} seats; a comparison has two or three: write [[seat]] above each",
            source.called,
            seats.len()
        );
        ensure!(!figures.is_empty(), "{}: names no figures; write figures = [\"roll-off\"]", source.called);
        // The files that come with the program, whatever its user has put beside them.
        let store = FileStore::at("no folder of files");
        let read = |entry: Entry| {
            let Entry { name, seat, platform, hall, set, hall_set } = entry;
            let mut scene = Scene::default();
            source.change(&Written { seat, platform, hall, set, hall_set }, &mut scene, &store)?;
            Ok(Seat { name, scene })
        };
        let seats = seats.into_iter().map(read).collect::<Result<_>>()?;
        Ok(Self { name, title, listen, loop_file, figures, seats, matched_lufs: None })
    }

    /// Renders each seat, the loop once and what rings on, and trims all of them down to the loudness of the quietest.
    ///
    /// So no seat is preferred for being louder. The trim becomes part of the
    /// seats, on the parameter's own grid of 0.1 dB. Seats too short or too quiet
    /// to measure stay as they are.
    ///
    /// # Source
    /// Integrated loudness of ITU-R BS.1770-4 and EBU R 128.
    ///
    /// # Errors
    /// When the loop cannot be read, or its loudness cannot be measured at its rate.
    pub fn render_matched(&mut self) -> Result<Vec<Recording>> {
        let sound = Listed::of_file(self.loop_file.clone()).load()?;
        let mut recordings: Vec<Recording> = self
            .seats
            .iter()
            .map(|seat| render(sound.clone(), &seat.scene, None, None))
            .collect::<Result<_>>()?;
        let loudness: Option<Vec<f64>> = recordings
            .iter()
            .map(|recording| Ok(Loudness::of(recording)?.integrated_lufs))
            .collect::<Result<_>>()?;
        let Some(loudness) = loudness else { return Ok(recordings) };
        let quietest_lufs = least(loudness.iter().copied());
        for ((seat, recording), lufs) in self.seats.iter_mut().zip(&mut recordings).zip(loudness) {
            let before_db = seat.scene.values.value(TRIM);
            let trim_db = TRIM.on_grid(before_db + quietest_lufs - lufs);
            seat.scene.apply(Edit::whole(TRIM, trim_db));
            recording.scale(gain_of_db(trim_db - before_db));
        }
        self.matched_lufs = Some(quietest_lufs);
        Ok(recordings)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn demo() -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../../presets-demo")
    }

    /// Differences that a lesson is made of: at least these, between its first and its last seat.
    ///
    /// Levels: 1 dB is about what an ear tells apart; arrivals and gaps: 5 ms; a span: 5 degrees (all our choice). The pair's own
    /// difference in time is a third of a millisecond at most.
    fn heard(figure: Figure) -> f64 {
        match figure {
            Figure::DirectToReflected | Figure::RollOff | Figure::RightToLeft => 1.0,
            Figure::FirstWall | Figure::HallGap | Figure::PlayersSpan => 5.0,
            Figure::RightBeforeLeft => 0.2,
        }
    }

    #[test]
    fn the_six_lessons_are_read_and_each_of_their_figures_changes() {
        let lessons = all(&demo()).unwrap();
        let names: Vec<_> = lessons.iter().map(|lesson| lesson.name.as_str()).collect();
        assert_eq!(
            names,
            [
                "1-near-and-far",
                "2-left-and-right",
                "3-which-way-the-horn-points",
                "4-small-and-large",
                "5-gap-before-the-hall",
                "6-one-player-and-eight"
            ]
        );
        for lesson in &lessons {
            assert!(lesson.listen.ends_with(['.', '?']) && lesson.listen.len() > 30, "{}", lesson.listen);
            for figure in &lesson.figures {
                let values: Vec<f64> = lesson.seats.iter().map(|seat| figure.of(&seat.scene)).collect();
                eprintln!("{}: {figure:?} {values:.2?}", lesson.title);
                let change = (values[0] - values[values.len() - 1]).abs();
                assert!(change >= heard(*figure), "{}: {figure:?} changes by {change}", lesson.title);
                let rises = values.windows(2).all(|pair| pair[1] > pair[0]);
                let falls = values.windows(2).all(|pair| pair[1] < pair[0]);
                assert!(rises || falls, "{}: {figure:?} goes both ways: {values:?}", lesson.title);
            }
        }
    }

    /// What the texts say in words, held against the figures that they are about.
    #[test]
    fn the_texts_say_what_the_figures_say() {
        let figure = |name: &str, seat: usize, figure: Figure| {
            let lesson = find(all(&demo()).unwrap(), name).unwrap();
            figure.of(&lesson.seats[seat].scene)
        };
        assert!(figure("near and far", 0, Figure::DirectToReflected) > 0.0, "near, the direct sound leads");
        assert!(figure("1", 2, Figure::DirectToReflected) < 0.0, "far, the platform leads");
        assert!(figure("left and right", 0, Figure::RightToLeft) < 0.0);
        assert!(figure("left and right", 1, Figure::RightToLeft).abs() < 1e-6);
        let bell = |seat| figure("3-which-way-the-horn-points", seat, Figure::DirectToReflected);
        assert!(bell(0) < bell(1), "to the rear wall less is direct");
        let top = |seat| figure("3-which-way-the-horn-points", seat, Figure::RollOff);
        assert!(top(0) < top(1), "towards the audience it is brighter");
        let gap = |seat| figure("5-gap-before-the-hall", seat, Figure::HallGap);
        assert!((gap(1) - gap(0) - 30.0).abs() < 1e-6);
        let span = |seat| figure("one player and eight", seat, Figure::PlayersSpan);
        assert!(span(0) == 0.0 && span(1) > 20.0, "eight spread, one does not");
    }

    /// Loudness as the crate `ebur128` measures it (ITU-R BS.1770-4), on what the trimmed scenes render anew.
    #[test]
    fn every_lesson_plays_its_seats_at_one_loudness() {
        for mut lesson in all(&demo()).unwrap() {
            let lufs = |recording: &Recording| Loudness::of(recording).unwrap().integrated_lufs.unwrap();
            let as_written: Vec<f64> = lesson
                .seats
                .iter()
                .map(|seat| {
                    let sound = Listed::of_file(lesson.loop_file.clone()).load().unwrap();
                    lufs(&render(sound, &seat.scene, None, None).unwrap())
                })
                .collect();
            let recordings = lesson.render_matched().unwrap();
            let wanted = lesson.matched_lufs.expect("it sounds");
            assert!(wanted > -40.0, "{}: as good as silent", lesson.title);
            for ((seat, recording), as_written) in lesson.seats.iter().zip(&recordings).zip(as_written) {
                let sound = Listed::of_file(lesson.loop_file.clone()).load().unwrap();
                let anew = render(sound, &seat.scene, None, None).unwrap();
                eprintln!(
                    "{}, {}: {as_written:.1} LUFS, {}",
                    lesson.title,
                    seat.name,
                    seat.figures_text(&[])
                );
                // Half of the trim's step of 0.1 dB, and as much again for what the gate lets through.
                for got in [lufs(recording), lufs(&anew)] {
                    assert!((got - wanted).abs() <= 0.1, "{}: {got}, not {wanted} LUFS", seat.name);
                }
            }
        }
    }

    #[test]
    fn a_lesson_that_cannot_be_is_refused_in_a_line() {
        let demo = demo();
        let parse = |text: &str| {
            let source = Source { text, called: "lesson.toml", folder: &demo };
            Lesson::parse(&source, "lesson".into(), &demo)
        };
        let head = "title = \"T\"\nlisten = \"L.\"\nloop = \"horns\"\nfigures = [\"roll-off\"]\n";
        let seat = "[[seat]]\nname = \"A\"\nset = { depth = 3 }\n";
        assert!(parse(&format!("{head}{seat}{seat}")).is_ok());
        for (text, said) in [
            (format!("{head}{seat}"), "two or three"),
            (head.replace("horns", "kazoo") + seat + seat, "lesson.toml, line 3: there is no stem \"kazoo\""),
            (head.replace("roll-off", "rolloff") + seat + seat, "lesson.toml, line 4: "),
            (
                format!("{head}{seat}{}", seat.replace("= 3", "= 300")),
                "lesson.toml, line 10: depth = 300: \"300\" is not valid for Depth: enter",
            ),
        ] {
            let refused = format!("{:#}", parse(&text).unwrap_err());
            assert!(refused.contains(said) && !refused.contains('\n'), "{refused}");
        }
        let missing = find(all(&demo).unwrap(), "nothing").unwrap_err().to_string();
        assert!(missing.contains("there are: 1-near-and-far, "), "{missing}");
    }
}
