//! The plug-in's parameters as a person writes them: ids, plain numbers with units, names of choices.
//!
//! What a text means is asked of the plug-in itself, through the host; this
//! file knows the ids, finds the one that was meant, and refuses what the
//! plug-in would silently bring into range.

use anyhow::{Result, anyhow, bail, ensure};
use clack_host::utils::ClapId;
use rostra_dsp::Settings;
use rostra_dsp::settings::Tabled as _;
use rostra_files::{Field, in_a_line, nearest};

/// A parameter's id, the name under which hosts list it, and the units that may follow its number.
struct Entry {
    id: &'static str,
    name: &'static str,
    units: Units,
}

/// Units that may follow a number, each with what one of it is in the parameter's own, which comes first.
type Units = &'static [(&'static str, f64)];

const fn entry(id: &'static str, name: &'static str, units: Units) -> Entry {
    Entry { id, name, units }
}

const METRES: Units = &[("m", 1.0), ("cm", 0.01), ("mm", 0.001)];
const DEGREES: Units = &[("°", 1.0), ("deg", 1.0), ("degrees", 1.0)];
const SECONDS: Units = &[("s", 1.0), ("ms", 0.001)];
const MILLISECONDS: Units = &[("ms", 1.0), ("s", 1000.0)];
const CUBIC_METRES: Units = &[("m³", 1.0), ("m3", 1.0)];
const HERTZ: Units = &[("Hz", 1.0), ("kHz", 1000.0)];
const CELSIUS: Units = &[("°C", 1.0), ("C", 1.0)];
const TIMES: Units = &[("x", 1.0), ("×", 1.0)];
const DECIBELS: Units = &[("dB", 1.0)];
const PER_CENT: Units = &[("%", 1.0)];
const NO_UNIT: Units = &[];

/// Every parameter of the plug-in, in the order in which hosts list them.
///
/// Sessions depend on ids and names, so neither changes after the first
/// release; the host refuses a plug-in whose list differs from this one.
const ENTRIES: [Entry; 29] = [
    entry("depth", "Depth", METRES),
    entry("bearing", "Bearing", DEGREES),
    entry("riser", "Riser", METRES),
    entry("facing", "Facing", DEGREES),
    entry("family", "Radiation", NO_UNIT),
    entry("width", "Source width", METRES),
    entry("plat_w", "Platform width", METRES),
    entry("plat_d", "Platform depth", METRES),
    entry("plat_h", "Platform height", METRES),
    entry("floor", "Floor", NO_UNIT),
    entry("rear", "Rear wall", NO_UNIT),
    entry("sides", "Side walls", NO_UNIT),
    entry("canopy", "Canopy", NO_UNIT),
    entry("decay", "Decay", SECONDS),
    entry("mics", "Main microphones", NO_UNIT),
    entry("mics_y", "Microphone depth", METRES),
    entry("mics_z", "Microphone height", METRES),
    entry("air", "Air loss", TIMES),
    entry("temp", "Temperature", CELSIUS),
    entry("humid", "Humidity", PER_CENT),
    entry("close", "Close-mic distance", METRES),
    entry("lowmid_f", "Low-mid frequency", HERTZ),
    entry("lowmid_g", "Low-mid gain", DECIBELS),
    entry("balance", "Platform balance", PER_CENT),
    entry("law", "Distance fall-off", PER_CENT),
    entry("trim", "Trim", DECIBELS),
    entry("link", "Platform link", NO_UNIT),
    entry("dry", "Compare dry", NO_UNIT),
    entry("bypass", "Bypass", NO_UNIT),
];

/// What the hall has besides: what is not there above, or listed under another name.
const HALL_ENTRIES: [Entry; 7] = [
    entry("pre_delay", "Pre-delay", MILLISECONDS),
    entry("bass", "Bass ratio", TIMES),
    entry("treble", "Treble ratio", TIMES),
    entry("size", "Hall size", CUBIC_METRES),
    entry("early", "Early level", DECIBELS),
    entry("width", "Hall width", PER_CENT),
    entry("wet", "Dry/wet", PER_CENT),
];

/// Returns what is known of the parameter that hosts list under `name`.
fn entry_of_name(name: &str) -> Option<&'static Entry> {
    ENTRIES.iter().chain(&HALL_ENTRIES).find(|entry| entry.name == name)
}

/// Parameters that say nothing about a recording that is placed on its own, and why.
const NOT_OFFLINE: [(&str, &str); 2] = [
    ("link", "it joins the channels of a session; give every file the same --platform instead"),
    ("dry", "it is for comparing while you listen; the recording itself is the dry sound"),
];

/// What the plug-in tells of a parameter.
#[derive(Clone, Debug)]
pub(crate) struct Parameter {
    /// Our id, as in seat files.
    pub(crate) id: &'static str,
    /// The name under which hosts list it.
    pub(crate) name: String,
    /// The group in which hosts list it; empty for none.
    pub(crate) group: String,
    /// The host's number for it.
    pub(crate) clap_id: ClapId,
    /// What its values are.
    pub(crate) values: Values,
}

/// What the values of a parameter are.
#[derive(Clone, Debug)]
pub(crate) enum Values {
    /// Names, in the order of the host's values 0, 1, 2...
    Choices(Vec<String>),
    /// Numbers within a range, in the parameter's own unit.
    Numbers {
        /// Lowest.
        least: f64,
        /// Highest; where the range ends in a word, the number that the word stands for.
        most: f64,
        /// The plug-in's own words for both ends.
        ends: [String; 2],
    },
}

/// What a parameter is set to, in plain words.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Plain {
    /// A number in the parameter's own unit.
    Number(f64),
    /// A choice, or the word at which a range of numbers ends.
    Word(String),
}

/// A wish as it was written, before anyone looked whether it can be had.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Wish {
    /// The id as written.
    pub(crate) id: String,
    /// The value as written.
    pub(crate) value: String,
    /// Where it was written: a file and line, or the option.
    pub(crate) from: String,
}

impl Wish {
    /// Reads `id=value` as given to `--set`.
    ///
    /// # Errors
    /// When there is no `=` in it.
    pub(crate) fn from_option(text: &str) -> Result<Self> {
        let (id, value) = text.split_once('=').ok_or_else(|| {
            anyhow!("--set {text}: has no \"=\"; write the id and its value, as in --set depth=8.5")
        })?;
        Ok(Self { id: id.trim().into(), value: value.trim().into(), from: format!("--set {text}") })
    }
}

/// Returns our id of the parameter that hosts list under `name`.
pub(crate) fn id_of_name(name: &str) -> Option<&'static str> {
    entry_of_name(name).map(|entry| entry.id)
}

/// Finds the parameter of a wish.
///
/// # Errors
/// When there is none of that id, naming the nearest; when the parameter says
/// nothing about a recording placed on its own.
pub(crate) fn find<'a>(parameters: &'a [Parameter], wish: &Wish) -> Result<&'a Parameter> {
    if let Some((id, why)) = NOT_OFFLINE.iter().find(|(id, _)| *id == wish.id) {
        bail!("{}: \"{id}\" cannot be set here: {why}", wish.from);
    }
    let known = || parameters.iter().map(|parameter| parameter.id);
    let meant = Settings::by_id(&wish.id).map_or(wish.id.as_str(), |known| known.id);
    parameters.iter().find(|parameter| parameter.id == meant).ok_or_else(|| {
        let ids: Vec<&str> = known().filter(|id| NOT_OFFLINE.iter().all(|(not, _)| not != id)).collect();
        match nearest(&wish.id, ids.iter().copied()) {
            Some(meant) => {
                anyhow!(
                    "{}: there is no parameter \"{}\"; did you mean \"{meant}\"?",
                    wish.from,
                    in_a_line(&wish.id)
                )
            }
            None => {
                anyhow!(
                    "{}: there is no parameter \"{}\"; there are: {}",
                    wish.from,
                    in_a_line(&wish.id),
                    ids.join(", ")
                )
            }
        }
    })
}

impl Parameter {
    /// Returns it as seat and platform files hold it.
    pub(crate) fn field(&self) -> Field {
        let values = match &self.values {
            Values::Choices(names) => rostra_files::Values::Names(names.clone()),
            Values::Numbers { least, most, ends } => {
                // What an end shows tells the digits that count, and the unit.
                let shown = ends.iter().find_map(|end| Some((end, leading_number(end)?.1)));
                let (shown, unit) = shown.map_or(("", ""), |(end, unit)| (end.as_str(), unit));
                let number = shown.trim_end_matches(unit).trim();
                let decimals = number.split_once('.').map_or(0, |(_, decimals)| decimals.len());
                let top = leading_number(&ends[1]).is_none().then(|| ends[1].clone());
                rostra_files::Values::Numbers { range: (*least, *most), decimals, unit: unit.into(), top }
            }
        };
        let known = Settings::by_id(self.id).filter(|known| known.name == self.name);
        let old_ids = known.map_or(&[][..], |known| known.old_ids);
        let list = known.and_then(rostra_dsp::settings::Parameter::list);
        let old_names = list.map_or_else(Vec::new, |list| {
            let entries = list.entries.iter().enumerate();
            entries
                .flat_map(|(place, entry)| entry.old_ids.iter().map(move |&old| (old.to_owned(), place)))
                .collect()
        });
        Field {
            old_ids: old_ids.iter().map(|&id| id.to_owned()).collect(),
            old_names,
            ..Field::new(self.id, &self.name, &self.group, values)
        }
    }

    /// Reads a value as written and returns it in plain words and the text to hand to the plug-in.
    ///
    /// # Errors
    /// When a choice does not exist, a number cannot be read, has another unit, or lies out of range.
    pub(crate) fn read(&self, wish: &Wish) -> Result<(Plain, String)> {
        match &self.values {
            Values::Choices(names) => self.read_choice(wish, names),
            Values::Numbers { least, most, ends } => self.read_number(wish, *least, *most, ends),
        }
    }

    fn read_choice(&self, wish: &Wish, names: &[String]) -> Result<(Plain, String)> {
        let asked = loose(&wish.value);
        let old = Settings::by_id(self.id).and_then(|known| known.list()?.place_of_word(&wish.value));
        let name = names.iter().find(|name| loose(name) == asked).or_else(|| names.get(old?));
        if let Some(name) = name {
            return Ok((Plain::Word(name.clone()), name.clone()));
        }
        let meant = nearest(&asked, names.iter().map(String::as_str))
            .map_or_else(String::new, |meant| format!("; did you mean \"{meant}\"?"));
        bail!(
            "{}: {} cannot be \"{}\"{meant} (there are: {})",
            wish.from,
            self.id,
            in_a_line(&wish.value),
            names.join(", ")
        )
    }

    fn read_number(&self, wish: &Wish, least: f64, most: f64, ends: &[String; 2]) -> Result<(Plain, String)> {
        if let Some(end) =
            ends.iter().find(|end| leading_number(end).is_none() && loose(end) == loose(&wish.value))
        {
            return Ok((Plain::Word(end.clone()), end.clone()));
        }
        let (number, unit) = leading_number(&wish.value).ok_or_else(|| {
            anyhow!(
                "{}: {} cannot be \"{}\"; write a number from {} to {}",
                wish.from,
                self.id,
                in_a_line(&wish.value),
                ends[0],
                ends[1]
            )
        })?;
        let units = entry_of_name(&self.name).map_or(NO_UNIT, |entry| entry.units);
        let factor =
            units.iter().find(|(known, _)| known.eq_ignore_ascii_case(unit)).map(|&(_, factor)| factor);
        let factor = factor.or(unit.is_empty().then_some(1.0)).ok_or_else(|| {
            anyhow!(
                "{}: {} cannot be \"{}\"; write a number{}",
                wish.from,
                self.id,
                in_a_line(&wish.value),
                units.first().map_or_else(String::new, |(unit, _)| format!(" in {unit}")),
            )
        })?;
        let number = number * factor;
        ensure!(
            (least..=most).contains(&number),
            "{}: {} = {number} is out of range; write a number from {} to {}",
            wish.from,
            self.id,
            ends[0],
            ends[1]
        );
        Ok((Plain::Number(number), number.to_string()))
    }
}

/// Returns a word without what people write differently: case, hyphens, underscores, spaces.
fn loose(word: &str) -> String {
    let word = match word.trim() {
        "true" => "on",
        "false" => "off",
        other => other,
    };
    rostra_files::loose(word)
}

/// Most bytes of a number. Our choice: three times what a double has; each length is tried, so that a text of any length
/// costs no more than this.
const LONGEST_NUMBER: usize = 64;

/// Splits a text into the number at its beginning and the unit after it.
///
/// A comma may stand before the decimals. Only finite numbers count, so "inf"
/// and "NaN" are none.
pub(crate) fn leading_number(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let ends =
        text.char_indices().map(|(at, _)| at).chain([text.len()]).take_while(|end| *end <= LONGEST_NUMBER);
    ends.collect::<Vec<_>>().into_iter().rev().find_map(|end| {
        let number: f64 = text[..end].trim().replace(',', ".").parse().ok()?;
        number.is_finite().then(|| (number, text[end..].trim()))
    })
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A number, a number with a word on top, and a list.
    pub(crate) fn examples() -> [Parameter; 3] {
        let group = |parameter: Parameter, group: &str| Parameter { group: group.into(), ..parameter };
        [group(depth(), "Seat"), group(close(), "Tone"), group(family(), "Seat")]
    }

    fn depth() -> Parameter {
        Parameter {
            id: "depth",
            name: "Depth".into(),
            group: String::new(),
            clap_id: ClapId::new(1),
            values: Values::Numbers { least: 0.5, most: 25.0, ends: ["0.50 m".into(), "25.00 m".into()] },
        }
    }

    fn close() -> Parameter {
        Parameter {
            id: "close",
            name: "Close-mic distance".into(),
            group: String::new(),
            clap_id: ClapId::new(2),
            values: Values::Numbers { least: 0.05, most: 2.0, ends: ["0.05 m".into(), "off".into()] },
        }
    }

    fn family() -> Parameter {
        Parameter {
            id: "family",
            name: "Radiation".into(),
            group: String::new(),
            clap_id: ClapId::new(3),
            values: Values::Choices(vec![
                "omnidirectional".into(),
                "forward bell".into(),
                "rear bell".into(),
            ]),
        }
    }

    fn wish(id: &str, value: &str) -> Wish {
        Wish { id: id.into(), value: value.into(), from: "--set".into() }
    }

    #[test]
    fn a_number_may_carry_its_unit() {
        for text in ["8.5", "8.5 m", "8.5m", " 8.5 M", "8,5", "850 cm"] {
            let (plain, _) = depth().read(&wish("depth", text)).unwrap();
            assert_eq!(plain, Plain::Number(8.5), "text {text:?}");
        }
    }

    #[test]
    fn a_text_without_an_end_is_no_number_and_costs_no_more_than_a_short_one() {
        let endless = "1".repeat(1 << 20);
        assert!(depth().read(&wish("depth", &endless)).is_err());
        assert_eq!(leading_number(&format!("3 {endless}")).map(|(number, _)| number), Some(3.0));
    }

    #[test]
    fn what_is_said_of_a_wish_is_one_line_whatever_was_written() {
        let odd = format!("a\nb\u{1b}{}", "x".repeat(1000));
        for error in [
            find(&[depth()], &wish(&odd, "1")).err(),
            depth().read(&wish("depth", &odd)).err(),
            depth().read(&wish("depth", &format!("3{odd}"))).err(),
            family().read(&wish("family", &odd)).err(),
        ] {
            let error = error.expect("it is refused").to_string();
            assert!(!error.chars().any(char::is_control) && error.len() < 300, "got {error:?}");
        }
    }

    #[test]
    fn another_unit_and_what_is_no_number_are_refused() {
        for text in ["8.5 ft", "8,5,0", "8.5 s", "deep", "", "NaN", "inf", "8.5 m m"] {
            assert!(depth().read(&wish("depth", text)).is_err(), "text {text:?}");
        }
    }

    #[test]
    fn a_number_out_of_range_is_refused_and_the_range_named() {
        let error = depth().read(&wish("depth", "26")).unwrap_err().to_string();
        assert!(error.contains("0.50 m to 25.00 m"), "got {error}");
        assert!(depth().read(&wish("depth", "0.49")).is_err());
    }

    #[test]
    fn a_range_may_end_in_a_word() {
        assert_eq!(close().read(&wish("close", "off")).unwrap().0, Plain::Word("off".into()));
        assert_eq!(close().read(&wish("close", "false")).unwrap().0, Plain::Word("off".into()));
        assert!(close().read(&wish("close", "2.5")).is_err());
    }

    #[test]
    fn a_choice_is_found_however_it_is_hyphenated() {
        for text in ["rear bell", "Rear-Bell", "rear_bell"] {
            assert_eq!(family().read(&wish("family", text)).unwrap().1, "rear bell");
        }
        let error = family().read(&wish("family", "rear bel")).unwrap_err().to_string();
        assert!(error.contains("did you mean \"rear bell\""), "got {error}");
    }

    #[test]
    fn a_mistyped_id_names_the_nearest() {
        let parameters = [depth(), close(), family()];
        let error = find(&parameters, &wish("deph", "1")).unwrap_err().to_string();
        assert!(error.contains("did you mean \"depth\""), "got {error}");
        let error = find(&parameters, &wish("zzz", "1")).unwrap_err().to_string();
        assert!(error.contains("depth, close, family"), "got {error}");
        assert!(find(&parameters, &wish("link", "1")).unwrap_err().to_string().contains("session"));
    }

    #[test]
    fn an_option_without_a_value_is_refused() {
        assert!(Wish::from_option("depth").is_err());
        assert_eq!(Wish::from_option("depth = 3").unwrap().value, "3");
    }
}
