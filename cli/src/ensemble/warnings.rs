//! What is allowed in an ensemble and yet worth a look.

use rostra_dsp::Settings;
use rostra_dsp::measure::{MOST_THIRD_LOSS_DB, MonoSum, ThirdLevel};

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

/// Most that a stem may change in loudness at a distance fall-off of 0, its trim aside, LU.
///
/// There a seat keeps the dry channel's loudness to within 1 LU (the design's
/// bound); twice that is a balance that somebody has to mend (our choice).
const MOST_CHANGE_LU: f64 = 2.0;

/// How much louder than natural a hall may come back without a warning, dB (our choice: as much again as it has).
const MOST_OVER_NATURAL_DB: f64 = 3.0;

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
        warnings.extend(loudness_warning(&called, stem));
    }
    warnings.extend(third_warning(stems));
    if let Some(hall) = hall.filter(|hall| hall.lets_through) {
        warnings.push(format!(
            "the hall, {}, passes the stems through beside its own sound, so they are heard twice; set wet = 100 and leave bypass off",
            hall.name
        ));
    }
    if let Some(hall) = hall.filter(|hall| hall.level_db > hall.natural_db + MOST_OVER_NATURAL_DB) {
        warnings.push(format!(
            "the hall, {}, comes back at {:+.1} dB, {:.1} dB louder than a hall of its size and decay behind this platform; it covers the players",
            hall.name,
            hall.level_db,
            hall.level_db - hall.natural_db
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

/// Warns, once for all stems, of thirds of an octave that lose too much in mono, the worst first.
fn third_warning(stems: &[Placed]) -> Option<String> {
    let mut lost: Vec<(&Placed, ThirdLevel)> = stems
        .iter()
        .filter_map(|stem| Some((stem, stem.figures.in_mono?)))
        .filter(|(_, third)| is_third_lost(*third))
        .collect();
    lost.sort_by(|a, b| a.1.level_db.total_cmp(&b.1.level_db));
    let told: Vec<String> = lost
        .iter()
        .map(|(stem, third)| {
            format!("{} ({}) {:.1} dB at {}", stem.name, stem.letter, -third.level_db, third.name())
        })
        .collect();
    (!told.is_empty()).then(|| {
        format!(
            "in mono a third of an octave loses more than {MOST_THIRD_LOSS_DB:.0} dB: {}; coincident main microphones lose least",
            told.join(", ")
        )
    })
}

/// Returns whether a third's change in mono is a loss to be warned of, after rounding to a tenth.
pub(super) fn is_third_lost(third: ThirdLevel) -> bool {
    (-third.level_db * 10.0).round() / 10.0 > MOST_THIRD_LOSS_DB
}

/// Warns where a stem does not keep its loudness although its seat asks for that.
fn loudness_warning(called: &str, stem: &Placed) -> Option<String> {
    let change_lu = stem.change_lu()?;
    has_moved(change_lu, &stem.plain).then(|| {
        format!(
            "{called} comes out {:.1} LU {} than dry, its trim aside, although its distance fall-off is 0; check close-mic distance and low-mid gain, or set trim",
            change_lu_without_trim(change_lu, &stem.plain).abs(),
            if change_lu_without_trim(change_lu, &stem.plain) > 0.0 { "louder" } else { "quieter" }
        )
    })
}

/// Returns whether a change of loudness is more than a seat with a distance fall-off of 0 should make.
pub(super) fn has_moved(change_lu: f64, settings: &Settings) -> bool {
    let rounded_lu = (change_lu_without_trim(change_lu, settings) * 10.0).round() / 10.0;
    settings.level.law_pct == 0.0 && rounded_lu.abs() > MOST_CHANGE_LU
}

fn change_lu_without_trim(change_lu: f64, settings: &Settings) -> f64 {
    change_lu - settings.level.trim_db
}

/// Returns whether a change in mono is a loss to be warned of.
pub(super) fn is_lost(change_db: f64) -> bool {
    (-change_db * 10.0).round() / 10.0 > MONO_LOSS_DB
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stem_has_moved_beyond_two_lu_where_nothing_asks_for_it() {
        let mut settings = Settings::default();
        assert!(!has_moved(2.04, &settings) && !has_moved(-2.0, &settings));
        assert!(has_moved(2.06, &settings) && has_moved(-2.1, &settings));
        settings.level.trim_db = -6.0;
        assert!(!has_moved(-6.0, &settings) && has_moved(0.0, &settings));
        settings.level.law_pct = 100.0;
        assert!(!has_moved(0.0, &settings));
    }

    #[test]
    fn a_third_is_lost_beyond_six_decibels() {
        let third = |level_db| ThirdLevel { third: 14, level_db };
        assert!(!is_third_lost(third(-3.0)) && !is_third_lost(third(-6.04)));
        assert!(is_third_lost(third(-6.06)) && is_third_lost(third(f64::NEG_INFINITY)));
    }

    #[test]
    fn three_decibels_are_no_loss_and_a_tenth_more_is() {
        assert!(!is_lost(0.0) && !is_lost(-3.0) && !is_lost(-10.0 * 2.0_f64.log10()));
        assert!(is_lost(-3.06) && is_lost(-20.0) && is_lost(f64::NEG_INFINITY));
        let warned = mono_warning("Harp", Some(MonoSum { change_db: -7.04, correlation: -0.6 })).unwrap();
        assert!(warned.contains("Harp loses 7.0 dB"), "{warned}");
        assert_eq!(mono_warning("Harp", None), None);
    }
}
