//! The halls that run in this process, for the sheets of the seats that are sent to one.
//!
//! Hosts that run each plug-in in a process of its own show none. With more than
//! one, nobody knows which bus a channel is sent to, and none is told.

use std::sync::atomic::{AtomicU32, AtomicUsize, Ordering};

/// How many run.
static RUNNING: AtomicUsize = AtomicUsize::new(0);
/// Pre-delay of the one that played or started last, ms, as the bits of a number.
static PRE_DELAY_MS: AtomicU32 = AtomicU32::new(0);

/// A running hall; it has left once this is dropped.
#[derive(Debug)]
pub(super) struct Present(());

impl Present {
    /// Says that a hall runs.
    pub(super) fn new(pre_delay_s: f64) -> Self {
        RUNNING.fetch_add(1, Ordering::Relaxed);
        let present = Self(());
        present.tell(pre_delay_s);
        present
    }

    /// Tells its pre-delay, from any thread.
    #[allow(clippy::unused_self, reason = "only a hall that runs may tell")]
    pub(super) fn tell(&self, pre_delay_s: f64) {
        PRE_DELAY_MS.store(((pre_delay_s * 1e3) as f32).to_bits(), Ordering::Relaxed);
    }
}

impl Drop for Present {
    fn drop(&mut self) {
        RUNNING.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Returns the pre-delay of the hall of this process, ms, if there is exactly one.
pub fn pre_delay_ms() -> Option<f64> {
    let pre_delay_ms = f32::from_bits(PRE_DELAY_MS.load(Ordering::Relaxed));
    // Whole tenths, as the hall's own grid has it.
    (RUNNING.load(Ordering::Relaxed) == 1).then(|| (f64::from(pre_delay_ms) * 10.0).round() / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_hall_is_told_and_none_or_two_are_not() {
        // Others run halls, too.
        let _alone = crate::tail_builder::only_live_test();
        assert_eq!(pre_delay_ms(), None);
        let first = Present::new(0.0203);
        assert_eq!(pre_delay_ms(), Some(20.3));
        first.tell(0.03);
        assert_eq!(pre_delay_ms(), Some(30.0));
        let second = Present::new(0.0);
        assert_eq!(pre_delay_ms(), None);
        drop(second);
        first.tell(0.03);
        assert_eq!(pre_delay_ms(), Some(30.0));
        drop(first);
        assert_eq!(pre_delay_ms(), None);
    }
}
