//! The editor: a drawing sheet of the seat on its platform, and the schedule of its figures.
//!
//! The sheet is a function of plain values: it returns what a hand did, and
//! this file hands that to the host. Every gesture is one edit of the host's:
//! begin, set, end.

mod arrivals_chart;
mod bearing_rule;
pub mod desk;
pub mod figures;
pub mod file_menu;
pub mod filing;
mod hall_block;
pub mod hall_sheet;
pub mod hall_window;
pub mod ink;
mod mono_thirds;
pub mod needles;
pub mod notices;
mod own_centre;
pub mod pen;
mod players;
mod seat_view;
mod section;
pub mod sheet;
mod title_block;
mod tone_curve;
pub mod values;

use std::sync::Arc;

use nice_plug::context::gui::GuiContext;
use nice_plug::editor::ResizeHint;
use nice_plug::editor::dpi::LogicalSize;
use nice_plug::prelude::{ParamSetter, TrackInfo};
use nice_plug_egui::baseview::HandlerError;
use nice_plug_egui::{EguiEditor, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, create_egui_editor};

use self::filing::Filing;
use self::needles::Needles;
use self::sheet::Sheet;
use self::values::{Edit, Values};
use crate::meters::Meters;
use crate::parameters::{HostParameters, Parameters};

/// Least size of the window, as a share of the sheet's at a scale of 1: smaller, text cannot be read.
const LEAST_SCALE: f32 = 0.75;

/// Makes the editor of an instance.
pub(crate) fn create(parameters: Arc<Parameters>, meters: Arc<Meters>) -> Option<EguiEditor<SeatEditor>> {
    let [width, height] = Sheet::SIZE_POINTS;
    // `can_resize` alone leaves both axes fixed; this constant frees them.
    let resize = ResizeHint::RESIZABLE
        .with_min_logical_size(LogicalSize::new(width * LEAST_SCALE, height * LEAST_SCALE));
    let mut settings = EguiNiceSettings::new().with_resize_hint(resize);
    crate::NAME.clone_into(&mut settings.title);
    create_egui_editor(
        EguiEditorState::from_size(LogicalSize::new(width, height), 1.0),
        meters.repaint(),
        settings,
        SeatEditor {
            parameters,
            meters,
            host: None,
            sheet: Sheet::default(),
            needles: Needles::default(),
            filing: Filing::of_user(),
        },
    )
}

/// The window's content.
pub struct SeatEditor {
    parameters: Arc<Parameters>,
    meters: Arc<Meters>,
    /// The way to the host while the window is open.
    host: Option<GuiContext>,
    sheet: Sheet,
    needles: Needles,
    filing: Filing,
}

impl NiceEguiApp for SeatEditor {
    fn build(
        &mut self,
        _egui_ctx: egui::Context,
        nice_gui_ctx: GuiContext,
        _frame: &mut Frame,
    ) -> Result<(), HandlerError> {
        self.host = Some(nice_gui_ctx);
        self.meters.watch(true);
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        let Some(host) = &self.host else { return };
        let setter = host.param_setter();
        let values = Values::of(&self.parameters);
        let seconds = ui.input(|input| input.stable_dt);
        self.sheet.notice = self.notice();
        self.sheet.levels = Some(self.needles.follow(&self.meters.read(), seconds));
        self.sheet.warn_of_tail(self.meters.has_tail_failed());
        self.sheet.hall_pre_delay_ms = crate::hall::presence::pre_delay_ms();
        match self.needles.next_look() {
            Some(wait) => ui.ctx().request_repaint_after(wait),
            None => self.meters.sleep(),
        }
        let mut edits = egui::CentralPanel::default()
            .frame(egui::Frame::NONE)
            .show(ui, |ui| self.sheet.show(ui, &values))
            .inner;
        if let Some(request) = self.sheet.asked() {
            edits.extend(self.filing.answer(request, &mut self.sheet, &values));
            // What was answered shows in the next frame.
            ui.ctx().request_repaint();
        }
        for edit in edits {
            tell(&*self.parameters, &setter, edit);
        }
    }

    fn track_info_changed(&mut self, info: TrackInfo) {
        self.sheet.name_track(info.name());
    }

    fn editor_closed(&mut self) {
        self.meters.watch(false);
        // A window that closes in mid gesture leaves nothing held.
        let edits = self.sheet.let_go();
        if let Some(host) = self.host.take() {
            let setter = host.param_setter();
            for edit in edits {
                tell(&*self.parameters, &setter, edit);
            }
        }
    }
}

impl SeatEditor {
    fn notice(&self) -> Option<String> {
        let Parameters { place, newer, .. } = &*self.parameters;
        newer.read(|newer| notices::notice(self.parameters.link(), &place.standing(), newer))
    }
}

/// Tells the host what a hand did.
fn tell<P: HostParameters>(parameters: &P, setter: &ParamSetter, edit: Edit) {
    match edit {
        Edit::Begin(parameter) => parameters.begin(setter, parameter),
        Edit::End(parameter) => parameters.end(setter, parameter),
        Edit::Set(..) | Edit::Choose(..) | Edit::Throw(..) => {
            if let Some((parameter, value)) = edit.change() {
                parameters.set(setter, parameter, value);
            }
        }
    }
}
