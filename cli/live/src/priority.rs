//! Real-time priority for the thread that makes the sound, so that a busy machine keeps it on time.

use std::time::{Duration, Instant};

/// Asks the system to run this thread before all ordinary work; says whether it was not refused.
///
/// On Linux an ordinary thread waits for others to pause, for longer than a
/// small block lasts. The system grants more to root, and to users whose limit
/// `rtprio` allows it (sched(7)). Elsewhere the thread that a sound card calls
/// has it already.
#[cfg(target_os = "linux")]
pub fn run_first() -> bool {
    use thread_priority::{
        NormalThreadSchedulePolicy as Normal, RealtimeThreadSchedulePolicy as RealTime, ThreadPriority,
        ThreadSchedulePolicy as Policy, set_thread_priority_and_policy, thread_native_id,
        thread_schedule_policy,
    };
    // Whoever has given it another policy by hand knows better.
    if !matches!(thread_schedule_policy(), Ok(Policy::Normal(Normal::Other))) {
        return true;
    }
    let Ok(value) = PRIORITY.try_into().map(ThreadPriority::Crossplatform) else { return false };
    set_thread_priority_and_policy(thread_native_id(), value, Policy::Realtime(RealTime::Fifo)).is_ok()
}

/// As on Linux; there is nothing to ask for.
#[cfg(not(target_os = "linux"))]
pub fn run_first() -> bool {
    true
}

/// Priority of 1 to 99: before all ordinary work, behind what a sound server itself runs (our choice).
#[cfg(target_os = "linux")]
const PRIORITY: u8 = 5;

/// When to ask for it: once the device has shown that it keeps time.
///
/// A device that takes all that it can get, as the system's null device does,
/// would take a whole core from all else.
#[derive(Clone, Copy, Debug)]
pub struct Promotion {
    /// Sample rate, Hz.
    rate_hz: f64,
    /// Since when frames are counted, and how many; none before the first block.
    counted: Option<(Instant, usize)>,
    /// Whether it has been asked for.
    is_done: bool,
}

/// Sound after which a device is judged, s (our choice).
const JUDGED_S: f64 = 0.5;
/// How much sooner that sound may have been asked for than it lasts (our choice: a queue is filled at first).
const HASTE: f64 = 2.0;

impl Promotion {
    /// Starts to count at a rate.
    pub const fn new(rate_hz: u32) -> Self {
        Self { rate_hz: rate_hz as f64, counted: None, is_done: false }
    }

    /// Counts a block; says once that it is time to ask.
    pub fn is_due(&mut self, frames: usize, now: impl Fn() -> Instant) -> bool {
        if self.is_done {
            return false;
        }
        let (since, before) = *self.counted.get_or_insert_with(|| (now(), 0));
        let total = before + frames;
        self.counted = Some((since, total));
        let sound_s = total as f64 / self.rate_hz;
        if sound_s < JUDGED_S {
            return false;
        }
        let now = now();
        self.is_done = now - since > Duration::from_secs_f64(sound_s / HASTE);
        self.counted = Some((now, 0));
        self.is_done
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::*;

    #[cfg(target_os = "linux")]
    #[test]
    fn what_it_says_is_what_the_system_does_and_other_threads_stay_as_they_are() {
        use thread_priority::{ThreadSchedulePolicy, thread_schedule_policy};
        let before = thread_schedule_policy().ok();
        std::thread::spawn(|| {
            let is_first = run_first();
            if is_first {
                assert!(matches!(thread_schedule_policy(), Err(_) | Ok(ThreadSchedulePolicy::Realtime(_))));
            }
            assert_eq!(run_first(), is_first, "asked again");
        })
        .join()
        .unwrap();
        assert_eq!(thread_schedule_policy().ok(), before);
    }

    #[test]
    #[allow(clippy::disallowed_methods, reason = "a moment to count from")]
    fn a_device_that_keeps_time_is_promoted_once_and_one_that_takes_all_never() {
        let start = Instant::now();
        let times_promoted = |block_s: f64| {
            let passed_s = Cell::new(0.0);
            let mut promotion = Promotion::new(48_000);
            let dues = (0..10_000).filter(|_| {
                passed_s.set(passed_s.get() + block_s);
                promotion.is_due(64, || start + Duration::from_secs_f64(passed_s.get()))
            });
            dues.count()
        };
        let block_s = 64.0 / 48_000.0;
        assert_eq!(times_promoted(block_s), 1);
        assert_eq!(times_promoted(1.2 * block_s), 1, "late now and then");
        assert_eq!(times_promoted(0.01 * block_s), 0);
    }
}
