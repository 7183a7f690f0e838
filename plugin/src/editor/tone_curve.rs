//! The tone curve: direct sound, and all that is placed, against the dry input per third of an octave.

use egui::{Align2, Pos2, Rect, pos2};
use rostra_dsp::acoustics::{THIRDS, third_midband_hz};

use super::pen::{Pen, SMALL};
use super::seat_view::SeatView;

/// Range of level, dB.
const TOP_DB: f64 = 21.0;
const BOTTOM_DB: f64 = -21.0;

/// Draws the curve.
pub(super) fn draw(pen: &Pen, part: Rect, view: &SeatView) {
    let ink = pen.ink;
    pen.heading(part, "TONE relative to the dry input");
    let field = Rect::from_min_max(part.min + egui::vec2(26.0, 30.0), part.max - egui::vec2(4.0, 16.0));
    let place = |third: usize, level_db: f64| -> Pos2 {
        let x = third as f32 / (THIRDS - 1) as f32;
        let y = ((TOP_DB - level_db) / (TOP_DB - BOTTOM_DB)) as f32;
        field.min + egui::vec2(x * field.width(), y.clamp(0.0, 1.0) * field.height())
    };
    for level_db in [18.0, 12.0, 6.0, 0.0, -6.0, -12.0, -18.0] {
        let y = place(0, level_db).y;
        let (dashes, width): (&[f32], f32) = if level_db == 0.0 { (&[], 0.8) } else { (&[1.0, 3.0], 0.6) };
        pen.dashes(&[pos2(field.left(), y), pos2(field.right(), y)], dashes, width, ink.faint);
        pen.text(pos2(field.left() - 4.0, y), Align2::RIGHT_CENTER, SMALL, ink.line, level_db);
    }
    for (third, name) in [(1, "125"), (7, "500"), (13, "2 k"), (19, "8 kHz")] {
        debug_assert!(third_midband_hz(third) > 100.0);
        let x = place(third, 0.0).x;
        pen.line(&[pos2(x, field.bottom()), pos2(x, field.bottom() + 3.0)], 0.8, ink.line);
        pen.text(pos2(x, field.bottom() + 3.0), Align2::CENTER_TOP, SMALL, ink.line, name);
    }
    pen.line(&[field.left_bottom(), field.right_bottom()], 1.0, ink.line);
    let curve = |levels_db: &[f64; THIRDS]| -> Vec<Pos2> {
        levels_db.iter().enumerate().map(|(third, &level_db)| place(third, level_db)).collect()
    };
    pen.dashes(&curve(&view.direct_db), &[4.0, 2.5], 1.2, ink.line);
    pen.line(&curve(&view.placed_db), 2.0, ink.grip);
    let named = pos2(field.left(), field.top() - 4.0);
    let direct = pen.text(named, Align2::LEFT_BOTTOM, SMALL, ink.line, "dashed: direct sound");
    let placed = pos2(direct.right() + 14.0, named.y);
    pen.text(placed, Align2::LEFT_BOTTOM, SMALL, ink.grip, "solid: direct + platform");
}
