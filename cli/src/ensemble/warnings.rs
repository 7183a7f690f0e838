//! What is allowed in an ensemble and yet worth a look.

use rostra_dsp::Settings;
use rostra_dsp::measure::MonoSum;

use super::findings::{HallFindings, MixFindings};
use super::stem::Placed;

/// Distance under which two seats count as one spot, m.
///
/// Half of what one seated player takes up: chairs of a section stand some 0.6 m
/// apart at the least (from memory). Nearer than that the two hear one room, and
/// the plan most likely names one seat twice.
pub(super) const ONE_SPOT_M: f64 = 0.3;

/// Loss of level in mono from which a warning is given, dB, after rounding to a tenth.
///
/// Two unrelated channels lose 3.01 dB by definition ([`MonoSum`]); more means
/// that they cancel. The rounding keeps a tail, whose channels are unrelated but
/// for chance, from being warned of.
const MONO_LOSS_DB: f64 = 3.0;

/// Says what is allowed and yet worth a look.
pub(super) fn warnings(
    stems: &[Placed],
    platform: &Settings,
    mixes: &MixFindings,
    hall: Option<&HallFindings>,
) -> Vec<String> {
    let mut warnings = Vec::new();
    for (index, stem) in stems.iter().enumerate() {
        let called = format!("{} ({}, {})", stem.name, stem.letter, stem.entry.from);
        let notes = stem.notes.iter().map(|note| note.trim_start_matches("note: "));
        warnings.extend(notes.map(|note| format!("{called}: {note}")));
        for other in &stems[..index] {
            let apart_m = stem.distance_m(other);
            if apart_m < ONE_SPOT_M {
                warnings.push(format!(
                    "{called} and {} ({}, {}) sit {apart_m:.2} m apart, practically on the same spot: do both use the same seat? Both are placed; move one by more than {ONE_SPOT_M} m",
                    other.name, other.letter, other.entry.from
                ));
            }
        }
        if (stem.plain.platform, stem.plain.microphones) != (platform.platform, platform.microphones) {
            warnings.push(format!(
                "{called} uses a different platform or different main microphones from the plan; leave those values out of its seat"
            ));
        }
        if stem.before.integrated_lufs.is_none() {
            let what = if stem.before.true_peak > 0.0 {
                "is too short or too quiet to measure"
            } else {
                "is silent"
            };
            warnings.push(format!("{called} {what}; check that it is the right file"));
        }
        warnings.extend(mono_warning(&called, stem.mono));
    }
    if let Some(hall) = hall.filter(|hall| hall.lets_through) {
        warnings.push(format!(
            "the hall, {}, passes the stems through beside its own sound, so they are heard twice; set wet = 100 and leave bypass off",
            hall.name
        ));
    }
    warnings.extend(hall.and_then(|hall| mono_warning(&format!("the hall, {}", hall.name), hall.mono)));
    warnings.extend(mono_warning("the placed mix", mixes.placed_mono));
    if mixes.levelled.ended_lufs().is_none() {
        warnings.push("the mixes are too short or too quiet to measure; their levels stay as summed".into());
    }
    warnings
}

/// Warns where a sound loses too much in mono.
fn mono_warning(called: &str, sum: Option<MonoSum>) -> Option<String> {
    let change_db = sum?.change_db;
    is_lost(change_db).then(|| {
        format!(
            "{called} loses {:.1} dB in mono, more than the 3.0 dB of two unrelated channels: its channels cancel; check width, bearing and main microphones",
            -change_db
        )
    })
}

/// Returns whether a change in mono is a loss to be warned of.
pub(super) fn is_lost(change_db: f64) -> bool {
    (-change_db * 10.0).round() / 10.0 > MONO_LOSS_DB
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_decibels_are_no_loss_and_a_tenth_more_is() {
        assert!(!is_lost(0.0) && !is_lost(-3.0) && !is_lost(-10.0 * 2.0_f64.log10()));
        assert!(is_lost(-3.06) && is_lost(-20.0) && is_lost(f64::NEG_INFINITY));
        let warned = mono_warning("Harp", Some(MonoSum { change_db: -7.04, correlation: -0.6 })).unwrap();
        assert!(warned.contains("Harp loses 7.0 dB"), "{warned}");
        assert_eq!(mono_warning("Harp", None), None);
    }
}
