//! The platform's tail.

use std::sync::Arc;

/// What a tail depends on: the platform and the pickup, never the seat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TailSpec {
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
}

/// The spectra of one tail, shared by all instances on a platform.
#[derive(Debug)]
pub struct TailSpectra {
    spec: TailSpec,
}

impl TailSpectra {
    /// Synthesises a tail: milliseconds of work and many allocations, for any thread but the audio thread.
    pub fn build(spec: &TailSpec) -> Self {
        Self { spec: *spec }
    }

    /// Returns what the tail was built for.
    pub fn spec(&self) -> &TailSpec {
        &self.spec
    }
}

/// A tail that can sound: shared spectra and the memory of one instance's input.
#[derive(Debug)]
pub struct TailVoice {
    spectra: Arc<TailSpectra>,
}

impl TailVoice {
    /// Allocates a voice, for any thread but the audio thread.
    pub fn new(spectra: Arc<TailSpectra>) -> Self {
        Self { spectra }
    }

    /// Returns the spectra that the voice plays.
    pub fn spectra(&self) -> &Arc<TailSpectra> {
        &self.spectra
    }
}

/// Where the engine gets its tails from, and where it leaves those that fell silent.
///
/// All three are called on the audio thread and must neither allocate, free,
/// lock nor wait; only an offline supply may build at once.
pub trait TailSupply {
    /// Asks for a tail; a newer wish replaces an older one that is not yet built.
    fn ask(&mut self, spec: &TailSpec);
    /// Takes the newest finished voice, if there is one.
    fn take(&mut self) -> Option<Box<TailVoice>>;
    /// Takes back a voice that is no longer heard, to be freed elsewhere.
    fn give_back(&mut self, voice: Box<TailVoice>);
}

/// A supply that builds at once, for offline use and tests.
#[derive(Debug, Default)]
pub struct BuildAtOnce {
    ready: Option<Box<TailVoice>>,
}

impl TailSupply for BuildAtOnce {
    fn ask(&mut self, spec: &TailSpec) {
        self.ready = Some(Box::new(TailVoice::new(Arc::new(TailSpectra::build(spec)))));
    }
    fn take(&mut self) -> Option<Box<TailVoice>> {
        self.ready.take()
    }
    fn give_back(&mut self, voice: Box<TailVoice>) {
        drop(voice);
    }
}
