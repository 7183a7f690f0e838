//! The plan of an ensemble: which stems stand in which seats, on which platform, and in which hall they sound.
//!
//! ```toml
//! name = "Orrenfell Sinfonia"
//! platform = "platforms/medium-timber.toml"
//! hall = "halls/short-cue.toml"
//!
//! [[stem]]
//! file = "stems/flute.flac"
//! seat = "seats/flute.toml"
//! set = { depth = 6.2 }
//! gain_db = -1.5
//! ```

use std::fs;
use std::io::Read as _;
use std::ops::{Range, RangeInclusive};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use rostra_files::{in_a_line, nearest};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::setting::Override;
use rostra_terminal::shown;

/// Keys of a plan.
const PLAN_KEYS: [&str; 10] =
    ["name", "cue", "note", "platform", "hall", "hall_level_db", "keep_loudness", "listen", "expect", "stem"];
/// Keys of a stem.
const STEM_KEYS: [&str; 6] = ["file", "seat", "name", "gain_db", "send_db", "set"];
/// Keys of what common practice is expected to give.
const EXPECT_KEYS: [&str; 2] = ["front", "back"];

/// Gains that a plan may ask for, dB.
///
/// Our choice: 60 dB down is out of hearing behind the rest, 24 dB up is the range of the trim.
const GAINS_DB: RangeInclusive<f64> = -60.0..=24.0;

/// Largest plan that is read, bytes: a thousand stems with a paragraph each. Our choice.
const MOST_BYTES: u64 = 1 << 20;

/// A plan as read; whether what it asks for can be had is another matter.
#[derive(Clone, Debug, Default)]
pub(crate) struct PlanFile {
    /// Who plays; the file's own name where the plan does not say.
    pub(crate) name: String,
    /// What is played.
    pub(crate) cue: Option<String>,
    /// The platform file; the plug-in's own platform where there is none.
    pub(crate) platform: Option<PathBuf>,
    /// The hall file and where the plan names it; no hall where there is none.
    pub(crate) hall: Option<(PathBuf, String)>,
    /// Level at which the hall comes back, dB; as a hall of its size and decay does where there is none.
    pub(crate) hall_level_db: Option<f64>,
    /// Whether each placed stem is brought to the loudness of its dry one.
    pub(crate) keeps_loudness: bool,
    /// What to listen for.
    pub(crate) listen: Vec<String>,
    /// What common practice lets expect.
    pub(crate) practice: Practice,
    /// The stems that could be read, in their order.
    pub(crate) stems: Vec<StemEntry>,
    /// Every recording and every seat that the plan names, those of faulty stems as well.
    pub(crate) named: Vec<PathBuf>,
    /// What could not be read, in the order of lines.
    pub(crate) faults: Vec<String>,
}

/// Stems of which common practice lets expect the least platform and the brightest sound, and the reverse.
#[derive(Clone, Debug, Default)]
pub(crate) struct Practice {
    /// Names of those in front.
    pub(crate) front: Vec<String>,
    /// Names of those at the back.
    pub(crate) back: Vec<String>,
    /// Where they are named.
    pub(crate) from: String,
}

/// A stem as the plan has it.
#[derive(Clone, Debug, Default)]
pub(crate) struct StemEntry {
    /// Where the plan names it.
    pub(crate) from: String,
    /// The recording.
    pub(crate) file: PathBuf,
    /// Its seat file.
    pub(crate) seat: Option<PathBuf>,
    /// A name of its own.
    pub(crate) name: Option<String>,
    /// Gain on the dry stem, dB.
    pub(crate) gain_db: f64,
    /// What is added to the send that the seat asks for, dB.
    pub(crate) send_db: f64,
    /// Parameters that win over the seat file.
    pub(crate) set: Vec<Override>,
}

/// Gathers what lies under the texts of a plan, those under a mistyped key or in a wrong place included.
fn files_named_in(value: &DeValue<'_>, folder: &Path, named: &mut Vec<PathBuf>) {
    match value {
        DeValue::String(text) => named.extend(Some(folder.join(&**text)).filter(|path| path.is_file())),
        DeValue::Array(values) => {
            for value in values {
                files_named_in(value.get_ref(), folder, named);
            }
        }
        DeValue::Table(table) => {
            for value in table.values() {
                files_named_in(value.get_ref(), folder, named);
            }
        }
        _ => {}
    }
}

impl PlanFile {
    /// Reads a plan; paths in it start from its folder.
    ///
    /// # Errors
    /// When the file cannot be read or is not TOML. All else that is wrong
    /// stands in [`PlanFile::faults`], and the rest of the plan is whole.
    pub(crate) fn read(path: &Path) -> Result<Self> {
        let shown = shown(path);
        let text = text_of(path).with_context(|| shown.clone())?;
        let folder = path.parent().unwrap_or(Path::new("."));
        let mut plan = Self::parse(&text, &shown, folder)?;
        if plan.name.is_empty() {
            plan.name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        }
        Ok(plan)
    }

    /// Reads the text of a plan that is called `shown` in messages and lies in `folder`.
    ///
    /// # Errors
    /// When it is not TOML.
    fn parse(text: &str, shown: &str, folder: &Path) -> Result<Self> {
        let source = Source { text, shown, folder };
        let table = DeTable::parse(text).map_err(|error| {
            let from = source.from(&error.span().unwrap_or(0..0));
            let what = error.message().lines().collect::<Vec<_>>().join(", ");
            anyhow!(
                "{from}: is not valid TOML ({what}); write one \"key = value\" per line, with text in quotes"
            )
        })?;
        let mut plan = Self::default();
        // Whatever a text is meant to be: where a file lies under it, nothing may be written over that.
        for value in table.get_ref().values() {
            files_named_in(value.get_ref(), folder, &mut plan.named);
        }
        let mut faults: Vec<(usize, String)> = Vec::new();
        for (key, value) in in_turn(table.get_ref()) {
            let mut keep = |fault: anyhow::Error| faults.push((key.span().start, format!("{fault:#}")));
            let field = Field { key, value, source: &source };
            let outcome = match field.key() {
                "name" => field.line().map(|text| plan.name = text),
                "cue" => field.line().map(|text| plan.cue = Some(text)),
                "note" => field.text().map(drop),
                "platform" => field.path_or_name().map(|path| plan.platform = Some(path)),
                "hall" => field.path_or_name().map(|path| plan.hall = Some((path, field.from()))),
                "hall_level_db" => field.gain_db().map(|gain_db| plan.hall_level_db = Some(gain_db)),
                "keep_loudness" => field.yes_or_no().map(|keeps| plan.keeps_loudness = keeps),
                "listen" => field.texts().map(|texts| plan.listen = texts),
                // Plans written before it was renamed say `practice`.
                "expect" | "practice" => field.practice(&mut keep).and_then(|practice| {
                    let from = &practice.from;
                    ensure!(
                        plan.practice.from.is_empty(),
                        "{from}: [practice] is the old name of [expect], and both are there; write [expect] only"
                    );
                    plan.practice = practice;
                    Ok(())
                }),
                "stem" => field.stems(&mut keep, &mut plan.named).map(|stems| plan.stems = stems),
                _ => Err(field.unknown("a plan", &PLAN_KEYS)),
            };
            if let Err(fault) = outcome {
                faults.push((key.span().start, format!("{fault:#}")));
            }
        }
        faults.sort_by_key(|(at, _)| *at);
        plan.faults = faults.into_iter().map(|(_, fault)| fault).collect();
        Ok(plan)
    }
}

/// Reads the text of a plan, no more of it than a plan can have.
fn text_of(path: &Path) -> Result<String> {
    // Before it is opened: opening a pipe waits for whoever writes into it.
    let metadata = path.metadata().map_err(|error| anyhow!("cannot be read ({error}); check the path"))?;
    ensure!(metadata.is_file(), "is not a readable file; give the path of the plan, a TOML file");
    let mut bytes = Vec::new();
    fs::File::open(path)
        .and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes))
        .map_err(|error| anyhow!("cannot be read ({error}); check its permissions"))?;
    ensure!(
        bytes.len() as u64 <= MOST_BYTES,
        "is larger than {MOST_BYTES} bytes; a plan has a few lines for each stem, so check that it is the right file"
    );
    String::from_utf8(bytes).map_err(|error| {
        let line = error.as_bytes()[..error.utf8_error().valid_up_to()].iter().filter(|byte| **byte == b'\n');
        anyhow!("line {}: is not UTF-8 text; save it as UTF-8", line.count() + 1)
    })
}

type Key<'t> = Spanned<std::borrow::Cow<'t, str>>;
type Value<'t> = Spanned<DeValue<'t>>;

/// Returns a table's entries in the order in which they are written.
fn in_turn<'a, 't>(table: &'a DeTable<'t>) -> Vec<(&'a Key<'t>, &'a Value<'t>)> {
    let mut entries: Vec<_> = table.iter().collect();
    entries.sort_by_key(|(key, _)| key.span().start);
    entries
}

/// The text of a plan, what it is called, and where it lies.
struct Source<'t> {
    text: &'t str,
    shown: &'t str,
    folder: &'t Path,
}

impl Source<'_> {
    /// Says in which line something stands.
    fn from(&self, span: &Range<usize>) -> String {
        let before = self.text.bytes().take(span.start);
        format!("{}, line {}", self.shown, before.filter(|&byte| byte == b'\n').count() + 1)
    }
}

/// A key and its value.
struct Field<'a, 't> {
    key: &'a Key<'t>,
    value: &'a Value<'t>,
    source: &'a Source<'t>,
}

impl<'t> Field<'_, 't> {
    fn key(&self) -> &str {
        self.key.get_ref()
    }

    /// Returns the key as it is said.
    fn called(&self) -> String {
        in_a_line(self.key())
    }

    fn from(&self) -> String {
        self.source.from(&self.key.span())
    }

    /// Says that there is no such key in `whole`, and which was meant.
    fn unknown(&self, whole: &str, keys: &[&'static str]) -> anyhow::Error {
        let (key, from) = (self.key(), self.from());
        if whole == "a stem" && PLAN_KEYS.contains(&key) {
            return anyhow!(
                "{from}: \"{key}\" belongs to the plan, not to a stem; write it above the first [[stem]]"
            );
        }
        match nearest(key, keys.iter().copied()) {
            Some(meant) => anyhow!("{from}: {whole} has no \"{}\"; did you mean \"{meant}\"?", self.called()),
            None => {
                anyhow!("{from}: {whole} has no \"{}\"; it can have: {}", self.called(), keys.join(", "))
            }
        }
    }

    fn text(&self) -> Result<String> {
        match self.value.get_ref() {
            DeValue::String(text) if !text.trim().is_empty() => Ok(text.trim().to_owned()),
            DeValue::String(_) => {
                bail!("{}: {} is empty; write some text, or leave it out", self.from(), self.key())
            }
            _ => bail!("{}: {} must be text; write it in quotes", self.from(), self.key()),
        }
    }

    /// Reads a text that is said or shown in a line.
    fn line(&self) -> Result<String> {
        let text = self.text()?;
        ensure!(
            !text.chars().any(char::is_control),
            "{}: {} contains a line break, a tab or another control character; write it on one line",
            self.from(),
            self.key()
        );
        Ok(text)
    }

    fn yes_or_no(&self) -> Result<bool> {
        let DeValue::Boolean(is_so) = self.value.get_ref() else {
            bail!("{}: {} must be true or false; write it without quotes", self.from(), self.key());
        };
        Ok(*is_so)
    }

    fn path(&self) -> Result<PathBuf> {
        Ok(self.source.folder.join(self.line()?))
    }

    /// Reads a path, from the plan's folder, or the name of a file at hand, which stays as it is.
    fn path_or_name(&self) -> Result<PathBuf> {
        let written = self.line()?;
        let path = self.source.folder.join(&written);
        let is_named = ["own/", "built-in/"].iter().any(|from| written.starts_with(from));
        let ends_as_path = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("toml"));
        let is_path = path.exists() || ends_as_path || (!is_named && written.contains(['/', '\\']));
        Ok(if is_path { path } else { written.into() })
    }

    fn texts(&self) -> Result<Vec<String>> {
        let DeValue::Array(values) = self.value.get_ref() else {
            bail!("{}: {} must be a list; write [\"one\", \"two\"]", self.from(), self.key());
        };
        values.iter().map(|value| Field { value, ..*self }.text()).collect()
    }

    fn gain_db(&self) -> Result<f64> {
        let (from, key) = (self.from(), self.key());
        let gain_db = plain_text(self.value.get_ref())
            .and_then(|text| text.parse::<f64>().ok())
            .filter(|gain_db| gain_db.is_finite())
            .ok_or_else(|| {
                anyhow!("{from}: {key} must be a number; write decibels without a unit, as in {key} = -3.0")
            })?;
        ensure!(
            GAINS_DB.contains(&gain_db),
            "{from}: {key} = {gain_db} is out of range; write a number from {} to {} dB",
            GAINS_DB.start(),
            GAINS_DB.end()
        );
        Ok(gain_db)
    }

    fn practice(&self, keep: &mut impl FnMut(anyhow::Error)) -> Result<Practice> {
        let table = self.table("front = [\"Violins\"]")?;
        let mut practice = Practice { from: self.from(), ..Practice::default() };
        for (key, value) in in_turn(table) {
            let field = Field { key, value, ..*self };
            let outcome = match field.key() {
                "front" => field.texts().map(|names| practice.front = names),
                "back" => field.texts().map(|names| practice.back = names),
                _ => Err(field.unknown("[expect]", &EXPECT_KEYS)),
            };
            outcome.unwrap_or_else(&mut *keep);
        }
        Ok(practice)
    }

    fn table(&self, example: &str) -> Result<&DeTable<'t>> {
        match self.value.get_ref() {
            DeValue::Table(table) => Ok(table),
            _ => bail!(
                "{}: {} must be a table; write {} = {{ {example} }}",
                self.from(),
                self.key(),
                self.key()
            ),
        }
    }

    /// Reads every stem; one in which anything is wrong is left out and all of it told.
    fn stems(
        &self,
        keep: &mut impl FnMut(anyhow::Error),
        named: &mut Vec<PathBuf>,
    ) -> Result<Vec<StemEntry>> {
        let DeValue::Array(values) = self.value.get_ref() else {
            bail!("{}: stem must be a list; write [[stem]] above each, with two brackets", self.from());
        };
        let mut stems = Vec::new();
        for value in values {
            let DeValue::Table(table) = value.get_ref() else {
                bail!("{}: stem must be a list of tables; write [[stem]] above each", self.from());
            };
            let from = self.source.from(&value.span());
            let mut is_whole = true;
            let stem = self.stem(table, &from, &mut |fault| {
                is_whole = false;
                keep(fault);
            });
            named.extend([stem.file.clone()].into_iter().chain(stem.seat.clone()));
            if is_whole {
                stems.push(stem);
            }
        }
        Ok(stems)
    }

    fn stem(&self, table: &DeTable<'t>, from: &str, keep: &mut impl FnMut(anyhow::Error)) -> StemEntry {
        let mut stem = StemEntry { from: from.to_owned(), ..StemEntry::default() };
        for (key, value) in in_turn(table) {
            let field = Field { key, value, ..*self };
            let outcome = match field.key() {
                "file" => field.path().map(|path| {
                    stem.file = path;
                    stem.from = field.from();
                }),
                "seat" => field.path_or_name().map(|path| stem.seat = Some(path)),
                "name" => field.line().map(|text| stem.name = Some(text)),
                "gain_db" => field.gain_db().map(|gain_db| stem.gain_db = gain_db),
                "send_db" => field.gain_db().map(|gain_db| stem.send_db = gain_db),
                "set" => field.overrides().map(|overrides| stem.set = overrides),
                _ => Err(field.unknown("a stem", &STEM_KEYS)),
            };
            outcome.unwrap_or_else(&mut *keep);
        }
        let has = |key: &str| table.iter().any(|(own, _)| own.get_ref() == key);
        // What was misspelt was told already.
        let is_known = table.iter().all(|(own, _)| STEM_KEYS.contains(&own.get_ref().as_ref()));
        if is_known && !has("file") {
            keep(anyhow!("{from}: this stem has no file; write file = \"its recording\""));
        }
        if is_known && !has("seat") && !has("set") {
            keep(anyhow!(
                "{from}: this stem has no seat; write seat = \"a seat file\", or set = {{ depth = 6.0 }}"
            ));
        }
        stem
    }

    fn overrides(&self) -> Result<Vec<Override>> {
        in_turn(self.table("depth = 6.0")?)
            .into_iter()
            .map(|(key, value)| {
                let field = Field { key, value, ..*self };
                let value = plain_text(value.get_ref()).ok_or_else(|| {
                    anyhow!(
                        "{}: {} must be a plain value; write a number, or a name in quotes",
                        field.from(),
                        field.called()
                    )
                })?;
                Ok(Override { id: field.key().to_owned(), value, from: field.from() })
            })
            .collect()
    }
}

/// Returns a plain value as text; `None` for lists, tables and dates.
fn plain_text(value: &DeValue) -> Option<String> {
    match value {
        DeValue::String(text) => Some(text.clone().into_owned()),
        DeValue::Integer(number) => {
            i64::from_str_radix(number.as_str(), number.radix()).ok().map(|number| number.to_string())
        }
        DeValue::Float(number) => Some(number.as_str().to_owned()),
        DeValue::Boolean(is_on) => Some(if *is_on { "on" } else { "off" }.to_owned()),
        DeValue::Datetime(_) | DeValue::Array(_) | DeValue::Table(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::collection::vec;
    use proptest::prelude::*;
    use proptest::sample::select;
    use rostra_fuzz::{Target, damaged};

    use super::*;
    use rostra_dsp::Settings;

    fn parse(text: &str) -> PlanFile {
        PlanFile::parse(text, "plan.toml", Path::new("folder")).unwrap()
    }

    #[test]
    fn a_file_under_a_mistyped_key_is_named_all_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("dry.wav");
        std::fs::write(&file, "x").unwrap();
        for text in ["[[stem]]\nfle = \"dry.wav\"\n", "[[stem]]\nfile = [\"dry.wav\"]\n"] {
            let plan = PlanFile::parse(text, "plan.toml", folder.path()).unwrap();
            assert!(plan.named.contains(&file), "{text}");
        }
    }

    #[test]
    fn a_whole_plan_is_read() {
        let plan = parse(
            r#"name = "Nobody"
cue = "None"
platform = "p.toml"
hall = "h.toml"
hall_level_db = -3
keep_loudness = true
listen = ["one", "two"]
[expect]
front = ["Violins"]
back = ["Horns"]

[[stem]]
file = "a.wav"
seat = "s.toml"

[[stem]]
file = "b.wav"
name = "Horns"
set = { depth = 9, family = "rear bell", bypass = false }
gain_db = -1.5
send_db = +2.0
"#,
        );
        assert!(plan.faults.is_empty(), "{:?}", plan.faults);
        assert_eq!((plan.name.as_str(), plan.cue.as_deref()), ("Nobody", Some("None")));
        assert_eq!(plan.platform.as_deref(), Some(Path::new("folder/p.toml")));
        assert_eq!(plan.hall, Some(("folder/h.toml".into(), "plan.toml, line 4".into())));
        assert_eq!((plan.hall_level_db, plan.listen.len()), (Some(-3.0), 2));
        assert!(plan.keeps_loudness);
        assert_eq!((plan.practice.front.len(), plan.practice.back.len()), (1, 1));
        let [first, second] = &plan.stems[..] else { panic!("{:?}", plan.stems) };
        assert_eq!(first.from, "plan.toml, line 13");
        assert_eq!(first.seat.as_deref(), Some(Path::new("folder/s.toml")));
        assert_eq!(second.name.as_deref(), Some("Horns"));
        assert_eq!((second.gain_db, second.send_db), (-1.5, 2.0));
        let overrides: Vec<_> = second.set.iter().map(|w| (w.id.as_str(), w.value.as_str())).collect();
        assert_eq!(overrides, [("depth", "9"), ("family", "rear bell"), ("bypass", "off")]);
        assert_eq!(second.set[0].from, "plan.toml, line 19");
    }

    #[test]
    fn the_old_name_of_what_is_expected_still_loads_and_the_two_are_not_mixed() {
        let front = "front = [\"Violins\"]\n";
        for word in ["expect", "practice"] {
            let plan = parse(&format!("[{word}]\n{front}"));
            assert!(plan.faults.is_empty(), "{word}: {:?}", plan.faults);
            assert_eq!(plan.practice.front, ["Violins"]);
        }
        let both = parse(&format!("[expect]\n{front}[practice]\nfront = [\"Horns\"]\n"));
        assert!(both.faults[0].contains("write [expect] only"), "{:?}", both.faults);
        assert_eq!(both.practice.front, ["Violins"]);
    }

    #[test]
    fn a_name_of_a_file_at_hand_is_no_path() {
        let plan = parse("platform = \"Large, plaster\"\n[[stem]]\nfile = \"a.wav\"\nseat = \"own/horns\"\n");
        assert_eq!(plan.platform.as_deref(), Some(Path::new("Large, plaster")));
        assert_eq!(plan.stems[0].seat.as_deref(), Some(Path::new("own/horns")));
        let plan = parse("[[stem]]\nfile = \"a.wav\"\nseat = \"seats/horns\"\n");
        assert_eq!(plan.stems[0].seat.as_deref(), Some(Path::new("folder/seats/horns")));
    }

    #[test]
    fn every_fault_names_its_line_and_what_to_do() {
        let good = "[[stem]]\nfile = \"a.wav\"\nseat = \"s.toml\"\n";
        for (text, line, words) in [
            ("plattform = \"p.toml\"\n", 1, "did you mean \"platform\""),
            ("zzz = 1\n", 1, "it can have: name"),
            ("name = 3\n", 1, "in quotes"),
            ("name = \"x\"\ncue = \"\"\n", 2, "is empty"),
            ("hall_level_db = \"loud\"\n", 1, "must be a number"),
            ("keep_loudness = \"yes\"\n", 1, "must be true or false"),
            ("hall_level_db = nan\n", 1, "must be a number"),
            ("hall_level_db = 90.0\n", 1, "-60 to 24 dB"),
            ("listen = \"one\"\n", 1, "must be a list"),
            ("listen = [\"one\", 2]\n", 1, "in quotes"),
            ("expect = 3\n", 1, "must be a table"),
            ("[expect]\nfrnt = [\"a\"]\n", 2, "did you mean \"front\""),
        ] {
            let plan = parse(&format!("{text}{good}"));
            assert_eq!(plan.faults.len(), 1, "{text:?}: {:?}", plan.faults);
            let fault = &plan.faults[0];
            assert!(fault.starts_with(&format!("plan.toml, line {line}: ")), "{text:?}: {fault}");
            assert!(fault.contains(words) && !fault.contains('\n'), "{text:?}: {fault}");
            assert_eq!(plan.stems.len(), 1, "{text:?}");
        }
    }

    #[test]
    fn a_faulty_stem_is_left_out_and_the_others_stay() {
        let good = "[[stem]]\nfile = \"a.wav\"\nseat = \"s.toml\"\n";
        for (text, line, words) in [
            ("file = \"b.wav\"\nseatt = \"s.toml\"\n", 6, "did you mean \"seat\""),
            ("file = \"b.wav\"\nseat = \"s.toml\"\nhall = \"h.toml\"\n", 7, "above the first [[stem]]"),
            ("seat = \"s.toml\"\n", 4, "has no file"),
            ("file = \"b.wav\"\n", 4, "has no seat"),
            ("file = \"b.wav\"\nset = { depth = [1] }\n", 6, "a plain value"),
            ("file = \"b.wav\"\nset = 3\n", 6, "must be a table"),
            ("file = 3\nseat = \"s.toml\"\n", 5, "in quotes"),
            ("file = \"b.wav\"\nseat = \"s.toml\"\ngain_db = \"-3 dB\"\n", 7, "without a unit"),
        ] {
            let plan = parse(&format!("{good}[[stem]]\n{text}{good}"));
            assert_eq!(plan.faults.len(), 1, "{text:?}: {:?}", plan.faults);
            let fault = &plan.faults[0];
            assert!(fault.starts_with(&format!("plan.toml, line {line}: ")), "{text:?}: {fault}");
            assert!(fault.contains(words) && !fault.contains('\n'), "{text:?}: {fault}");
            assert_eq!(plan.stems.len(), 2, "{text:?}");
        }
    }

    #[test]
    fn a_stem_tells_all_its_faults() {
        let plan = parse("[[stem]]\nfile = \"b.wav\"\nseet = \"s.toml\"\n");
        assert_eq!(
            plan.named,
            [Path::new("folder/b.wav")],
            "what a faulty stem names is not to be written over"
        );
        let plan = parse("[[stem]]\nfle = \"a.wav\"\nseet = \"s.toml\"\ngain_db = 99\n");
        assert_eq!(plan.faults.len(), 3, "{:?}", plan.faults);
        assert!(plan.stems.is_empty());
    }

    #[test]
    fn stems_that_are_no_list_are_told() {
        for text in ["[stem]\nfile = \"a.wav\"\n", "stem = 3\n", "stem = [1, 2]\n"] {
            let plan = parse(text);
            assert_eq!(plan.faults.len(), 1, "{text:?}");
            assert!(plan.faults[0].contains("[[stem]]"), "{:?}", plan.faults);
        }
        assert!(parse("[[stems]]\nfile = \"a.wav\"\n").faults[0].contains("did you mean \"stem\""));
    }

    #[test]
    fn broken_toml_names_file_and_line_in_one_line() {
        for (text, line) in
            [("name = \"x\"\ncue = = 1\n", 2), ("name\n", 1), ("name = \"a\"\nname = \"b\"\n", 2)]
        {
            let error = PlanFile::parse(text, "plan.toml", Path::new(".")).unwrap_err().to_string();
            assert!(error.starts_with(&format!("plan.toml, line {line}:")), "got {error}");
            assert!(!error.contains('\n'), "got {error}");
        }
    }

    /// Called so in what is said of it.
    const CALLED: &str = "plan.toml";

    /// What TOML is made of, and what plans are.
    const WORDS: [&str; 22] = [
        "\"",
        "'''",
        "\"\"\"",
        "[",
        "]",
        "[[stem]]\n",
        "[expect]\n",
        "{",
        "}",
        " = ",
        "\n",
        "\r\n",
        "#",
        ".",
        "\\u0000",
        "\\n",
        "nan",
        "1e999",
        "file = ",
        "set = { depth = ",
        "gain_db = ",
        "\u{feff}",
    ];

    fn is_clear(fault: &str) {
        assert!(fault.starts_with(&format!("{CALLED}, line ")), "does not name file and line: {fault:?}");
        assert!(!fault.chars().any(char::is_control), "more than a line: {fault:?}");
        let to_do = ["write ", "did you mean", "it can have"];
        assert!(to_do.iter().any(|words| fault.contains(words)), "does not say what to do: {fault:?}");
        // Our choice: the line is to be read, and none of ours comes near this.
        assert!(fault.chars().count() < 600, "is no line for people: {fault:?}");
    }

    /// Reads a plan and holds it against the rules; says whether nothing is wrong with it.
    fn check(bytes: &[u8]) -> bool {
        // What is no UTF-8 is refused before it comes here.
        let Ok(text) = std::str::from_utf8(bytes) else { return false };
        // No folder of this machine, so that nothing in it counts.
        let folder = Path::new("no such folder");
        let plan = match PlanFile::parse(text, CALLED, folder) {
            Ok(plan) => plan,
            Err(error) => {
                is_clear(&format!("{error:#}"));
                return false;
            }
        };
        plan.faults.iter().for_each(|fault| is_clear(fault));
        let gains = plan.stems.iter().flat_map(|stem| [stem.gain_db, stem.send_db]);
        for gain_db in gains.chain(plan.hall_level_db) {
            assert!(GAINS_DB.contains(&gain_db), "{gain_db} dB");
        }
        for stem in &plan.stems {
            assert!(stem.file.starts_with(folder) || stem.file.has_root(), "{:?}", stem.file);
            assert!(stem.seat.is_some() || text.contains("set"), "a stem without a seat: {stem:?}");
        }
        // What is asked of parameters is read when the stem is looked at.
        for given in plan.stems.iter().flat_map(|stem| &stem.set) {
            let error =
                given.setting::<Settings>().err().map(|error| format!("{error:#}")).unwrap_or_default();
            assert!(!error.chars().any(char::is_control), "more than a line: {error:?}");
        }
        plan.faults.is_empty()
    }

    #[test]
    fn what_is_no_plan_is_refused_before_it_is_read_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plan.toml");
        let refusal = |path: &Path| {
            let error = format!("{:#}", PlanFile::read(path).unwrap_err());
            assert!(error.starts_with(&shown(path)) && !error.contains('\n'), "got {error:?}");
            error
        };
        assert!(refusal(&path).contains("check the path"));
        assert!(refusal(folder.path()).contains("is not a readable file"));
        fs::write(&path, vec![b'#'; MOST_BYTES as usize + 1]).unwrap();
        assert!(refusal(&path).contains("larger than"));
        fs::write(&path, b"name = \"x\"\ncue = \"\xFF\"\n").unwrap();
        assert!(refusal(&path).contains("line 2: is not UTF-8"));
    }

    #[test]
    fn names_and_paths_stay_in_one_line_and_what_is_listened_for_need_not() {
        let good = "[[stem]]\nfile = \"a.wav\"\nseat = \"s.toml\"\n";
        for text in ["name = \"a\\nb\"\n", "cue = \"a\\u001Bb\"\n", "hall = \"a\\tb\"\n"] {
            let plan = parse(&format!("{text}{good}"));
            assert!(
                plan.faults.len() == 1 && plan.faults[0].contains("write it on one line"),
                "{:?}",
                plan.faults
            );
        }
        assert!(parse(&format!("listen = [\"a\\nb\"]\nnote = \"a\\nb\"\n{good}")).faults.is_empty());
        let plan = parse(&format!("\"a\\nb\" = 1\n{good}"));
        assert_eq!(
            plan.faults,
            [
                "plan.toml, line 1: a plan has no \"a b\"; it can have: name, cue, note, platform, hall, hall_level_db, keep_loudness, listen, expect, stem"
            ]
        );
    }

    /// Lines of plans, good and bad, in any order.
    fn made_up() -> impl Strategy<Value = Vec<u8>> {
        let odd = ["zzz", "fle", "a.b", "\"a\\nb\"", "\"\""];
        let keys: Vec<&str> = [&PLAN_KEYS[..], &STEM_KEYS, &EXPECT_KEYS, &odd].concat();
        let values = [
            "\"a.wav\"",
            "\"own/x\"",
            "\"/\"",
            "\"..\\\\x\"",
            "[\"a\", 3]",
            "[]",
            "{ depth = 3 }",
            "{ depth = [1] }",
            "{ \"a\\nb\" = [] }",
            "{}",
            "true",
            "nan",
            "07:32:00",
        ];
        let value = prop_oneof![
            2 => any::<f64>().prop_map(|number| format!("{number:?}")),
            2 => (-70.0..40.0_f64).prop_map(|number| format!("{number:?}")),
            1 => any::<i64>().prop_map(|number| number.to_string()),
            2 => any::<String>().prop_map(|text| format!("{text:?}")),
            2 => any::<String>().prop_map(|text| toml::Value::String(text).to_string()),
            4 => select(values.to_vec()).prop_map(str::to_owned),
        ];
        let line = prop_oneof![
            6 => (select(keys), value).prop_map(|(key, value)| format!("{key} = {value}\n")),
            3 => Just("[[stem]]\n".to_owned()),
            2 => Just("[[stem]]\nfile = \"a.wav\"\nseat = \"s.toml\"\n".to_owned()),
            1 => Just("[practice]\n".to_owned()),
        ];
        vec(line, 0..10).prop_map(|lines| lines.concat().into_bytes())
    }

    /// `ROSTRA_FUZZ_S=600 cargo test -p rostra-cli any_plan` tries for ten minutes.
    #[test]
    fn any_plan_is_read_or_its_faults_are_told_in_a_line_each() {
        const TARGET: Target = Target { name: "plans", inputs: 40_000 };
        for (name, bytes) in TARGET.corpus() {
            eprintln!("corpus: {name}");
            check(&bytes);
        }
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../presets-demo/ensemble.toml");
        let corpus = TARGET.corpus().into_iter().map(|(_, bytes)| bytes);
        let good = corpus.chain([fs::read(demo).unwrap()]).collect();
        TARGET.run(&prop_oneof![made_up(), damaged(good, &WORDS)], Clone::clone, |bytes| check(bytes));
    }
}
