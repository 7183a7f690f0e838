//! The whole sheet: every part in its place, at any size.

use egui::{Align2, Id, Pos2, Rect, Role, Sense, Ui, WidgetInfo, pos2};
use rostra_dsp::Settings;
use rostra_dsp::settings::{
    BEARING, DEPTH, FACING, Group, Kind, LINKED, PLATFORM_DEPTH, Parameter, RISER, Tabled as _, WIDTH,
};

use super::bearing_rule::{self, Rule};
use super::figures::{self, Figures, GROUP, ROW, check};
use super::file_menu::{FileRequest, Filed, Menus};
use super::filing::FileSheet;
use super::ink::{DARK, DAY, Ink};
use super::pen::{Pen, SMALL, area};
use super::players::front_m;
use super::seat_view::SeatView;
use super::section::Section;
use super::values::{Edit, Values};
use super::{arrivals_chart, desk, hall_block, own_centre, section, title_block, tone_curve};

/// Levels of what goes in and comes out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Peak of the input, dBFS.
    pub input_dbfs: f32,
    /// Peak of the output, dBFS.
    pub output_dbfs: f32,
    /// How much louder the placed sound is than the dry input in a mix, LU, once it is known.
    pub placed_lu: Option<f32>,
    /// How much stronger the right side of the input is than its left one, dB; `None` where they are one signal.
    pub lean_db: Option<f32>,
}

/// What a hand holds on the drawing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Held {
    Player,
    Staff,
    Bearing,
    Width,
    Rear,
}

impl Held {
    /// Returns the numbers that move with it.
    fn numbers(self) -> Vec<&'static Parameter> {
        match self {
            Self::Player => vec![DEPTH, RISER],
            Self::Staff => vec![FACING],
            Self::Bearing => vec![BEARING],
            Self::Width => vec![WIDTH],
            Self::Rear => vec![PLATFORM_DEPTH],
        }
    }
}

/// The sheet and what it remembers from frame to frame.
#[derive(Default)]
pub struct Sheet {
    /// Whether the paper is dark.
    pub is_dark: bool,
    /// Levels to show, where somebody measures them.
    pub levels: Option<Levels>,
    /// What there is to say of the instance, in words.
    pub notice: Option<String>,
    /// Pre-delay of the hall that is there, ms, where one is found.
    pub hall_pre_delay_ms: Option<f64>,
    figures: Figures,
    hall: hall_block::Hall,
    held: Option<Held>,
    named: Option<usize>,
    track: title_block::Track,
    menus: Menus,
    view: Option<(Settings, SeatView)>,
    /// The colours that menus and tips were last given.
    dressed: Option<bool>,
}

/// A group of the schedule: its heading, and the table's group whose parameters are its rows.
struct Block {
    heading: &'static str,
    /// The files that hold it and the groups after it.
    filed: Option<Filed>,
    group: Group,
}

/// The schedule of figures; the rows follow the table.
const BLOCKS: [Block; 6] = [
    Block { heading: "SEAT", filed: Some(Filed::Seat), group: Group::Seat },
    Block { heading: "PLATFORM", filed: Some(Filed::Platform), group: Group::Platform },
    Block { heading: "MICROPHONES", filed: None, group: Group::Microphones },
    Block { heading: "AIR", filed: None, group: Group::Air },
    Block { heading: "TONE", filed: None, group: Group::Tone },
    Block { heading: "LEVEL", filed: None, group: Group::Level },
];

impl Block {
    /// Returns the parameters of its rows; the link stands with the platform that it shares.
    fn rows(&self) -> impl Iterator<Item = &'static Parameter> {
        let link = (self.group == Group::Platform).then_some(LINKED);
        Settings::parameters().filter(|parameter| parameter.group == self.group).chain(link)
    }
}

/// How values are edited.
const HELP: &str = "Drag a value, or click and type. Arrows step, Shift = fine, double-click = default.";

/// Where the parts lie.
const SECTION: Rect = part(14.0, 10.0, 640.0, 300.0);
const RULE: Rect = part(14.0, 318.0, 640.0, 58.0);
const ARRIVALS: Rect = part(14.0, 386.0, 390.0, 190.0);
const TONE: Rect = part(418.0, 386.0, 236.0, 190.0);
const HALL: Rect = part(14.0, 584.0, 390.0, 106.0);
const DESK: Rect = part(418.0, 584.0, 236.0, 106.0);
const SCHEDULE: Rect = part(672.0, 10.0, 314.0, 600.0);
const TITLE: Rect = part(672.0, 642.0, 314.0, 48.0);
/// Least size of a window in which anything can be drawn, points.
const LEAST_POINTS: f32 = 40.0;
/// How far from a mark a hand may grip it.
const REACH: f32 = 12.0;

const fn part(x: f32, y: f32, width: f32, height: f32) -> Rect {
    Rect { min: Pos2 { x, y }, max: Pos2 { x: x + width, y: y + height } }
}

impl Sheet {
    /// Width and height at a scale of 1, points.
    pub const SIZE_POINTS: [f32; 2] = [1000.0, 700.0];

    /// Draws everything and returns what a hand did, in order.
    pub fn show(&mut self, ui: &mut Ui, values: &Values) -> Vec<Edit> {
        let room = ui.max_rect();
        let mut edits = Vec::new();
        if !(room.width() >= LEAST_POINTS && room.height() >= LEAST_POINTS) {
            return edits;
        }
        let [width, height] = Self::SIZE_POINTS;
        let scale = (room.width() / width).min(room.height() / height);
        let origin = room.min + (room.size() - egui::vec2(width, height) * scale).max(egui::Vec2::ZERO) / 2.0;
        let ink = if self.is_dark { &DARK } else { &DAY };
        dress(ui, ink, self.is_dark, &mut self.dressed);
        let painter = ui.painter().clone();
        painter.rect_filled(room, 0.0, ink.paper);
        let pen = Pen::new(&painter, origin, scale, ink);
        let settings = values.settings();
        let view = match self.view.take() {
            Some((of, view)) if of == settings => view,
            _ => SeatView::of(&settings),
        };
        self.name_arrival(ui, &pen, &view);
        section::draw(&pen, SECTION, &view, self.named);
        bearing_rule::draw(&pen, RULE, &view);
        if let Some(lean_db) = self.levels.and_then(|levels| levels.lean_db) {
            own_centre::show(ui, &pen, RULE, f64::from(lean_db), &view, values, &mut edits);
        }
        arrivals_chart::draw(&pen, ARRIVALS, &view, self.named);
        tone_curve::draw(&pen, TONE, &view);
        self.hold(ui, &pen, &view, values, &mut edits);
        self.schedule(ui, &pen, values, &mut edits);
        self.hall.found_ms = self.hall_pre_delay_ms;
        self.hall.show(ui, &pen, HALL, &view, &mut self.figures);
        desk::show(ui, &pen, DESK, self.levels, &view, values, &mut edits);
        self.title(ui, &pen, values, &mut edits);
        self.view = Some((settings, view));
        if !edits.is_empty() {
            // What was said of a file is of the past.
            self.figures.said = None;
        }
        edits
    }

    /// Returns what is asked of files, once.
    pub fn asked(&mut self) -> Option<FileRequest> {
        self.menus.asked()
    }

    /// Says whether the newest tail could not be made.
    pub fn warn_of_tail(&mut self, has_failed: bool) {
        self.figures.has_tail_failed = has_failed;
    }

    /// Takes the name that the host gives the track.
    pub fn name_track(&mut self, name: &str) {
        self.track = title_block::Track::of(name);
    }

    /// Lets go of what a hand holds, and returns what that ends.
    pub fn let_go(&mut self) -> Vec<Edit> {
        let held = self.held.take().map_or_else(Vec::new, Held::numbers);
        held.into_iter().map(Edit::End).chain(self.figures.let_go()).collect()
    }

    fn name_arrival(&mut self, ui: &Ui, pen: &Pen, view: &SeatView) {
        let chart = arrivals_chart::Chart::new(ARRIVALS);
        let control = ui.interact(pen.rect(ARRIVALS), Id::unique("arrivals"), Sense::hover());
        control.widget_info(|| WidgetInfo::labeled(Role::Image, true, "Arrivals"));
        self.named = control.hover_pos().and_then(|at| chart.named(view, pen.on_sheet(at)));
    }

    /// Lets a hand take hold of the player, the staff, the bearing tick and the width bracket.
    fn hold(&mut self, ui: &Ui, pen: &Pen, view: &SeatView, values: &Values, edits: &mut Vec<Edit>) {
        let section = Section::new(SECTION, view);
        let rule = Rule::new(RULE);
        let grip = |at: Pos2| Rect::from_center_size(at, egui::Vec2::splat(2.0 * REACH));
        let [left, right] = bearing_rule::bracket(&rule, view).map(|(end, _)| end);
        let ends = Rect::from_min_max(left - egui::vec2(6.0, 2.0), right + egui::vec2(6.0, 7.0));
        let tick = rule.place(bearing_rule::bearing_deg(&view.source, view));
        // What comes later lies on top.
        let grips = [
            (Held::Rear, "Rear wall handle", grip(section.rear_grip(view))),
            (Held::Width, "Source width bracket", ends),
            (Held::Bearing, "Bearing marker", area(tick.x - 8.0, tick.y - 10.0, 16.0, 20.0)),
            (Held::Staff, "Facing handle", grip(section.tip(view))),
            (Held::Player, "Player", grip(section.player(view))),
        ];
        for (held, name, place) in grips {
            let control = ui.interact(pen.rect(place), Id::unique(("hold", name)), Sense::drag());
            control.widget_info(|| WidgetInfo::labeled(Role::Button, true, name));
            let numbers = held.numbers();
            if control.drag_started() {
                self.held = Some(held);
                edits.extend(numbers.iter().map(|&number| Edit::Begin(number)));
            }
            if self.held == Some(held) {
                // The last way of a hand may come in the frame in which it lets go.
                let is_led = control.dragged() || control.drag_stopped();
                if let Some(at) = control.interact_pointer_pos().filter(|_| is_led) {
                    let at = pen.on_sheet(at);
                    let wanted = wanted(held, at, &section, &rule, view, values);
                    for (&number, value) in numbers.iter().zip(wanted) {
                        let value = number.on_grid(value);
                        if value != values.value(number) {
                            edits.push(Edit::Set(number, value));
                        }
                    }
                }
                if control.drag_stopped() || !control.dragged() {
                    self.held = None;
                    edits.extend(numbers.iter().map(|&number| Edit::End(number)));
                }
            }
            if control.hovered() {
                ui.ctx().set_cursor_icon(egui::CursorIcon::Grab);
            }
        }
    }

    fn schedule(&mut self, ui: &mut Ui, pen: &Pen, values: &Values, edits: &mut Vec<Edit>) {
        let (x, width) = (SCHEDULE.left(), SCHEDULE.width());
        let mut y = SCHEDULE.top() - 4.0;
        for block in &BLOCKS {
            let heading = area(x, y, width, GROUP);
            figures::group(pen, heading, block.heading);
            if let Some(filed) = block.filed {
                self.menus.show(ui, pen, heading, filed, values);
            }
            y += GROUP + 1.0;
            for parameter in block.rows() {
                let place = area(x, y, width, ROW);
                match parameter.kind {
                    Kind::Number(_) => {
                        self.figures.number(ui, pen, place, parameter, values.value(parameter), edits);
                    }
                    Kind::List(_) => {
                        figures::list(ui, pen, place, parameter, values.chosen(parameter), edits);
                    }
                    Kind::Switch => figures::switch(ui, pen, place, parameter, values, edits),
                }
                y += ROW;
            }
        }
        let room = Rect::from_min_max(pos2(x, y + 4.0), pos2(x + width, TITLE.top() - 4.0));
        self.figures.foot(ui, pen, room, self.notice.as_deref(), HELP);
    }

    fn title(&mut self, ui: &Ui, pen: &Pen, values: &Values, edits: &mut Vec<Edit>) {
        pen.frame(TITLE, 1.2, pen.ink.line);
        let x = TITLE.left() + 10.0;
        pen.text(pos2(x, TITLE.top() + 8.0), Align2::LEFT_TOP, 15.0, pen.ink.line, crate::NAME);
        let place = area(x, TITLE.bottom() - ROW - 3.0, 216.0, ROW);
        self.track.show(ui, pen, place, values, edits);
        let row = area(TITLE.right() - 96.0, TITLE.top() + 8.0, 90.0, ROW);
        if check(ui, pen, row, "Dark paper", self.is_dark).clicked() {
            self.is_dark = !self.is_dark;
        }
        let version = concat!("version ", env!("CARGO_PKG_VERSION"));
        let at = TITLE.right_bottom() - egui::vec2(6.0, 7.0);
        pen.text(at, Align2::RIGHT_BOTTOM, SMALL, pen.ink.faint, version);
    }
}

impl FileSheet for Sheet {
    type Settings = Settings;

    fn menus(&mut self) -> &mut Menus {
        &mut self.menus
    }

    fn say(&mut self, said: String) {
        self.figures.say(said);
    }

    fn refuse(&mut self, why: String) {
        self.figures.refusal = Some(why);
    }
}

/// Gives menus, tips and text fields the colours of a sheet; `dressed` remembers which it gave last.
pub(super) fn dress(ui: &mut Ui, ink: &Ink, is_dark: bool, dressed: &mut Option<bool>) {
    let mut visuals = if is_dark { egui::Visuals::dark() } else { egui::Visuals::light() };
    visuals.window_fill = ink.paper;
    visuals.panel_fill = ink.paper;
    visuals.extreme_bg_color = ink.shade;
    visuals.text_edit_bg_color = Some(ink.shade);
    visuals.override_text_color = Some(ink.line);
    visuals.selection.bg_fill = ink.shade;
    visuals.selection.stroke.color = ink.grip;
    visuals.window_stroke.color = ink.line;
    ui.style_mut().visuals = visuals.clone();
    if *dressed != Some(is_dark) {
        ui.ctx().set_visuals(visuals);
        *dressed = Some(is_dark);
    }
}

/// Returns what a hand at a place of the sheet wants of the numbers that it holds.
fn wanted(
    held: Held,
    at: Pos2,
    section: &Section,
    rule: &Rule,
    view: &SeatView,
    values: &Values,
) -> [f64; 2] {
    match held {
        Held::Player => {
            let (depth_m, height_m) = section.metres(at);
            [depth_m, height_m - view.source.family.height_m()]
        }
        Held::Staff => {
            let turned_deg = section.facing_of_tip(view, at);
            [turned_deg.copysign(values.value(FACING)), 0.0]
        }
        Held::Bearing => [rule.bearing_deg(at), 0.0],
        Held::Rear => [section.metres(at).0, 0.0],
        Held::Width => {
            // Twice the way across the sight line from the seat to the hand, at the distance of the first rank.
            let place = view.source.position;
            let distance_m = place.x.hypot(place.y - view.settings.microphones.depth_m);
            let turn_deg = rule.bearing_deg(at) - bearing_rule::bearing_deg(&view.source, view);
            let across = turn_deg.clamp(-85.0, 85.0).to_radians().tan().abs();
            [2.0 * across * (distance_m - front_m(&view.settings.seat)).max(0.0), 0.0]
        }
    }
}
