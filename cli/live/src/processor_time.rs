//! Processor time of this program's threads, where the system tells it.

/// Returns name and processor time of each thread, s; `None` where the system does not tell (only Linux does).
pub fn of_threads() -> Option<Vec<(String, f64)>> {
    let tasks = std::fs::read_dir("/proc/self/task").ok()?;
    let time = |task: std::fs::DirEntry| {
        let read = |what: &str| std::fs::read_to_string(task.path().join(what)).ok();
        // The first figure is the time on a processor, ns (proc(5), from memory).
        let ns: f64 = read("schedstat")?.split_whitespace().next()?.parse().ok()?;
        Some((read("comm")?.trim().to_owned(), ns * 1e-9))
    };
    // A thread may end while it is looked at.
    Some(tasks.flatten().filter_map(time).collect())
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn a_thread_that_works_takes_time() {
        let sum = || of_threads().unwrap().iter().map(|(_, s)| s).sum::<f64>();
        let before = sum();
        let mut x = 1.0_f64;
        for n in 0..20_000_000 {
            x = std::hint::black_box(x * 1.000_000_1 + f64::from(n));
        }
        assert!(sum() > before, "{x}");
    }
}
