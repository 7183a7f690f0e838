//! The picture of a placed impulse: when what arrives and how loud, and how each octave dies away.

use std::path::Path;

use anyhow::Result;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::Surface;
use rostra_dsp::extremes::larger;

use crate::paper::{
    AMBER, Anchor, BLUE, DASH_DOT, DASHED, DOTTED, FAINT, GREEN, GREY, INK, MIXED, Panel, Pen, SHORT_DASHES,
    SOLID, Sheet, VERMILION, draw as draw_sheet, round_steps,
};
use crate::placed_impulse::{BandDecay, Heard};
use crate::setting::beside;

/// Size of the sheet, points.
const SHEET: (u32, u32) = (1280, 900);
/// Lowest level of an arrival that is drawn, dB.
const LEAST_DB: f64 = -40.0;
/// Level down to which decays are drawn, dB.
const DECAY_TO_DB: f64 = -60.0;
/// Gap after which a hall's answer leaves attacks clear, s (common practice, no source).
const CLEAR_GAP_S: f64 = 0.030;

/// What throws sound back, with names, colours and patterns.
const SURFACES: [(Option<Surface>, &str, Pen); 6] = [
    (None, "direct sound", Pen::solid(INK, 3.0)),
    (Some(Surface::Floor), "floor", Pen { colour: AMBER, width: 2.0, pattern: SOLID }),
    (Some(Surface::Canopy), "canopy", Pen { colour: BLUE, width: 2.0, pattern: DASHED }),
    (Some(Surface::Rear), "rear wall", Pen { colour: VERMILION, width: 2.5, pattern: DOTTED }),
    (Some(Surface::Sides), "side walls", Pen { colour: GREEN, width: 2.0, pattern: DASH_DOT }),
    (Some(Surface::Several), "several", Pen { colour: MIXED, width: 1.8, pattern: SHORT_DASHES }),
];

/// Draws the picture.
///
/// # Errors
/// When it cannot be written.
pub(crate) fn draw(
    path: &Path,
    settings: &Settings,
    heard: &[Heard],
    decays: &[BandDecay],
    rate_hz: u32,
) -> Result<()> {
    draw_sheet(path, SHEET, |sheet| {
        title(sheet, settings)?;
        arrivals(sheet, settings, heard)?;
        self::decays(sheet, settings, decays, rate_hz)
    })
}

fn title(sheet: &Sheet, settings: &Settings) -> Result<()> {
    let (seat, platform) = (&settings.seat, &settings.platform);
    let place = seat.source(platform, &settings.microphones).position;
    let words = format!(
        "Seat {:.2} m deep, {}, riser {:.2} m, {}   |   platform {:.1} x {:.1} x {:.1} m, {:.2} s, {}",
        place.y,
        beside(place.x),
        seat.riser_m,
        seat.family.name(),
        platform.width_m,
        platform.depth_m,
        platform.height_m,
        platform.decay_s,
        settings.microphones.pair.name()
    );
    sheet.text(&words, (70.0, 30.0), 18.0, Anchor::Left, INK)
}

fn arrivals(sheet: &Sheet, settings: &Settings, heard: &[Heard]) -> Result<()> {
    let mixing_ms = settings.platform.mixing_time_s() * 1e3;
    let last_ms = heard.iter().map(|arrival| arrival.earliest_s() * 1e3).fold(0.0, larger);
    let loudest_db = heard.iter().map(Heard::mid_level_db).fold(0.0, larger);
    let highest_db = (loudest_db / 10.0).ceil().mul_add(10.0, 5.0);
    let panel = Panel {
        from: (70.0, 90.0),
        to: (1250.0, 430.0),
        x: (-1.5, last_ms.max(mixing_ms).max(CLEAR_GAP_S * 1e3) * 1.04),
        y: (LEAST_DB, highest_db),
    };
    sheet.text("Arrivals after the direct sound", (70.0, 66.0), 16.0, Anchor::Left, INK)?;
    panel.grid(
        sheet,
        &round_steps(0.0, panel.x.1, 12.0),
        &round_steps(LEAST_DB, highest_db, 5.0),
        (true, true),
    )?;
    sheet.text("ms", (1250.0, 452.0), 13.0, Anchor::Right, GREY)?;
    sheet.text(
        "dB relative to an omnidirectional source heard directly; 500 Hz and 1 kHz",
        (24.0, 260.0),
        13.0,
        Anchor::Upwards,
        GREY,
    )?;

    for (at_ms, words) in
        [(CLEAR_GAP_S * 1e3, "30 ms".to_owned()), (mixing_ms, format!("mixing time {mixing_ms:.0} ms"))]
    {
        let (x, top) = panel.place(at_ms, panel.y.1);
        sheet.line(&[(x, top), (x, panel.to.1)], Pen::solid(GREY, 1.0).with(SHORT_DASHES))?;
        sheet.text(&words, (x + 6.0, top + 12.0), 13.0, Anchor::Left, GREY)?;
    }
    // The loudest last, so that nothing hides them.
    let mut in_turn: Vec<&Heard> = heard.iter().filter(|a| a.mid_level_db() > LEAST_DB).collect();
    in_turn.sort_by_key(|arrival| std::cmp::Reverse(arrival.order));
    for arrival in in_turn {
        let Some((_, _, pen)) = SURFACES.iter().find(|(surface, _, _)| *surface == arrival.surface) else {
            continue;
        };
        let (x, y) = panel.place_inside(arrival.earliest_s() * 1e3, arrival.mid_level_db());
        sheet.line(&[(x, panel.to.1), (x, y)], *pen)?;
        sheet.dot((x, y), pen.width + 1.5, pen.colour)?;
    }
    let mut x = 420.0;
    for (_, name, pen) in SURFACES {
        sheet.line(&[(x, 66.0), (x + 34.0, 66.0)], pen)?;
        sheet.text(name, (x + 42.0, 66.0), 13.0, Anchor::Left, INK)?;
        x += 70.0 + 7.0 * name.len() as f64;
    }
    Ok(())
}

fn decays(sheet: &Sheet, settings: &Settings, decays: &[BandDecay], rate_hz: u32) -> Result<()> {
    let mixing_s = settings.platform.mixing_time_s();
    let longest_s = decays.iter().map(|band| band.analytic_s).fold(0.0, larger) + mixing_s;
    sheet.text("Decay per octave, both channels together", (70.0, 490.0), 16.0, Anchor::Left, INK)?;
    let measured = Pen::solid(INK, 2.0);
    let wanted = Pen::solid(VERMILION, 2.0).with(DASHED);
    for (x, pen, words) in [
        (480.0, measured, "rendered, backward-integrated"),
        (760.0, wanted, "the platform's decay, drawn through the curve at twice the mixing time"),
    ] {
        sheet.line(&[(x, 490.0), (x + 34.0, 490.0)], pen)?;
        sheet.text(words, (x + 42.0, 490.0), 13.0, Anchor::Left, INK)?;
    }
    let gap = 14.0;
    let width = (1250.0 - 70.0 - gap * (decays.len() as f64 - 1.0)) / decays.len() as f64;
    for (index, band) in decays.iter().enumerate() {
        let left = 70.0 + index as f64 * (width + gap);
        let panel = Panel {
            from: (left, 536.0),
            to: (left + width, 840.0),
            x: (0.0, longest_s),
            y: (DECAY_TO_DB, 0.0),
        };
        panel.grid(
            sheet,
            &round_steps(0.0, longest_s, 3.0),
            &round_steps(DECAY_TO_DB, 0.0, 6.0),
            (true, index == 0),
        )?;
        let name = if band.nominal_hz < 1000.0 {
            format!("{} Hz", band.nominal_hz)
        } else {
            format!("{} kHz", band.nominal_hz / 1000.0)
        };
        let words = format!("{name}   {:.2} s", band.analytic_s);
        sheet.text(&words, (left, 522.0), 14.0, Anchor::Left, INK)?;
        curve(sheet, &panel, band, f64::from(rate_hz), measured)?;
        straight(sheet, &panel, band, 2.0 * mixing_s, f64::from(rate_hz), wanted)?;
    }
    sheet.text("s", (1250.0, 866.0), 13.0, Anchor::Right, GREY)?;
    sheet.text("dB", (24.0, 688.0), 13.0, Anchor::Upwards, GREY)?;
    let note = "Where a curve starts off its line it shows direct sound and early reflections; a flatter curve is a longer decay.";
    sheet.text(note, (70.0, 882.0), 12.0, Anchor::Left, GREY)?;
    sheet.line(&[(70.0, 470.0), (1250.0, 470.0)], Pen::solid(FAINT, 1.0))
}

/// Draws the rendered decay, as far as it lies in the panel.
fn curve(sheet: &Sheet, panel: &Panel, band: &BandDecay, rate_hz: f64, pen: Pen) -> Result<()> {
    let columns = (panel.to.0 - panel.from.0) as usize * 2;
    let points: Vec<(f64, f64)> = (0..=columns)
        .map_while(|column| {
            let at_s = panel.x.1 * column as f64 / columns as f64;
            let level_db = *band.levels_db.get((at_s * rate_hz) as usize)?;
            (level_db >= DECAY_TO_DB).then(|| panel.place(at_s, level_db))
        })
        .collect();
    sheet.line(&points, pen)
}

/// Draws the straight line of the platform's decay through the curve at `through_s`.
fn straight(
    sheet: &Sheet,
    panel: &Panel,
    band: &BandDecay,
    through_s: f64,
    rate_hz: f64,
    pen: Pen,
) -> Result<()> {
    let Some(&level_db) = band.levels_db.get((through_s * rate_hz) as usize) else { return Ok(()) };
    if !level_db.is_finite() {
        return Ok(());
    }
    let slope_db_per_s = -60.0 / band.analytic_s;
    let at = |level: f64| through_s + (level - level_db) / slope_db_per_s;
    let start_db = (level_db - slope_db_per_s * through_s).min(0.0);
    let from_s = at(start_db);
    let to_s = at(DECAY_TO_DB).min(panel.x.1);
    let to_db = level_db + slope_db_per_s * (to_s - through_s);
    if to_s <= from_s {
        return Ok(());
    }
    sheet.line(&[panel.place(from_s, start_db), panel.place(to_s, to_db)], pen)
}
