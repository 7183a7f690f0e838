//! The arrivals chart: level against time from the direct sound, with the tail behind.

use egui::{Align2, Pos2, Rect, pos2};

use super::ink::line;
use super::pen::{Pen, SMALL};
use super::seat_view::{DIFFUSE_STEP_MS, SeatView, Stem};

/// Range of time, ms.
const SPAN_MS: f64 = 150.0;
/// Range of level, dB.
const TOP_DB: f64 = 14.0;
const BOTTOM_DB: f64 = -42.0;
/// Gap after which sounds begin to be heard apart, ms (common practice, no source).
const GAP_MS: f64 = 30.0;
/// How near the pointer must be to a stem.
const NEAR: f32 = 5.0;

/// Where time and level lie on the sheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Chart {
    field: Rect,
}

impl Chart {
    /// Fits the chart into a part of the sheet.
    pub(super) fn new(part: Rect) -> Self {
        Self {
            field: Rect::from_min_max(part.min + egui::vec2(26.0, 30.0), part.max - egui::vec2(4.0, 16.0)),
        }
    }

    fn place(&self, late_ms: f64, level_db: f64) -> Pos2 {
        let x = (late_ms / SPAN_MS) as f32;
        let y = ((TOP_DB - level_db) / (TOP_DB - BOTTOM_DB)) as f32;
        self.field.min
            + egui::vec2(x.clamp(0.0, 1.0) * self.field.width(), y.clamp(0.0, 1.0) * self.field.height())
    }

    /// Returns the arrival whose stem lies under a place of the sheet.
    pub(super) fn named(&self, view: &SeatView, at: Pos2) -> Option<usize> {
        if !self.field.expand(NEAR).contains(at) {
            return None;
        }
        let away = |stem: &Stem| (self.place(stem.late_ms, stem.level_db).x - at.x).abs();
        (0..view.stems.len())
            .filter(|&index| view.stems[index].level_db > BOTTOM_DB && view.stems[index].late_ms <= SPAN_MS)
            .filter(|&index| at.y >= self.place(0.0, view.stems[index].level_db).y - NEAR)
            .min_by(|&a, &b| away(&view.stems[a]).total_cmp(&away(&view.stems[b])))
            .filter(|&index| away(&view.stems[index]) <= NEAR)
    }
}

/// Returns what is said of an arrival.
pub(super) fn sentence(stem: &Stem) -> String {
    let name = match stem.order {
        0 => "direct sound".to_owned(),
        1 => format!("{} (1 reflection)", stem.name),
        order => format!("{} ({order} reflections)", stem.name),
    };
    format!("{name}: {:.1} ms, {:+.1} dB, path {:.2} m", stem.late_ms, stem.level_db, stem.path_m)
}

/// Draws the chart.
pub(super) fn draw(pen: &Pen, part: Rect, view: &SeatView, named: Option<usize>) {
    let ink = pen.ink;
    let chart = Chart::new(part);
    let field = chart.field;
    pen.heading(part, "ARRIVALS after the direct sound");
    tail(pen, &chart, view);
    for level_db in [10.0, 0.0, -10.0, -20.0, -30.0, -40.0] {
        let y = chart.place(0.0, level_db).y;
        pen.dashes(&[pos2(field.left(), y), pos2(field.right(), y)], &[1.0, 3.0], 0.6, ink.faint);
        pen.text(pos2(field.left() - 4.0, y), Align2::RIGHT_CENTER, SMALL, ink.line, level_db);
    }
    pen.text(pos2(field.left() - 4.0, field.top() - 2.0), Align2::RIGHT_BOTTOM, SMALL, ink.faint, "dB");
    for late_ms in [0.0, 50.0, 100.0, 150.0] {
        let x = chart.place(late_ms, 0.0).x;
        let align = if late_ms == SPAN_MS { Align2::RIGHT_TOP } else { Align2::CENTER_TOP };
        pen.text(pos2(x, field.bottom() + 3.0), align, SMALL, ink.line, format!("{late_ms} ms"));
    }
    for (late_ms, name) in [(GAP_MS, "30 ms"), (view.mixing_ms, "mixing time")] {
        let x = chart.place(late_ms, 0.0).x;
        pen.line(&[pos2(x, field.top() - 3.0), pos2(x, field.bottom())], 0.8, ink.line);
        // The two may lie close together: each name stands on its own side.
        let (align, aside) =
            if late_ms == GAP_MS { (Align2::RIGHT_BOTTOM, -2.0) } else { (Align2::LEFT_BOTTOM, 2.0) };
        pen.text(pos2(x + aside, field.top() - 2.0), align, SMALL, ink.line, name);
    }
    pen.line(&[field.left_bottom(), field.right_bottom()], 1.0, ink.line);
    for (index, stem) in view.stems.iter().enumerate().rev() {
        if stem.level_db <= BOTTOM_DB || stem.late_ms > SPAN_MS {
            continue;
        }
        let head = chart.place(stem.late_ms, stem.level_db);
        let colour = stem.surface.map_or(ink.line, |surface| ink.surface(surface));
        let width = if named == Some(index) {
            3.4
        } else if index == 0 {
            2.6
        } else {
            1.6
        };
        let foot = pos2(head.x, field.bottom());
        pen.dashes(&[foot, head], stem.surface.map_or(&[], line), width, colour);
        pen.circle(head, if named == Some(index) { 3.4 } else { 2.0 }, colour, 0.0, colour);
    }
    if let Some(index) = named {
        let head = chart.place(view.stems[index].late_ms, view.stems[index].level_db);
        let is_left = head.x < field.center().x;
        let align = if is_left { Align2::LEFT_BOTTOM } else { Align2::RIGHT_BOTTOM };
        let at = pos2(if is_left { field.left() + 46.0 } else { field.right() }, field.top() + 12.0);
        pen.text(at, align, SMALL, ink.grip, sentence(&view.stems[index]));
    }
}

fn tail(pen: &Pen, chart: &Chart, view: &SeatView) {
    let levels = view.diffuse_db.iter().enumerate();
    let points: Vec<Pos2> =
        levels.map(|(step, &level_db)| chart.place(step as f64 * DIFFUSE_STEP_MS, level_db)).collect();
    let bottom = chart.field.bottom();
    for pair in points.windows(2) {
        let [from, to] = [pair[0], pair[1]];
        let strip = [pos2(from.x, bottom), from, to, pos2(to.x, bottom)];
        pen.outline(&strip, pen.ink.shade, 0.0, pen.ink.shade);
    }
    pen.line(&points, 1.0, pen.ink.faint);
    let text = format!("diffuse sound, energy per 10 ms, decay {:.2} s", view.settings.platform.decay_s);
    let at = chart.field.right_top() + egui::vec2(0.0, 2.0);
    pen.text(at, Align2::RIGHT_TOP, SMALL, pen.ink.faint, text);
}
