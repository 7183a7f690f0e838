//! The menus of seat, platform and hall files: what is at hand, and a name under which to save.
//!
//! A menu opens no file: it says what it is asked for, and is told what became of it.

use egui::{
    Align2, Id, Key, Popup, PopupCloseBehavior, Rect, RichText, Role, ScrollArea, Sense, Stroke, TextEdit,
    Ui, WidgetInfo, pos2, vec2,
};
use rostra_dsp::settings::Tabled;
use rostra_files::{Entry, HALL, Kind, LONGEST_NAME, Listed, PLATFORM, Place, SEAT, Value};

use super::figures::show_tip;
use super::pen::{Pen, SMALL, TEXT};
use super::values::Values;

/// A kind of files that a sheet takes and saves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Filed {
    /// Seat, tone and level.
    Seat,
    /// Platform, microphones and air.
    Platform,
    /// Every number of the hall.
    Hall,
}

impl Filed {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::Seat, Self::Platform, Self::Hall];
    /// Those of the seat's sheet, in the order of its schedule; the hall's sheet has the last one alone.
    pub const OF_A_SEAT: [Self; 2] = [Self::Seat, Self::Platform];

    /// Returns what the files are.
    pub const fn kind(self) -> Kind {
        match self {
            Self::Seat => SEAT,
            Self::Platform => PLATFORM,
            Self::Hall => HALL,
        }
    }

    /// Returns the name of the menu.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Seat => "Seat files",
            Self::Platform => "Platform files",
            Self::Hall => "Hall files",
        }
    }

    const fn tip(self) -> &'static str {
        match self {
            Self::Seat => {
                "Load a seat from a file, with its tone and level, or save this one. A file changes only the values it names."
            }
            Self::Platform => {
                "Load a platform from a file, with its microphones and air, or save this one. On a linked platform this changes all."
            }
            Self::Hall => {
                "Load a hall from a file, or save this one. A file changes only the values it names."
            }
        }
    }

    const fn save_as(self) -> &'static str {
        match self {
            Self::Seat => "Save this seat as",
            Self::Platform => "Save this platform as",
            Self::Hall => "Save this hall as",
        }
    }

    /// Returns the most height of the list at a scale of 1, points: with the rest of the menu it fits under the heading.
    const fn most_list(self) -> f32 {
        match self {
            // What comes with the program, and some own ones.
            Self::Seat | Self::Platform => 360.0,
            // The hall's sheet is not much higher than that.
            Self::Hall => 240.0,
        }
    }
}

/// What somebody asks of files.
#[derive(Clone, Debug, PartialEq)]
pub enum FileRequest {
    /// To see which are at hand.
    List(Filed),
    /// To take one.
    Take(Filed, Listed),
    /// To save the present values.
    Save {
        /// Which of them.
        filed: Filed,
        /// Under which name.
        name: String,
        /// Whether one of that name is to be written over.
        replaces: bool,
    },
}

/// Width of the menu at a scale of 1, points.
const WIDTH: f32 = 190.0;
/// Width of the control beside the heading at a scale of 1, points.
const CONTROL: f32 = 200.0;
/// Most characters of a name for which there is room there.
const MOST_CHARACTERS: usize = 28;

/// The menus of a sheet, and what is asked of one of them.
#[derive(Debug, Default)]
pub struct Menus {
    /// By place in [`Filed::ALL`]; a sheet shows those that it has.
    menus: [Menu; Filed::ALL.len()],
    /// What is asked of files, until somebody asks for it.
    request: Option<FileRequest>,
}

impl Menus {
    /// Returns what is asked of files, once.
    pub fn asked(&mut self) -> Option<FileRequest> {
        self.request.take()
    }

    /// Takes the files that are at hand.
    pub(super) fn tell_files(&mut self, filed: Filed, files: Vec<Listed>) {
        self.menus[filed as usize].tell_files(files);
    }

    /// Takes what was taken or saved, after which the menu closes.
    pub(super) fn tell_done(&mut self, filed: Filed, name: &str, entries: Vec<Entry>) {
        self.menus[filed as usize].tell_done(name, entries);
    }

    /// Takes that there is an own file of a name, which a second click may replace.
    pub(super) fn tell_name_is_taken(&mut self, filed: Filed, name: &str) {
        self.menus[filed as usize].tell_name_is_taken(name);
    }

    /// Shows a menu's control at the right of a heading, and the menu where it is open.
    pub(super) fn show(
        &mut self,
        ui: &Ui,
        pen: &Pen,
        heading: Rect,
        filed: Filed,
        values: &Values<impl Tabled>,
    ) {
        let request = self.menus[filed as usize].show(ui, pen, heading, filed, values);
        self.request = self.request.take().or(request);
    }
}

/// A menu, and what it remembers from frame to frame.
#[derive(Debug, Default)]
struct Menu {
    files: Vec<Listed>,
    is_open: bool,
    /// Whether the request was granted, so that the menu can close.
    is_done: bool,
    /// What is typed as a name to save under.
    typed: String,
    /// The name of an own file that a second click replaces.
    taken: Option<String>,
    /// What was taken or saved last, and what it set.
    last: Option<(String, Vec<Entry>)>,
}

impl Menu {
    /// Takes the list of files.
    fn tell_files(&mut self, files: Vec<Listed>) {
        self.files = files;
    }

    /// Takes what was taken or saved, after which the menu closes.
    fn tell_done(&mut self, name: &str, entries: Vec<Entry>) {
        name.clone_into(&mut self.typed);
        self.last = Some((name.to_owned(), entries));
        self.taken = None;
        self.is_done = true;
    }

    /// Takes that there is a file of the name, which a second click may replace.
    fn tell_name_is_taken(&mut self, name: &str) {
        self.taken = Some(name.to_owned());
    }

    /// Shows the menu's control at the right of a heading and the menu where it is open, and returns what is asked of it.
    fn show(
        &mut self,
        ui: &Ui,
        pen: &Pen,
        heading: Rect,
        filed: Filed,
        values: &Values<impl Tabled>,
    ) -> Option<FileRequest> {
        let row = Rect::from_min_max(pos2(heading.right() - CONTROL, heading.top() + 1.0), heading.max);
        let control = ui.interact(pen.rect(row), Id::unique(("files", filed.name())), Sense::click());
        let shown = self.shown(filed, values);
        control.widget_info(|| {
            let mut info = WidgetInfo::labeled(Role::ComboBox, true, filed.name());
            info.current_text_value = Some(shown.clone());
            info
        });
        if control.clicked() {
            control.request_focus();
        }
        let at = row.right_bottom() - vec2(14.0, 3.0);
        let text = pen.text(at, Align2::RIGHT_BOTTOM, SMALL, pen.ink.grip, &shown);
        let tip = pos2(row.right() - 5.0, text.center().y + 2.5);
        pen.line(&[tip + vec2(-3.5, -4.0), tip, tip + vec2(3.5, -4.0)], 1.0, pen.ink.grip);
        if control.has_focus() || control.hovered() {
            let width = if control.has_focus() { 1.6 } else { 0.8 };
            pen.line(&[pos2(text.left(), row.bottom()), row.right_bottom()], width, pen.ink.grip);
        }
        let menu = Popup::menu(&control)
            .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
            .show(|ui| self.inside(ui, pen, filed));
        let request = menu.and_then(|menu| menu.inner);
        let opens = Popup::is_id_open(ui.ctx(), Popup::default_response_id(&control));
        let was_open = std::mem::replace(&mut self.is_open, opens);
        show_tip(control, filed.tip(), pen);
        if !opens {
            // What was granted when the menu had closed already closes no later one.
            self.is_done = false;
        } else if !was_open {
            self.taken = None;
            return Some(FileRequest::List(filed));
        }
        request
    }

    /// Returns what stands beside the heading.
    fn shown(&self, filed: Filed, values: &Values<impl Tabled>) -> String {
        let Some((name, entries)) = &self.last else { return filed.name().to_lowercase() };
        let mut shown: String = name.chars().take(MOST_CHARACTERS).collect();
        if shown.len() < name.len() {
            shown.push('\u{2026}');
        }
        if !are_set(entries, values) {
            shown.push_str(", changed");
        }
        shown
    }

    fn inside(&mut self, ui: &mut Ui, pen: &Pen, filed: Filed) -> Option<FileRequest> {
        if std::mem::take(&mut self.is_done) {
            ui.close();
            return None;
        }
        let mut request = None;
        let scale = pen.scale();
        ui.set_width(WIDTH * scale);
        let spacing = ui.spacing_mut();
        spacing.item_spacing.y = 2.0 * scale;
        spacing.interact_size.y = 15.0 * scale;
        spacing.button_padding = vec2(4.0, 1.0) * scale;
        let small = |text: &str| RichText::new(text).font(pen.font(SMALL)).color(pen.ink.faint);
        // The menu is laid out before its list is there: without a least height it would keep that size.
        let most = filed.most_list() * scale;
        let list = ScrollArea::vertical().max_height(most).min_scrolled_height(most);
        list.show(ui, |ui| {
            for (heading, suffix, is_own) in [("your own", "own", true), ("built in", "built in", false)] {
                ui.label(small(heading));
                let mut is_empty = true;
                for file in self.files.iter().filter(|file| matches!(file.place, Place::Own(_)) == is_own) {
                    is_empty = false;
                    let control = ui.selectable_label(false, RichText::new(&file.name).font(pen.font(TEXT)));
                    control.widget_info(|| {
                        WidgetInfo::labeled(Role::Button, true, format!("{}, {suffix}", file.name))
                    });
                    if control.clicked() {
                        request = Some(FileRequest::Take(filed, file.clone()));
                        ui.close();
                    }
                }
                if is_empty {
                    ui.label(RichText::new(" none yet").font(pen.font(TEXT)).color(pen.ink.faint));
                }
            }
        });
        ui.separator();
        let label = ui.label(small(filed.save_as()));
        let field = TextEdit::singleline(&mut self.typed)
            .font(pen.font(TEXT))
            .char_limit(LONGEST_NAME)
            .desired_width(f32::INFINITY)
            .hint_text("name")
            .text_color(pen.ink.grip);
        let field = ui.add(field).labelled_by(label.id);
        if field.changed() {
            self.taken = None;
        }
        let has_name = !self.typed.trim().is_empty();
        let entered = field.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
        let (name, replaces) = match &self.taken {
            Some(taken) => {
                let said = format!("'{taken}' already exists.");
                ui.label(RichText::new(said).font(pen.font(SMALL)).color(pen.ink.notice));
                ("Replace", true)
            }
            None => ("Save", false),
        };
        let button = egui::Button::new(RichText::new(name).font(pen.font(TEXT)).color(pen.ink.grip))
            .fill(pen.ink.paper)
            .stroke(Stroke::new(0.9 * scale, pen.ink.grip))
            .frame_when_inactive(true);
        let button = ui.add_enabled(has_name, button);
        // Enter never replaces: that takes a click of its own.
        if button.clicked() || (entered && has_name && !replaces) {
            request = Some(FileRequest::Save { filed, name: self.typed.trim().to_owned(), replaces });
        }
        request
    }
}

/// Says whether the values are those that a file sets.
pub(super) fn are_set<S: Tabled>(entries: &[Entry], values: &Values<S>) -> bool {
    entries.iter().all(|entry| {
        S::by_id(&entry.id).is_none_or(|parameter| {
            let wanted = parameter.on_grid(value_of(entry.value));
            parameter.shown(values.value(parameter)) == parameter.shown(wanted)
        })
    })
}

/// Returns a value of a file as a parameter has it: of a list the place.
pub(super) fn value_of(value: Value) -> f64 {
    match value {
        Value::Number(number) => number,
        Value::Name(entry) => entry as f64,
    }
}
