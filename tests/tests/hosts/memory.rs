//! What a process holds in memory, and that it is given back.

/// Returns the memory of this process that no file backs, MiB (proc(5): `RssAnon` of `status`).
pub(crate) fn held_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("proc is mounted");
    let line = status.lines().find(|line| line.starts_with("RssAnon:")).expect("Linux 4.5 or newer");
    let kib: f64 = line.split_whitespace().nth(1).and_then(|kib| kib.parse().ok()).expect("a number");
    kib / 1024.0
}
