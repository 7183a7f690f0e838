//! The figures of an ensemble as lines on the terminal.
use rostra_dsp::measure::ThirdLevel;
use rostra_terminal::say;

use super::findings::Findings;
use super::practice::by_brightness;
use crate::recording::decibels;

/// Prints a line for each stem, then the mixes.
#[allow(clippy::too_many_lines, reason = "the lines of a table in their order")]
pub(super) fn print(findings: &Findings) {
    say!(
        "{}{}",
        findings.plan.name,
        findings.plan.cue.as_ref().map_or_else(String::new, |cue| format!(": {cue}"))
    );
    say!(
        "   {:18} {:>9} {:>6} {:>6} {:>6} {:>6} {:>7} {:>7} {:>5}",
        "",
        "D/R dB",
        "send",
        "gap ms",
        "T s",
        "C80",
        "C80+h",
        "bright",
        "air"
    );
    for stem in &findings.stems {
        let (figures, needs) = (&stem.figures, &stem.figures.needs);
        say!(
            "{:>2} {:18.18} {:+9.1} {:+6.1} {:>6} {:>6} {:+6.1} {:>7} {:>7} {:>5.2}",
            stem.letter,
            stem.name,
            needs.direct_to_reflected_db,
            stem.send_db,
            or_dash(findings.hall.as_ref().map(|hall| (hall.pre_delay_s + needs.later_s) * 1e3), 1),
            or_dash(figures.decay_s, 2),
            figures.clarity_db,
            or_dash(stem.hall_clarity_db, 1),
            or_dash(figures.brightness_db, 1),
            figures.top_lost_db,
        );
    }
    say!();
    say!(
        "   {:18} {:>9} {:>7} {:>6} {:>6} {:>6} {:>16} {:>7} {:>16}",
        "",
        "dry LUFS",
        "placed",
        "LU",
        "mono",
        "corr",
        "worst third",
        "thirds",
        "worst"
    );
    for stem in &findings.stems {
        let figures = &stem.figures;
        let third = |third: ThirdLevel| format!("{:+.1} {}", third.level_db, third.name());
        say!(
            "{:>2} {:18.18} {:>9} {:>7} {:>6} {:>6} {:>6} {:>16} {:>7} {:>16}",
            stem.letter,
            stem.name,
            or_dash(stem.before.integrated_lufs, 1),
            or_dash(stem.after.integrated_lufs, 1),
            stem.change_lu().map_or_else(|| "-".into(), |change| format!("{change:+.1}")),
            or_dash(stem.mono.map(|sum| sum.change_db), 1),
            or_dash(stem.mono.map(|sum| sum.correlation), 2),
            figures.in_mono.map_or_else(|| "-".into(), third),
            or_dash(figures.deviation.map(|deviation| deviation.peak_to_peak_db), 1),
            figures.deviation.map_or_else(|| "-".into(), |deviation| third(deviation.worst)),
        );
    }
    say!();
    let kept: Vec<_> = findings.stems.iter().filter(|stem| stem.levelled_db != 0.0).collect();
    if !kept.is_empty() {
        let gains = kept.iter().map(|stem| format!("{} {:+.1}", stem.name, stem.levelled_db));
        say!("loudness    kept: {} dB", gains.collect::<Vec<_>>().join(", "));
    }
    let levelled = &findings.mixes.levelled;
    if let Some(hall) = &findings.hall {
        say!(
            "hall        {}: pre-delay {:.0} ms, decay {} s, level {:+.1} dB (as a hall of its size and decay: {:+.1} dB), {} LUFS, mono {} dB",
            hall.name,
            hall.pre_delay_s * 1e3,
            or_dash(hall.decay_s, 2),
            hall.level_db,
            hall.natural_db,
            or_dash(hall.loudness.integrated_lufs, 1),
            or_dash(hall.mono.map(|sum| sum.change_db), 1)
        );
    } else {
        say!("hall        none: the plan names none, or it could not be rendered");
    }
    for (name, loudness, gain_db, sum) in [
        ("dry mix", levelled.dry, levelled.dry_gain_db, findings.mixes.dry_mono),
        ("placed mix", levelled.placed, levelled.placed_gain_db, findings.mixes.placed_mono),
    ] {
        say!(
            "{name:11} {} LUFS, {:.1} dBTP as summed, adjusted by {gain_db:+.2} dB; mono {} dB, correlation {}",
            or_dash(loudness.integrated_lufs, 1),
            decibels(loudness.true_peak),
            or_dash(sum.map(|sum| sum.change_db), 1),
            or_dash(sum.map(|sum| sum.correlation), 2)
        );
    }
    if let Some(lufs) = levelled.ended_lufs() {
        say!("both mixes  {lufs:.1} LUFS (EBU R 128)");
    }
    let order = by_brightness(&findings.stems);
    if !order.is_empty() {
        let told: Vec<String> =
            order.iter().map(|(stem, brightness_db)| format!("{} {brightness_db:+.1}", stem.name)).collect();
        say!("brightness  {} dB", told.join(", "));
    }
    for expectation in &findings.expectations {
        say!(
            "{:11} {}: {}",
            if expectation.holds { "holds" } else { "DOES NOT" },
            expectation.what,
            expectation.figures
        );
    }
}

/// Returns a figure, or a dash where there is none.
fn or_dash(figure: Option<f64>, decimals: usize) -> String {
    figure.map_or_else(|| "-".into(), |figure| format!("{figure:.decimals$}"))
}
