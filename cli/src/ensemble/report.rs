//! The report of an ensemble: one HTML page that needs nothing but itself.

use std::path::Path;

use anyhow::Result;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use rostra_dsp::Settings;
use rostra_dsp::extremes::{larger, smaller};
use rostra_dsp::measure::MonoSum;
use rostra_dsp::settings::Tabled as _;

use super::excerpt::{Coded, Compared, played_rate_hz};
use super::figure::{gain_text, level_text};
use super::findings::Findings;
use super::phases::Phases;
use super::practice::by_brightness;
use super::seat_figures::{Deviation, SeatFigures};
use super::stem::Placed;
use super::warnings::{ONE_SPOT_M, has_moved, is_lost, is_third_lost};
use crate::label_places::{Label, Rect, places};
use crate::paper::round_steps;
use crate::recording::{decibels, write_whole};

/// What a browser may load for this page: nothing that is not in it.
const POLICY: &str = "default-src 'none'; img-src data:; media-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'";
/// What stays as it is in a link to a file beside the report.
const LINK: &AsciiSet = &NON_ALPHANUMERIC.remove(b'-').remove(b'_').remove(b'.').remove(b'/');

/// Writes the report: whole or not at all.
///
/// Pictures and sounds are in the page itself; only the list of files links to
/// what lies beside it.
///
/// # Errors
/// When it cannot be written.
pub(super) fn write(path: &Path, findings: &Findings, phases: &Phases) -> Result<()> {
    write_whole(path, page(findings, phases).into_string())
}

fn page(findings: &Findings, phases: &Phases) -> Markup {
    let plan = &findings.plan;
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                title { (plan.name) ": seats, balance, mono" }
                style { (PreEscaped(include_str!("report.css"))) }
            }
            body {
                header {
                    h1 { (plan.name) }
                    @if let Some(cue) = &plan.cue { p.cue { (cue) } }
                    p.caution {
                        strong { "Start at a low level." }
                        " Then turn up to your working level. A hall comes on top of the placed channels, a distance fall-off changes their level, and A/B comparison tempts you to turn up; the players on this page are loudness-matched, the files beside it are not."
                    }
                }
                main {
                    (told(findings))
                    (mixes(findings))
                    (seats(findings))
                    (figures(findings))
                    (practice(findings))
                    (balance(findings))
                    (listening(findings))
                    (definitions(findings))
                    (settings(findings))
                    (files(findings, phases))
                }
                script { (PreEscaped(include_str!("report.js"))) }
            }
        }
    }
}

/// What is wrong with the plan, and what is worth a look.
fn told(findings: &Findings) -> Markup {
    html! {
        @if !findings.faults.is_empty() {
            section.told aria-labelledby="faults" {
                h2 id="faults" { "Not rendered" }
                p { "These could not be rendered. Everything else in the plan was." }
                ul { @for fault in &findings.faults { li { (fault) } } }
            }
        }
        @if !findings.warnings.is_empty() {
            section.told aria-labelledby="warnings" {
                h2 id="warnings" { "Worth checking" }
                ul { @for warning in &findings.warnings { li { (warning) } } }
            }
        }
    }
}

fn mixes(findings: &Findings) -> Markup {
    let (mixes, levelled) = (&findings.mixes, &findings.mixes.levelled);
    html! {
        section aria-labelledby="mixes" {
            h2 id="mixes" { "Dry mix and placed mix" }
            @if let Some(compared) = &mixes.compared {
                (pair("Mix", compared))
            } @else {
                p { "The mixes are silent or shorter than 0.4 s; there is nothing to play." }
            }
            @if let Some(lufs) = levelled.ended_lufs() {
                p {
                    "Both files have an integrated loudness of " (level_text(lufs, 1)) " LUFS (EBU R 128). To get there the dry mix was adjusted by "
                    (gain_text(levelled.dry_gain_db, 2)) " dB and the placed mix by " (gain_text(levelled.placed_gain_db, 2))
                    " dB; their true peaks are " (level_text(levelled.ended_dbtp()[0], 1)) " and " (level_text(levelled.ended_dbtp()[1], 1))
                    " dBTP. Mono stems sit in the centre of the dry mix, at equal power."
                }
            }
            @match &findings.hall {
                Some(hall) => p {
                    "The placed mix is the sum of all placed stems and of the hall " strong { (hall.name) }
                    ", returned at " (gain_text(hall.level_db, 1)) " dB. A hall of its size and decay comes back at "
                    (gain_text(hall.natural_db, 1)) " dB behind this platform."
                },
                None => p { strong { "No hall: " } "the plan names none, or it could not be rendered. The placed mix is the sum of the placed stems only." },
            }
            @if !findings.plan.listen.is_empty() {
                h3 { "Listen for" }
                ul { @for line in &findings.plan.listen { li { (line) } } }
            }
        }
    }
}

fn seats(findings: &Findings) -> Markup {
    html! {
        section aria-labelledby="seats" {
            h2 id="seats" { "Seats" }
            div.wide {
                img alt="Plan and section of the platform, to one scale, with a lettered tick for each seat and a small one for each player of a section; the table below uses the same letters."
                    src=(data("image/png", &findings.picture));
            }
        }
    }
}

fn figures(findings: &Findings) -> Markup {
    let has_hall = findings.hall.is_some();
    html! {
        section aria-labelledby="figures" {
            h2 id="figures" { "What each seat does" }
            div.wide {
                table {
                    caption { "Mid-band values are the mean of 500 Hz and 1 kHz. Each is explained under " a href="#definitions" { "How it was measured" } "." }
                    thead {
                        tr {
                            th scope="col" { "" }
                            th.name scope="col" { "Stem" }
                            (head("Distance", "m"))
                            (head("Direct-to-reflected ratio", "dB"))
                            (head("Hall send", "dB"))
                            @if has_hall { (head("Effective pre-delay", "ms")) }
                            (head("Decay", "s"))
                            (head("Clarity C80", "dB"))
                            @if has_hall { (head("Clarity with hall", "dB")) }
                            (head("Brightness", "dB"))
                            (head("Top lost to air", "dB"))
                        }
                    }
                    tbody {
                        @for stem in &findings.stems {
                            tr {
                                th scope="row" { (stem.letter) }
                                td.name {
                                    (stem.name)
                                    @if stem.plain.seat.players > 1 {
                                        span.unit { (stem.plain.seat.players) " players" }
                                    }
                                }
                                td { (level_text(stem.figures.needs.distance_m, 2)) }
                                td { (gain_text(stem.figures.needs.direct_to_reflected_db, 1)) }
                                td {
                                    (gain_text(stem.send_db, 1))
                                    @if stem.entry.send_db != 0.0 {
                                        span.unit { "the plan\u{2019}s own " (gain_text(stem.entry.send_db, 1)) }
                                    }
                                }
                                @if let Some(hall) = &findings.hall {
                                    td { (level_text((hall.pre_delay_s + stem.figures.needs.later_s) * 1e3, 1)) }
                                }
                                td { (optional(stem.figures.decay_s, |value| level_text(value, 2))) }
                                td { (gain_text(stem.figures.clarity_db, 1)) }
                                @if has_hall { td { (optional(stem.hall_clarity_db, |value| gain_text(value, 1))) } }
                                td { (optional(stem.figures.brightness_db, |value| gain_text(value, 1))) }
                                td { (level_text(stem.figures.top_lost_db, 2)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn practice(findings: &Findings) -> Markup {
    html! {
        section aria-labelledby="practice" {
            h2 id="practice" { "Depth and brightness" }
            div.wide { (chart(&findings.stems)) }
            (brightness(&findings.stems))
            @if findings.expectations.is_empty() {
                p { "The plan does not say which stems sit at the front and which at the back, so nothing is checked against common practice." }
            } @else {
                p { "Common practice (no source): front strings have the least platform and are brightest, horns at the back have the most and are darkest. Each line names the two stems that come closest to breaking it:" }
                ul {
                    @for expectation in &findings.expectations {
                        li {
                            @if expectation.holds { span.on { "holds" } } @else { span.off { "does not hold" } }
                            ": " (expectation.what) " (" (expectation.figures) ")"
                        }
                    }
                }
                @if findings.expectations.iter().any(|expectation| !expectation.holds) {
                    p { "Brightness depends on how an instrument radiates as well as on its seat: what throws its highest octaves away from the microphones comes out darker than what faces them." }
                }
            }
        }
    }
}

/// The stems in the order of their brightness.
fn brightness(stems: &[Placed]) -> Markup {
    let order = by_brightness(stems);
    html! {
        @if !order.is_empty() {
            h3 { "Order of brightness" }
            p {
                "4 kHz relative to 1 kHz, placed against dry, brightest first: "
                @for (place, (stem, brightness_db)) in order.iter().enumerate() {
                    @if place > 0 { ", " }
                    (stem.name) " " (gain_text(*brightness_db, 1)) " dB"
                }
                "."
            }
        }
    }
}

fn balance(findings: &Findings) -> Markup {
    let levelled = &findings.mixes.levelled;
    let has_stereo = findings.stems.iter().any(|stem| !stem.is_mono);
    html! {
        section aria-labelledby="balance" {
            h2 id="balance" { "Balance and mono" }
            div.wide {
                table {
                    caption { "Stems as they leave their seats; nothing is normalised but what the plan asks to keep its loudness. Marked: a change of loudness beyond 2.0 LU at a distance fall-off of 0, and channels that cancel, by a mono change beyond \u{2212}3.0 dB or beyond \u{2212}6.0 dB in a third of an octave." }
                    thead {
                        tr {
                            th scope="col" { "" }
                            th.name scope="col" { "Stem" }
                            (head("Loudness dry", "LUFS"))
                            (head("Loudness placed", "LUFS"))
                            (head("Change", "LU"))
                            (head("True peak placed", "dBTP"))
                            @if has_stereo { (head("Mono change dry", "dB")) }
                            (head("Mono change placed", "dB"))
                            (head("Correlation placed", ""))
                            (head("Worst third in mono", "dB"))
                            (head("Thirds, peak to peak", "dB"))
                        }
                    }
                    tbody {
                        @for stem in &findings.stems {
                            tr {
                                th scope="row" { (stem.letter) }
                                td.name {
                                    (stem.name)
                                    @if stem.entry.gain_db != 0.0 {
                                        span.unit { "the plan\u{2019}s gain " (gain_text(stem.entry.gain_db, 1)) " dB" }
                                    }
                                    @if stem.levelled_db != 0.0 {
                                        span.unit { "brought to its dry loudness, " (gain_text(stem.levelled_db, 1)) " dB" }
                                    }
                                }
                                (loudness_cells(stem.before.integrated_lufs, stem.after.integrated_lufs, stem.after.true_peak, Some(&stem.plain)))
                                @if has_stereo { td { (optional(stem.dry_mono, |sum| gain_text(sum.change_db, 1))) } }
                                (mono_cells(stem.mono))
                                (third_cells(&stem.figures))
                            }
                        }
                    }
                    tbody.sum {
                        @if let Some(hall) = &findings.hall {
                            tr {
                                th scope="row" { "" }
                                td.name { "Hall" }
                                (loudness_cells(None, hall.loudness.integrated_lufs, hall.loudness.true_peak, None))
                                @if has_stereo { td {} }
                                (mono_cells(hall.mono))
                                td {} td {}
                            }
                        }
                        tr {
                            th scope="row" { "" }
                            td.name { "Mix, as summed" }
                            (loudness_cells(levelled.dry.integrated_lufs, levelled.placed.integrated_lufs, levelled.placed.true_peak, None))
                            @if has_stereo { td { (optional(findings.mixes.dry_mono, |sum| gain_text(sum.change_db, 1))) } }
                            (mono_cells(findings.mixes.placed_mono))
                            td {} td {}
                        }
                    }
                }
            }
        }
    }
}

/// Loudness before and after, its change, marked where a seat's settings do not ask for it, and the true peak.
fn loudness_cells(
    dry_lufs: Option<f64>,
    placed_lufs: Option<f64>,
    true_peak: f64,
    seat: Option<&Settings>,
) -> Markup {
    let change = dry_lufs.zip(placed_lufs).map(|(dry, placed)| placed - dry);
    let is_off = change.zip(seat).is_some_and(|(change, seat)| has_moved(change, seat));
    html! {
        td { (optional(dry_lufs, |value| level_text(value, 1))) }
        td { (optional(placed_lufs, |value| level_text(value, 1))) }
        td.off[is_off] { (optional(change, |value| gain_text(value, 1))) }
        td { (level_text(decibels(true_peak), 1)) }
    }
}

fn mono_cells(sum: Option<MonoSum>) -> Markup {
    let is_off = sum.is_some_and(|sum| is_lost(sum.change_db));
    html! {
        td.off[is_off] { (optional(sum, |sum| gain_text(sum.change_db, 1))) }
        td { (optional(sum, |sum| gain_text(sum.correlation, 2))) }
    }
}

/// What single thirds of an octave do, in mono and about their trend.
fn third_cells(figures: &SeatFigures) -> Markup {
    let is_off = figures.in_mono.is_some_and(is_third_lost);
    html! {
        td.off[is_off] {
            @if let Some(third) = figures.in_mono {
                (gain_text(third.level_db, 1)) span.unit { (third.name()) }
            } @else { "\u{2013}" }
        }
        td {
            @if let Some(Deviation { peak_to_peak_db, worst }) = figures.deviation {
                (level_text(peak_to_peak_db, 1))
                span.unit { (gain_text(worst.level_db, 1)) " at " (worst.name()) }
            } @else { "\u{2013}" }
        }
    }
}

fn listening(findings: &Findings) -> Markup {
    html! {
        section aria-labelledby="listening" {
            h2 id="listening" { "Every stem, dry and placed" }
            p { "The loudest passage of each dry stem, and the same passage placed, without the hall. Both play at one loudness, \u{2212}23 LUFS where peaks allow (EBU R 128), in 16 bits, so a stem is not as loud here as in the mix." @if played_rate_hz(findings.rate_hz) != findings.rate_hz { " They play at " (played_rate_hz(findings.rate_hz)) " Hz; the files beside this page have " (findings.rate_hz) " Hz." } }
            div.pairs {
                @for stem in &findings.stems {
                    @if let Some(compared) = &stem.compared {
                        (pair(&format!("{}  {}", stem.letter, stem.name), compared))
                    } @else {
                        figure { figcaption { (stem.letter) "  " (stem.name) } "Nothing to play: the stem is silent, shorter than 0.4 s, or beyond the number of stems that fit on this page." }
                    }
                }
            }
        }
    }
}

/// Two players of one stretch.
fn pair(name: &str, compared: &Compared) -> Markup {
    html! {
        figure.pair {
            figcaption {
                (name)
                span { (level_text(compared.start_s, 1)) " to " (level_text(compared.start_s + compared.length_s, 1)) " s" }
            }
            (player(name, "dry", &compared.dry))
            (player(name, "placed", &compared.placed))
        }
    }
}

fn player(name: &str, which: &str, coded: &Coded) -> Markup {
    html! {
        div.one {
            span { (which) }
            audio controls preload="metadata" aria-label={ (name) ", " (which) } src=(data("audio/flac", &coded.bytes)) {}
        }
    }
}

fn definitions(findings: &Findings) -> Markup {
    html! {
        section aria-labelledby="definitions" {
            h2 id="definitions" { "How it was measured" }
            p { "Every stem was rendered offline through the plug-in itself. A unit impulse was rendered through each seat too; decay, clarity and brightness are measured on that output, both channels together." }
            dl {
                dt { "Direct-to-reflected ratio" }
                dd { "Direct sound relative to all reflections and the tail of the platform, mid-band, including the platform balance. The plug-in shows the same value. Higher means closer." }
                dt { "Hall send" }
                dd { "Post-insert level at which the placed stem is sent to the hall\u{2019}s bus, so that the hall responds equally to a player\u{2019}s power from every seat; relative to an omnidirectional player at 4 m. The plan\u{2019}s own send_db is added." }
                @if findings.hall.is_some() {
                    dt { "Effective pre-delay" }
                    dd { "Time from the direct sound of this seat to the hall\u{2019}s first reflection: the hall\u{2019}s pre-delay plus the longer path from this seat." }
                    dt { "Return level" }
                    dd { "What of a player\u{2019}s power leaves the platform by its open front, times what a hall of this volume and decay makes of it (Barron and Lee 1988), against what the sends carry." }
                }
                dt { "Decay" }
                dd { "Time for the platform\u{2019}s tail to fall by 60 dB, fitted over 30 dB from twice the mixing time." }
                dt { "Clarity C80" }
                dd { "Energy of the first 80 ms relative to everything later (ISO 3382-1:2009), mean of 500 Hz and 1 kHz." }
                dt { "Brightness" }
                dd { "The 4 kHz octave of the placed impulse relative to its 1 kHz octave. A dry impulse has 0 dB, so this is how the seat tilts whatever goes into it. It reflects distance, finishes and how the instrument radiates, not the music. Our choice of measure." }
                dt { "Top lost to air" }
                dd { "How much more air absorbs at 8 kHz than at 1 kHz along the direct path (ISO 9613-1): the part of the darkening that comes from distance alone, whatever the instrument." }
                dt { "Loudness, true peak" }
                dd { "Integrated loudness per EBU R 128 and ITU-R BS.1770-4. A mono dry stem is measured as it sits in the dry mix, in the centre at equal power." }
                dt { "Change" }
                dd { "Loudness placed less loudness dry. At a distance fall-off of 0 a seat keeps the loudness of its channel, so a change of more than 2 LU beside its trim is listed as a warning; at 100 it follows the room." }
                dt { "Mono change" }
                dd { "Level of (left + right)/2 relative to the mean power of both channels. Identical channels give 0 dB. Two unrelated channels, or sound in one channel only, give \u{2212}3.0 dB: a wide tail comes close to that and is fine. Anything lower means that the channels cancel, and is listed as a warning." }
                dt { "Correlation" }
                dd { "Correlation coefficient of the two channels over the whole stem: 1 identical, 0 unrelated, \u{2212}1 opposite." }
                dt { "Worst third in mono" }
                dd { "The third of an octave from 100 Hz to 10 kHz in which the placed impulse loses most when left and right are summed, measured as the mono change is. A comb that the time difference of two microphones cuts can be deep there and hardly show in the whole. Beyond \u{2212}6 dB it is listed as a warning." }
                dt { "Thirds, peak to peak" }
                dd { "How far the thirds of an octave of the placed impulse, both channels together, lie apart about their trend, and the one furthest from it. The trend of a third is the straight line through it and its neighbours up to an octave away, so neither level nor a steady roll-off counts; a dry impulse has 0 dB. Our choice of measure." }
                dt { "Same spot" }
                dd { "Two seats closer than " (ONE_SPOT_M) " m, half the space that a seated player needs, are listed as a warning." }
            }
        }
    }
}

fn settings(findings: &Findings) -> Markup {
    let shared = findings.platform.values().filter(|(parameter, _)| parameter.group.is_shared());
    let values: Vec<_> = shared.map(|(parameter, value)| (parameter.name, parameter.shown(value))).collect();
    html! {
        section aria-labelledby="settings" {
            h2 id="settings" { "Platform: " (findings.platform_name) }
            dl.values { @for (name, value) in &values { div { dt { (name) } dd { (value) } } } }
            @if let Some(hall) = &findings.hall {
                h2 { "Hall: " (hall.name) }
                dl.values {
                    @for (id, value) in &hall.words { div { dt { (id) } dd { (value) } } }
                    div { dt { "Decay, measured" } dd { (optional(hall.decay_s, |value| level_text(value, 2))) " s" } }
                }
            }
        }
    }
}

fn files(findings: &Findings, phases: &Phases) -> Markup {
    let mut files = vec![
        ("dry mix.wav".to_owned(), "dry mix"),
        ("placed mix.wav".to_owned(), "placed mix"),
        ("seats.png".to_owned(), "seating plan"),
    ];
    if findings.hall.is_some() {
        files.push((
            "hall.wav".to_owned(),
            "hall return, as it is in the placed mix before loudness matching",
        ));
    }
    for stem in &findings.stems {
        let name = stem.output.file_name().unwrap_or_default().to_string_lossy().into_owned();
        files.push((format!("placed/{name}"), "placed stem"));
    }
    html! {
        section aria-labelledby="files" {
            h2 id="files" { "Files beside this page" }
            p { "Made from " code { (findings.plan_path) } " by Rostra " (env!("CARGO_PKG_VERSION")) " at " (findings.rate_hz) " Hz. The WAV files hold 32-bit floats at full length." }
            ul {
                @for (path, what) in &files {
                    li { a href=(utf8_percent_encode(path, LINK)) { (path) } ", " (what) }
                }
            }
            p {
                "Time: " @for (what, took_s) in &phases.done { (what) " " (level_text(*took_s, 1)) " s, " }
                "and the writing of this page."
            }
        }
    }
}

/// Size of the chart, points, and its paper at the left, above, at the right and below.
const CHART: (f64, f64) = (720.0, 400.0);
const CHART_EDGES: (f64, f64, f64, f64) = (64.0, 20.0, 20.0, 56.0);

/// Every stem by how much platform it carries and how bright it is.
fn chart(stems: &[Placed]) -> Markup {
    let points: Vec<(&str, f64, f64)> = stems
        .iter()
        .filter_map(|stem| {
            let platform_db = -stem.figures.needs.direct_to_reflected_db;
            let brightness_db = stem.figures.brightness_db?;
            platform_db.is_finite().then_some((stem.letter.as_str(), platform_db, brightness_db))
        })
        .collect();
    let range = |pick: fn(&(&str, f64, f64)) -> f64| {
        let (least, most) =
            points.iter().map(pick).fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), value| {
                (smaller(least, value), larger(most, value))
            });
        if least.is_finite() { ((least - 1.0).floor(), (most + 1.0).ceil()) } else { (-1.0, 1.0) }
    };
    let (x, y) = (range(|point| point.1), range(|point| point.2));
    let (left, top, right, below) = CHART_EDGES;
    let (wide, high) = (CHART.0 - left - right, CHART.1 - top - below);
    let place = |platform_db: f64, brightness_db: f64| {
        (left + wide * (platform_db - x.0) / (x.1 - x.0), top + high * (y.1 - brightness_db) / (y.1 - y.0))
    };
    let marks: Vec<(f64, f64)> = points.iter().map(|point| place(point.1, point.2)).collect();
    let taken: Vec<Rect> = marks.iter().map(|&mark| Rect::around(mark, 9.0, 9.0)).collect();
    let wanted: Vec<Label> = marks
        .iter()
        .zip(&points)
        .map(|(&mark, point)| Label {
            mark,
            direction: (0.0, -1.0),
            // The browser's typeface is at most so wide.
            size: (point.0.len() as f64 * 10.0 + 2.0, 15.0),
        })
        .collect();
    let bounds = Rect { from: (left, top), to: (left + wide, top + high) };
    let labels = places(&wanted, &taken, bounds);
    html! {
        svg viewBox={ "0 0 " (CHART.0) " " (CHART.1) } role="img" aria-label="Brightness against the platform-to-direct ratio, one lettered dot for each stem; the table above has the values." {
            @for value in round_steps(x.0, x.1, 8.0) {
                @let (at, floor) = place(value, y.0);
                path.grid d={ "M" (at) " " (top) "V" (floor) } {}
                text.grey x=(at) y=(floor + 18.0) text-anchor="middle" { (gain_text(value, 0)) }
            }
            @for value in round_steps(y.0, y.1, 6.0) {
                @let (edge, at) = place(x.0, value);
                path.grid d={ "M" (edge) " " (at) "H" (left + wide) } {}
                text.grey x=(edge - 8.0) y=(at + 4.0) text-anchor="end" { (gain_text(value, 0)) }
            }
            path.axis d={ "M" (left) " " (top) "V" (top + high) "H" (left + wide) } {}
            text x=(left + wide / 2.0) y=(CHART.1 - 14.0) text-anchor="middle" { "platform relative to direct sound, dB" }
            text text-anchor="middle" transform={ "translate(16 " (top + high / 2.0) ") rotate(-90)" } { "brightness, dB" }
            @for ((mark, label), point) in marks.iter().zip(&labels).zip(&points) {
                @let (at_x, at_y) = label.middle();
                @if (at_x - mark.0).hypot(at_y - mark.1) > 22.0 {
                    path.leader d={ "M" (mark.0) " " (mark.1) "L" (at_x) " " (at_y) } {}
                }
                circle cx=(mark.0) cy=(mark.1) r="4" {}
                text x=(at_x) y=(at_y + 5.0) text-anchor="middle" { (point.0) }
            }
        }
    }
}

fn head(name: &str, unit: &str) -> Markup {
    html! { th scope="col" { (name) span.unit { (unit) } } }
}

fn data(media_type: &str, bytes: &[u8]) -> String {
    format!("data:{media_type};base64,{}", STANDARD.encode(bytes))
}

fn optional<T>(value: Option<T>, text: impl FnOnce(T) -> String) -> String {
    value.map_or_else(|| "\u{2013}".into(), text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_survives_spaces_and_percent_signs() {
        let link = utf8_percent_encode("placed/100 % \"solo\" placed.wav", LINK).to_string();
        assert_eq!(link, "placed/100%20%25%20%22solo%22%20placed.wav");
    }
}
