//! The hall's sheet: its impulse response, the reverberation time of each octave, and its values.

use egui::{Align2, Pos2, Rect, Ui, pos2};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::NOMINAL_HZ;
use rostra_dsp::acoustics::energy_of_db;
use rostra_dsp::extremes::largest;
use rostra_dsp::hall::{Hall, OCTAVE_DECAYS, PRE_DELAY, Reflections, specular_share};
use rostra_dsp::plan::HallReturn;
use rostra_dsp::settings::{BYPASSED, Tabled as _};

use super::figures::{self, Figures, GROUP, ROW, check};
use super::file_menu::{FileRequest, Filed, Menus};
use super::filing::FileSheet;
use super::ink::{DARK, DAY, Ink};
use super::pen::{Pen, SMALL, TEXT, area};
use super::sheet::dress;
use super::values::{Edit, Values};

/// The plug-in's name, in hosts and on its sheet.
pub const NAME: &str = "Rostra Hall";

/// Where the parts lie.
const ANSWER: Rect = part(14.0, 10.0, 420.0, 210.0);
const LASTING: Rect = part(14.0, 232.0, 420.0, 150.0);
const OCTAVES: Rect = part(14.0, 390.0, 420.0, 92.0);
const SCHEDULE: Rect = part(452.0, 10.0, 254.0, 270.0);
const RETURN: Rect = part(452.0, 290.0, 254.0, 76.0);
const TITLE: Rect = part(452.0, 434.0, 254.0, 48.0);
/// Least size of a window in which anything can be drawn, points.
const LEAST_POINTS: f32 = 40.0;

/// Range of the answer's time, ms, and of its level, dB.
const SPAN_MS: f64 = 400.0;
const TOP_DB: f64 = -4.0;
const BOTTOM_DB: f64 = -44.0;
/// The tail's level is that of its energy over this time, ms: about what an ear takes together (from memory).
const TOGETHER_MS: f64 = 35.0;

const fn part(x: f32, y: f32, width: f32, height: f32) -> Rect {
    Rect { min: Pos2 { x, y }, max: Pos2 { x: x + width, y: y + height } }
}

/// What the sheet is for, and how values are edited.
const HELP: &str = "Put one hall on the shared bus. Drag a value, or click and type. Arrows step, Shift = fine, double-click = default.";

/// Groups of the schedule.
const GROUPS: [(&str, &[&str]); 3] = [
    ("HALL", &["decay", "bass", "treble", "size"]),
    ("EARLY SOUND", &["pre_delay", "early"]),
    ("BUS", &["width", "wet", "trim"]),
];

/// Rows of a column of the octaves' own decays.
const OCTAVE_ROWS: usize = OCTAVE_DECAYS.len().div_ceil(2);
/// Gap between these columns.
const OCTAVE_GAP: f32 = 8.0;

/// The sheet and what it remembers from frame to frame.
#[derive(Default)]
pub struct HallSheet {
    /// Whether the paper is dark.
    pub is_dark: bool,
    /// What there is to say of the instance, in words.
    pub notice: Option<String>,
    figures: Figures,
    menus: Menus,
    /// The hall of the last frame, and its reflections.
    answer: Option<(Hall, Reflections)>,
    /// The colours that menus and tips were last given.
    dressed: Option<bool>,
}

impl HallSheet {
    /// Width and height at a scale of 1, points.
    pub const SIZE_POINTS: [f32; 2] = [720.0, 492.0];

    /// Draws everything and returns what a hand did, in order.
    pub fn show(&mut self, ui: &mut Ui, values: &Values<Hall>) -> Vec<Edit> {
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
        let hall = values.settings();
        let reflections = match self.answer.take() {
            Some((of, reflections)) if of == hall => reflections,
            _ => Reflections::of(&hall),
        };
        answer(&pen, ink, &hall, &reflections);
        lasting(&pen, ink, &hall);
        self.answer = Some((hall, reflections));
        self.octaves(ui, &pen, values, &mut edits);
        self.schedule(ui, &pen, values, &mut edits);
        returning(&pen, &hall);
        self.title(ui, &pen);
        if !edits.is_empty() {
            // What was said of a file is of the past.
            self.figures.said = None;
        }
        edits
    }

    /// Says whether the newest tail could not be made.
    pub fn warn_of_tail(&mut self, has_failed: bool) {
        self.figures.has_tail_failed = has_failed;
    }

    /// Returns what is asked of files, once.
    pub fn asked(&mut self) -> Option<FileRequest> {
        self.menus.asked()
    }

    /// Lets go of what a hand holds, and returns what that ends.
    pub fn let_go(&mut self) -> Vec<Edit> {
        self.figures.let_go().into_iter().collect()
    }

    /// Shows the octaves' own decays, under the chart that they bend.
    fn octaves(&mut self, ui: &mut Ui, pen: &Pen, values: &Values<Hall>, edits: &mut Vec<Edit>) {
        let (x, y) = (OCTAVES.left(), OCTAVES.top() - 4.0);
        figures::group(
            pen,
            area(x, y, OCTAVES.width(), GROUP),
            "OCTAVES, against what decay and ratios make of them",
        );
        let column = (OCTAVES.width() - OCTAVE_GAP) / 2.0;
        for (place, number) in OCTAVE_DECAYS.iter().filter_map(|id| Hall::by_id(id)).enumerate() {
            let x = x + (column + OCTAVE_GAP) * (place / OCTAVE_ROWS) as f32;
            let row = area(x, y + GROUP + 1.0 + ROW * (place % OCTAVE_ROWS) as f32, column, ROW);
            self.figures.number(ui, pen, row, number, values.value(number), edits);
        }
    }

    fn schedule(&mut self, ui: &mut Ui, pen: &Pen, values: &Values<Hall>, edits: &mut Vec<Edit>) {
        let (x, width) = (SCHEDULE.left(), SCHEDULE.width());
        let mut y = SCHEDULE.top() - 4.0;
        for (name, ids) in GROUPS {
            let heading = area(x, y, width, GROUP);
            figures::group(pen, heading, name);
            if name == GROUPS[0].0 {
                // A hall file holds all groups, so its menu stands above them.
                self.menus.show(ui, pen, heading, Filed::Hall, values);
            }
            y += GROUP + 1.0;
            for number in ids.iter().filter_map(|id| Hall::by_id(id)) {
                let row = area(x, y, width, ROW);
                self.figures.number(ui, pen, row, number, values.value(number), edits);
                y += ROW;
            }
        }
        figures::switch(ui, pen, area(x, y + 4.0, 120.0, ROW), BYPASSED, values, edits);
        let room = Rect::from_min_max(pos2(x, RETURN.bottom() + 6.0), pos2(x + width, TITLE.top() - 4.0));
        self.figures.foot(ui, pen, room, self.notice.as_deref(), HELP);
    }

    fn title(&mut self, ui: &Ui, pen: &Pen) {
        pen.frame(TITLE, 1.2, pen.ink.line);
        let x = TITLE.left() + 10.0;
        pen.text(pos2(x, TITLE.top() + 8.0), Align2::LEFT_TOP, 15.0, pen.ink.line, NAME);
        let note = pos2(x, TITLE.bottom() - 8.0);
        pen.text(note, Align2::LEFT_BOTTOM, SMALL, pen.ink.faint, "one hall for the whole session");
        let row = area(TITLE.right() - 96.0, TITLE.top() + 8.0, 90.0, ROW);
        if check(ui, pen, row, "Dark paper", self.is_dark).clicked() {
            self.is_dark = !self.is_dark;
        }
        let version = concat!("version ", env!("CARGO_PKG_VERSION"));
        let at = TITLE.right_bottom() - egui::vec2(6.0, 7.0);
        pen.text(at, Align2::RIGHT_BOTTOM, SMALL, pen.ink.faint, version);
    }
}

impl FileSheet for HallSheet {
    type Settings = Hall;

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

fn decibels(power: f64) -> f64 {
    10.0 * power.max(1e-12).log10()
}

/// Draws the hall's impulse response: the pre-delay, the first reflections, the tail's two parts.
fn answer(pen: &Pen, ink: &Ink, hall: &Hall, reflections: &Reflections) {
    pen.heading(ANSWER, "IMPULSE RESPONSE, source at audience left, mid-band");
    let field = Rect::from_min_max(ANSWER.min + egui::vec2(26.0, 32.0), ANSWER.max - egui::vec2(8.0, 18.0));
    let place = |late_ms: f64, level_db: f64| {
        let x = (late_ms / SPAN_MS).clamp(0.0, 1.0) as f32;
        let y = ((TOP_DB - level_db) / (TOP_DB - BOTTOM_DB)).clamp(0.0, 1.0) as f32;
        field.min + egui::vec2(x * field.width(), y * field.height())
    };
    let gap_ms = hall.pre_delay_s * 1e3;
    let mixing_ms = gap_ms + hall.mixing_time_s() * 1e3;
    // The energy of each part over a moment, from its exponential course.
    let over_a_moment = |late_ms: f64, share: f64| {
        let falls = |ms: f64| 10_f64.powf(-6.0 * ms / (hall.decay_s * 1e3));
        decibels(share * (falls(late_ms) - falls(late_ms + TOGETHER_MS)))
    };
    let diffuse = 1.0 - specular_share(hall);
    let early = diffuse * energy_of_db(hall.early_db);
    let outline = |from_ms: f64, to_ms: f64, share: f64| {
        let to_ms = to_ms.min(SPAN_MS);
        let points: Vec<Pos2> = (0..=40)
            .map(|step| from_ms + (to_ms - from_ms) * f64::from(step) / 40.0)
            .map(|ms| place(ms, over_a_moment(ms - gap_ms, share)))
            .collect();
        for pair in points.windows(2) {
            let foot = |at: Pos2| pos2(at.x, field.bottom());
            pen.outline(&[pair[0], pair[1], foot(pair[1]), foot(pair[0])], ink.shade, 0.0, ink.shade);
        }
        pen.line(&points, 1.0, ink.faint);
    };
    outline(gap_ms, mixing_ms, early);
    if mixing_ms < SPAN_MS {
        outline(mixing_ms, SPAN_MS, 1.0);
    }
    for level_db in [-10.0, -20.0, -30.0, -40.0] {
        let y = place(0.0, level_db).y;
        pen.dashes(&[pos2(field.left(), y), pos2(field.right(), y)], &[1.0, 3.0], 0.6, ink.faint);
        pen.text(pos2(field.left() - 4.0, y), Align2::RIGHT_CENTER, SMALL, ink.line, level_db);
    }
    pen.text(pos2(field.left() - 4.0, field.top() - 2.0), Align2::RIGHT_BOTTOM, SMALL, ink.faint, "dB");
    for late_ms in [0.0, 100.0, 200.0, 300.0, 400.0] {
        let x = place(late_ms, 0.0).x;
        let align = if late_ms == SPAN_MS { Align2::RIGHT_TOP } else { Align2::CENTER_TOP };
        pen.text(pos2(x, field.bottom() + 3.0), align, SMALL, ink.line, format!("{late_ms} ms"));
    }
    for reflection in reflections.all {
        let power: f64 = reflection.gains.iter().map(|gain| gain * gain).sum();
        let level_db = decibels(power) + hall.early_db;
        let late_ms = gap_ms + reflection.delay_s * 1e3;
        if power > 0.0 && level_db > BOTTOM_DB && late_ms <= SPAN_MS {
            let head = place(late_ms, level_db);
            let width = 2.8 - 0.7 * reflection.hits as f32;
            pen.line(&[pos2(head.x, field.bottom()), head], width, ink.line);
        }
    }
    pen.line(&[field.left_bottom(), field.right_bottom()], 1.0, ink.line);
    let gap = [place(0.0, TOP_DB), place(gap_ms, TOP_DB)];
    let y = field.top() - 5.0;
    pen.line(&[pos2(gap[0].x, y), pos2(gap[1].x, y)], 2.2, ink.grip);
    let said = format!("pre-delay {}", PRE_DELAY.shown(gap_ms));
    let name = pen.text(pos2(gap[0].x, y - 3.0), Align2::LEFT_BOTTOM, SMALL, ink.grip, said);
    if mixing_ms <= SPAN_MS {
        let x = place(mixing_ms, 0.0).x.max(name.right() + 8.0);
        let at = place(mixing_ms, 0.0).x;
        pen.line(&[pos2(at, field.top() - 3.0), pos2(at, field.bottom())], 0.8, ink.line);
        pen.text(pos2(x + 2.0, field.top() - 4.0), Align2::LEFT_BOTTOM, SMALL, ink.line, "mixing time");
    }
}

/// Says at which level a hall of this volume and decay comes back, and which one is set here.
fn returning(pen: &Pen, hall: &Hall) {
    pen.heading(RETURN, "RETURN LEVEL, mid-band");
    let levels = HallReturn::of(hall.mid_decay_s(), hall.volume_m3, &Settings::default(), 2);
    let lines = [
        ("As a hall of this size and decay", levels.hall_db),
        ("Behind the default platform", levels.return_db),
        ("Set here, by trim", hall.trim_db),
    ];
    for (place, (name, level_db)) in lines.into_iter().enumerate() {
        let middle = RETURN.top() + 18.0 + ROW * (place as f32 + 0.5);
        let text = pen.text(pos2(RETURN.left(), middle), Align2::LEFT_CENTER, TEXT, pen.ink.line, name);
        let level = format!("{level_db:+.1} dB");
        let number = pen.text(pos2(RETURN.right(), middle), Align2::RIGHT_CENTER, TEXT, pen.ink.line, level);
        pen.leader(text.right(), number.left(), middle);
    }
}

/// Draws how long each octave lasts.
fn lasting(pen: &Pen, ink: &Ink, hall: &Hall) {
    pen.heading(LASTING, "REVERBERATION TIME per octave");
    let field = Rect::from_min_max(LASTING.min + egui::vec2(26.0, 30.0), LASTING.max - egui::vec2(8.0, 18.0));
    let decays_s = hall.band_decay_s();
    let longest_s = largest(decays_s.iter().copied());
    let column = field.width() / decays_s.len() as f32;
    let mut heads = Vec::new();
    for (band, &decay_s) in decays_s.iter().enumerate() {
        let x = field.left() + column * (band as f32 + 0.5);
        let y = field.bottom() - (decay_s / longest_s) as f32 * field.height();
        pen.fill(
            Rect::from_min_max(pos2(x - 0.28 * column, y), pos2(x + 0.28 * column, field.bottom())),
            ink.shade,
        );
        heads.push(pos2(x, y));
        pen.text(pos2(x, y - 2.0), Align2::CENTER_BOTTOM, TEXT, ink.line, format!("{decay_s:.2} s"));
        let hz = NOMINAL_HZ[band];
        let name = if hz < 1000.0 { format!("{hz} Hz") } else { format!("{} kHz", hz / 1000.0) };
        pen.text(pos2(x, field.bottom() + 3.0), Align2::CENTER_TOP, SMALL, ink.line, name);
    }
    pen.line(&heads, 1.4, ink.line);
    for head in heads {
        pen.circle(head, 2.2, ink.line, 0.0, ink.line);
    }
    pen.line(&[field.left_bottom(), field.right_bottom()], 1.0, ink.line);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_of_the_hall_is_on_the_sheet_once() {
        let groups = GROUPS.iter().flat_map(|(_, rows)| rows.iter().copied());
        let shown: Vec<&str> = groups.chain(OCTAVE_DECAYS).collect();
        for parameter in Hall::parameters().filter(|parameter| parameter.number().is_some()) {
            assert_eq!(shown.iter().filter(|id| **id == parameter.id).count(), 1, "{}", parameter.id);
        }
        assert!(shown.iter().all(|id| Hall::by_id(id).is_some()));
    }
}
