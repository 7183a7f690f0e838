//! How long each part of the work took.

use std::fmt;
use std::time::Instant;

/// The phases of a run so far.
pub(crate) struct Phases {
    start: Instant,
    last: Instant,
    /// What was done, and for how long, s.
    pub(crate) done: Vec<(&'static str, f64)>,
}

impl Phases {
    /// Starts the clock.
    // The clock says how long a phase took and nothing else.
    #[allow(clippy::disallowed_methods)]
    pub(crate) fn start() -> Self {
        let now = Instant::now();
        Self { start: now, last: now, done: Vec::new() }
    }

    /// Ends a phase; the next one starts.
    #[allow(clippy::disallowed_methods)]
    pub(crate) fn end(&mut self, what: &'static str) {
        let now = Instant::now();
        self.done.push((what, (now - self.last).as_secs_f64()));
        self.last = now;
    }

    /// Returns the time from the start to the end of the last phase, s.
    pub(crate) fn total_s(&self) -> f64 {
        (self.last - self.start).as_secs_f64()
    }
}

impl fmt::Display for Phases {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parts: Vec<String> =
            self.done.iter().map(|(what, took_s)| format!("{what} {took_s:.1} s")).collect();
        write!(f, "{:.1} s: {}", self.total_s(), parts.join(", "))
    }
}
