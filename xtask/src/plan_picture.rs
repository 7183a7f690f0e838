//! The picture of an ensemble's seats: the platform in plan, to scale.

use std::path::Path;

use anyhow::Result;
use plotters::style::RGBColor;
use rostra_dsp::Settings;

use crate::picture::{
    Anchor, BLUE, DASHED, FAINT, GREY, INK, PANEL, Panel, Pen, SHORT_DASHES, Sheet, VERMILION,
    draw as draw_sheet, round_steps,
};

/// A seat in the picture.
#[derive(Clone, Debug)]
pub(crate) struct Seated {
    /// Who sits there.
    pub(crate) name: String,
    /// Seat, platform and pickup.
    pub(crate) settings: Settings,
}

/// Points for a metre.
const POINTS_PER_M: f64 = 64.0;
/// Paper around the platform: left, above, right, below, points.
const MARGIN: (f64, f64, f64, f64) = (80.0, 90.0, 40.0, 76.0);
/// Length of the stroke that shows where a player looks, m.
const LOOK_M: f64 = 0.42;

/// Draws the seats on the platform of the first.
///
/// # Errors
/// When it cannot be written.
pub(crate) fn draw(path: &Path, title: &str, seats: &[Seated]) -> Result<()> {
    let common = seats.first().map(|seated| seated.settings).unwrap_or_default();
    let (platform, pickup) = (common.platform, common.pickup);
    let (wide, deep) = (platform.width_m * POINTS_PER_M, platform.depth_m * POINTS_PER_M);
    let size = ((wide + MARGIN.0 + MARGIN.2) as u32, (deep + MARGIN.1 + MARGIN.3) as u32);
    let plan = Panel {
        from: (MARGIN.0, MARGIN.1),
        to: (MARGIN.0 + wide, MARGIN.1 + deep),
        x: (-platform.width_m / 2.0, platform.width_m / 2.0),
        y: (0.0, platform.depth_m),
    };
    draw_sheet(path, size, |sheet| {
        sheet.text(title, (MARGIN.0, 34.0), 22.0, Anchor::Left, INK)?;
        let words = format!(
            "Seen from above, to scale: platform {} x {} m, {} m high, decay {} s. Bars show where players look.",
            platform.width_m, platform.depth_m, platform.height_m, platform.decay_s
        );
        sheet.text(&words, (MARGIN.0, 62.0), 14.0, Anchor::Left, GREY)?;
        sheet.fill(plan.from, plan.to, PANEL)?;
        scales(sheet, &plan)?;
        arcs(sheet, &plan, pickup.depth_m)?;
        edges(sheet, &plan)?;
        seats.iter().try_for_each(|seated| player(sheet, &plan, seated))?;
        pair(sheet, &plan, pickup.depth_m, pickup.height_m)
    })
}

fn scales(sheet: &Sheet, plan: &Panel) -> Result<()> {
    let tick = Pen::solid(GREY, 1.0);
    for x in round_steps(plan.x.0, plan.x.1, 10.0) {
        let (at, below) = plan.place(x, 0.0);
        sheet.line(&[(at, below), (at, below + 7.0)], tick)?;
        let words = match x {
            x if x < 0.0 => format!("{} left", -x),
            x if x > 0.0 => format!("{x} right"),
            _ => "centre".into(),
        };
        sheet.text(&words, (at, below + 11.0), 13.0, Anchor::Top, GREY)?;
    }
    for y in round_steps(0.0, plan.y.1, 6.0) {
        let (left, at) = plan.place(plan.x.0, y);
        sheet.line(&[(left - 7.0, at), (left, at)], tick)?;
        sheet.text(&format!("{y} m"), (left - 12.0, at), 13.0, Anchor::Right, GREY)?;
    }
    Ok(())
}

/// Draws arcs of equal distance from the pickup, every 2 m, and writes each distance on its arc.
fn arcs(sheet: &Sheet, plan: &Panel, pickup_y: f64) -> Result<()> {
    let farthest_m = plan.x.1.hypot(plan.y.1 - pickup_y);
    let pen = Pen::solid(FAINT, 1.0).with(SHORT_DASHES);
    for index in 1..=(farthest_m / 2.0) as usize {
        let radius_m = index as f64 * 2.0;
        let mut run: Vec<(f64, f64)> = Vec::new();
        for step in 0..=720 {
            let angle = std::f64::consts::TAU * f64::from(step) / 720.0;
            let (x, y) = (radius_m * angle.sin(), pickup_y + radius_m * angle.cos());
            if x.abs() <= plan.x.1 && (0.0..=plan.y.1).contains(&y) {
                run.push(plan.place(x, y));
            } else if !run.is_empty() {
                sheet.line(&run, pen)?;
                run.clear();
            }
        }
        sheet.line(&run, pen)?;
        if pickup_y + radius_m < plan.y.1 {
            let (x, y) = plan.place(0.0, pickup_y + radius_m);
            sheet.text(&format!("{radius_m} m"), (x, y - 2.0), 12.0, Anchor::Bottom, GREY)?;
        }
    }
    Ok(())
}

fn edges(sheet: &Sheet, plan: &Panel) -> Result<()> {
    let wall = Pen::solid(INK, 3.0);
    let (left, right, bottom) = (plan.from.0, plan.to.0, plan.to.1);
    sheet.line(&[(left, bottom), plan.from, (right, plan.from.1), plan.to], wall)?;
    sheet.line(&[(left, bottom), plan.to], Pen::solid(BLUE, 2.0).with(DASHED))?;
    sheet.text(
        "front edge, open to the hall",
        (f64::midpoint(left, right), bottom + 36.0),
        15.0,
        Anchor::Top,
        BLUE,
    )?;
    sheet.text("rear wall", (f64::midpoint(left, right), plan.from.1 + 8.0), 13.0, Anchor::Top, GREY)
}

fn player(sheet: &Sheet, plan: &Panel, seated: &Seated) -> Result<()> {
    let settings = &seated.settings;
    let source = settings.seat.source(&settings.platform, &settings.pickup);
    let (x, y) = (source.place.x, source.place.y);
    let at = plan.place(x, y);
    let ahead = plan.place(x + source.forward.x * LOOK_M, y + source.forward.y * LOOK_M);
    sheet.line(&[at, ahead], Pen::solid(VERMILION, 3.0))?;
    sheet.dot(at, 8.0, INK)?;
    label(sheet, &seated.name, (at.0, at.1 - 21.0), 15.0, INK)?;
    let words = if settings.seat.riser_m > 0.0 {
        format!("{:.1} m, riser {:.1} m", settings.seat.depth_m, settings.seat.riser_m)
    } else {
        format!("{:.1} m", settings.seat.depth_m)
    };
    label(sheet, &words, (at.0, at.1 + 38.0), 12.0, GREY)
}

/// Writes a text on a piece of bare ground, so that no arc runs through it.
fn label(sheet: &Sheet, text: &str, (x, y): (f64, f64), size: f64, colour: RGBColor) -> Result<()> {
    // The typeface is about half as wide as high.
    let (wide, high) = (text.chars().count() as f64 * size * 0.5, size);
    sheet.fill((x - wide / 2.0, y - high / 2.0), (x + wide / 2.0, y + high / 2.0), PANEL)?;
    sheet.text(text, (x, y), size, Anchor::Centre, colour)
}

/// Marks the pickup: two strokes that open upstage.
fn pair(sheet: &Sheet, plan: &Panel, pickup_y: f64, pickup_z: f64) -> Result<()> {
    let at = plan.place(0.0, pickup_y);
    let pen = Pen::solid(BLUE, 4.0);
    for side in [-1.0, 1.0] {
        sheet.line(&[at, (at.0 + side * 16.0, at.1 - 14.0)], pen)?;
    }
    sheet.dot(at, 5.0, BLUE)?;
    sheet.text(&format!("pickup, {pickup_z} m high"), (at.0 + 26.0, at.1 - 14.0), 13.0, Anchor::Left, BLUE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::seat::Seat;

    #[test]
    fn the_plan_is_drawn_whatever_the_seats() {
        let folder = tempfile::tempdir().unwrap();
        let picture = folder.path().join("seats.png");
        let seated = |name: &str, depth_m, bearing_deg| Seated {
            name: name.into(),
            settings: Settings {
                seat: Seat { depth_m, bearing_deg, ..Seat::default() },
                ..Settings::default()
            },
        };
        draw(&picture, "Nobody", &[]).unwrap();
        draw(&picture, "Two", &[seated("one", 3.0, -40.0), seated("far off", 25.0, 60.0)]).unwrap();
        assert!(std::fs::metadata(&picture).unwrap().len() > 5_000);
    }
}
