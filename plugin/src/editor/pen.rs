//! A pen on the sheet: lines, text and fields in sheet coordinates, at any scale.

use egui::text::LayoutJob;
use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Shape, Stroke, StrokeKind, Vec2, pos2, vec2};

use super::ink::Ink;

/// Size of plain text, points at a scale of 1.
pub const TEXT: f32 = 11.0;
/// Size of small text.
pub const SMALL: f32 = 9.5;

/// Height of a line of text against its size, a little more than the typeface's own.
const LINE: f32 = 1.25;

/// What draws on the sheet.
pub struct Pen<'a> {
    painter: &'a Painter,
    origin: Pos2,
    scale: f32,
    /// The colours.
    pub ink: &'a Ink,
}

impl<'a> Pen<'a> {
    /// Makes a pen for a sheet whose corner lies at `origin`, in points.
    pub const fn new(painter: &'a Painter, origin: Pos2, scale: f32, ink: &'a Ink) -> Self {
        Self { painter, origin, scale, ink }
    }

    /// Returns the scale of the sheet.
    pub const fn scale(&self) -> f32 {
        self.scale
    }

    /// Returns where a place of the sheet lies in the window.
    pub fn place(&self, at: Pos2) -> Pos2 {
        self.origin + at.to_vec2() * self.scale
    }

    /// Returns where a place of the window lies on the sheet.
    pub fn on_sheet(&self, at: Pos2) -> Pos2 {
        ((at - self.origin) / self.scale).to_pos2()
    }

    /// Returns where a rectangle of the sheet lies in the window.
    pub fn rect(&self, area: Rect) -> Rect {
        Rect::from_min_max(self.place(area.min), self.place(area.max))
    }

    /// Returns a font of a size, points at a scale of 1.
    pub fn font(&self, size: f32) -> FontId {
        FontId::proportional(size * self.scale)
    }

    /// Draws a whole line.
    pub fn line(&self, points: &[Pos2], width: f32, colour: Color32) {
        let points = points.iter().map(|&at| self.place(at)).collect();
        self.painter.add(Shape::line(points, Stroke::new(width * self.scale, colour)));
    }

    /// Draws a line of dashes, lengths of dash and gap by turns; a whole one where there are none.
    pub fn dashes(&self, points: &[Pos2], dashes: &[f32], width: f32, colour: Color32) {
        if dashes.is_empty() {
            self.line(points, width, colour);
            return;
        }
        let points: Vec<Pos2> = points.iter().map(|&at| self.place(at)).collect();
        let by_turns =
            |from: usize| dashes.iter().skip(from).step_by(2).map(|x| x * self.scale).collect::<Vec<_>>();
        self.painter.extend(Shape::dashed_line_with_offset(
            &points,
            Stroke::new(width * self.scale, colour),
            &by_turns(0),
            &by_turns(1),
            0.0,
        ));
    }

    /// Fills a rectangle.
    pub fn fill(&self, area: Rect, colour: Color32) {
        self.painter.rect_filled(self.rect(area), 0.0, colour);
    }

    /// Frames a rectangle.
    pub fn frame(&self, area: Rect, width: f32, colour: Color32) {
        let stroke = Stroke::new(width * self.scale, colour);
        self.painter.rect_stroke(self.rect(area), 0.0, stroke, StrokeKind::Middle);
    }

    /// Fills a convex outline, and draws it.
    pub fn outline(&self, points: &[Pos2], fill: Color32, width: f32, colour: Color32) {
        let points = points.iter().map(|&at| self.place(at)).collect();
        self.painter.add(Shape::convex_polygon(points, fill, Stroke::new(width * self.scale, colour)));
    }

    /// Draws a circle.
    pub fn circle(&self, at: Pos2, radius: f32, fill: Color32, width: f32, colour: Color32) {
        let stroke = Stroke::new(width * self.scale, colour);
        self.painter.circle(self.place(at), radius * self.scale, fill, stroke);
    }

    /// Writes text and returns the rectangle that it takes on the sheet.
    pub fn text(&self, at: Pos2, align: Align2, size: f32, colour: Color32, text: impl ToString) -> Rect {
        let taken = self.painter.text(self.place(at), align, text, self.font(size), colour);
        Rect::from_min_max(self.on_sheet(taken.min), self.on_sheet(taken.max))
    }

    /// Writes text in lines no wider than `width`, and returns its height on the sheet.
    pub fn paragraph(&self, at: Pos2, width: f32, size: f32, colour: Color32, text: &str) -> f32 {
        let lines = self.painter.layout(text.to_owned(), self.font(size), colour, width * self.scale);
        let height = lines.size().y / self.scale;
        self.painter.galley(self.place(at), lines, colour);
        height
    }

    /// Writes text in lines within a rectangle, its end left out where there is no room; says whether all of it stands there.
    pub fn paragraph_in(&self, room: Rect, size: f32, colour: Color32, text: &str) -> bool {
        let mut job = LayoutJob::simple(text.to_owned(), self.font(size), colour, room.width() * self.scale);
        job.wrap.max_rows = (room.height() / (size * LINE)).floor().max(1.0) as usize;
        let lines = self.painter.layout_job(job);
        let is_whole = !lines.elided;
        self.painter.galley(self.place(room.min), lines, colour);
        is_whole
    }

    /// Hatches a rectangle with strokes that lean to the right: what is cut.
    pub fn hatch(&self, area: Rect, colour: Color32) {
        const GAP: f32 = 5.0;
        let painter = self.painter.with_clip_rect(self.rect(area).intersect(self.painter.clip_rect()));
        let mut x = area.left() - area.height();
        while x < area.right() {
            let (from, to) = (pos2(x, area.bottom()), pos2(x + area.height(), area.top()));
            painter.line_segment([self.place(from), self.place(to)], Stroke::new(0.6 * self.scale, colour));
            x += GAP;
        }
    }

    /// Leads the eye from a name that ends at `from` to its value that starts at `to`.
    pub fn leader(&self, from: f32, to: f32, middle: f32) {
        if to - from > 12.0 {
            let y = middle + 4.5;
            self.line(&[pos2(from + 5.0, y), pos2(to - 5.0, y)], 0.35, self.ink.faint);
        }
    }

    /// Writes the heading of a part and rules it off.
    pub fn heading(&self, area: Rect, text: &str) {
        self.text(area.left_top(), Align2::LEFT_TOP, SMALL, self.ink.faint, text);
        let y = area.top() + 13.0;
        self.line(&[pos2(area.left(), y), pos2(area.right(), y)], 0.6, self.ink.faint);
    }
}

/// Returns a rectangle of the sheet.
pub fn area(x: f32, y: f32, width: f32, height: f32) -> Rect {
    Rect::from_min_size(pos2(x, y), vec2(width, height))
}

/// Returns a place moved by a length at an angle, radians, counted anticlockwise from the right.
pub fn polar(from: Pos2, length: f32, angle: f32) -> Pos2 {
    from + Vec2::new(angle.cos(), -angle.sin()) * length
}
