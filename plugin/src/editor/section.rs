//! The long section: the platform cut from its front edge to the rear wall, to scale.

use egui::{Align2, Pos2, Rect, pos2};
use rostra_dsp::acoustics::{Surface, Vector, world_axis};
use rostra_dsp::extremes::{larger, smaller};

use super::ink::line;
use super::pen::{Pen, SMALL, TEXT, area, polar};
use super::players;
use super::seat_view::SeatView;

/// Paths that are drawn, the strongest first.
const PATHS: usize = 9;
/// Level under which a path has the thinnest line, dB.
const FAINTEST_DB: f64 = -24.0;
/// Radius of the player's mark.
const MARK: f32 = 8.0;
/// Radius of the mark of each player of a section.
const ONE_OF_MANY: f32 = 2.6;
/// How far a riser reaches beyond the players on it.
const RISER_EDGE: f32 = 16.0;
/// Length of a directivity of 1.
const LOBE: f32 = 44.0;
/// Length of the staff that turns the player.
const STAFF: f32 = 62.0;
/// Octave bands whose directivity is drawn: 500 Hz and 4 kHz.
const BANDS_DRAWN: [(usize, &str); 2] = [(2, "500 Hz"), (5, "4 kHz")];
/// Least height and depth that the scale leaves room for, m: smaller platforms look smaller.
const LEAST_HEIGHT_M: f32 = 10.0;
/// Room around the platform.
const LEFT: f32 = 46.0;
const RIGHT: f32 = 22.0;
const ABOVE: f32 = 34.0;
const BELOW: f32 = 46.0;
/// Thickness of what is cut.
const CUT: f32 = 9.0;

/// Where metres lie on the sheet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Section {
    front: Pos2,
    points_per_m: f32,
}

impl Section {
    /// Fits a platform into a part of the sheet.
    pub(super) fn new(part: Rect, view: &SeatView) -> Self {
        let platform = &view.settings.platform;
        let high = (part.height() - ABOVE - BELOW) / (platform.height_m as f32).max(LEAST_HEIGHT_M);
        let wide = (part.width() - LEFT - RIGHT) / platform.depth_m as f32;
        Self { front: pos2(part.left() + LEFT, part.bottom() - BELOW), points_per_m: high.min(wide) }
    }

    /// Returns where a place on the platform lies on the sheet.
    pub(super) fn place(&self, at: Vector) -> Pos2 {
        let [_, y, z] = at.components();
        self.front + egui::vec2(y as f32, -z as f32) * self.points_per_m
    }

    /// Returns depth and height of a place of the sheet, m.
    pub(super) fn metres(&self, at: Pos2) -> (f64, f64) {
        let along = (at - self.front) / self.points_per_m;
        (f64::from(along.x), f64::from(-along.y))
    }

    /// Returns where the player's mark lies.
    pub(super) fn player(&self, view: &SeatView) -> Pos2 {
        self.place(view.source.position)
    }

    /// Returns where the tip of the staff lies that turns the player.
    pub(super) fn tip(&self, view: &SeatView) -> Pos2 {
        let ahead = view.settings.seat.facing_deg.to_radians().cos() as f32;
        self.player(view) + egui::vec2(-ahead * STAFF, 0.0)
    }

    /// Returns where a hand takes hold of the rear wall: two thirds up, clear of most paths.
    pub(super) fn rear_grip(&self, view: &SeatView) -> Pos2 {
        let platform = &view.settings.platform;
        self.place(Vector::new(0.0, platform.depth_m, platform.height_m * 2.0 / 3.0))
    }

    /// Returns how far a player is turned whose tip lies at a place of the sheet, degrees, 0 to 180.
    pub(super) fn facing_of_tip(&self, view: &SeatView, at: Pos2) -> f64 {
        let ahead = (self.player(view).x - at.x) / STAFF;
        f64::from(ahead.clamp(-1.0, 1.0).acos()).to_degrees()
    }
}

/// Draws the section; `named` is the arrival under the pointer.
pub(super) fn draw(pen: &Pen, part: Rect, view: &SeatView, named: Option<usize>) {
    let section = Section::new(part, view);
    pen.heading(part, "LONG SECTION");
    legend(pen, part);
    platform(pen, &section, view);
    paths(pen, &section, view, named);
    microphones(pen, &section, view);
    player(pen, &section, view);
    notes(pen, part, &section, view);
}

fn legend(pen: &Pen, part: Rect) {
    let mut x = part.right();
    for surface in Surface::ALL.into_iter().rev() {
        let at = pos2(x, part.top());
        let text = pen.text(at, Align2::RIGHT_TOP, SMALL, pen.ink.line, surface.name());
        let y = text.center().y;
        let colour = pen.ink.surface(surface);
        pen.dashes(&[pos2(text.left() - 26.0, y), pos2(text.left() - 4.0, y)], line(surface), 1.6, colour);
        x = text.left() - 38.0;
    }
}

fn platform(pen: &Pen, section: &Section, view: &SeatView) {
    let ink = pen.ink;
    let platform = &view.settings.platform;
    let (depth_m, height_m) = (platform.depth_m, platform.height_m);
    let at = |y: f64, z: f64| section.place(Vector::new(0.0, y, z));
    let (front, rear) = (at(0.0, 0.0), at(depth_m, 0.0));
    let (front_top, rear_top) = (at(0.0, height_m), at(depth_m, height_m));
    pen.hatch(area(front.x, front.y, rear.x - front.x + CUT, CUT), ink.faint);
    pen.hatch(area(rear.x, rear_top.y - CUT, CUT, rear.y - rear_top.y + CUT), ink.faint);
    pen.hatch(area(front_top.x, front_top.y - CUT, rear_top.x - front_top.x, CUT), ink.faint);
    pen.line(&[front, rear, rear_top, front_top], 1.4, ink.line);
    let grip = section.rear_grip(view);
    for aside in [-2.0, 2.0] {
        pen.line(&[grip + egui::vec2(aside, -9.0), grip + egui::vec2(aside, 9.0)], 1.6, ink.grip);
    }
    // The open front returns nothing.
    pen.dashes(&[front, front_top], &[2.0, 4.0], 0.8, ink.faint);
    pen.text(front_top + egui::vec2(-4.0, 2.0), Align2::RIGHT_TOP, SMALL, ink.faint, "open");
    pen.text(front_top + egui::vec2(-4.0, 13.0), Align2::RIGHT_TOP, SMALL, ink.faint, "to the");
    pen.text(front_top + egui::vec2(-4.0, 24.0), Align2::RIGHT_TOP, SMALL, ink.faint, "hall");
    let finish = |at: Pos2, align, text: &str| {
        pen.text(at, align, SMALL, ink.faint, text);
    };
    let middle = f32::midpoint(front.x, rear.x);
    finish(pos2(middle, front_top.y - CUT - 1.0), Align2::CENTER_BOTTOM, platform.canopy.name());
    finish(rear_top + egui::vec2(CUT + 4.0, 2.0), Align2::LEFT_TOP, platform.rear.name());
    // A ruler under the floor.
    let y = front.y + CUT + 4.0;
    pen.line(&[pos2(front.x, y), pos2(rear.x, y)], 0.8, ink.line);
    let every = if section.points_per_m < 14.0 { 5 } else { 2 };
    for metre in 0..=depth_m as i32 {
        let x = at(f64::from(metre), 0.0).x;
        let is_named = metre % every == 0;
        pen.line(&[pos2(x, y), pos2(x, y + if is_named { 5.0 } else { 3.0 })], 0.8, ink.line);
        if is_named {
            pen.text(pos2(x, y + 6.0), Align2::CENTER_TOP, SMALL, ink.line, metre);
        }
    }
    pen.text(pos2(rear.x + 12.0, y + 6.0), Align2::LEFT_TOP, SMALL, ink.faint, "m from the front edge");
}

fn paths(pen: &Pen, section: &Section, view: &SeatView, named: Option<usize>) {
    let mut drawn = view.strongest(PATHS);
    drawn.extend(named.filter(|index| !drawn.contains(index)));
    // The strongest on top.
    for &index in drawn.iter().rev() {
        let stem = &view.stems[index];
        let points: Vec<Pos2> = stem.corners.iter().map(|&corner| section.place(corner)).collect();
        let strength = (1.0 - stem.level_db / FAINTEST_DB).clamp(0.0, 1.0) as f32;
        let colour = stem.surface.map_or(pen.ink.line, |surface| pen.ink.surface(surface));
        let width = if named == Some(index) { 3.0 } else { 0.5 + 1.7 * strength };
        pen.dashes(&points, stem.surface.map_or(&[], line), width, colour);
    }
    let direct = [section.place(view.source.position), section.place(view.settings.microphones.position())];
    let strength = (1.0 - view.stems[0].level_db / FAINTEST_DB).clamp(0.0, 1.0) as f32;
    if strength > 0.0 {
        pen.line(&direct, 0.5 + 2.0 * strength, pen.ink.line);
    }
}

fn microphones(pen: &Pen, section: &Section, view: &SeatView) {
    let at = section.place(view.settings.microphones.position());
    let foot = pos2(at.x, section.front.y);
    pen.line(&[at, foot], 0.8, pen.ink.faint);
    pen.outline(
        &[at + egui::vec2(-6.0, -6.0), at + egui::vec2(6.0, -6.0), at + egui::vec2(0.0, 5.0)],
        pen.ink.paper,
        1.2,
        pen.ink.line,
    );
    pen.text(at + egui::vec2(-10.0, -2.0), Align2::RIGHT_CENTER, TEXT, pen.ink.line, "M");
}

fn player(pen: &Pen, section: &Section, view: &SeatView) {
    let ink = pen.ink;
    let at = section.player(view);
    let riser_m = view.source.position.z - view.source.family.height_m();
    if riser_m > 0.01 {
        let top = section.place(Vector::new(0.0, view.source.position.y, riser_m)).y;
        let places = view.players.iter().map(|player| section.place(player.position).x);
        let (left, right) =
            places.fold((at.x, at.x), |(left, right), x| (smaller(left, x), larger(right, x)));
        let wall = section.place(Vector::new(0.0, view.settings.platform.depth_m, 0.0)).x;
        let left = (left - RISER_EDGE).max(section.front.x);
        let right = (right + RISER_EDGE).min(wall);
        let box_ = Rect::from_min_max(pos2(left, top), pos2(right, section.front.y));
        pen.fill(box_, ink.shade);
        pen.frame(box_, 1.0, ink.line);
    }
    let floor = section.place(Vector::new(0.0, 0.0, riser_m.max(0.0))).y;
    if view.players.len() > 1 {
        for player in &view.players {
            let at = section.place(player.position);
            pen.line(&[at, pos2(at.x, floor)], 0.7, ink.faint);
            pen.circle(at, ONE_OF_MANY, ink.paper, 1.0, ink.line);
        }
    }
    let axis = world_axis(view.source.family, view.source.forward);
    for (turn, (band, _)) in BANDS_DRAWN.into_iter().enumerate() {
        let pattern = view.source.family.patterns()[band];
        let lobe: Vec<Pos2> = (0..=72)
            .map(|step| {
                let angle = step as f32 * std::f32::consts::TAU / 72.0;
                let direction = Vector::new(0.0, f64::from(angle.cos()), f64::from(angle.sin()));
                polar(at, LOBE * pattern.gain(direction.dot(axis)) as f32, angle)
            })
            .collect();
        let (dashes, width): (&[f32], f32) = if turn == 0 { (&[2.0, 2.5], 0.9) } else { (&[], 1.3) };
        pen.dashes(&lobe, dashes, width, ink.grip);
    }
    pen.line(&[at, pos2(at.x, floor)], 1.0, ink.line);
    let tip = section.tip(view);
    pen.line(&[at, tip], 1.0, ink.grip);
    pen.circle(tip, 3.6, ink.paper, 1.3, ink.grip);
    pen.circle(at, MARK, ink.paper, 1.6, ink.grip);
    pen.text(at, Align2::CENTER_CENTER, TEXT, ink.grip, "P");
}

/// Writes beside the platform, where there is room, what makes the seat near or far.
fn notes(pen: &Pen, part: Rect, section: &Section, view: &SeatView) {
    let platform = &view.settings.platform;
    let rear = section.place(Vector::new(0.0, platform.depth_m, platform.height_m));
    let x = rear.x + 70.0;
    let width = part.right() - x;
    let notices = view.notices.join("  \u{2022}  ");
    pen.text(pos2(part.left(), part.bottom() - 1.0), Align2::LEFT_BOTTOM, SMALL, pen.ink.notice, notices);
    if width < 150.0 {
        return;
    }
    let strongest = view.strongest(1).first().map(|&index| &view.stems[index]);
    let mut lines = vec![format!("P  player, {:.2} m from the main microphones M", view.hall.distance_m)];
    if let Some(words) = players::words(&view.settings.seat) {
        lines[0] =
            format!("P  middle of the section, {:.2} m from the main microphones M", view.hall.distance_m);
        lines.push(words);
    }
    if let Some(strongest) = strongest {
        lines.push(format!(
            "Strongest reflection: {}, {:.1} ms after the direct sound, {:+.1} dB",
            strongest.name, strongest.late_ms, strongest.level_db
        ));
    }
    let ratio_db = view.hall.direct_to_reflected_db;
    if ratio_db.is_finite() {
        let meaning = match ratio_db {
            x if x > 6.0 => "the player is close",
            x if x > 0.0 => "mostly direct, the platform is audible",
            x if x > -6.0 => "mostly platform: the player sits back",
            _ => "the platform masks the player: distant",
        };
        lines.push(format!("Direct-to-reflected ratio: {ratio_db:+.1} dB \u{2013} {meaning}"));
    }
    let figures = lines.len();
    lines.push(format!("Dashed lobe {}, solid lobe {}", BANDS_DRAWN[0].1, BANDS_DRAWN[1].1));
    lines.push(
        "Drag P to move or raise the player, the ring to turn it, the handle to move the wall".to_owned(),
    );
    let mut y = part.top() + 30.0;
    for (index, line) in lines.iter().enumerate() {
        let colour = if index < figures { pen.ink.line } else { pen.ink.faint };
        y += pen.paragraph(pos2(x, y), width, TEXT, colour, line) + 6.0;
    }
}
