//! Work spread over all cores.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// Does the same with every item, in the order in which cores come free, and returns what came of each in the items' order.
///
/// `tools` makes what a core needs for its work once.
pub fn map<I: Sync, T, R: Send>(
    items: &[I],
    tools: impl Fn() -> T + Sync,
    work: impl Fn(&mut T, &I) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let on_a_core = || {
        let mut tools = tools();
        let mut done = Vec::new();
        loop {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(index) else { return done };
            done.push((index, work(&mut tools, item)));
        }
    };
    let threads = thread::available_parallelism().map_or(1, usize::from);
    let mut done: Vec<(usize, R)> = thread::scope(|scope| {
        let threads: Vec<_> = (0..threads).map(|_| scope.spawn(on_a_core)).collect();
        threads.into_iter().flat_map(|thread| thread.join().expect("no item panics")).collect()
    });
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}
