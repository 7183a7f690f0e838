//! The hall on the bus: what all stems send to it, rendered through the hall plug-in.

use std::path::Path;

use anyhow::{Context as _, Result};
use rostra_files::Values;
use rostra_host::Library;

use super::seat_figures::late_decay_s;
use crate::parameter::{Plain, Wish, leading_number};
use crate::recording::Recording;
use crate::seat_file::SeatFiles;
use crate::settings::{Setting, default_text, parameters, render, settings};

/// Id of its pre-delay.
const PRE_DELAY: &str = "pre_delay";
/// Id of the share of the hall in its output.
const WET: &str = "wet";

/// A hall, set up.
pub(crate) struct Hall<'a> {
    plug_ins: &'a Library,
    settings: Vec<Setting>,
    level_db: f64,
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
    /// Reads a hall file and sets the plug-in up; what comes back is scaled by `level_db`.
    ///
    /// # Errors
    /// When the library holds no hall, or the file cannot be read or asks for what cannot be had.
    pub(crate) fn open(plug_ins: &'a Library, files: &SeatFiles, path: &Path, level_db: f64) -> Result<Self> {
        let mut instance = plug_ins.hall()?;
        let parameters = parameters(&mut instance)?;
        let file = files.hall(path, &parameters)?;
        let settings = settings(&mut instance, &parameters, &file.wishes)?;
        let set_ms =
            settings.iter().find(|setting| setting.id == PRE_DELAY).and_then(|setting| {
                match &setting.plain {
                    Plain::Number(number) => Some(*number),
                    Plain::Word(_) => None,
                }
            });
        let pre_delay_ms = if let Some(set_ms) = set_ms {
            set_ms
        } else {
            let text = default_text(&mut instance, PRE_DELAY)?;
            leading_number(&text).map(|(number, _)| number).context("the hall's pre-delay is no number")?
        };
        let lets_through = settings.iter().any(|setting| match (setting.id, &setting.plain) {
            (WET, Plain::Number(share_pct)) => *share_pct < 100.0,
            ("bypass", Plain::Word(word)) => word == "on",
            _ => false,
        });
        let in_words = |wish: &Wish| {
            let parameter = parameters.iter().find(|parameter| parameter.id == wish.id)?;
            let unit = match parameter.field().values {
                Values::Numbers { unit, .. } => unit,
                Values::Names(_) => String::new(),
            };
            let value = wish.value.replace('-', "\u{2212}");
            Some((parameter.name.clone(), format!("{value} {unit}").trim_end().to_owned()))
        };
        let stem = || path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        Ok(Self {
            plug_ins,
            settings,
            level_db,
            name: file.name.unwrap_or_else(stem),
            pre_delay_s: pre_delay_ms / 1000.0,
            lets_through,
            words: file.wishes.iter().filter_map(in_words).collect(),
        })
    }

    /// Renders what the hall answers to a bus, its tail rung out.
    ///
    /// # Errors
    /// When the plug-in fails.
    pub(crate) fn render(&self, bus: &Recording) -> Result<Recording> {
        let mut answer =
            render(self.plug_ins.hall()?, &self.settings, bus, 2, &|_| ()).context("the hall")?;
        answer.scale(10_f64.powf(self.level_db / 20.0));
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
