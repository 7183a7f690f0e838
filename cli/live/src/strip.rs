//! The strip beside the sheet: what plays, seats on keys, the lesson, the level, and a word on hearing.
//!
//! It is a function of plain values and returns what its user does, so that it can be drawn and handled without a window.

use egui::{
    Align2, Event, Id, InputState, Key, Modifiers, Popup, Pos2, Rect, Role, Sense, Ui, WidgetInfo, pos2,
};
use rostra::editor::desk::meter;
use rostra::editor::figures::{ROW, button, show_tip};
use rostra::editor::ink::{DARK, DAY};
use rostra::editor::pen::{Pen, SMALL, TEXT, area};

use crate::ceiling::KNEE;
use crate::strike::Strike;

/// What the strip shows.
#[derive(Clone, Debug, Default, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "each is one thing that is seen")]
pub struct Shown {
    /// Names of the loops; empty where a microphone plays.
    pub loops: Vec<String>,
    /// The one that plays.
    pub chosen: usize,
    /// The microphone, where there is one.
    pub input: Option<String>,
    /// Whether an output is open.
    pub is_open: bool,
    /// Whether the loop, or the microphone, is let in.
    pub is_playing: bool,
    /// Whether the dry signal is compared.
    pub is_compared: bool,
    /// Level of the output, dB.
    pub level_db: f64,
    /// Peaks of the output, left and right, dBFS.
    pub peaks_dbfs: [f32; 2],
    /// Whether the ceiling is at work.
    pub is_limited: bool,
    /// Seats on the keys 1 to 3.
    pub seats: [Option<String>; 3],
    /// The key whose seat sounds now, if one does.
    pub present: Option<usize>,
    /// The lesson.
    pub lesson: Option<LessonShown>,
    /// Whether there are lessons.
    pub has_lessons: bool,
    /// What was said last, and whether it is to be heeded.
    pub said: (String, bool),
}

/// A lesson as it is shown.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LessonShown {
    /// Its number and how many there are.
    pub of: (usize, usize),
    /// Its heading.
    pub title: String,
    /// What to listen for.
    pub listen: String,
    /// Each seat: what it is called, and its figures.
    pub seats: Vec<(String, String)>,
    /// The one that the lesson has come to.
    pub seat: usize,
    /// Whether it sounds: a hand may have moved on from it.
    pub sounds: bool,
}

/// What somebody does in the strip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Action {
    /// Let the loop, or the microphone, in or out.
    Play(bool),
    /// The dry signal as loud as the placed one, or not.
    Compare(bool),
    /// A click or a hand clap.
    Strike(Strike),
    /// Another loop.
    Loop(usize),
    /// Another level, dB.
    Level(f64),
    /// The seat of a key.
    Jump(usize),
    /// The present seat onto a key.
    Remember(usize),
    /// The next seat of the lessons, or the one before.
    Turn(bool),
    /// The output once more.
    Restart,
}

/// Width and height at a scale of 1, points; as high as the sheet.
pub const SIZE_POINTS: [f32; 2] = [300.0, 700.0];
/// Step of the level, dB (our choice).
const STEP_DB: f64 = 3.0;
/// Left edge and width of everything.
const X: f32 = 14.0;
const WIDTH: f32 = 272.0;

/// What is said of hearing.
///
/// NIOSH, publication 98-126 (1998): 85 dBA over 8 hours with an exchange rate of 3 dB; WHO and ITU-T H.870: 80 dBA for 40
/// hours a week. As in the README.
pub const HEARING: &str = "Playback starts 20 dB down: turn it up once you know how loud it gets. For orientation: at work 85 dBA over 8 hours, half the time for each 3 dB more (NIOSH 98-126); in leisure 80 dBA for 40 hours a week (WHO and ITU-T H.870). Not medical advice; local rules come first.";
/// What is said while a microphone is at hand.
const FEEDBACK: &str = "A microphone near a loudspeaker can feed back. Use headphones, turn the level down, then unmute with the space bar.";

/// What a capital asks for.
type Capital = (&'static str, fn(&Shown) -> Action);

/// What capitals ask for: the same as their small letters.
const KEYS: [Capital; 6] = [
    ("D", |shown| Action::Compare(!shown.is_compared)),
    ("C", |_| Action::Strike(Strike::Click)),
    ("H", |_| Action::Strike(Strike::Clap)),
    ("N", |_| Action::Turn(true)),
    ("B", |_| Action::Turn(false)),
    ("R", |_| Action::Restart),
];

/// Takes the presses of a key away; says whether one of them was fresh, and none where there was none.
///
/// A key that is held down repeats itself: that neither strikes again nor opens a microphone.
fn take(input: &mut InputState, wanted: Modifiers, wanted_key: Key) -> Option<bool> {
    let mut is_fresh = None;
    input.events.retain(|event| match event {
        Event::Key { key, pressed: true, repeat, modifiers, .. }
            if *key == wanted_key && modifiers.matches_logically(wanted) =>
        {
            is_fresh = Some(is_fresh == Some(true) || !repeat);
            false
        }
        _ => true,
    });
    is_fresh
}

/// Returns what the keys ask for, and takes them away from the sheet; nothing while text is typed.
pub fn keys(ui: &Ui, shown: &Shown) -> Vec<Action> {
    let mut actions = Vec::new();
    if ui.ctx().text_edit_focused() {
        return actions;
    }
    let has_focus = ui.ctx().egui_wants_keyboard_input();
    ui.input_mut(|input| {
        let mut taken = Vec::new();
        let mut is = |modifiers: Modifiers, key: Key| {
            let is_fresh = take(input, modifiers, key);
            taken.extend(is_fresh.map(|_| key));
            is_fresh == Some(true)
        };
        for (key, action) in [
            (Key::Space, Action::Play(!shown.is_playing)),
            (Key::D, Action::Compare(!shown.is_compared)),
            (Key::C, Action::Strike(Strike::Click)),
            (Key::H, Action::Strike(Strike::Clap)),
            (Key::N, Action::Turn(true)),
            (Key::PageDown, Action::Turn(true)),
            (Key::B, Action::Turn(false)),
            (Key::PageUp, Action::Turn(false)),
            (Key::R, Action::Restart),
        ] {
            if is(Modifiers::NONE, key) {
                actions.push(action);
            }
        }
        // Where a figure has the focus, digits are typed into it.
        for (place, key) in [Key::Num1, Key::Num2, Key::Num3].into_iter().enumerate().filter(|_| !has_focus) {
            // Not with shift: what that makes of a digit depends on the keyboard's layout.
            if is(Modifiers::COMMAND, key) {
                actions.push(Action::Remember(place));
            } else if is(Modifiers::NONE, key) {
                actions.push(Action::Jump(place));
            }
        }
        // With caps lock on, letters come as text alone.
        let capitals = input.events.iter().filter_map(|event| match event {
            // Where its key came, too, that has been answered.
            Event::Text(text) => KEYS
                .iter()
                .find(|(letter, _)| text == letter && !taken.iter().any(|key| key.name() == *letter)),
            _ => None,
        });
        actions.extend(capitals.map(|(_, action)| action(shown)).collect::<Vec<_>>());
        if !actions.is_empty() || !taken.is_empty() {
            // The letter of a key that was taken is no text for a figure.
            input.events.retain(|event| !matches!(event, Event::Text(_)));
        }
    });
    actions
}

/// Draws the strip into a rectangle of the window and returns what its user does.
pub fn show(ui: &mut Ui, room: Rect, is_dark: bool, shown: &Shown) -> Vec<Action> {
    let ink = if is_dark { &DARK } else { &DAY };
    let scale = (room.width() / SIZE_POINTS[0]).min(room.height() / SIZE_POINTS[1]);
    let painter = ui.painter().clone();
    painter.rect_filled(room, 0.0, ink.paper);
    let pen = &Pen::new(&painter, room.min, scale, ink);
    let mut actions = Vec::new();
    pen.line(&[pos2(0.0, 10.0), pos2(0.0, SIZE_POINTS[1] - 10.0)], 0.6, ink.faint);
    let y = play(ui, pen, shown, 10.0, &mut actions);
    let y = level(ui, pen, shown, y, &mut actions);
    let y = seats(ui, pen, shown, y, &mut actions);
    lesson(ui, pen, shown, y, &mut actions);
    let mut y = 556.0;
    pen.heading(area(X, y, WIDTH, 14.0), "YOUR HEARING");
    y += 18.0;
    pen.paragraph(pos2(X, y), WIDTH, SMALL, ink.line, HEARING);
    status(ui, pen, shown, &mut actions);
    actions
}

fn play(ui: &mut Ui, pen: &Pen, shown: &Shown, y: f32, actions: &mut Vec<Action>) -> f32 {
    pen.heading(area(X, y, WIDTH, 14.0), "PLAY");
    let y = y + 19.0;
    let name = match (&shown.input, shown.is_playing) {
        (None, true) => "Stop",
        (None, false) => "Play",
        (Some(_), true) => "Mute",
        (Some(_), false) => "Unmute",
    };
    let control = button(ui, pen, area(X, y, 104.0, 20.0), name);
    if control.clicked() {
        actions.push(Action::Play(!shown.is_playing));
    }
    show_tip(control, "Space bar. The platform rings out after you stop.", pen);
    for (strike, name, x, width, tip) in [
        (Strike::Click, "Click", X + 112.0, 66.0, "Key C. A single-sample impulse: the platform on its own."),
        (Strike::Clap, "Hand clap", X + 186.0, 86.0, "Key H. A hand clap on the platform."),
    ] {
        let control = button(ui, pen, area(x, y, width, 20.0), name);
        if control.clicked() {
            actions.push(Action::Strike(strike));
        }
        show_tip(control, tip, pen);
    }
    let y = y + 27.0;
    if let Some(input) = &shown.input {
        pen.text(pos2(X, y), Align2::LEFT_TOP, TEXT, pen.ink.line, format!("Microphone: {input}"));
        let y = y + 17.0 + pen.paragraph(pos2(X, y + 17.0), WIDTH, SMALL, pen.ink.notice, FEEDBACK) + 4.0;
        hint(ui, pen, shown, y);
        return y + 22.0;
    }
    let row = area(X, y, WIDTH, ROW);
    let chosen = shown.loops.get(shown.chosen).map_or("none", String::as_str);
    let control = ui.interact(pen.rect(row), Id::unique("loop"), Sense::click());
    control.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::ComboBox, true, "Loop");
        info.current_text_value = Some(chosen.to_owned());
        info
    });
    let text = pen.text(pos2(X, row.center().y), Align2::LEFT_CENTER, TEXT, pen.ink.line, "Loop");
    let field = Rect::from_min_max(pos2(X + 120.0, row.top() + 1.0), row.max - egui::vec2(0.0, 1.0));
    pen.leader(text.right(), field.left(), row.center().y);
    pen.fill(field, pen.ink.shade);
    let at: Pos2 = pos2(field.right() - 13.0, field.center().y);
    pen.text(at, Align2::RIGHT_CENTER, TEXT, pen.ink.grip, chosen);
    let tip = pos2(field.right() - 5.0, field.center().y + 2.5);
    pen.line(&[tip + egui::vec2(-3.5, -4.0), tip, tip + egui::vec2(3.5, -4.0)], 1.0, pen.ink.grip);
    Popup::menu(&control).show(|ui| {
        for (place, name) in shown.loops.iter().enumerate() {
            let name = egui::RichText::new(name).font(pen.font(TEXT));
            if ui.selectable_label(place == shown.chosen, name).clicked() && place != shown.chosen {
                actions.push(Action::Loop(place));
            }
        }
    });
    let y = y + ROW + 4.0;
    hint(ui, pen, shown, y);
    y + 22.0
}

/// Says what the keys do, or that the dry signal is heard.
fn hint(ui: &Ui, pen: &Pen, shown: &Shown, y: f32) {
    let (colour, text) = if shown.is_compared {
        (pen.ink.grip, "You hear the dry sound, level-matched. D: back to the seat")
    } else {
        let space = if shown.input.is_some() { "unmute" } else { "play" };
        (pen.ink.faint, &*format!("space: {space}   D: dry, level-matched   C: click   H: hand clap"))
    };
    let row = area(X, y, WIDTH, 12.0);
    ui.interact(pen.rect(row), Id::unique("hint"), Sense::hover())
        .widget_info(|| WidgetInfo::labeled(Role::Label, true, text));
    pen.text(row.min, Align2::LEFT_TOP, SMALL, colour, text);
}

fn level(ui: &Ui, pen: &Pen, shown: &Shown, y: f32, actions: &mut Vec<Action>) -> f32 {
    pen.heading(area(X, y, WIDTH, 14.0), "LEVEL");
    let y = y + 19.0;
    for (name, x, by_db) in [("Quieter", X, -STEP_DB), ("Louder", X + 186.0, STEP_DB)] {
        if button(ui, pen, area(x, y, 86.0, 20.0), name).clicked() {
            actions.push(Action::Level(shown.level_db + by_db));
        }
    }
    let text = format!("{:.0} dB", shown.level_db).replace('-', "\u{2212}");
    pen.text(pos2(X + WIDTH / 2.0, y + 10.0), Align2::CENTER_CENTER, TEXT, pen.ink.line, text);
    let y = y + 27.0;
    for (row, (name, peak_dbfs)) in
        [("left", shown.peaks_dbfs[0]), ("right", shown.peaks_dbfs[1])].into_iter().enumerate()
    {
        meter(pen, area(X, y + 15.0 * row as f32, WIDTH, 11.0), name, Some(peak_dbfs));
    }
    let y = y + 31.0;
    let knee_dbfs = 20.0 * KNEE.log10();
    let (colour, text) = if shown.is_limited {
        (pen.ink.notice, format!("limiting above {knee_dbfs:.0} dBFS: turn down"))
    } else {
        (
            pen.ink.faint,
            format!("no limiting up to {knee_dbfs:.0} dBFS, never above \u{2212}1 dBFS")
                .replace('-', "\u{2212}"),
        )
    };
    pen.text(pos2(X, y), Align2::LEFT_TOP, SMALL, colour, text);
    y + 22.0
}

fn seats(ui: &Ui, pen: &Pen, shown: &Shown, y: f32, actions: &mut Vec<Action>) -> f32 {
    pen.heading(area(X, y, WIDTH, 14.0), "SEATS ON KEYS 1 TO 3");
    let mut y = y + 19.0;
    for (place, seat) in shown.seats.iter().enumerate() {
        let key = place + 1;
        let jump = button(ui, pen, area(X, y, 26.0, 18.0), &format!("{key}"));
        if jump.clicked() {
            actions.push(Action::Jump(place));
        }
        show_tip(jump, "Jumps to this seat, as its key does.", pen);
        let is_here = shown.present == Some(place);
        let (colour, name) = match seat {
            None => (pen.ink.faint, "no seat yet"),
            Some(name) if is_here => (pen.ink.grip, name.as_str()),
            Some(name) => (pen.ink.line, name.as_str()),
        };
        if is_here {
            pointer(pen, pos2(X + 34.0, y + 4.5), true);
        }
        let row = area(X + 43.0, y, 138.0, 18.0);
        ui.interact(pen.rect(row), Id::unique(("seat of a key", place)), Sense::hover()).widget_info(|| {
            let here = if is_here { ", playing" } else { "" };
            WidgetInfo::labeled(Role::Label, true, format!("Seat on key {key}: {name}{here}"))
        });
        pen.text(pos2(row.left(), y + 9.0), Align2::LEFT_CENTER, TEXT, colour, name);
        let keep = button(ui, pen, area(X + 186.0, y, 86.0, 18.0), &format!("Store on {key}"));
        if keep.clicked() {
            actions.push(Action::Remember(place));
        }
        show_tip(keep, "Stores the current seat here, as Ctrl with the key does.", pen);
        y += 22.0;
    }
    y + 12.0
}

/// Points at a seat: filled where it sounds now.
fn pointer(pen: &Pen, at: Pos2, sounds: bool) {
    let mark = [at, at + egui::vec2(5.0, 4.5), at + egui::vec2(0.0, 9.0)];
    pen.outline(&mark, if sounds { pen.ink.grip } else { pen.ink.paper }, 0.5, pen.ink.grip);
}

fn lesson(ui: &Ui, pen: &Pen, shown: &Shown, y: f32, actions: &mut Vec<Action>) {
    let heading = match &shown.lesson {
        Some(lesson) => format!("LESSON {} OF {}", lesson.of.0, lesson.of.1),
        None => "LESSONS".to_owned(),
    };
    pen.heading(area(X, y, WIDTH, 14.0), &heading);
    if !shown.has_lessons {
        return;
    }
    for (name, x, is_forward) in [("Back (B)", X + 118.0, false), ("Next (N)", X + 198.0, true)] {
        if button(ui, pen, area(x, y - 5.0, 74.0, 16.0), name).clicked() {
            actions.push(Action::Turn(is_forward));
        }
    }
    let mut y = y + 19.0;
    let Some(lesson) = &shown.lesson else {
        let text = "Five short comparisons of two or three seats each: N for next, B for back.";
        pen.paragraph(pos2(X, y), WIDTH, SMALL, pen.ink.line, text);
        return;
    };
    y += pen.paragraph(pos2(X, y), WIDTH, 13.0, pen.ink.line, &lesson.title) + 3.0;
    y += pen.paragraph(pos2(X, y), WIDTH, SMALL, pen.ink.line, &lesson.listen) + 5.0;
    for (place, (name, figures)) in lesson.seats.iter().enumerate() {
        let is_here = place == lesson.seat;
        let colour = if is_here && lesson.sounds { pen.ink.grip } else { pen.ink.faint };
        if is_here {
            pointer(pen, pos2(X, y + 2.0), lesson.sounds);
        }
        y += pen.paragraph(pos2(X + 10.0, y), WIDTH - 10.0, TEXT, colour, name);
        y += pen.paragraph(pos2(X + 10.0, y), WIDTH - 10.0, SMALL, colour, figures) + 3.0;
    }
}

fn status(ui: &Ui, pen: &Pen, shown: &Shown, actions: &mut Vec<Action>) {
    let room = area(X, 652.0, WIDTH, 38.0);
    let (line, is_fault) = &shown.said;
    pen.frame(room, 1.2, if *is_fault { pen.ink.notice } else { pen.ink.line });
    let words = if shown.is_open {
        room.shrink(5.0)
    } else {
        Rect::from_min_max(room.min, room.max - egui::vec2(78.0, 0.0)).shrink(5.0)
    };
    let colour = if *is_fault { pen.ink.notice } else { pen.ink.line };
    let control = ui.interact(pen.rect(words), Id::unique("said"), Sense::hover());
    control.widget_info(|| WidgetInfo::labeled(Role::Label, true, line));
    if !pen.paragraph_in(words, SMALL, colour, line) {
        show_tip(control, line, pen);
    }
    if !shown.is_open
        && button(ui, pen, area(room.right() - 78.0, room.top() + 9.0, 72.0, 20.0), "Try again (R)").clicked()
    {
        actions.push(Action::Restart);
    }
}
