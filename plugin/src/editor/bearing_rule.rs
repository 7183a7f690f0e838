//! The bearing rule: a ruler in degrees with a tick for each player and the source width as a bracket.

use egui::{Align2, Pos2, Rect, pos2};
use rostra_dsp::acoustics::{CLEARANCE_M, Source};
use rostra_dsp::settings::BEARING;

use super::pen::{Pen, SMALL, area};
use super::seat_view::SeatView;

/// Room for the heading.
const ABOVE: f32 = 26.0;
/// Room at both ends.
const BESIDE: f32 = 20.0;
/// Length of the tick of each player of a section.
const TICK: f32 = 5.0;

/// Where degrees lie on the sheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rule {
    middle: Pos2,
    points_per_deg: f32,
}

impl Rule {
    /// Fits the rule into a part of the sheet.
    pub(super) fn new(part: Rect) -> Self {
        let span = BEARING.range().1 as f32;
        Self {
            middle: pos2(part.center().x, part.top() + ABOVE),
            points_per_deg: (part.width() / 2.0 - BESIDE) / span,
        }
    }

    /// Returns where a bearing lies.
    pub(super) fn place(&self, bearing_deg: f64) -> Pos2 {
        self.middle + egui::vec2(bearing_deg as f32 * self.points_per_deg, 0.0)
    }

    /// Returns the bearing of a place of the sheet, degrees.
    pub(super) fn bearing_deg(&self, at: Pos2) -> f64 {
        f64::from((at.x - self.middle.x) / self.points_per_deg)
    }
}

/// Returns the two ends of the width's bracket on the rule, and whether each is there or lies beyond the rule's own.
pub(super) fn bracket(rule: &Rule, view: &SeatView) -> [(Pos2, bool); 2] {
    view.ends.each_ref().map(|end| {
        let (low, high) = BEARING.range();
        let bearing_deg = bearing_deg(end, view);
        (rule.place(bearing_deg.clamp(low, high)), (low..=high).contains(&bearing_deg))
    })
}

/// Returns the bearing of a source from the microphones, degrees.
pub(super) fn bearing_deg(source: &Source, view: &SeatView) -> f64 {
    source.position.x.atan2(source.position.y - view.settings.microphones.depth_m).to_degrees()
}

/// Draws the rule.
pub(super) fn draw(pen: &Pen, part: Rect, view: &SeatView) {
    let ink = pen.ink;
    let rule = Rule::new(part);
    pen.heading(part, "BEARING from the main microphones, degrees");
    let (low, high) = (BEARING.range().0 as i32, BEARING.range().1 as i32);
    let base = rule.middle.y + 8.0;
    // Beyond the side walls there is no seat at this depth.
    let away_m = view.source.position.y - view.settings.microphones.depth_m;
    let wall_deg = (view.settings.platform.width_m / 2.0 - CLEARANCE_M).atan2(away_m).to_degrees();
    if wall_deg < BEARING.range().1 {
        let (left, right) = (rule.place(-wall_deg).x, rule.place(wall_deg).x);
        let (start, end) = (rule.place(BEARING.range().0).x, rule.place(BEARING.range().1).x);
        pen.hatch(area(start, base, left - start, 9.0), ink.faint);
        pen.hatch(area(right, base, end - right, 9.0), ink.faint);
        pen.text(pos2(end, base - 3.0), Align2::RIGHT_BOTTOM, SMALL, ink.faint, "beyond the side wall");
    }
    pen.line(
        &[pos2(rule.place(BEARING.range().0).x, base), pos2(rule.place(BEARING.range().1).x, base)],
        1.0,
        ink.line,
    );
    for degree in (low..=high).step_by(5) {
        let x = rule.place(f64::from(degree)).x;
        let is_named = degree % 15 == 0;
        pen.line(&[pos2(x, base), pos2(x, base + if is_named { 8.0 } else { 4.0 })], 0.8, ink.line);
        if is_named {
            let side = match degree.signum() {
                -1 => " left",
                1 => " right",
                _ => "",
            };
            let text = if degree.abs() == high {
                format!("{}{side}", degree.abs())
            } else {
                degree.abs().to_string()
            };
            pen.text(pos2(x, base + 9.0), Align2::CENTER_TOP, SMALL, ink.line, text);
        }
    }
    let top = base - 8.0;
    let [(left, is_left_here), (right, is_right_here)] = bracket(&rule, view);
    let corners = [
        is_left_here.then_some(pos2(left.x, base - 1.0)),
        Some(pos2(left.x, top)),
        Some(pos2(right.x, top)),
        is_right_here.then_some(pos2(right.x, base - 1.0)),
    ];
    // What ends beyond the rule stays open there.
    pen.line(&corners.into_iter().flatten().collect::<Vec<_>>(), 1.3, ink.grip);
    if view.players.len() > 1 {
        let (low, high) = BEARING.range();
        let bearings_deg = view.players.iter().map(|player| bearing_deg(player, view));
        for bearing_deg in bearings_deg.filter(|bearing_deg| (low..=high).contains(bearing_deg)) {
            let x = rule.place(bearing_deg).x;
            pen.line(&[pos2(x, base - TICK), pos2(x, base)], 0.8, ink.line);
        }
    }
    let x = rule.place(bearing_deg(&view.source, view)).x;
    pen.outline(
        &[pos2(x - 5.0, top - 7.0), pos2(x + 5.0, top - 7.0), pos2(x, base)],
        ink.paper,
        1.4,
        ink.grip,
    );
}
