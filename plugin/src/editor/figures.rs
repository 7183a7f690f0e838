//! Figures, lists and switches: what is typed, dragged, stepped or chosen.

use egui::text::{CCursor, CCursorRange};
use egui::{
    Align2, Event, EventFilter, Id, Key, Modifiers, Popup, Pos2, Rect, Response, Role, Sense, TextEdit, Ui,
    WidgetInfo, pos2,
};
use rostra_dsp::settings::{Parameter, Tabled, Unit};

use super::pen::{Pen, SMALL, TEXT, area};
use super::values::{Edit, Values};

/// Height of a row.
pub const ROW: f32 = 15.6;
/// Width of the field of a value.
const FIELD: f32 = 118.0;
/// Drag over the whole range.
const TRAVEL: f32 = 300.0;
/// What a fine drag or step does of a whole one.
const FINE: f64 = 0.1;
/// What is said while the newest tail could not be made.
const NO_TAIL: &str = "The new tail could not be built, so the previous one keeps playing. Change the decay or a dimension slightly to try again.";

/// What the figures remember from frame to frame.
#[derive(Default)]
pub(super) struct Figures {
    drag: Option<Drag>,
    typing: Option<Typing>,
    /// Why what was typed or asked for was not taken.
    pub(super) refusal: Option<String>,
    /// What was done, in words.
    pub(super) said: Option<String>,
    /// Whether the newest tail could not be made.
    pub(super) has_tail_failed: bool,
}

struct Drag {
    number: &'static Parameter,
    share: f64,
}

struct Typing {
    id: &'static str,
    text: String,
    is_new: bool,
}

/// Returns what a step of the keyboard does, in the number's unit.
pub(super) fn step_of(number: &Parameter) -> f64 {
    number.number().map_or(1.0, |number| match number.unit {
        Unit::Metres | Unit::Times => 0.1,
        Unit::Count | Unit::Degrees | Unit::PerCent | Unit::Celsius | Unit::Milliseconds => 1.0,
        Unit::Seconds => 0.01,
        Unit::Hertz => 5.0,
        Unit::Decibels => 0.5,
        Unit::CubicMetres => 100.0,
    })
}

impl Figures {
    /// Lets go of what is held, and forgets what is being typed.
    pub(super) fn let_go(&mut self) -> Option<Edit> {
        self.typing = None;
        self.drag.take().map(|drag| Edit::End(drag.number))
    }

    /// Takes what was done, in words; what was refused before is of the past.
    pub(super) fn say(&mut self, said: String) {
        self.refusal = None;
        self.said = Some(said);
    }

    /// Says under the figures what was refused, what failed or what was done, else what there is to say of the instance, else
    /// how figures are handled.
    pub(super) fn foot(&self, ui: &Ui, pen: &Pen, room: Rect, notice: Option<&str>, help: &str) {
        let (colour, text) = match (&self.refusal, &self.said, notice) {
            (Some(refusal), ..) => (pen.ink.notice, refusal.as_str()),
            (None, ..) if self.has_tail_failed => (pen.ink.notice, NO_TAIL),
            (None, Some(said), _) => (pen.ink.line, said.as_str()),
            (None, None, Some(notice)) => (pen.ink.notice, notice),
            (None, None, None) => (pen.ink.faint, help),
        };
        let control = ui.interact(pen.rect(room), Id::unique("foot"), Sense::hover());
        control.widget_info(|| WidgetInfo::labeled(Role::Label, true, text));
        // A long name of a file can make it longer than the room; then the tip has it whole.
        if !pen.paragraph_in(room, SMALL, colour, text) {
            show_tip(control, text, pen);
        }
    }

    /// Shows a number's row, and adds what a hand did to `edits`.
    pub(super) fn number(
        &mut self,
        ui: &mut Ui,
        pen: &Pen,
        row: Rect,
        number: &'static Parameter,
        value: f64,
        edits: &mut Vec<Edit>,
    ) {
        let id = Id::unique(("figure", number.id));
        let field = field_of(row);
        let control = ui.interact(pen.rect(row), id, Sense::click_and_drag());
        control.widget_info(|| WidgetInfo::slider(true, value, number.name));
        self.drag(ui, pen, &control, number, value, edits);
        let changed = |value: f64, edits: &mut Vec<Edit>| {
            edits.extend(Edit::whole(number, value));
        };
        if control.clicked() {
            control.request_focus();
        }
        if control.double_clicked() {
            changed(number.default(), edits);
        }
        let is_typing = self.typing.as_ref().is_some_and(|typing| typing.id == number.id);
        if control.has_focus() && !is_typing {
            keep_arrows(ui, id);
            let fine = if ui.input(|input| input.modifiers.shift) { FINE } else { 1.0 };
            let steps = steps(ui);
            if steps != 0 {
                changed(value + f64::from(steps) * step_of(number) * fine, edits);
            }
            if let Some(text) = typed(ui, number, value) {
                self.typing = Some(Typing { id: number.id, text, is_new: true });
            }
        }
        let is_held = control.dragged() || control.has_focus();
        draw_row(pen, row, number.name, is_held, control.hovered());
        let is_typing = self.typing.as_ref().is_some_and(|typing| typing.id == number.id);
        if is_typing {
            self.take_typed(ui, pen, field, number, edits);
        } else {
            write_value(pen, field, &number.shown(value));
        }
        show_tip(control, number.effect, pen);
    }

    fn drag(
        &mut self,
        ui: &Ui,
        pen: &Pen,
        control: &Response,
        number: &'static Parameter,
        value: f64,
        edits: &mut Vec<Edit>,
    ) {
        if control.drag_started() {
            control.request_focus();
            self.typing = None;
            self.drag = Some(Drag { number, share: number.share(value) });
            edits.push(Edit::Begin(number));
        }
        if let Some(drag) = self.drag.as_mut().filter(|drag| drag.number.id == number.id) {
            let fine = if ui.input(|input| input.modifiers.shift) { FINE } else { 1.0 };
            let travel = f64::from(control.drag_delta().x / (TRAVEL * pen.scale()));
            drag.share = (drag.share + travel * fine).clamp(0.0, 1.0);
            let wanted = number.at_share(drag.share);
            if travel != 0.0 && wanted != value {
                edits.push(Edit::Set(number, wanted));
            }
            if control.drag_stopped() || !control.dragged() {
                self.drag = None;
                edits.push(Edit::End(number));
            }
        }
    }

    /// Shows what is being typed; takes it on Enter or when the field is left.
    fn take_typed(
        &mut self,
        ui: &mut Ui,
        pen: &Pen,
        field: Rect,
        number: &'static Parameter,
        edits: &mut Vec<Edit>,
    ) {
        let Some(typing) = &mut self.typing else { return };
        let id = Id::unique(("typed", number.id));
        let editor = TextEdit::singleline(&mut typing.text)
            .id(id)
            .font(pen.font(TEXT))
            .align(egui::Align2::RIGHT_CENTER)
            .margin(egui::Margin::symmetric(2, 0))
            .text_color(pen.ink.grip);
        let response = ui.put(pen.rect(field), editor);
        if typing.is_new {
            typing.is_new = false;
            response.request_focus();
            let mut state = TextEdit::load_state(ui.ctx(), id).unwrap_or_default();
            let end = CCursor::new(typing.text.chars().count());
            state.cursor.set_char_range(Some(CCursorRange::one(end)));
            state.store(ui.ctx(), id);
            return;
        }
        if ui.input(|input| input.key_pressed(Key::Escape)) {
            self.typing = None;
            return;
        }
        if response.lost_focus() {
            match number.parse(&typing.text) {
                Some(value) => {
                    edits.extend(Edit::whole(number, value));
                    self.refusal = None;
                }
                None => self.refusal = Some(refusal(number, &typing.text)),
            }
            self.typing = None;
        }
    }
}

/// Shows a list's row.
pub(super) fn list(
    ui: &Ui,
    pen: &Pen,
    row: Rect,
    parameter: &'static Parameter,
    chosen: usize,
    edits: &mut Vec<Edit>,
) {
    let Some(list) = parameter.list() else { return };
    let name = parameter.name;
    let id = Id::unique(("list", name));
    let control = ui.interact(pen.rect(row), id, Sense::click());
    let shown = list.entry(chosen).name;
    control.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::ComboBox, true, name);
        info.current_text_value = Some(shown.to_owned());
        info
    });
    if control.clicked() {
        control.request_focus();
    }
    if control.has_focus() {
        keep_arrows(ui, id);
        // Down the list is down on the keyboard.
        let steps = -steps(ui);
        let next = chosen.saturating_add_signed(steps as isize).min(list.entries.len() - 1);
        if next != chosen {
            edits.push(Edit::Choose(parameter, next));
        }
    }
    draw_row(pen, row, name, control.has_focus(), control.hovered());
    let field = field_of(row);
    write_value(pen, Rect::from_min_max(field.min, field.max - egui::vec2(9.0, 0.0)), shown);
    let tip = pos2(field.right() - 5.0, field.center().y + 2.5);
    pen.line(&[tip + egui::vec2(-3.5, -4.0), tip, tip + egui::vec2(3.5, -4.0)], 1.0, pen.ink.grip);
    Popup::menu(&control).show(|ui| {
        for (index, entry) in list.names().enumerate() {
            let entry = egui::RichText::new(entry).font(pen.font(TEXT));
            if ui.selectable_label(index == chosen, entry).clicked() && index != chosen {
                edits.push(Edit::Choose(parameter, index));
            }
        }
    });
    show_tip(control, parameter.effect, pen);
}

/// Shows a switch.
pub(super) fn switch<S: Tabled>(
    ui: &Ui,
    pen: &Pen,
    row: Rect,
    switch: &'static Parameter,
    values: &Values<S>,
    edits: &mut Vec<Edit>,
) {
    let is_on = values.is_on(switch);
    let control = check(ui, pen, row, switch.name, is_on);
    if control.clicked() {
        edits.push(Edit::Throw(switch, !is_on));
    }
    show_tip(control, switch.effect, pen);
}

/// Shows a box to tick with its name.
pub fn check(ui: &Ui, pen: &Pen, row: Rect, name: &str, is_on: bool) -> Response {
    let control = ui.interact(pen.rect(row), Id::unique(("check", name)), Sense::click());
    control.widget_info(|| WidgetInfo::selected(Role::CheckBox, true, is_on, name));
    if control.clicked() {
        control.request_focus();
    }
    let ticked = area(row.left(), row.center().y - 5.0, 10.0, 10.0);
    pen.frame(ticked, 1.2, pen.ink.grip);
    if is_on {
        pen.line(&[ticked.left_top(), ticked.right_bottom()], 1.6, pen.ink.grip);
        pen.line(&[ticked.left_bottom(), ticked.right_top()], 1.6, pen.ink.grip);
    }
    pen.text(pos2(row.left() + 16.0, row.center().y), Align2::LEFT_CENTER, TEXT, pen.ink.line, name);
    if control.has_focus() || control.hovered() {
        underline(pen, row, control.has_focus());
    }
    control
}

/// Shows words that do something when they are clicked.
pub fn button(ui: &Ui, pen: &Pen, row: Rect, name: &str) -> Response {
    sized_button(ui, pen, row, name, TEXT)
}

/// The same in small type, for a row among notes.
pub fn small_button(ui: &Ui, pen: &Pen, row: Rect, name: &str) -> Response {
    sized_button(ui, pen, row, name, SMALL)
}

fn sized_button(ui: &Ui, pen: &Pen, row: Rect, name: &str, size: f32) -> Response {
    let control = ui.interact(pen.rect(row), Id::unique(("button", name)), Sense::click());
    control.widget_info(|| WidgetInfo::labeled(Role::Button, true, name));
    let width = if control.has_focus() || control.hovered() { 1.6 } else { 0.9 };
    pen.frame(row, width, pen.ink.grip);
    pen.text(row.center(), Align2::CENTER_CENTER, size, pen.ink.grip, name);
    control
}

/// Shows a tip in plain words.
pub fn show_tip(control: Response, tip: &str, pen: &Pen) {
    let font = pen.font(TEXT);
    control.on_hover_ui(|ui| {
        ui.set_max_width(font.size * 26.0);
        ui.label(egui::RichText::new(tip).font(font));
    });
}

fn field_of(row: Rect) -> Rect {
    Rect::from_min_max(pos2(row.right() - FIELD, row.top() + 1.0), row.max - egui::vec2(0.0, 1.0))
}

fn draw_row(pen: &Pen, row: Rect, name: &str, is_held: bool, is_hovered: bool) {
    let field = field_of(row);
    let text = pen.text(pos2(row.left(), row.center().y), Align2::LEFT_CENTER, TEXT, pen.ink.line, name);
    pen.leader(text.right(), field.left(), row.center().y);
    pen.fill(field, pen.ink.shade);
    if is_held || is_hovered {
        underline(pen, field, is_held);
    }
}

fn underline(pen: &Pen, row: Rect, is_held: bool) {
    let width = if is_held { 1.6 } else { 0.8 };
    pen.line(&[row.left_bottom(), row.right_bottom()], width, pen.ink.grip);
}

fn write_value(pen: &Pen, field: Rect, text: &str) {
    let at: Pos2 = pos2(field.right() - 4.0, field.center().y);
    pen.text(at, Align2::RIGHT_CENTER, TEXT, pen.ink.grip, text);
}

fn keep_arrows(ui: &Ui, id: Id) {
    let filter = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
    ui.memory_mut(|memory| memory.set_focus_lock_filter(id, filter));
}

/// Returns how many steps the arrow keys ask for.
fn steps(ui: &Ui) -> i32 {
    ui.input_mut(|input| {
        let mut presses = |key| {
            let plain = input.count_and_consume_key(Modifiers::NONE, key);
            (plain + input.count_and_consume_key(Modifiers::SHIFT, key)) as i32
        };
        presses(Key::ArrowUp) + presses(Key::ArrowRight) - presses(Key::ArrowDown) - presses(Key::ArrowLeft)
    })
}

/// Returns the text with which typing starts: what was typed, or the value where Enter asks to change it.
fn typed(ui: &Ui, number: &Parameter, value: f64) -> Option<String> {
    let typed: String = ui.input(|input| {
        input
            .events
            .iter()
            .filter_map(|event| if let Event::Text(text) = event { Some(text.as_str()) } else { None })
            .collect()
    });
    if !typed.trim().is_empty() {
        return Some(typed);
    }
    ui.input_mut(|input| input.consume_key(Modifiers::NONE, Key::Enter)).then(|| number.shown(value))
}

fn refusal(number: &Parameter, text: &str) -> String {
    format!("{}. Value unchanged.", number.refusal(text))
}

/// Height of the heading of a group.
pub(super) const GROUP: f32 = 17.0;

/// Writes the heading of a group of rows.
pub(super) fn group(pen: &Pen, row: Rect, name: &str) {
    pen.text(row.left_bottom() - egui::vec2(0.0, 3.0), Align2::LEFT_BOTTOM, SMALL, pen.ink.faint, name);
    pen.line(&[row.left_bottom(), row.right_bottom()], 0.6, pen.ink.faint);
}
