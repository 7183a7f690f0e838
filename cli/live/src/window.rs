//! The window: the plug-in's own sheet, and beside it the strip of the booth.

use std::time::Duration;

use anyhow::{Result, anyhow, bail};
use egui::{Rect, UiBuilder, pos2, vec2};
use nice_plug_egui::baseview::dpi::LogicalSize;
use nice_plug_egui::{App, EguiWindow, EguiWindowSettings, Frame};
use rostra::editor::filing::Filing;
use rostra::editor::needles::Needles;
use rostra::editor::sheet::Sheet;
use rostra::editor::values::Edit;
use rostra::meters::Reading;
use rostra_dsp::settings::DRY;
use rostra_files::FileStore;

use crate::booth::Booth;
use crate::lessons::Seat;
use crate::strip::{self, Action, LessonShown, Shown};

/// Width and height at a scale of 1, points: the sheet, and the strip beside it.
pub const SIZE_POINTS: [f32; 2] = [Sheet::SIZE_POINTS[0] + strip::SIZE_POINTS[0], Sheet::SIZE_POINTS[1]];
/// Least size, as a share of that: smaller, text cannot be read.
const LEAST_SCALE: f32 = 0.75;
/// Time between two looks at levels and outputs.
const LOOK_EVERY: Duration = Duration::from_millis(33);

/// What is said where there is none.
const NO_DISPLAY: &str = "there is no display (DISPLAY is not set)";

/// Says whether this machine has a display to open a window on.
///
/// # Errors
/// In a line, when there is none.
pub fn is_possible() -> Result<()> {
    if cfg!(target_os = "linux") && std::env::var_os("DISPLAY").is_none_or(|display| display.is_empty()) {
        bail!("{NO_DISPLAY}");
    }
    Ok(())
}

/// Opens the window, and returns when it is closed.
///
/// # Errors
/// When the system gives none.
pub fn open(booth: Booth) -> Result<()> {
    let [width, height] = SIZE_POINTS;
    let least = LogicalSize::new(width * LEAST_SCALE, height * LEAST_SCALE);
    let settings = EguiWindowSettings::new()
        .with_title("Rostra, without a host")
        .with_size(LogicalSize::new(width, height))
        .with_min_size(Some(least));
    let app = Live { desk: LiveView::new(booth, FileStore::of_user()) };
    let window =
        EguiWindow::create(settings, app).map_err(|error| anyhow!("{}", refusal(&error.to_string())))?;
    window.run_until_closed().map_err(|error| anyhow!("{}", refusal(&error.to_string())))
}

/// Says in a line why there is no window, and what brings what is missing.
fn refusal(why: &str) -> String {
    let why = why.split_whitespace().collect::<Vec<_>>().join(" ");
    if why.contains("libGL") || why.contains("libEGL") {
        format!("OpenGL is missing; on Debian-based systems, as root: apt-get install libegl1 libgl1 ({why})")
    } else {
        why
    }
}

struct Live {
    desk: LiveView,
}

impl App for Live {
    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        egui::CentralPanel::default().frame(egui::Frame::NONE).show(ui, |ui| self.desk.show(ui));
        ui.ctx().request_repaint_after(LOOK_EVERY);
    }
}

/// What stands in the window: a booth, and the sheet that shows it.
pub struct LiveView {
    /// The booth.
    pub booth: Booth,
    /// The sheet.
    pub sheet: Sheet,
    filing: Filing,
    needles: Needles,
    output_needles: Needles,
    told: Option<Told>,
}

/// What is told of a lesson, which takes long to work out: which one it is, whether its loudness was known, and of each of
/// its seats the name and the figures.
type Told = ((usize, bool), Vec<(String, String)>);

impl LiveView {
    /// Lays the sheet out beside the files of a store.
    pub fn new(booth: Booth, store: FileStore) -> Self {
        Self {
            booth,
            sheet: Sheet::default(),
            filing: Filing::of(store),
            needles: Needles::default(),
            output_needles: Needles::default(),
            told: None,
        }
    }

    /// Draws the window and does what its user asks.
    pub fn show(&mut self, ui: &mut egui::Ui) {
        let seconds = ui.input(|input| input.stable_dt);
        self.booth.look();
        let shown = self.shown(seconds);
        let mut actions = strip::keys(ui, &shown);
        let room = ui.max_rect();
        let [width, height] = SIZE_POINTS;
        let scale = (room.width() / width).min(room.height() / height);
        let [sheet_width, _] = Sheet::SIZE_POINTS;
        let sheet = Rect::from_min_size(room.min, vec2(sheet_width, height) * scale);
        let beside = Rect::from_min_max(pos2(sheet.right(), room.top()), room.max);
        let values = self.booth.scene.values.clone();
        self.sheet.levels = Some(self.needles.follow(&self.booth.reading(), seconds));
        let mut ui_of_sheet = ui.new_child(UiBuilder::new().max_rect(sheet));
        let mut edits = self.sheet.show(&mut ui_of_sheet, &values);
        if let Some(action) = self.sheet.asked() {
            edits.extend(self.filing.answer(action, &mut self.sheet, &values));
            ui.ctx().request_repaint();
        }
        self.booth.apply(edits);
        actions.extend(strip::show(ui, beside, self.sheet.is_dark, &shown));
        for action in actions {
            self.grant(action);
        }
    }

    /// Does what its user asks.
    fn grant(&mut self, action: Action) {
        let booth = &mut self.booth;
        match action {
            Action::Play(is_playing) => booth.play(is_playing),
            Action::Compare(is_on) => booth.apply(vec![Edit::Throw(DRY, is_on)]),
            Action::Strike(strike) => booth.strike(strike),
            Action::Loop(place) => booth.choose_loop(place),
            Action::Level(level_db) => booth.set_level_db(level_db),
            Action::Jump(key) => booth.jump(key),
            Action::Remember(key) => booth.remember(key),
            Action::Turn(is_forward) => booth.turn(is_forward),
            Action::Restart => {
                if !booth.is_open() {
                    // What came of it stands in the line below.
                    let _ = booth.start();
                }
            }
        }
    }

    /// Returns what the strip shows now.
    fn shown(&mut self, seconds: f32) -> Shown {
        let booth = &self.booth;
        let (peaks, is_limited) = booth.peaks();
        let reading = Reading { input_peak: peaks[0], output_peak: peaks[1], placed_lu: None, lean_db: None };
        let levels = self.output_needles.follow(&reading, seconds);
        let (loops, chosen) = booth.loops();
        let lessons = booth.lessons();
        let lesson = booth.lesson.map(|(place, seat)| {
            let lesson = &lessons[place];
            let of = (place, lesson.matched_lufs.is_some());
            if self.told.as_ref().is_none_or(|(told_of, _)| *told_of != of) {
                let told = |seat: &Seat| (seat.name.clone(), seat.figures_text(&lesson.figures));
                self.told = Some((of, lesson.seats.iter().map(told).collect()));
            }
            LessonShown {
                of: (place + 1, lessons.len()),
                title: lesson.title.clone(),
                listen: lesson.listen.clone(),
                seats: self.told.as_ref().map(|(_, seats)| seats.clone()).unwrap_or_default(),
                seat,
                sounds: !booth.is_dry() && lesson.seats[seat].scene.sounds_as(&booth.scene),
            }
        });
        let mut said = (booth.said.line.clone(), booth.said.is_fault);
        if let Some((counted, _)) = booth.counted()
            && counted.missed > 0
            && !said.1
        {
            let blocks = if counted.missed == 1 { "block" } else { "blocks" };
            said.0 = format!("{} {} {blocks} missed: try a larger --block.", said.0, counted.missed);
        }
        Shown {
            loops: loops.iter().map(|listed| listed.name.clone()).collect(),
            chosen,
            input: booth.input().map(str::to_owned),
            is_open: booth.is_open(),
            is_playing: booth.is_playing(),
            is_compared: booth.scene.values.is_on(DRY),
            level_db: booth.level_db(),
            peaks_dbfs: [levels.input_dbfs, levels.output_dbfs],
            is_limited,
            seats: booth.seats.each_ref().map(|seat| seat.as_ref().map(|seat| seat.name.clone())),
            present: booth.present(),
            lesson,
            has_lessons: !lessons.is_empty(),
            said,
        }
    }
}
