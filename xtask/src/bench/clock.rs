//! The clock: blocks timed one by one, in many passes.

use std::hint::black_box;
use std::time::{Duration, Instant};

use rostra_bench::BlockWork;
use serde::Serialize;

use super::statistics::{BlockTimes, Passes, least, median};

/// How long to measure.
#[derive(Clone, Copy, Debug, Serialize)]
pub(crate) struct Effort {
    /// Passes of a row that a budget belongs to.
    pub(crate) headline_passes: usize,
    /// Timed length of each, ms.
    pub(crate) headline_ms: f64,
    /// Passes of every other row.
    pub(crate) passes: usize,
    /// Timed length of each, ms.
    pub(crate) pass_ms: f64,
}

impl Effort {
    /// Under four minutes.
    pub(crate) const FULL: Self = Self { headline_passes: 41, headline_ms: 50.0, passes: 15, pass_ms: 25.0 };
    /// Under forty seconds.
    pub(crate) const QUICK: Self = Self { headline_passes: 11, headline_ms: 15.0, passes: 5, pass_ms: 8.0 };

    /// Returns passes and their length.
    pub(crate) const fn of(&self, is_headline: bool) -> (usize, f64) {
        if is_headline { (self.headline_passes, self.headline_ms) } else { (self.passes, self.pass_ms) }
    }
}

/// Frames after which everything in an engine is at the same point again.
///
/// The longest inner cycle is the big partition, 2048 frames at 96 kHz; four of
/// them hold every host block too. A pass sounds one cycle before it is timed:
/// a movement that started over has faded over by then (50 ms).
const CYCLE_FRAMES: usize = 8192;
/// Readings of the clock over which its own cost is found.
const READINGS: usize = 100_000;

/// The clock and what reading it costs.
#[derive(Clone, Copy, Debug, Serialize)]
pub(crate) struct Clock {
    /// Median time between two readings with nothing in between, ns.
    pub(crate) overhead_ns: f64,
}

impl Clock {
    /// Finds out what reading the clock costs.
    pub(crate) fn calibrated() -> Self {
        let times: Vec<f64> = (0..READINGS).map(|_| timed(|| ()).as_nanos() as f64).collect();
        Self { overhead_ns: median(&times) }
    }

    /// Says how times are taken.
    pub(crate) fn sentence(self, effort: &Effort) -> String {
        format!(
            "Each block is timed by itself; its input is made outside the timed region. Reading the clock costs \
             {:.0} ns a block ({:.2} ns per frame at 128) and is left in.\n\
             ns per frame: each pass's mean; the least and the median of the passes ({} passes of about {:.0} ms \
             where a budget stands at 48 kHz, {} of {:.0} ms elsewhere).\n\
             Blocks: from the pass with the least mean. Undisturbed: block k of every pass does the same work, so \
             each block's least time over all passes is what the work costs without what came between: nearly \
             the least where the machine is quiet, far under it where others use the machine.",
            self.overhead_ns,
            self.overhead_ns / 128.0,
            effort.headline_passes,
            effort.headline_ms,
            effort.passes,
            effort.pass_ms,
        )
    }
}

/// Returns how long some work takes.
pub(crate) fn timed<T>(work: impl FnOnce() -> T) -> Duration {
    // The clock is what this command is about; no sound depends on it.
    #[allow(clippy::disallowed_methods)]
    let start = Instant::now();
    black_box(work());
    start.elapsed()
}

/// What the passes over a piece of work said.
#[derive(Clone, Copy, Debug, Serialize)]
pub(crate) struct Timing {
    /// Passes.
    pub(crate) passes: usize,
    /// Blocks of a pass.
    pub(crate) blocks: usize,
    /// Mean of the fastest pass, ns per frame.
    pub(crate) least_ns_per_frame: f64,
    /// Median of the passes' means, ns per frame.
    pub(crate) median_ns_per_frame: f64,
    /// Mean of the blocks' least times over all passes, ns per frame.
    pub(crate) undisturbed_ns_per_frame: f64,
    /// Blocks of the fastest pass.
    pub(crate) least_pass: BlockTimes,
    /// Each block's least over all passes.
    pub(crate) undisturbed: BlockTimes,
}

/// Times work in blocks of `block_frames`; `sounded_frames` of sound come out of each, over all instances in it.
pub(crate) fn time_blocks(
    work: &mut dyn BlockWork,
    block_frames: usize,
    sounded_frames: usize,
    (passes, pass_ms): (usize, f64),
) -> Timing {
    let cycle = CYCLE_FRAMES / block_frames;
    let mut times = vec![0; cycle];
    sound(work, &mut times);
    sound(work, &mut times);
    let cycle_ms = times.iter().sum::<u64>() as f64 / 1e6;
    let cycles = (pass_ms / cycle_ms).ceil().max(1.0) as usize;
    times.resize(cycles * cycle, 0);
    let mut lead = vec![0; cycle];
    let mut all = Passes::default();
    for _ in 0..passes {
        work.restart();
        sound(work, &mut lead);
        sound(work, &mut times);
        all.add(&times);
    }
    let per_frame = 1.0 / sounded_frames as f64;
    Timing {
        passes,
        blocks: times.len(),
        least_ns_per_frame: least(all.means_ns()) * per_frame,
        median_ns_per_frame: median(all.means_ns()) * per_frame,
        undisturbed_ns_per_frame: all.undisturbed_mean_ns() * per_frame,
        least_pass: all.least_pass(),
        undisturbed: all.undisturbed(),
    }
}

/// Sounds as many blocks as there are times to take.
fn sound(work: &mut dyn BlockWork, times_ns: &mut [u64]) {
    for time in times_ns {
        work.prepare();
        *time = timed(|| work.process()).as_nanos() as u64;
    }
}

/// Returns the least and the median of some runs, in nanoseconds; `input` is made outside the timed region.
pub(crate) fn time_runs<I, O>(
    runs: usize,
    mut input: impl FnMut(usize) -> I,
    mut work: impl FnMut(I) -> O,
) -> (f64, f64) {
    let times: Vec<f64> = (0..runs)
        .map(|run| {
            let input = input(run);
            let mut output = None;
            let time = timed(|| output = Some(work(input)));
            // What came out is freed outside the timed region.
            drop(black_box(output));
            time.as_nanos() as f64
        })
        .collect();
    (least(&times), median(&times))
}

#[cfg(test)]
mod tests {
    use rostra_bench::{Case, Input, Instance, Movement, TailMaker};

    use super::*;

    #[test]
    fn a_tiny_case_gives_finite_positive_figures_in_order() {
        for movement in Movement::ALL {
            let case = Case::new(Input::Mono, movement);
            let spectra = TailMaker::default().make(&case.tail_spec());
            let mut instance = Instance::new(&case, spectra, 1).unwrap();
            let timing = time_blocks(&mut instance, 128, 128, (3, 1.0));
            assert_eq!(timing.passes, 3);
            let BlockTimes { median_us, most_of_1000_us, worst_us } = timing.least_pass;
            let rising = [timing.least_ns_per_frame, timing.median_ns_per_frame];
            assert!(rising[0] > 0.0 && rising[0] <= rising[1] && rising[1].is_finite(), "{timing:?}");
            assert!(
                median_us > 0.0 && median_us <= most_of_1000_us && most_of_1000_us <= worst_us,
                "{timing:?}"
            );
            assert!(timing.undisturbed.median_us <= median_us, "{timing:?}");
            assert!(timing.undisturbed_ns_per_frame <= timing.least_ns_per_frame, "{timing:?}");
        }
    }

    #[test]
    fn longer_work_takes_longer() {
        let sum = |count: u64| (0..count).map(black_box).sum::<u64>();
        let (short, _) = time_runs(9, |_| 1_000, sum);
        let (long, _) = time_runs(9, |_| 100_000, sum);
        assert!(short > 0.0 && long > 10.0 * short, "{short} and {long} ns");
    }
}
