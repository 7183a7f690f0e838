//! What the hall on the shared bus is sent from this seat, as values to copy.

use egui::{Align2, Rect, Ui, pos2};
use rostra_dsp::hall::PRE_DELAY;
use rostra_dsp::settings::Parameter;

use super::figures::{Figures, ROW, button};
use super::pen::{Pen, TEXT, area};
use super::seat_view::SeatView;
use super::values::Edit;

/// The hall's own pre-delay, ms, where none is found; about 30 keeps attacks clear (common practice, no source).
pub(super) static HALL_PRE_DELAY: Parameter = Parameter {
    id: "hall_pre_delay",
    name: "Hall pre-delay",
    effect: "Pre-delay of the hall that this channel is sent to, one for the whole session. It follows Rostra Hall where the host lets this channel see exactly one; else type what the hall is set to. It changes no sound here; the effective pre-delay below is what this seat gets.",
    ..*PRE_DELAY
};

/// What is known of the hall, or typed; it changes no sound.
pub(super) struct Hall {
    /// Pre-delay of the hall that is there, ms.
    pub(super) found_ms: Option<f64>,
    typed_ms: f64,
}

impl Default for Hall {
    fn default() -> Self {
        Self { found_ms: None, typed_ms: HALL_PRE_DELAY.default() }
    }
}

impl Hall {
    /// Shows the figures.
    pub(super) fn show(
        &mut self,
        ui: &mut Ui,
        pen: &Pen,
        part: Rect,
        view: &SeatView,
        figures: &mut Figures,
    ) {
        let to = if self.found_ms.is_some() { "to Rostra Hall" } else { "to a hall with this pre-delay" };
        pen.heading(part, &format!("HALL SEND for this seat, post-insert, {to}"));
        let (x, y) = (part.left(), part.top() + 18.0);
        let column = part.width() / 2.0 - 8.0;
        let mut edits = Vec::new();
        let shown_ms = self.found_ms.unwrap_or(self.typed_ms);
        figures.number(ui, pen, area(x, y, column, ROW), &HALL_PRE_DELAY, shown_ms, &mut edits);
        // What the hall itself is set to is edited there.
        for edit in edits.into_iter().filter(|_| self.found_ms.is_none()) {
            if let Edit::Set(_, value) = edit {
                self.typed_ms = value;
            }
        }
        let pre_delay_ms = self.found_ms.unwrap_or(self.typed_ms);
        let lines = lines(view, pre_delay_ms);
        for (place, (name, value)) in lines.iter().enumerate() {
            // The first three under the pre-delay, the rest beside it.
            let (x, y) = if place < 3 {
                (x, y + ROW * (place + 1) as f32)
            } else {
                (x + column + 16.0, y + ROW * (place - 3) as f32)
            };
            let middle = y + ROW / 2.0;
            let text = pen.text(pos2(x, middle), Align2::LEFT_CENTER, TEXT, pen.ink.line, name);
            let number = pen.text(pos2(x + column, middle), Align2::RIGHT_CENTER, TEXT, pen.ink.line, value);
            pen.leader(text.right(), number.left(), middle);
        }
        let row = area(part.right() - 96.0, part.bottom() - ROW - 2.0, 96.0, ROW);
        if button(ui, pen, row, "Copy values").clicked() {
            ui.ctx().copy_text(text(view, pre_delay_ms));
        }
    }
}

/// Returns names and figures, in the order in which they are shown.
fn lines(view: &SeatView, pre_delay_ms: f64) -> [(&'static str, String); 6] {
    let hall = &view.hall;
    let decibels = |x: f64| if x.is_finite() { format!("{x:+.1} dB") } else { "\u{2013}".to_owned() };
    [
        ("Send level", decibels(hall.send_db)),
        ("Effective pre-delay", format!("{:.1} ms", pre_delay_ms + hall.later_s * 1e3)),
        ("Distance to microphones", format!("{:.2} m", hall.distance_m)),
        ("Direct-to-reflected ratio", decibels(hall.direct_to_reflected_db)),
        ("Decay", format!("{:.2} s", view.settings.platform.decay_s)),
        ("Clarity C80", decibels(hall.clarity_db)),
    ]
}

/// Returns the values as text for the clipboard.
pub(super) fn text(view: &SeatView, pre_delay_ms: f64) -> String {
    let own = ("Hall pre-delay", HALL_PRE_DELAY.shown(pre_delay_ms));
    let lines = std::iter::once(own).chain(lines(view, pre_delay_ms));
    lines.map(|(name, value)| [name, ": ", &value, "\n"].concat()).collect()
}
