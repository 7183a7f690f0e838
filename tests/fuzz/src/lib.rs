//! Damaged and made-up input for whatever reads a file or a state.
//!
//! A [`Target`] first reads what once broke something (`tests/corpus`), then
//! what a strategy makes: the same inputs in every run, a few seconds of them.
//! With `ROSTRA_FUZZ_S=600` in the environment it goes on for 600 s, with
//! other inputs in every batch; `ROSTRA_FUZZ_SEED=7` starts from other ones.
//! An input that fails is made small and kept in `target/fuzz`, from where it
//! goes into the corpus once its fault is mended.

mod damage;

use std::cell::Cell;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use proptest::strategy::Strategy;
use proptest::test_runner::{Config, RngAlgorithm, TestError, TestRng, TestRunner};

pub use damage::damaged;

/// The environment variable that says how long each target runs, s.
pub const SECONDS_VARIABLE: &str = "ROSTRA_FUZZ_S";
/// The environment variable that says with which batch a run begins.
pub const SEED_VARIABLE: &str = "ROSTRA_FUZZ_SEED";

/// Inputs between two looks at the clock. Our choice: well under a second of the slowest target.
const BATCH: u32 = 500;
/// How long one input may take, s. Our choice: what never ends is found, and a machine that stands still for half a
/// minute, as virtual ones do, is not taken for it.
const LONGEST_S: u64 = 120;
/// How often an input that fails is made smaller. Our choice: a few seconds.
const MOST_SHRINKS: u32 = 2000;

/// Something that reads what it is given.
#[derive(Clone, Copy, Debug)]
pub struct Target {
    /// What it is called, and the folder of its corpus.
    pub name: &'static str,
    /// Inputs of an ordinary run.
    pub inputs: u32,
}

impl Target {
    /// Returns the files of the corpus, by name.
    ///
    /// # Panics
    /// When a file cannot be read.
    pub fn corpus(&self) -> Vec<(String, Vec<u8>)> {
        let folder = root().join("tests/corpus").join(self.name);
        let mut files: Vec<(String, Vec<u8>)> = fs::read_dir(folder)
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| {
                let bytes = fs::read(entry.path())
                    .unwrap_or_else(|error| panic!("{}: {error}", entry.path().display()));
                (entry.file_name().to_string_lossy().into_owned(), bytes)
            })
            .collect();
        files.sort();
        files
    }

    /// Keeps an input in `target/fuzz` for whoever looks why a program ended.
    pub fn keep(&self, what: &str, bytes: &[u8]) -> PathBuf {
        keep(self.name, what, bytes)
    }

    /// Tries inputs; `property` asserts what must hold and says whether the input was accepted, `kept` writes an input
    /// down for whoever looks into a failure.
    ///
    /// # Panics
    /// When `property` does, with the smallest input for which it does; when every input was accepted, or none, since
    /// such inputs try nothing.
    pub fn run<S: Strategy>(
        &self,
        inputs: &S,
        kept: impl Fn(&S::Value) -> Vec<u8>,
        property: impl Fn(&S::Value) -> bool,
    ) {
        let watchdog = Watchdog::new(self.name);
        let (accepted, refused) = (Cell::new(0_u64), Cell::new(0_u64));
        // The clock says when a long run ends and nothing else.
        #[allow(clippy::disallowed_methods)]
        let start = Instant::now();
        let wanted = wanted::<u64>(SECONDS_VARIABLE).map(Duration::from_secs);
        let mut seed = wanted_seed();
        loop {
            let config = Config {
                cases: if wanted.is_some() { BATCH } else { self.inputs },
                failure_persistence: None,
                max_shrink_iters: MOST_SHRINKS,
                ..Config::default()
            };
            let mut bytes = [0; 32];
            bytes[..8].copy_from_slice(&seed.to_le_bytes());
            let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &bytes);
            let tried = TestRunner::new_with_rng(config, rng).run(inputs, |input| {
                watchdog.watch(kept(&input));
                let count = if property(&input) { &accepted } else { &refused };
                count.set(count.get() + 1);
                Ok(())
            });
            match tried {
                Ok(()) => {}
                Err(TestError::Abort(why)) => panic!("{}, seed {seed}: nothing was tried: {why}", self.name),
                Err(TestError::Fail(why, input)) => {
                    let place = self.keep("failed", &kept(&input));
                    panic!("{}, seed {seed}: {why}\nthe input is kept in {}", self.name, place.display());
                }
            }
            if wanted.is_none_or(|wanted| start.elapsed() >= wanted) {
                break;
            }
            seed += 1;
        }
        watchdog.stop();
        eprintln!(
            "{}: {} inputs in {:.1} s, {} of them accepted",
            self.name,
            accepted.get() + refused.get(),
            start.elapsed().as_secs_f64(),
            accepted.get()
        );
        assert!(accepted.get() > 0 && refused.get() > 0, "{}: these inputs try nothing", self.name);
    }
}

fn wanted<T: std::str::FromStr>(variable: &str) -> Option<T> {
    let text = std::env::var(variable).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{variable}={text} is no whole number")))
}

fn wanted_seed() -> u64 {
    wanted(SEED_VARIABLE).unwrap_or(0)
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Keeps an input in the target folder and returns where.
fn keep(name: &str, what: &str, bytes: &[u8]) -> PathBuf {
    let folder = root().join("target/fuzz");
    let place = folder.join(format!("{name}.{what}"));
    // One that cannot be kept is lost; the seed makes it again.
    let _ = fs::create_dir_all(&folder).and_then(|()| fs::write(&place, bytes));
    place
}

/// Ends the program when an input takes too long.
struct Watchdog {
    inputs: SyncSender<Vec<u8>>,
    thread: JoinHandle<()>,
}

impl Watchdog {
    fn new(name: &'static str) -> Self {
        let (inputs, coming) = sync_channel::<Vec<u8>>(1);
        let thread = std::thread::spawn(move || {
            let mut last = Vec::new();
            loop {
                match coming.recv_timeout(Duration::from_secs(LONGEST_S)) {
                    Ok(input) => last = input,
                    Err(RecvTimeoutError::Disconnected) => return,
                    Err(RecvTimeoutError::Timeout) => {
                        let place = keep(name, "hangs", &last);
                        eprintln!(
                            "{name}: an input takes over {LONGEST_S} s; it is kept in {}",
                            place.display()
                        );
                        std::process::abort();
                    }
                }
            }
        });
        Self { inputs, thread }
    }

    /// Says which input is tried now.
    fn watch(&self, input: Vec<u8>) {
        // Without a watchdog the run goes on.
        let _ = self.inputs.send(input);
    }

    fn stop(self) {
        drop(self.inputs);
        let _ = self.thread.join();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_input_that_fails_is_found_and_made_small() {
        let target = Target { name: "itself", inputs: 20_000 };
        let inputs = damaged(vec![b"depth = 6.0".to_vec()], &["bearing"]);
        let failed = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            target.run(&inputs, Clone::clone, |bytes| {
                assert!(!bytes.ends_with(b"bearing"), "found");
                bytes.starts_with(b"d")
            });
        }));
        assert!(failed.is_err(), "nothing was found");
        let kept = root().join("target/fuzz/itself.failed");
        let smallest = fs::read(&kept).unwrap();
        assert!(
            smallest.ends_with(b"bearing") && smallest.len() <= "depth = 6.0bearing".len(),
            "{smallest:?}"
        );
        fs::remove_file(kept).unwrap();
    }

    #[test]
    #[should_panic(expected = "try nothing")]
    fn inputs_that_are_all_refused_are_no_trial() {
        let target = Target { name: "itself", inputs: 10 };
        target.run(&damaged(vec![vec![0; 8]], &[]), Clone::clone, |_| false);
    }
}
