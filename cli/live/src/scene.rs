//! Where a channel sounds: its seat on a platform, and the hall behind it.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail};
use rostra::editor::filing::{edits_among, edits_of};
use rostra::editor::values::{Edit, Values};
use rostra::file_table::table;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::gain_of_db;
use rostra_dsp::hall::Hall;
use rostra_dsp::plan::HallNeeds;
use rostra_dsp::settings::{BEARING, DEPTH, Parameter};
use rostra_files::{FileStore, HALL, PLATFORM, SEAT};
use serde::Deserialize;
use toml::Spanned;

/// How loud the hall comes back, dB: behind the platform, so that attacks stay clear; that of the demo's plan.
pub const HALL_LEVEL_DB: f64 = -6.0;

/// A scene as the sheet shows it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scene {
    /// Everything of the seat's sheet.
    pub values: Values,
    /// The hall on the bus; `None` where there is none.
    pub hall: Option<Values<Hall>>,
}

/// A scene as the engine takes it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placement {
    /// Seat, platform, microphones, tone and level.
    pub settings: Settings,
    /// The hall, and how much of the placed sound goes to it.
    pub hall: Option<HallSend>,
}

/// A hall, and the send to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HallSend {
    /// The hall.
    pub hall: Hall,
    /// Gain of the send after the insert, linear.
    pub gain: f32,
}

impl Scene {
    /// Returns what the engine takes: settings as the plug-in makes them, and the send that this seat asks for.
    pub fn placement(&self) -> Placement {
        let settings = self.values.settings();
        let send = |values: &Values<Hall>| {
            let send_db = HallNeeds::of(&settings, 2).send_db;
            // A balance that leaves nothing to hear asks for no send that is a number.
            let gain = if send_db.is_finite() { gain_of_db(send_db) as f32 } else { 0.0 };
            HallSend { hall: values.settings(), gain }
        };
        Placement { settings, hall: self.hall.as_ref().map(send) }
    }

    /// Says in words where the player sits.
    pub fn place_text(&self) -> String {
        let of = |parameter: &Parameter| parameter.shown(self.values.value(parameter));
        format!("{}, {}", of(DEPTH), of(BEARING))
    }

    /// Says whether another scene sounds the same; what is compared or bypassed is no part of it.
    pub fn sounds_as(&self, other: &Self) -> bool {
        let mut values = other.values.clone();
        values.keep_session_of(&self.values);
        self.hall == other.hall && self.values == values
    }

    /// Does a hand's edits.
    pub fn apply(&mut self, edits: impl IntoIterator<Item = Edit>) {
        for edit in edits {
            self.values.apply(edit);
        }
    }
}

/// What is changed of a scene, as it stands in a file or on the command line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Change {
    /// A seat, by path or by name.
    pub seat: Option<PathBuf>,
    /// A platform, likewise; before the seat.
    pub platform: Option<PathBuf>,
    /// A hall, likewise, or `none`.
    pub hall: Option<PathBuf>,
    /// Parameters of the seat's sheet and their values in words; after the files.
    pub set: Vec<(String, String)>,
    /// Parameters of the hall, after its file.
    pub hall_set: Vec<(String, String)>,
}

/// Says that there is no hall.
const NO_HALL: &str = "none";

impl Change {
    /// Changes a scene: what is not named stays.
    ///
    /// # Errors
    /// When a file is not there or broken, or a parameter is unknown or cannot be what is asked.
    pub fn make(&self, scene: &mut Scene, store: &FileStore) -> Result<()> {
        for (kind, written) in [(PLATFORM, &self.platform), (SEAT, &self.seat)] {
            if let Some(written) = written {
                scene.apply(edits_of(&store.read_written(written, &table(kind))?));
            }
        }
        for (id, value) in &self.set {
            let edit =
                Edit::of_words::<Settings>(id, value).map_err(|why| anyhow!("{id} = {value}: {why}"))?;
            if let Edit::Throw(..) = edit {
                bail!(
                    "{id} = {value}: is switched by hand during playback and cannot be part of a scene; leave it out"
                );
            }
            scene.apply([edit]);
        }
        match &self.hall {
            Some(none) if none.as_os_str() == NO_HALL => scene.hall = None,
            Some(written) => {
                let contents = store.read_written(written, &table(HALL))?;
                let mut values = Values::default();
                for edit in edits_among::<Hall>(&contents) {
                    values.apply(edit);
                }
                scene.hall = Some(values);
            }
            None => {}
        }
        for (id, value) in &self.hall_set {
            let Some(values) = &mut scene.hall else {
                bail!("hall_set: there is no hall to change; write hall = \"short-cue\" beside it");
            };
            values.apply(Edit::of_words::<Hall>(id, value).map_err(|why| anyhow!("{id} = {value}: {why}"))?);
        }
        Ok(())
    }
}

/// The part of a table that says what is changed, as TOML has it.
#[derive(Clone, Debug, Default, Deserialize)]
pub(crate) struct Written {
    pub(crate) seat: Option<Spanned<String>>,
    pub(crate) platform: Option<Spanned<String>>,
    pub(crate) hall: Option<Spanned<String>>,
    pub(crate) set: Option<Spanned<toml::Table>>,
    pub(crate) hall_set: Option<Spanned<toml::Table>>,
}

/// A text in TOML, what it is called, and where it lies.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Source<'t> {
    pub(crate) text: &'t str,
    pub(crate) called: &'t str,
    pub(crate) folder: &'t Path,
}

impl Source<'_> {
    /// Says in which line a byte stands.
    pub(crate) fn line(&self, at: usize) -> String {
        let before = self.text.bytes().take(at);
        format!("{}, line {}", self.called, before.filter(|&byte| byte == b'\n').count() + 1)
    }

    /// Reads the text.
    ///
    /// # Errors
    /// In a line that names the place, when it is no TOML of this kind.
    pub(crate) fn parse<T: for<'de> Deserialize<'de>>(&self) -> Result<T> {
        toml::from_str(self.text).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start);
            anyhow!("{}: {}", self.line(at), error.message().lines().collect::<Vec<_>>().join(", "))
        })
    }

    /// Returns the change that stands in a table, made to a scene to see that it can be.
    ///
    /// # Errors
    /// In a line that names the place.
    pub(crate) fn change(&self, written: &Written, scene: &mut Scene, store: &FileStore) -> Result<Change> {
        let mut whole = Change::default();
        let make = |change: Change, at: usize, scene: &mut Scene| {
            change.make(scene, store).with_context(|| self.line(at))
        };
        for (which, file) in [(0, &written.platform), (1, &written.seat), (2, &written.hall)] {
            let Some(file) = file else { continue };
            let path = self.path(file.get_ref());
            let mut change = Change::default();
            for change in [&mut change, &mut whole] {
                let place = [&mut change.platform, &mut change.seat, &mut change.hall];
                if let Some(place) = place.into_iter().nth(which) {
                    *place = Some(path.clone());
                }
            }
            make(change, file.span().start, scene)?;
        }
        if let Some(set) = &written.set {
            whole.set = words(set.get_ref()).with_context(|| self.line(set.span().start))?;
            make(Change { set: whole.set.clone(), ..Change::default() }, set.span().start, scene)?;
        }
        if let Some(set) = &written.hall_set {
            whole.hall_set = words(set.get_ref()).with_context(|| self.line(set.span().start))?;
            make(Change { hall_set: whole.hall_set.clone(), ..Change::default() }, set.span().start, scene)?;
        }
        Ok(whole)
    }

    /// Returns a path from the text's folder, or the name of a file at hand, which stays as it is.
    pub(crate) fn path(&self, written: &str) -> PathBuf {
        let beside = self.folder.join(written);
        if beside.exists() { beside } else { written.into() }
    }
}

/// Returns a table's entries in words.
fn words(table: &toml::Table) -> Result<Vec<(String, String)>> {
    let word = |(id, value): (&String, &toml::Value)| {
        let word = match value {
            toml::Value::String(text) => text.clone(),
            toml::Value::Integer(number) => number.to_string(),
            toml::Value::Float(number) => number.to_string(),
            toml::Value::Boolean(is_on) => is_on.to_string(),
            _ => bail!("{id} must be a plain value; write a number, or text in quotes"),
        };
        Ok((id.clone(), word))
    };
    table.iter().map(word).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_named_stays() {
        let store = FileStore::at("no folder of files");
        let mut scene = Scene::default();
        let seat = Change { seat: Some("horns".into()), ..Change::default() };
        seat.make(&mut scene, &store).unwrap();
        let set = vec![("depth".to_owned(), "9 m".to_owned())];
        let hall_set = vec![("pre_delay".to_owned(), "0".to_owned())];
        let more = Change { set, hall: Some("short-cue".into()), hall_set, ..Change::default() };
        more.make(&mut scene, &store).unwrap();
        let placement = scene.placement();
        assert_eq!((placement.settings.seat.depth_m, placement.settings.seat.bearing_deg), (9.0, -22.0));
        let send = placement.hall.unwrap();
        assert_eq!((send.hall.pre_delay_s, send.hall.decay_s), (0.0, 1.8));
        assert!(send.gain > 0.0);
        Change { hall: Some("none".into()), ..Change::default() }.make(&mut scene, &store).unwrap();
        assert_eq!(scene.placement(), Placement { hall: None, ..placement });
    }

    #[test]
    fn what_cannot_be_had_is_refused_in_words() {
        let store = FileStore::at("no folder of files");
        let set = |id: &str, value: &str| vec![(id.to_owned(), value.to_owned())];
        for (change, said) in [
            (Change { seat: Some("nobody".into()), ..Change::default() }, "nobody"),
            (Change { set: set("depth", "far"), ..Change::default() }, "enter 0.50 to 25.00 m"),
            (Change { set: set("depht", "3"), ..Change::default() }, "no parameter"),
            (Change { set: set("dry", "on"), ..Change::default() }, "dry = on: is switched by hand"),
            (
                Change { set: set("bypass", "false"), ..Change::default() },
                "bypass = false: is switched by hand",
            ),
            (Change { hall_set: set("decay", "2"), ..Change::default() }, "no hall to change"),
        ] {
            let refused = format!("{:#}", change.make(&mut Scene::default(), &store).unwrap_err());
            assert!(refused.contains(said) && !refused.contains('\n'), "{refused}");
        }
    }

    #[test]
    fn the_hall_comes_back_as_loud_as_in_the_demo() {
        let plan = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../presets-demo/ensemble.toml");
        let plan: toml::Table = std::fs::read_to_string(plan).unwrap().parse().unwrap();
        assert_eq!(plan["hall_level_db"].as_float(), Some(HALL_LEVEL_DB));
    }
}
