//! Real-time priority for the thread that makes the sound, so that a busy machine keeps it on time.

/// Asks the system to run this thread before all ordinary work; says whether it does.
///
/// On Linux an ordinary thread waits for others to pause, for longer than a
/// small block lasts. The system grants more to root, and to users whose limit
/// `rtprio` allows it (sched(7)). Elsewhere the thread that a sound card calls
/// has it already.
#[cfg(target_os = "linux")]
pub fn run_first() -> bool {
    use thread_priority::{
        RealtimeThreadSchedulePolicy as RealTime, ThreadPriority, ThreadSchedulePolicy as Policy,
        set_thread_priority_and_policy, thread_native_id, thread_schedule_policy,
    };
    // Whoever has given it a priority by hand knows better.
    if matches!(thread_schedule_policy(), Ok(Policy::Realtime(_))) {
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

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use thread_priority::{RealtimeThreadSchedulePolicy, ThreadSchedulePolicy, thread_schedule_policy};

    #[test]
    fn what_it_says_is_what_the_system_does_and_other_threads_stay_as_they_are() {
        let real_time = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
        let before = thread_schedule_policy().unwrap();
        std::thread::spawn(move || {
            let is_first = run_first();
            assert_eq!(thread_schedule_policy().unwrap() == real_time, is_first);
            assert_eq!(run_first(), is_first, "asked again");
        })
        .join()
        .unwrap();
        assert_eq!(thread_schedule_policy().unwrap(), before);
    }
}
