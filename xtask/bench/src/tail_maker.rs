//! Tail spectra, built as the plug-in's builder does.

use std::sync::Arc;

use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::tail::{TailSpec, TailSpectra, TailWorkshop};

/// Returns the tail of the default platform at a decay, for a pair.
pub fn tail_spec(rate_hz: f64, decay_s: f64) -> TailSpec {
    let mut settings = Settings::default();
    settings.platform.decay_s = decay_s;
    Engine::tail_spec(&Config { sample_rate_hz: rate_hz, layout: Layout::MonoToStereo }, &settings)
}

/// Builds tails in a workshop of its own.
///
/// The first tail of a maker is the cold one; those of other decays after it are warm.
#[derive(Debug, Default)]
pub struct TailMaker(TailWorkshop);

impl TailMaker {
    /// Builds the spectra of a tail.
    pub fn make(&mut self, spec: &TailSpec) -> Arc<TailSpectra> {
        Arc::new(self.0.build(spec))
    }
}
