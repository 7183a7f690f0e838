//! The hall's window: its sheet, and the way from a hand on it to the host.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use nice_plug::context::gui::GuiContext;
use nice_plug::editor::ResizeHint;
use nice_plug::editor::dpi::LogicalSize;
use nice_plug_egui::baseview::HandlerError;
use nice_plug_egui::{
    EguiEditor, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier, create_egui_editor,
};
use rostra_dsp::hall::Hall;

use super::filing::Filing;
use super::hall_sheet::HallSheet;
use super::values::{Edit, Values};
use super::{LEAST_SCALE, notices, tell};
use crate::hall::parameters::HallParameters;

/// Makes the editor of an instance.
pub(crate) fn create(
    parameters: Arc<HallParameters>,
    has_tail_failed: Arc<AtomicBool>,
) -> Option<EguiEditor<HallEditor>> {
    let [width, height] = HallSheet::SIZE_POINTS;
    let resize = ResizeHint::RESIZABLE
        .with_min_logical_size(LogicalSize::new(width * LEAST_SCALE, height * LEAST_SCALE));
    let mut settings = EguiNiceSettings::new().with_resize_hint(resize);
    super::hall_sheet::NAME.clone_into(&mut settings.title);
    create_egui_editor(
        EguiEditorState::from_size(LogicalSize::new(width, height), 1.0),
        RepaintNotifier::new(),
        settings,
        HallEditor {
            parameters,
            has_tail_failed,
            host: None,
            sheet: HallSheet::default(),
            filing: Filing::of_user(),
        },
    )
}

/// The window's content.
pub struct HallEditor {
    parameters: Arc<HallParameters>,
    /// Whether the newest tail could not be made.
    has_tail_failed: Arc<AtomicBool>,
    /// The way to the host while the window is open.
    host: Option<GuiContext>,
    sheet: HallSheet,
    filing: Filing,
}

impl NiceEguiApp for HallEditor {
    fn build(
        &mut self,
        _egui_ctx: egui::Context,
        nice_gui_ctx: GuiContext,
        _frame: &mut Frame,
    ) -> Result<(), HandlerError> {
        self.host = Some(nice_gui_ctx);
        Ok(())
    }

    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut Frame) {
        let Some(host) = self.host.clone() else { return };
        let values = Values::of_own(&*self.parameters);
        self.sheet.warn_of_tail(self.has_tail_failed.load(Ordering::Relaxed));
        self.sheet.notice = self.parameters.newer.read(notices::of_newer::<Hall>);
        let mut edits = egui::CentralPanel::default()
            .frame(egui::Frame::NONE)
            .show(ui, |ui| self.sheet.show(ui, &values))
            .inner;
        if let Some(request) = self.sheet.asked() {
            edits.extend(self.filing.answer(request, &mut self.sheet, &values));
            // What was answered shows in the next frame.
            ui.ctx().request_repaint();
        }
        self.tell(&host, edits);
    }

    fn editor_closed(&mut self) {
        // A window that closes in mid gesture leaves nothing held.
        let edits = self.sheet.let_go();
        if let Some(host) = self.host.take() {
            self.tell(&host, edits);
        }
    }
}

impl HallEditor {
    /// Tells the host what a hand did.
    fn tell(&self, host: &GuiContext, edits: Vec<Edit>) {
        let setter = host.param_setter();
        for edit in edits {
            tell(&*self.parameters, &setter, edit);
        }
    }
}
