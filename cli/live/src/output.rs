//! Where the sound goes, and how well it gets there in time.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::time::Duration;

use anyhow::Result;

/// Time after which a device that asks for nothing more, or gives nothing more, has stopped (our choice): longer than a sound
/// server of two seconds' latency waits before its first block.
pub const STALLED: Duration = Duration::from_secs(4);

/// What makes the next frames, left and right, any number of them.
pub type Play = Box<dyn FnMut(&mut [f32], &mut [f32]) + Send>;

/// Something to play through.
pub trait Output: Send {
    /// Returns the name, for people.
    fn name(&self) -> String;

    /// Returns the rate at which it would play a loop of `loop_rate_hz`.
    ///
    /// # Errors
    /// In a line, when there is no such device, or it does not have the rate that is asked for.
    fn rate_hz(&self, wished_hz: Option<u32>, loop_rate_hz: u32) -> Result<u32>;

    /// Starts to play, in blocks of `block_frames` where that is asked.
    ///
    /// # Errors
    /// In a line, when the device is busy, gone, or refuses rate or block.
    fn start(
        &self,
        rate_hz: u32,
        block_frames: Option<u32>,
        play: Play,
        tally: Arc<Tally>,
    ) -> Result<Box<dyn Playing>>;
}

/// Something that plays until it is dropped, or until it breaks.
pub trait Playing: Send {
    /// Returns why it plays no more, in a line, once.
    fn fault(&mut self) -> Option<String>;

    /// Says, once, whether the system has handed it on to another device while it played.
    fn has_moved(&mut self) -> bool {
        false
    }
}

/// Steps of the histogram: thousandths of a block's time, the last for all above.
const STEPS: usize = 1001;

/// What is counted of blocks; the clock is asked beside the player, never in it.
pub struct Tally {
    /// Whether the system refuses to run the thread that makes the blocks before all ordinary work.
    pub is_refused_priority: AtomicBool,
    blocks: AtomicU64,
    missed: AtomicU64,
    woken_late: AtomicU64,
    frames: AtomicU64,
    /// Frames of the smallest block, of the largest and of the newest.
    least_frames: AtomicU32,
    most_frames: AtomicU32,
    block_frames: AtomicU32,
    /// Blocks by the share of their own time that they took to make, thousandths.
    shares: Box<[AtomicU32; STEPS]>,
}

impl Default for Tally {
    fn default() -> Self {
        Self {
            is_refused_priority: AtomicBool::new(false),
            blocks: AtomicU64::new(0),
            missed: AtomicU64::new(0),
            woken_late: AtomicU64::new(0),
            frames: AtomicU64::new(0),
            least_frames: AtomicU32::new(u32::MAX),
            most_frames: AtomicU32::new(0),
            block_frames: AtomicU32::new(0),
            shares: Box::new([const { AtomicU32::new(0) }; STEPS]),
        }
    }
}

/// Figures of a tally.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counted {
    /// Whether the system refuses to run the thread that makes the blocks before all ordinary work.
    pub is_refused_priority: bool,
    /// Blocks made.
    pub blocks: u64,
    /// Blocks that came too late, or gaps that the device told of.
    pub missed: u64,
    /// Of these, blocks that were asked for when they should have been there: the system woke up too late.
    pub woken_late: u64,
    /// Frames made.
    pub frames: u64,
    /// Frames of the smallest and of the largest block.
    pub range_frames: (u32, u32),
    /// Frames of the newest block.
    pub block_frames: u32,
    /// Median, 99.9th percentile and largest share of a block's time that making it took; at most 1.
    pub shares: [f64; 3],
}

impl Tally {
    /// Adds a block: its frames, and the share of its time that making it took.
    pub fn add(&self, frames: usize, share: f64) {
        self.blocks.fetch_add(1, Ordering::Relaxed);
        self.frames.fetch_add(frames as u64, Ordering::Relaxed);
        self.least_frames.fetch_min(frames as u32, Ordering::Relaxed);
        self.most_frames.fetch_max(frames as u32, Ordering::Relaxed);
        self.block_frames.store(frames as u32, Ordering::Relaxed);
        let step = ((share * 1000.0) as usize).min(STEPS - 1);
        self.shares[step].fetch_add(1, Ordering::Relaxed);
    }

    /// Adds a block that came too late, or a gap.
    pub fn miss(&self) {
        self.missed.fetch_add(1, Ordering::Relaxed);
    }

    /// Adds a missed block that was asked for too late already.
    pub fn miss_asleep(&self) {
        self.woken_late.fetch_add(1, Ordering::Relaxed);
        self.miss();
    }

    /// Returns the figures up to now.
    pub fn counted(&self) -> Counted {
        let by_step: Vec<u64> = self.shares.iter().map(|step| step.load(Ordering::Relaxed).into()).collect();
        let total: u64 = by_step.iter().sum();
        let at = |share: f64| {
            let mut left = (share * total as f64).ceil().max(1.0) as u64;
            let step = by_step.iter().position(|&count| {
                let is_there = count >= left;
                left = left.saturating_sub(count);
                is_there
            });
            step.map_or(0.0, |step| step as f64 / 1000.0)
        };
        Counted {
            is_refused_priority: self.is_refused_priority.load(Ordering::Relaxed),
            blocks: self.blocks.load(Ordering::Relaxed),
            missed: self.missed.load(Ordering::Relaxed),
            woken_late: self.woken_late.load(Ordering::Relaxed),
            frames: self.frames.load(Ordering::Relaxed),
            range_frames: (
                if total == 0 { 0 } else { self.least_frames.load(Ordering::Relaxed) },
                self.most_frames.load(Ordering::Relaxed),
            ),
            block_frames: self.block_frames.load(Ordering::Relaxed),
            shares: [at(0.5), at(0.999), at(1.0)],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_of_known_blocks() {
        let tally = Tally::default();
        assert_eq!(tally.counted(), Counted::default());
        for n in 0..1000 {
            tally.add(64, f64::from(n) / 1000.0 + 0.000_1);
        }
        tally.add(32, 7.0);
        tally.miss();
        tally.miss_asleep();
        let counted = tally.counted();
        assert_eq!((counted.blocks, counted.missed, counted.woken_late), (1001, 2, 1));
        assert_eq!((counted.frames, counted.range_frames, counted.block_frames), (64_032, (32, 64), 32));
        assert_eq!(counted.shares, [0.5, 0.999, 1.0]);
    }
}
