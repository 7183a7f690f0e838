//! A script of seat changes: who moves when.
//!
//! ```toml
//! repeat_s = 4.0                  # from the start again, played live or rendered
//!
//! [[move]]
//! at_s = 0.0
//! seat = "horns"                  # a file, from this one's folder, or a name
//!
//! [[move]]
//! at_s = 2.0
//! platform = "large-plaster"
//! set = { depth = "9 m", bearing = -20 }
//! ```

use std::fs;
use std::path::Path;

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use rostra_files::FileStore;
use serde::Deserialize;
use toml::Spanned;

use crate::scene::{Scene, Source, Written};

/// Latest move, s: a day (our choice; it keeps frames well within their counter).
const LATEST_S: f64 = 86_400.0;
/// Least time of a repetition, s (our choice: a tenth of a second is no seat that anybody hears).
const LEAST_REPEAT_S: f64 = 0.1;

/// A script of seat changes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Moves {
    /// The moves, by time.
    pub moves: Vec<Move>,
    /// When all starts again, s.
    pub repeat_s: Option<f64>,
}

/// What stands at a time.
#[derive(Clone, Debug, PartialEq)]
pub struct Move {
    /// When, s from the start.
    pub at_s: f64,
    /// The whole scene from then on.
    pub scene: Scene,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    repeat_s: Option<Spanned<f64>>,
    #[serde(rename = "move", default)]
    moves: Vec<Entry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    at_s: Spanned<f64>,
    seat: Option<Spanned<String>>,
    platform: Option<Spanned<String>>,
    hall: Option<Spanned<String>>,
    set: Option<Spanned<toml::Table>>,
    hall_set: Option<Spanned<toml::Table>>,
}

impl Moves {
    /// Reads a script that starts from `first`; each move changes what it names and keeps the rest.
    ///
    /// # Errors
    /// In one line that names the file, the line, what is wrong and what to do.
    pub fn read(path: &Path, first: &Scene, store: &FileStore) -> Result<Self> {
        let called = path.display().to_string();
        let text = fs::read(path).with_context(|| format!("{called}: cannot be read; check the path"))?;
        let text = String::from_utf8(text).map_err(|_| {
            anyhow!("{called}: is not a text file; give a script of moves, such as presets-demo/moves.toml")
        })?;
        let folder = path.parent().unwrap_or(Path::new("."));
        Self::parse(&Source { text: &text, called: &called, folder }, first, store)
    }

    fn parse(source: &Source, first: &Scene, store: &FileStore) -> Result<Self> {
        let file: File = source.parse()?;
        ensure!(
            !file.moves.is_empty(),
            "{}: has no moves; write [[move]], and under it at_s = 1.0 and seat = \"horns\"",
            source.called
        );
        let (mut scene, mut moves) = (first.clone(), Vec::<Move>::new());
        for Entry { at_s, seat, platform, hall, set, hall_set } in file.moves {
            let (from, at) = (source.line(at_s.span().start), *at_s.get_ref());
            ensure!(
                (0.0..=LATEST_S).contains(&at),
                "{from}: at_s = {at} is out of range; write seconds from 0 to {LATEST_S}"
            );
            if let Some(last) = moves.last() {
                ensure!(
                    at >= last.at_s,
                    "{from}: at_s = {at} comes before the {} above it; write the moves in order of time",
                    last.at_s
                );
            }
            let written = Written { seat, platform, hall, set, hall_set };
            source.change(&written, &mut scene, store)?;
            moves.push(Move { at_s: at, scene: scene.clone() });
        }
        let Some(repeat_s) = file.repeat_s else { return Ok(Self { moves, repeat_s: None }) };
        let (from, again) = (source.line(repeat_s.span().start), *repeat_s.get_ref());
        let last_s = moves.last().map_or(0.0, |last| last.at_s);
        if !(LEAST_REPEAT_S..=LATEST_S).contains(&again) || again <= last_s {
            bail!(
                "{from}: repeat_s = {again} must be at least {LEAST_REPEAT_S} and later than the last move at {last_s} s"
            );
        }
        Ok(Self { moves, repeat_s: Some(again) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Moves> {
        let source = Source { text, called: "moves.toml", folder: Path::new("nowhere") };
        Moves::parse(&source, &Scene::default(), &FileStore::at("no folder of files"))
    }

    #[test]
    fn every_move_keeps_what_it_does_not_name() {
        let moves = parse(
            "repeat_s = 4.0\n[[move]]\nat_s = 0\nseat = \"horns\"\n\n[[move]]\nat_s = 1.5\nplatform = \"large-plaster\"\nset = { depth = \"9 m\" }\n",
        )
        .unwrap();
        let [first, second] = &moves.moves[..] else { panic!("{moves:?}") };
        assert_eq!((first.at_s, second.at_s, moves.repeat_s), (0.0, 1.5, Some(4.0)));
        let seat = second.scene.values.settings().seat;
        assert_eq!((seat.depth_m, seat.bearing_deg), (9.0, -22.0));
        assert_eq!(second.scene.values.settings().platform.width_m, 24.0);
        assert_eq!(first.scene.values.settings().platform.width_m, 18.0);
    }

    #[test]
    fn every_fault_names_its_line_and_what_to_do() {
        let at = |at: &str| format!("\n[[move]]\nat_s = {at}\nseat = \"horns\"\n");
        let later = format!("{}{}", at("2.0"), at("1.0"));
        for (text, line, said) in [
            (at("-1.0"), Some(3), "is out of range"),
            (at("nan"), Some(3), "is out of range"),
            (at("inf"), Some(3), "is out of range"),
            (at("1e9"), Some(3), "is out of range"),
            (later, Some(7), "in order of time"),
            ("\n[[move]]\nseat = \"horns\"\n".into(), Some(2), "at_s"),
            ("[[move]]\nat_s = 1\nseet = \"horns\"\n".into(), Some(3), "expected one of"),
            ("[[move]]\nat_s = 1\nseat = \"nobody\"\n".into(), Some(3), "nobody"),
            ("[[move]]\nat_s = 1\nset = { depth = \"far\" }\n".into(), Some(3), "enter 0.50 to 25.00 m"),
            ("[[move]]\nat_s = 1\nset = { depth = [1] }\n".into(), Some(3), "plain value"),
            ("[[move]]\nat_s = soon\n".into(), Some(2), ""),
            ("repeat_s = 1.0\n[[move]]\nat_s = 1.0\n".into(), Some(1), "later than the last move"),
            (String::new(), None, "has no moves"),
        ] {
            let refused = format!("{:#}", parse(&text).unwrap_err());
            let from = line.map_or("moves.toml: ".into(), |line| format!("moves.toml, line {line}: "));
            assert!(refused.starts_with(&from) && refused.contains(said), "{text:?}: {refused}");
            assert!(!refused.contains('\n'), "{refused}");
        }
        let mut sound = tempfile::NamedTempFile::new().unwrap();
        std::io::Write::write_all(&mut sound, b"fLaC\xff\xfe").unwrap();
        let refused = Moves::read(sound.path(), &Scene::default(), &FileStore::at("no folder")).unwrap_err();
        assert!(format!("{refused:#}").contains("is not a text file; give a script of moves"));
        let missing = Moves::read(Path::new("nothing.toml"), &Scene::default(), &FileStore::at("no folder"))
            .unwrap_err();
        assert!(format!("{missing:#}").starts_with("nothing.toml: cannot be read; check the path"));
    }
}
