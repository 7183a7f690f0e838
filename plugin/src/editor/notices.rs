//! What the window has to say of itself: how the instance stands on shared platforms, and what a newer version saved.

use nice_plug::plugin::ParamValue;
use rostra_dsp::Settings;
use rostra_dsp::settings::Tabled;

use crate::carried::{Carried, VERSION};
use crate::platform_link::{Difference, Link, MOST, Standing, shared_parameter};

/// How many things are named before the rest is counted.
const NAMED: usize = 2;
/// Characters of a foreign name or value that are shown.
const SHOWN: usize = 24;

/// Returns what is to be said, most urgent first; `None` where all is well.
pub fn notice(link: Link, standing: &Standing, carried: &Carried) -> Option<String> {
    joined([of_link(link, standing), of_newer::<Settings>(carried)])
}

fn joined(notices: [Option<String>; 2]) -> Option<String> {
    let all: Vec<String> = notices.into_iter().flatten().collect();
    (!all.is_empty()).then(|| all.join(" "))
}

/// Says how an instance stands on its shared platform, and what to do, where it is not as one would think.
fn of_link(link: Link, standing: &Standing) -> Option<String> {
    let number = link.name();
    let relink = format!("set Platform link to off and to {number} again");
    if standing.is_turned_away {
        return Some(format!(
            "All {MOST} shared platforms are in use. This channel is not linked until another project is closed."
        ));
    }
    let differences = |is_here: bool| -> Vec<(usize, Difference)> {
        let all = standing.differences.iter().enumerate();
        all.filter_map(|(place, difference)| Some((place, (*difference)?)))
            .filter(|(_, difference)| difference.there.is_some() == is_here)
            .collect()
    };
    let here = differences(true);
    if !here.is_empty() {
        let names = listed(here.iter().map(|&(place, Difference { here, there })| {
            format!("{} {} (there {})", name(place), shown(place, here), shown(place, there.unwrap_or(here)))
        }));
        return Some(format!(
            "This channel was loaded with values that differ from platform {number}: {names}. Change a value to set it on every linked channel, or {relink}."
        ));
    }
    let elsewhere = differences(false);
    if !elsewhere.is_empty() {
        let names = listed(
            elsewhere
                .iter()
                .map(|&(place, Difference { here, .. })| format!("{} {}", name(place), shown(place, here))),
        );
        return Some(format!(
            "Another channel on platform {number} was loaded with different values; here {names}. Change a value to set it on every linked channel."
        ));
    }
    if standing.is_guess {
        return Some(format!(
            "Several open projects use platform {number}; this channel joined the one that played last. If that is the wrong one, start playback in this project and {relink}."
        ));
    }
    standing.is_stranger.then(|| {
        format!(
            "The other channels of this project use a different platform {number}. To join them, {relink}."
        )
    })
}

/// Says which newer version saved the state, and what of it is not known here.
pub(super) fn of_newer<S: Tabled>(carried: &Carried) -> Option<String> {
    if carried.version.is_empty() {
        return None;
    }
    let version = shortened(&carried.version);
    let params = carried.params.iter().map(|(id, carried)| {
        let name = S::by_id(id).map(|known| known.name);
        match (name, &carried.value) {
            (Some(name), ParamValue::String(entry)) => format!("{name} \"{}\"", shortened(entry)),
            (Some(name), _) => name.to_owned(),
            (None, _) => shortened(id),
        }
    });
    let fields = carried.fields.keys().map(|name| shortened(name));
    let unknown: Vec<String> = params.chain(fields).collect();
    Some(if unknown.is_empty() {
        format!("Saved by version {version}; this is {VERSION}, which understands all of it.")
    } else {
        format!(
            "Saved by version {version}; this is {VERSION}, which does not have {}. It is kept and saved again for the newer version.",
            listed(unknown.into_iter())
        )
    })
}

/// Names the first few and counts the rest.
fn listed(all: impl ExactSizeIterator<Item = String>) -> String {
    let rest = all.len().saturating_sub(NAMED);
    let named: Vec<String> = all.take(NAMED).collect();
    let named = named.join("; ");
    if rest == 0 { named } else { format!("{named}; and {rest} more") }
}

fn name(place: usize) -> &'static str {
    shared_parameter(place).name
}

fn shown(place: usize, value: f64) -> String {
    shared_parameter(place).shown(value)
}

/// Returns the start of a foreign text, without what does not belong into a line.
fn shortened(text: &str) -> String {
    let mut line = text.chars().filter(|c| !c.is_control());
    let mut start: String = line.by_ref().take(SHOWN).collect();
    if line.next().is_some() {
        start.push('\u{2026}');
    }
    start
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carried::CarriedValue;
    use crate::platform_link::SHARED_IDS;

    const ONE: Link = Link::Platform(0);

    fn calm() -> Standing {
        Standing {
            is_turned_away: false,
            is_guess: false,
            is_stranger: false,
            differences: [None; SHARED_IDS.len()],
        }
    }

    fn said(standing: &Standing) -> String {
        notice(ONE, standing, &Carried::default()).expect("there is something to say")
    }

    #[test]
    fn all_is_well_in_silence() {
        assert_eq!(notice(ONE, &calm(), &Carried::default()), None);
    }

    #[test]
    fn a_difference_says_what_differs_and_what_to_do() {
        let mut standing = calm();
        standing.differences[7] = Some(Difference { here: 0.8, there: Some(1.4) });
        assert_eq!(
            said(&standing),
            "This channel was loaded with values that differ from platform 1: Decay 0.800 s (there 1.400 s). Change a value to set it on every linked channel, or set Platform link to off and to 1 again."
        );
        standing.differences[7] = Some(Difference { here: 1.4, there: None });
        standing.differences[4] = Some(Difference { here: 4.0, there: None });
        assert_eq!(
            said(&standing),
            "Another channel on platform 1 was loaded with different values; here Rear wall brick; Decay 1.400 s. Change a value to set it on every linked channel."
        );
        standing.differences = [Some(Difference { here: 1.0, there: Some(2.0) }); SHARED_IDS.len()];
        assert!(said(&standing).contains("and 12 more"));
    }

    #[test]
    fn every_case_has_its_words() {
        let cases = [
            Standing { is_turned_away: true, ..calm() },
            Standing { is_guess: true, ..calm() },
            Standing { is_stranger: true, ..calm() },
        ];
        let mut words: Vec<String> = cases.iter().map(said).collect();
        words.dedup();
        assert_eq!(words.len(), 3);
        assert!(words.iter().all(|words| words.len() < 200 && words.ends_with('.')), "{words:?}");
    }

    #[test]
    fn a_newer_version_is_named_with_what_is_not_known_and_nothing_foreign_breaks_the_line() {
        let mut carried = Carried { version: "0.3.0".into(), ..Carried::default() };
        assert_eq!(
            notice(Link::Off, &calm(), &carried).as_deref(),
            Some(format!("Saved by version 0.3.0; this is {VERSION}, which understands all of it.").as_str())
        );
        let value = |text: &str| CarriedValue { value: ParamValue::String(text.into()), instead: None };
        carried.params.insert("floor".into(), value("gl\nass"));
        carried.fields.insert("balcony".into(), String::new());
        assert_eq!(
            notice(Link::Off, &calm(), &carried),
            Some(format!(
                "Saved by version 0.3.0; this is {VERSION}, which does not have Floor \"glass\"; balcony. It is kept and saved again for the newer version."
            ))
        );
        carried.params.insert("x".repeat(1_000_000), value(""));
        assert!(notice(ONE, &calm(), &carried).expect("words").len() < 250);
    }
}
