//! What common practice lets expect of front and back, held against the figures.

use rostra_files::{in_a_line, nearest};

use super::figure::gain_text;
use super::plan_file::Practice;
use super::stem::Placed;

/// An expectation, and whether it holds.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Expectation {
    /// What is expected.
    pub(crate) what: String,
    /// The figures on which it hangs.
    pub(crate) figures: String,
    /// Whether it holds.
    pub(crate) holds: bool,
}

/// What an expectation reads of a stem: a name and a figure.
type Figure<'a> = (&'a str, f64);

/// Holds the stems against what the plan expects; also returns a line for each name that no stem has.
///
/// Front strings carry the least platform and are brightest, horns at the back
/// carry the most and are darkest (common practice, no source). Platform is
/// the reflected against the direct sound, mid-band; brightness the 4 kHz
/// against the 1 kHz octave of the placed impulse, with how the instrument
/// throws its sound; what is lost on the way is what distance alone takes.
pub(crate) fn expectations(practice: &Practice, stems: &[Placed]) -> (Vec<Expectation>, Vec<String>) {
    let mut unknown = Vec::new();
    let mut chosen = |names: &[String]| -> Vec<bool> {
        for name in names {
            if !stems.iter().any(|stem| stem.is_called(name)) {
                let meant = nearest(name, stems.iter().map(|stem| stem.name.as_str()));
                let meant = meant.map_or_else(String::new, |meant| format!("; did you mean \"{meant}\"?"));
                let name = in_a_line(name);
                unknown
                    .push(format!("{}: none of the placed stems is called \"{name}\"{meant}", practice.from));
            }
        }
        stems.iter().map(|stem| names.iter().any(|name| stem.is_called(name))).collect()
    };
    let (front, back) = (chosen(&practice.front), chosen(&practice.back));
    let platform: Vec<Figure> =
        stems.iter().map(|stem| (stem.name.as_str(), -stem.figures.needs.direct_to_reflected_db)).collect();
    let brightness: Option<Vec<Figure>> =
        stems.iter().map(|stem| Some((stem.name.as_str(), stem.figures.brightness_db?))).collect();
    let lost: Vec<Figure> = stems.iter().map(|stem| (stem.name.as_str(), stem.figures.top_lost_db)).collect();
    let mut found = Vec::new();
    let all = |chosen: &[bool]| chosen.iter().map(|is| !is).collect::<Vec<_>>();
    if front.contains(&true) {
        found.extend(below("front has the least platform", &platform, &front, &all(&front)));
    }
    if back.contains(&true) {
        found.extend(below("back has the most platform", &platform, &all(&back), &back));
    }
    if front.contains(&true) {
        found.extend(below("front loses the least top to air", &lost, &front, &all(&front)));
    }
    if back.contains(&true) {
        found.extend(below("back loses the most top to air", &lost, &all(&back), &back));
    }
    if let Some(brightness) = brightness {
        if front.contains(&true) {
            found.extend(below("front is brightest", &brightness, &all(&front), &front));
        }
        if back.contains(&true) {
            found.extend(below("back is darkest", &brightness, &back, &all(&back)));
        }
        if front.contains(&true) && back.contains(&true) {
            found.extend(below("front is brighter than back", &brightness, &back, &front));
        }
    }
    (found, unknown)
}

/// Returns the stems by brightness, the brightest first; those whose rate does not hold 4 kHz are left out.
pub(crate) fn by_brightness(stems: &[Placed]) -> Vec<(&Placed, f64)> {
    let mut order: Vec<(&Placed, f64)> =
        stems.iter().filter_map(|stem| Some((stem, stem.figures.brightness_db?))).collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1));
    order
}

/// Holds whether every figure of `low` lies below every one of `high`; `None` where either has no stem.
fn below(what: &str, figures: &[Figure], low: &[bool], high: &[bool]) -> Option<Expectation> {
    let of = |chosen: &[bool]| -> Vec<Figure> {
        figures.iter().zip(chosen).filter(|(_, is_chosen)| **is_chosen).map(|(figure, _)| *figure).collect()
    };
    let highest = of(low).into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let lowest = of(high).into_iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Expectation {
        what: what.to_owned(),
        figures: format!(
            "{} {} dB, {} {} dB",
            highest.0,
            gain_text(highest.1, 1),
            lowest.0,
            gain_text(lowest.1, 1)
        ),
        holds: highest.1 < lowest.1,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_expectation_hangs_on_the_two_nearest() {
        let figures = [("Violins", -9.0), ("Cellos", -8.0), ("Flute", -3.0), ("Horns", 20.0)];
        let front = [true, true, false, false];
        let rest = [false, false, true, true];
        let held = below("least", &figures, &front, &rest).unwrap();
        assert!(held.holds);
        assert_eq!(held.figures, "Cellos \u{2212}8.0 dB, Flute \u{2212}3.0 dB");
        assert!(!below("most", &figures, &rest, &front).unwrap().holds);
        assert_eq!(below("none", &figures, &front, &[false; 4]), None);
    }
}
