//! What a command sets: parameters and their values, out of options, plans and files, as the acoustics and as a host count them.
//!
//! The table of all parameters says what there is and what may be written; a value is read once, and stays a number.

use anyhow::{Context as _, Result, anyhow, bail};
use clack_host::utils::ClapId;
use rostra_dsp::Settings;
use rostra_dsp::settings::{BYPASSED, Kind, Parameter, Tabled};
use rostra_files::{Contents, Value, in_a_line, nearest};
use rostra_host::Instance;

use crate::recording::Recording;

/// Parameters that say nothing about a recording that is placed on its own, and why.
const NOT_OFFLINE: [(&str, &str); 2] = [
    ("link", "it joins the channels of a session; give every file the same --platform instead"),
    ("dry", "it is for comparing while you listen; the recording itself is the dry sound"),
];

/// A parameter set to a value in its own unit; of a list the place, of a switch 0 or 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Setting {
    /// The parameter.
    pub(crate) parameter: &'static Parameter,
    /// Its value.
    pub(crate) value: f64,
}

/// An override as it was written, before anyone looked whether it can be had.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Override {
    /// The id as written.
    pub(crate) id: String,
    /// The value as written.
    pub(crate) value: String,
    /// Where it was written: a file and line, or the option.
    pub(crate) from: String,
}

impl Override {
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

    /// Returns the parameter that is meant.
    ///
    /// # Errors
    /// When there is none of that id, naming the nearest; when the parameter says nothing about a recording placed on its own.
    pub(crate) fn parameter<S: Tabled>(&self) -> Result<&'static Parameter> {
        if let Some((id, why)) = NOT_OFFLINE.iter().find(|(id, _)| *id == self.id) {
            bail!("{}: \"{id}\" cannot be set here: {why}", self.from);
        }
        S::by_id(&self.id).ok_or_else(|| {
            let ids = || {
                S::parameters()
                    .map(|known| known.id)
                    .filter(|id| NOT_OFFLINE.iter().all(|(not, _)| not != id))
            };
            let hint = match nearest(&self.id, ids()) {
                Some(meant) => format!("did you mean \"{meant}\"?"),
                None => format!("there are: {}", ids().collect::<Vec<_>>().join(", ")),
            };
            anyhow!("{}: there is no parameter \"{}\"; {hint}", self.from, in_a_line(&self.id))
        })
    }

    /// Returns what is asked for.
    ///
    /// # Errors
    /// As [`Override::parameter`], and when the parameter cannot be that.
    pub(crate) fn setting<S: Tabled>(&self) -> Result<Setting> {
        let parameter = self.parameter::<S>()?;
        let value = parameter.read(&self.value).map_err(|refused| {
            let meant = parameter.list().and_then(|list| nearest(&self.value, list.names()));
            let meant = meant.map_or_else(String::new, |meant| format!("; did you mean \"{meant}\"?"));
            anyhow!("{}: {refused}{meant}", self.from)
        })?;
        Ok(Setting { parameter, value })
    }
}

/// Reads all that is given to `--set`, in the order in which it was given.
///
/// # Errors
/// As [`Override::from_option`] and [`Override::setting`].
pub(crate) fn of_options<S: Tabled>(options: &[String]) -> Result<Vec<Setting>> {
    options.iter().map(|text| Override::from_option(text)?.setting::<S>()).collect()
}

/// Returns what a file sets, in its order.
pub(crate) fn of_contents<S: Tabled>(contents: &Contents) -> Vec<Setting> {
    let setting = |entry: &rostra_files::Entry| {
        let value = match entry.value {
            Value::Number(number) => number,
            Value::Name(place) => place as f64,
        };
        Some(Setting { parameter: S::by_id(&entry.id)?, value })
    };
    contents.entries.iter().filter_map(setting).collect()
}

/// Returns the plain values of settings, the later ones winning; what is not set keeps the default.
///
/// Only the acoustics are taken: bypass has none.
pub(crate) fn plain<S: Tabled>(settings: &[Setting]) -> S {
    let mut plain = S::default();
    for Setting { parameter, value } in settings {
        let field =
            S::TABLE.iter().find(|row| row.parameter.id == parameter.id).and_then(|row| row.field.as_ref());
        if let Some(field) = field {
            (field.set)(&mut plain, *value);
        }
    }
    plain.snapped()
}

/// Says whether settings let the dry signal through instead.
pub(crate) fn is_bypassed(settings: &[Setting]) -> bool {
    let last = settings.iter().rev().find(|setting| setting.parameter.id == BYPASSED.id);
    last.is_some_and(|setting| setting.value >= 0.5)
}

/// Returns settings as the host of an instance counts them.
///
/// # Errors
/// When the plug-in has no such parameter, so that it and this program are of two versions.
fn as_host(instance: &mut Instance, settings: &[Setting]) -> Result<Vec<(ClapId, f64)>> {
    let described = instance.parameters()?;
    let value = |Setting { parameter, value }: &Setting| {
        let found = described.iter().find(|described| described.name == parameter.name);
        let found = found.with_context(|| {
            format!(
                "the plug-in has no parameter \"{}\"; use a program and a plug-in of the same version",
                parameter.name
            )
        })?;
        let value = match parameter.kind {
            Kind::Number(_) => found.least + (found.most - found.least) * parameter.share(*value),
            Kind::List(_) | Kind::Switch => found.least + value,
        };
        Ok((found.id, value))
    };
    settings.iter().map(value).collect()
}

/// Renders a recording and its tail through an instance, to as many channels; `progress` is told the input frames of every block.
///
/// # Errors
/// When the plug-in does not know a parameter, and as [`Instance::render`].
pub(crate) fn render(
    mut instance: Instance,
    settings: &[Setting],
    input: &Recording,
    outputs: usize,
    progress: &dyn Fn(usize),
) -> Result<Recording> {
    let values = as_host(&mut instance, settings)?;
    instance.set(&values)?;
    let channels = instance.render(&input.channels, outputs, input.rate_hz, progress)?;
    Ok(Recording { rate_hz: input.rate_hz, channels })
}

/// Says that a seat was brought on the platform, and where to.
pub(crate) fn moved_text(settings: &[Setting]) -> Option<String> {
    let Settings { seat, platform, microphones, .. } = plain(settings);
    seat.was_moved(&platform, &microphones).then(|| {
        let place = seat.source(&platform, &microphones).position;
        format!(
            "note: the seat lies off the platform; moved inside, to {:.2} m depth, {}",
            place.y,
            beside(place.x)
        )
    })
}

/// Says in words how far to the side a place lies, from the audience.
pub(crate) fn beside(x_m: f64) -> String {
    match x_m {
        x if x < -0.005 => format!("{:.2} m left", -x),
        x if x > 0.005 => format!("{x:.2} m right"),
        _ => "in the middle".into(),
    }
}

#[cfg(test)]
mod tests {
    use std::path::{Path, PathBuf};

    use rostra_dsp::acoustics::Family;
    use rostra_dsp::hall::Hall;
    use rostra_host::Library;

    use super::*;

    fn given(id: &str, value: &str) -> Override {
        Override { id: id.into(), value: value.into(), from: "--set".into() }
    }

    #[test]
    fn a_number_may_carry_its_unit_and_a_word_may_stand_for_the_top() {
        for text in ["8.5", "8.5 m", "8.5m", " 8.5 M", "8,5", "850 cm"] {
            assert_eq!(given("depth", text).setting::<Settings>().unwrap().value, 8.5, "text {text:?}");
        }
        let close = |text| plain::<Settings>(&[given("close", text).setting::<Settings>().unwrap()]).tone;
        assert_eq!(close("off").close_mic_m, None);
        assert_eq!(close("0.3").close_mic_m, Some(0.3));
        assert!(given("close", "2.5").setting::<Settings>().is_err());
    }

    #[test]
    fn what_is_said_of_an_override_is_one_line_whatever_was_written() {
        let odd = format!("a\nb\u{1b}{}", "x".repeat(1000));
        for given in [
            given(&odd, "1"),
            given("depth", &odd),
            given("depth", &format!("3{odd}")),
            given("family", &odd),
        ] {
            let error = given.setting::<Settings>().expect_err("it is refused").to_string();
            assert!(!error.chars().any(char::is_control) && error.len() < 400, "got {error:?}");
        }
    }

    #[test]
    fn what_cannot_be_had_is_refused_with_what_can() {
        for (id, value, said) in [
            ("depth", "26", "0.50 to 25.00 m"),
            ("depth", "8.5 ft", "0.50 to 25.00 m"),
            ("depth", "NaN", "0.50 to 25.00 m"),
            ("family", "rear bel", "did you mean \"rear bell\""),
            ("deph", "1", "did you mean \"depth\""),
            ("zzz", "1", "depth, bearing, riser"),
            ("link", "1", "session"),
        ] {
            let error = given(id, value).setting::<Settings>().unwrap_err().to_string();
            assert!(error.contains(said), "{id} = {value}: {error}");
        }
        assert!(given("depth", "8").setting::<Hall>().is_err());
        assert!(Override::from_option("depth").is_err());
        assert_eq!(Override::from_option("depth = 3").unwrap().value, "3");
    }

    fn hold_against_texts<S: Tabled>(mut instance: Instance) {
        for parameter in S::parameters() {
            for share in [0.0, 0.1, 0.25, 0.5, 0.77, 1.0] {
                let value = parameter.at_share(share);
                let [(id, got)] = as_host(&mut instance, &[Setting { parameter, value }]).unwrap()[..] else {
                    panic!("one value for one setting")
                };
                let text = parameter.shown(value);
                let expected = instance.value_of(id, &text).expect("the plug-in takes its own text");
                // The plug-in counts in 32 bits: the text's value is rounded to them, and once more as a share of its range.
                // Four of their steps are far finer than any plan's grid.
                let slack = 4.0 * f64::from(f32::EPSILON) * expected.abs().max(1.0);
                assert!((got - expected).abs() <= slack, "{text}: {expected}, {got}");
            }
        }
    }

    /// A host may show and take texts instead: both ways lead to one value.
    #[test]
    fn a_number_reaches_the_plug_in_as_its_text_would() {
        let target = std::env::var_os("CARGO_TARGET_DIR")
            .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../target"), PathBuf::from);
        let library =
            Library::load(&target.join("bundled/rostra.clap")).expect("run `cargo xtask bundle` first");
        hold_against_texts::<Settings>(library.seat().unwrap());
        hold_against_texts::<Hall>(library.hall().unwrap());
    }

    #[test]
    fn later_settings_win_and_bypass_is_none_of_the_acoustics() {
        let options = ["depth=3", "family=Rear-Bell", "bypass=on", "depth=4"].map(str::to_owned);
        let settings = of_options::<Settings>(&options).unwrap();
        let seat = plain::<Settings>(&settings).seat;
        assert_eq!((seat.depth_m, seat.family), (4.0, Family::RearBell));
        assert!(is_bypassed(&settings) && !is_bypassed(&settings[..2]));
    }
}
