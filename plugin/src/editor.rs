//! The editor: for now a plain list of all parameters by group, each with its name, a slider and its value.

pub mod ink;
pub mod sheet;
pub mod sight;
pub mod values;

use std::sync::Arc;

use nice_plug::context::gui::GuiContext;
use nice_plug::editor::ResizeHint;
use nice_plug::editor::dpi::LogicalSize;
use nice_plug::prelude::{BoolParam, Enum, EnumParam, FloatParam, Param, ParamSetter};
use nice_plug_egui::baseview::HandlerError;
use nice_plug_egui::{
    EguiEditor, EguiEditorState, EguiNiceSettings, Frame, NiceEguiApp, RepaintNotifier, create_egui_editor,
};

use crate::parameters::Parameters;

/// Size of the window when it is first opened, logical points: all names and half of the list.
const SIZE_POINTS: (f32, f32) = (460.0, 620.0);
/// Least size of the window, logical points: one row with its name, slider and value.
const LEAST_SIZE_POINTS: (f32, f32) = (380.0, 200.0);
/// Drag of a value box, share of the range per point: 500 points for the whole.
const DRAG_SPEED: f64 = 0.002;

/// Makes the editor of an instance.
pub(crate) fn create(parameters: Arc<Parameters>) -> Option<EguiEditor<SeatEditor>> {
    // `can_resize` alone leaves both axes fixed; this constant frees them.
    let resize = ResizeHint::RESIZABLE
        .with_min_logical_size(LogicalSize::new(LEAST_SIZE_POINTS.0, LEAST_SIZE_POINTS.1));
    let mut settings = EguiNiceSettings::new().with_resize_hint(resize);
    crate::NAME.clone_into(&mut settings.title);
    create_egui_editor(
        EguiEditorState::from_size(LogicalSize::new(SIZE_POINTS.0, SIZE_POINTS.1), 1.0),
        RepaintNotifier::new(),
        settings,
        SeatEditor { parameters, host: None },
    )
}

/// The window's content.
pub struct SeatEditor {
    parameters: Arc<Parameters>,
    /// The way to the host while the window is open.
    host: Option<GuiContext>,
}

impl NiceEguiApp for SeatEditor {
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
        let Some(host) = &self.host else { return };
        let setter = host.param_setter();
        egui::CentralPanel::default().show(ui, |ui| {
            egui::ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
                list(ui, &self.parameters, &setter);
            });
        });
    }

    fn editor_closed(&mut self) {
        self.host = None;
    }
}

/// Draws every parameter under the heading of its group.
fn list(ui: &mut egui::Ui, parameters: &Parameters, setter: &ParamSetter) {
    let Parameters { seat, platform, pickup, air, tone, level, dry, bypass } = parameters;
    group(ui, "Seat", |ui| {
        number(ui, &seat.depth, setter);
        number(ui, &seat.bearing, setter);
        number(ui, &seat.riser, setter);
        number(ui, &seat.facing, setter);
        choice(ui, &seat.family, setter);
        number(ui, &seat.width, setter);
    });
    group(ui, "Platform", |ui| {
        number(ui, &platform.width, setter);
        number(ui, &platform.depth, setter);
        number(ui, &platform.height, setter);
        choice(ui, &platform.floor, setter);
        choice(ui, &platform.rear, setter);
        choice(ui, &platform.sides, setter);
        choice(ui, &platform.canopy, setter);
        number(ui, &platform.decay, setter);
    });
    group(ui, "Pickup", |ui| {
        choice(ui, &pickup.pair, setter);
        number(ui, &pickup.depth, setter);
        number(ui, &pickup.height, setter);
    });
    group(ui, "Air", |ui| {
        number(ui, &air.loss, setter);
        number(ui, &air.temperature, setter);
        number(ui, &air.humidity, setter);
    });
    group(ui, "Tone", |ui| {
        number(ui, &tone.close_mic, setter);
        number(ui, &tone.low_mid_frequency, setter);
        number(ui, &tone.low_mid_gain, setter);
    });
    group(ui, "Level", |ui| {
        number(ui, &level.balance, setter);
        number(ui, &level.law, setter);
        number(ui, &level.trim, setter);
    });
    group(ui, "Dry signal", |ui| {
        switch(ui, dry, setter);
        switch(ui, bypass, setter);
    });
}

/// Draws a heading and a grid of names and controls.
fn group(ui: &mut egui::Ui, name: &str, rows: impl FnOnce(&mut egui::Ui)) {
    ui.heading(name);
    egui::Grid::new(name).num_columns(3).show(ui, rows);
    ui.add_space(ui.spacing().item_spacing.y * 2.0);
}

/// Draws a number's row: name, slider, and a value that is dragged or typed.
fn number(ui: &mut egui::Ui, parameter: &FloatParam, setter: &ParamSetter) {
    let name = ui.label(parameter.name());
    let mut share = f64::from(parameter.unmodulated_normalized_value());
    let slider = ui.add(egui::Slider::new(&mut share, 0.0..=1.0).show_value(false)).labelled_by(name.id);
    set(&slider, parameter, share, setter);
    let text = |share: f64, _| parameter.normalized_value_to_string(share as f32, true);
    let value = egui::DragValue::new(&mut share)
        .range(0.0..=1.0)
        .speed(DRAG_SPEED)
        .custom_formatter(text)
        .custom_parser(|text| parameter.string_to_normalized_value(text).map(f64::from))
        // "1" on the way to "12" is not what was meant.
        .update_while_editing(false);
    let value = ui.add(value).labelled_by(name.id);
    set(&value, parameter, share, setter);
    ui.end_row();
}

/// Tells the host of a control's change, as one gesture from press to release.
fn set(control: &egui::Response, parameter: &FloatParam, share: f64, setter: &ParamSetter) {
    if control.drag_started() {
        setter.begin_set_parameter(parameter);
    }
    if control.changed() {
        // A click beside the handle, a key or a typed value is a gesture of its own.
        let is_alone = !(control.dragged() || control.drag_stopped());
        if is_alone {
            setter.begin_set_parameter(parameter);
        }
        setter.set_parameter_normalized(parameter, share as f32);
        if is_alone {
            setter.end_set_parameter(parameter);
        }
    }
    if control.drag_stopped() {
        setter.end_set_parameter(parameter);
    }
}

/// Draws the row of a list to choose from.
fn choice<T: Enum + PartialEq + 'static>(ui: &mut egui::Ui, parameter: &EnumParam<T>, setter: &ParamSetter) {
    let name = ui.label(parameter.name());
    let chosen = parameter.unmodulated_plain_value().to_index();
    let shown = T::variants().get(chosen).copied().unwrap_or_default();
    let list = egui::ComboBox::from_id_salt(parameter.name()).selected_text(shown).show_ui(ui, |ui| {
        for (index, entry) in T::variants().iter().enumerate() {
            if ui.selectable_label(index == chosen, *entry).clicked() && index != chosen {
                setter.begin_set_parameter(parameter);
                setter.set_parameter(parameter, T::from_index(index));
                setter.end_set_parameter(parameter);
            }
        }
    });
    list.response.labelled_by(name.id);
    ui.end_row();
}

/// Draws the row of a switch.
fn switch(ui: &mut egui::Ui, parameter: &BoolParam, setter: &ParamSetter) {
    let name = ui.label(parameter.name());
    let mut is_on = parameter.unmodulated_plain_value();
    if ui.checkbox(&mut is_on, "").labelled_by(name.id).changed() {
        setter.begin_set_parameter(parameter);
        setter.set_parameter(parameter, is_on);
        setter.end_set_parameter(parameter);
    }
    ui.end_row();
}
