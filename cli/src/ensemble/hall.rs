//! The hall on the bus: what all stems send to it, rendered through the hall plug-in.

use std::path::Path;

use anyhow::{Context as _, Result};
use rostra_host::Library;

use super::seat_figures::late_decay_s;
use crate::recording::Recording;
use crate::seat_file::SeatFiles;
use crate::setting::{Setting, is_bypassed, plain, render};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::gain_of_db;
use rostra_dsp::plan::HallReturn;

/// A hall, set up.
pub(crate) struct Hall<'a> {
    plug_ins: &'a Library,
    settings: Vec<Setting>,
    /// Level at which it comes back, dB.
    pub(crate) level_db: f64,
    /// Level at which a hall of its volume and decay comes back behind the platform, dB, less what its own trim adds.
    pub(crate) natural_db: f64,
    /// What its file calls itself, or the file's name.
    pub(crate) name: String,
    /// Its pre-delay, s.
    pub(crate) pre_delay_s: f64,
    /// Whether the bus itself comes through, beside the hall's answer.
    pub(crate) lets_through: bool,
    /// Its settings as the file has them, by name.
    pub(crate) words: Vec<(String, String)>,
}

impl<'a> Hall<'a> {
    /// Reads a hall file and sets the plug-in up; what comes back is scaled by `level_db`, or by what is natural behind the
    /// platform.
    ///
    /// # Errors
    /// When the library holds no hall, or the file cannot be read or asks for what cannot be had.
    pub(crate) fn open(
        plug_ins: &'a Library,
        files: &SeatFiles,
        path: &Path,
        level_db: Option<f64>,
        platform: &Settings,
    ) -> Result<Self> {
        let file = files.hall(path)?;
        let settings = file.settings;
        let hall: rostra_dsp::hall::Hall = plain(&settings);
        let natural = HallReturn::of(hall.mid_decay_s(), hall.volume_m3, platform, 2);
        let natural_db = natural.return_db - hall.trim_db;
        let in_words = |Setting { parameter, value }: &Setting| {
            let unit = parameter.number().map_or("", |number| number.unit.suffix());
            let value = value.to_string().replace('-', "\u{2212}");
            (parameter.name.to_owned(), format!("{value}{unit}"))
        };
        let stem = || path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        Ok(Self {
            plug_ins,
            level_db: level_db.unwrap_or(natural_db),
            natural_db,
            name: file.name.unwrap_or_else(stem),
            pre_delay_s: hall.pre_delay_s,
            lets_through: hall.wet_pct < 100.0 || is_bypassed(&settings),
            words: settings.iter().map(in_words).collect(),
            settings,
        })
    }

    /// Renders what the hall answers to a bus, its tail rung out.
    ///
    /// # Errors
    /// When the plug-in fails.
    pub(crate) fn render(&self, bus: &Recording) -> Result<Recording> {
        let mut answer =
            render(self.plug_ins.hall()?, &self.settings, bus, 2, &|_| ()).context("the hall")?;
        answer.scale(gain_of_db(self.level_db));
        Ok(answer)
    }

    /// Measures the hall's decay, mean of 500 Hz and 1 kHz, s; `None` where it cannot be read.
    ///
    /// `unit` is a unit impulse. The fit starts 0.1 s after the pre-delay, behind the first reflections.
    ///
    /// # Errors
    /// When the plug-in fails.
    pub(crate) fn decay_s(&self, unit: &Recording) -> Result<Option<f64>> {
        late_decay_s(&self.render(unit)?, self.pre_delay_s + 0.1)
    }
}
