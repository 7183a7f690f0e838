//! The editor's sheet without a window: one that a test or a picture handles.

pub mod hall;

use std::path::PathBuf;

use anyhow::{Result, anyhow};
use egui_kittest::Harness;
pub use image::ImageFormat::Png as PNG;
use image::RgbaImage;
use rostra::editor::filing::{Filing, edits_of};
use rostra::editor::sheet::Sheet;
use rostra::editor::values::{Edit, Values};
use rostra::file_table::table;
use rostra_dsp::Settings;
use rostra_files::{FileStore, Kind};

/// A sheet with the values that it shows, and what was done to them.
pub struct OpenSheet {
    /// The sheet.
    pub sheet: Sheet,
    /// What it shows; every edit is applied to it, as a host would.
    pub values: Values,
    /// What a hand did, in order.
    pub edits: Vec<Edit>,
    filing: Filing,
}

impl OpenSheet {
    /// Lays a sheet out for given values.
    ///
    /// Nobody's own files are at hand: those of whoever runs this belong in no picture.
    pub fn new(values: Values, is_dark: bool) -> Self {
        Self::beside(FileStore::at("no folder of files"), values, is_dark)
    }

    /// Lays a sheet out beside the files of a store.
    pub fn beside(store: FileStore, values: Values, is_dark: bool) -> Self {
        let mut sheet = Sheet::default();
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

/// Opens a sheet in a window that nobody sees; `scale` is the window against the sheet's own size.
pub fn open(opened: OpenSheet, scale: f32, pixels_per_point: f32) -> Harness<'static, OpenSheet> {
    let [width, height] = Sheet::SIZE_POINTS;
    Harness::builder()
        .with_size([width * scale, height * scale])
        .with_pixels_per_point(pixels_per_point)
        // As on a screen: two clicks can be a double one.
        .with_step_dt(1.0 / 60.0)
        .build_ui_state(
            |ui, opened: &mut OpenSheet| {
                // The whole window, without the margin that the harness leaves.
                let whole = egui::UiBuilder::new().max_rect(ui.ctx().content_rect());
                let mut ui = ui.new_child(whole);
                ui.set_clip_rect(ui.max_rect());
                opened.show(&mut ui);
            },
            opened,
        )
}

/// Draws a sheet.
///
/// # Errors
/// When this machine has no driver that draws, not even one in software.
pub fn draw(opened: OpenSheet, scale: f32, pixels_per_point: f32) -> Result<RgbaImage> {
    let mut harness = open(opened, scale, pixels_per_point);
    harness.run();
    harness.render().map_err(|why| {
        anyhow!("no graphics driver was found ({why}); on Debian-based systems install the package mesa-vulkan-drivers")
    })
}

/// Returns the default values after files, by path or name, and overrides of the form `id=value`.
///
/// # Errors
/// When a file is broken or not there; when an override has no `=`, names no
/// parameter, or asks for what the parameter cannot be.
pub fn values(files: &[(Kind, PathBuf)], overrides: &[String]) -> Result<Values> {
    let mut values = Values::from(&Settings::default());
    for (kind, written) in files {
        let contents = FileStore::of_user().read_written(written, &table(*kind))?;
        for edit in edits_of(&contents) {
            values.apply(edit);
        }
    }
    for text in overrides {
        let edit = Edit::of_text::<Settings>(text).map_err(|why| anyhow!("--set {text}: {why}"))?;
        values.apply(edit);
    }
    Ok(values)
}

#[cfg(test)]
mod tests {
    use rostra_dsp::settings::{BYPASSED, DRY};

    use super::*;

    #[test]
    fn overrides_are_taken_or_refused_in_words() {
        let read = |text: &str| values(&[], &[text.to_owned()]);
        assert!(read("depth=8.5").is_ok_and(|values| values.settings().seat.depth_m == 8.5));
        assert!(read("family=rear bell").is_ok());
        assert!(read("bypass=on").is_ok_and(|values| values.is_on(BYPASSED) && !values.is_on(DRY)));
        for (text, said) in [
            ("depth", "has no \"=\""),
            ("depth=far", "enter 0.50 to 25.00 m"),
            ("depth=99", "enter 0.50 to 25.00 m"),
            ("dept=3", "no parameter"),
            ("rear=glass", "enter timber platform, timber,"),
            ("bypass=perhaps", "enter on or off"),
        ] {
            let error = format!("{:#}", read(text).expect_err(text));
            assert!(error.contains(said), "{text}: {error}");
        }
    }
}
