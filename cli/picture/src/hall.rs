//! The hall's sheet without a window.

use std::path::Path;

use anyhow::{Result, anyhow};
use egui_kittest::Harness;
use image::RgbaImage;
use rostra::editor::filing::{Filing, edits_among};
use rostra::editor::hall_sheet::HallSheet;
use rostra::editor::values::{Edit, Values};
use rostra::file_table::table;
use rostra_dsp::hall::Hall;
use rostra_files::{FileStore, HALL};

/// The hall's sheet with the values that it shows, and what was done to them.
pub struct OpenHallSheet {
    /// The sheet.
    pub sheet: HallSheet,
    /// What it shows; every edit is applied to it, as a host would.
    pub values: Values<Hall>,
    /// What a hand did, in order.
    pub edits: Vec<Edit>,
    filing: Filing,
}

impl OpenHallSheet {
    /// Lays a sheet out for given values.
    ///
    /// Nobody's own files are at hand: those of whoever runs this belong in no picture.
    pub fn new(values: Values<Hall>, is_dark: bool) -> Self {
        Self::beside(FileStore::at("no folder of files"), values, is_dark)
    }

    /// Lays a sheet out beside the files of a store.
    pub fn beside(store: FileStore, values: Values<Hall>, is_dark: bool) -> Self {
        let mut sheet = HallSheet::default();
        sheet.is_dark = is_dark;
        Self { sheet, values, edits: Vec::new(), filing: Filing::of(store) }
    }

    /// Does what the window of the plug-in does.
    fn show(&mut self, ui: &mut egui::Ui) {
        let mut edits = self.sheet.show(ui, &self.values);
        if let Some(request) = self.sheet.asked() {
            edits.extend(self.filing.answer(request, &mut self.sheet, &self.values));
            ui.ctx().request_repaint();
        }
        for &edit in &edits {
            self.values.apply(edit);
        }
        self.edits.extend(edits);
    }
}

/// Opens a hall's sheet in a window that nobody sees; `scale` is the window against the sheet's own size.
pub fn open(opened: OpenHallSheet, scale: f32, pixels_per_point: f32) -> Harness<'static, OpenHallSheet> {
    let [width, height] = HallSheet::SIZE_POINTS;
    Harness::builder()
        .with_size([width * scale, height * scale])
        .with_pixels_per_point(pixels_per_point)
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(
            |ui, opened: &mut OpenHallSheet| {
                let whole = egui::UiBuilder::new().max_rect(ui.ctx().content_rect());
                let mut ui = ui.new_child(whole);
                ui.set_clip_rect(ui.max_rect());
                opened.show(&mut ui);
            },
            opened,
        )
}

/// Draws a hall's sheet.
///
/// # Errors
/// When this machine has no driver that draws, not even one in software.
pub fn draw(opened: OpenHallSheet, scale: f32, pixels_per_point: f32) -> Result<RgbaImage> {
    let mut harness = open(opened, scale, pixels_per_point);
    harness.run();
    harness.render().map_err(|why| {
        anyhow!("no graphics driver was found ({why}); on Debian-based systems install the package mesa-vulkan-drivers")
    })
}

/// Returns the default hall's values after a file, by path or name, and overrides of the form `id=value`.
///
/// # Errors
/// When the file is broken or not there; when an override has no `=`, names no parameter of the hall, or asks for what the parameter cannot be.
pub fn values(file: Option<&Path>, overrides: &[String]) -> Result<Values<Hall>> {
    let mut values = Values::default();
    if let Some(written) = file {
        let contents = FileStore::of_user().read_written(written, &table(HALL))?;
        for edit in edits_among::<Hall>(&contents) {
            values.apply(edit);
        }
    }
    for text in overrides {
        values.apply(Edit::of_text::<Hall>(text).map_err(|why| anyhow!("--set {text}: {why}"))?);
    }
    Ok(values)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overrides_are_taken_or_refused_in_words() {
        let read = |text: &str| values(None, &[text.to_owned()]);
        assert!(read("decay=2.5").is_ok_and(|values| values.settings().decay_s == 2.5));
        for (text, said) in
            [("decay", "has no \"=\""), ("decay=99", "enter 0.300 to 8.000 s"), ("depth=3", "no parameter")]
        {
            let error = format!("{:#}", read(text).expect_err(text));
            assert!(error.contains(said), "{text}: {error}");
        }
    }
}
