//! What many passes over the same blocks say.

use rostra_dsp::extremes::smaller;
use serde::Serialize;

/// How long the blocks of one pass took, in microseconds.
#[allow(clippy::struct_field_names, reason = "every name carries its unit")]
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct BlockTimes {
    /// Half of the blocks took at most this.
    pub(crate) median_us: f64,
    /// 999 of 1000 took at most this.
    pub(crate) most_of_1000_us: f64,
    /// None took longer.
    pub(crate) worst_us: f64,
}

impl BlockTimes {
    /// Reads off the blocks' times in nanoseconds, of which there is at least one.
    pub(crate) fn of(blocks_ns: &[u64]) -> Self {
        let mut sorted = blocks_ns.to_vec();
        sorted.sort_unstable();
        let us = |share: f64| percentile(&sorted, share) as f64 / 1e3;
        Self { median_us: us(0.5), most_of_1000_us: us(0.999), worst_us: us(1.0) }
    }

    /// Returns the worst block against the median one.
    pub(crate) fn unevenness(&self) -> f64 {
        self.worst_us / self.median_us
    }
}

/// Returns the least value that at least `share` (0 to 1) of the sorted values do not exceed.
///
/// # Source
/// The nearest-rank definition of a percentile: rank = ceil(share n).
pub(crate) fn percentile(sorted: &[u64], share: f64) -> u64 {
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted[rank.clamp(1, sorted.len()) - 1]
}

/// Returns the median; of an even number of values the mean of the middle two.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    if sorted.len().is_multiple_of(2) {
        f64::midpoint(sorted[middle - 1], sorted[middle])
    } else {
        sorted[middle]
    }
}

/// Returns the least value.
pub(crate) fn least(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, smaller)
}

/// Passes in which block k always did the same work.
#[derive(Debug, Default)]
pub(crate) struct Passes {
    means_ns: Vec<f64>,
    least: Vec<u64>,
    block_by_block: Vec<u64>,
}

impl Passes {
    /// Takes in the blocks' times of a pass, in nanoseconds.
    pub(crate) fn add(&mut self, blocks_ns: &[u64]) {
        let mean = blocks_ns.iter().sum::<u64>() as f64 / blocks_ns.len() as f64;
        if self.means_ns.iter().all(|&other| mean < other) {
            self.least = blocks_ns.to_vec();
        }
        self.means_ns.push(mean);
        if self.block_by_block.is_empty() {
            self.block_by_block = blocks_ns.to_vec();
        }
        for (least, &time) in self.block_by_block.iter_mut().zip(blocks_ns) {
            *least = (*least).min(time);
        }
    }

    /// Returns the mean block of each pass, in nanoseconds.
    pub(crate) fn means_ns(&self) -> &[f64] {
        &self.means_ns
    }

    /// Returns the blocks of the pass with the least mean.
    pub(crate) fn least_pass(&self) -> BlockTimes {
        BlockTimes::of(&self.least)
    }

    /// Returns the mean of the blocks' least times over all passes, in nanoseconds.
    pub(crate) fn undisturbed_mean_ns(&self) -> f64 {
        self.block_by_block.iter().sum::<u64>() as f64 / self.block_by_block.len() as f64
    }

    /// Returns each block's least time over all passes: what the work itself costs, without what came between.
    pub(crate) fn undisturbed(&self) -> BlockTimes {
        BlockTimes::of(&self.block_by_block)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_are_nearest_ranks() {
        // The worked example of the nearest-rank method, from memory: 15, 20, 35, 40, 50.
        let sorted = [15, 20, 35, 40, 50];
        for (share, expected) in [(0.05, 15), (0.3, 20), (0.4, 20), (0.5, 35), (1.0, 50)] {
            assert_eq!(percentile(&sorted, share), expected, "share {share}");
        }
        let thousand: Vec<u64> = (1..=1000).collect();
        assert_eq!(percentile(&thousand, 0.999), 999);
        assert_eq!(percentile(&[7], 0.999), 7);
    }

    #[test]
    fn the_median_of_an_even_number_lies_between_the_middle_two() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&[4.0, 1.0, 2.0, 10.0]), 3.0);
        assert_eq!(least(&[3.0, 1.0, 2.0]), 1.0);
    }

    #[test]
    fn blocks_come_from_the_least_pass_and_the_undisturbed_from_all() {
        let mut passes = Passes::default();
        passes.add(&[1000, 1000, 9000]);
        passes.add(&[1100, 4000, 2000]);
        passes.add(&[1200, 1200, 8000]);
        assert_eq!(least(passes.means_ns()), 7100.0 / 3.0);
        let least = passes.least_pass();
        assert_eq!((least.median_us, least.worst_us), (2.0, 4.0));
        assert_eq!(least.unevenness(), 2.0);
        let undisturbed = passes.undisturbed();
        assert_eq!((undisturbed.median_us, undisturbed.worst_us), (1.0, 2.0));
        assert_eq!(passes.undisturbed_mean_ns(), 4000.0 / 3.0);
    }
}
