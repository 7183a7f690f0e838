//! The whole sheet: every part in its place, at any size.

use super::values::{Edit, Values};

/// The sheet and what it remembers from frame to frame.
#[derive(Default)]
pub struct Sheet {
    /// Whether the sheet is the dark-room one.
    pub is_dark: bool,
}

impl Sheet {
    /// Width and height at a scale of 1, points.
    pub const SIZE_POINTS: [f32; 2] = [960.0, 680.0];

    /// Draws everything and returns what a hand did, in order.
    pub fn show(&mut self, ui: &mut egui::Ui, values: &Values) -> Vec<Edit> {
        ui.label(format!("{values:?}"));
        Vec::new()
    }
}
