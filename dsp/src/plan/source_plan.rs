//! One source as the engine plays it: delays and branch weights.

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::platform::PARTS;
use crate::acoustics::scattering::SCATTERINGS;
use crate::plan::band_split::{BRANCHES, Weights};
use crate::plan::source_acoustics::Energies;
use crate::plan::tail_feed::{LATE_TAPS, TailFeed};

/// The three sources of a stereo channel: the middle, the left end, the right end.
pub const SOURCES: usize = 3;

/// One capsule's arrivals as the engine plays them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CapsulePlan {
    /// Delay of each arrival after the direct sound at the nearer capsule, in samples.
    pub delay_samples: [f64; ARRIVALS],
    /// Branch weights of each arrival.
    pub weights: [Weights; ARRIVALS],
}

/// One source as the engine plays it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SourcePlan {
    /// Left and right; equal for a mono output.
    pub capsules: [CapsulePlan; 2],
    /// What feeds the first part of the tail, at a level of 1; its weights follow a plan slowly.
    ///
    /// They hold the family's power, too: else the tail of one family, and of one side of recording, would sound at the
    /// level of the next.
    pub early_feed: TailFeed<SCATTERINGS>,
    /// What feeds its second part, likewise.
    pub late_feed: TailFeed<LATE_TAPS>,
    /// Level without the family's power, trim and platform balance, which follow a plan at once.
    pub tail_level: f32,
    /// Energies with the reflections as they meet in the low octaves, before the platform balance.
    pub energies: Energies,
}

impl SourcePlan {
    /// Silence at once.
    pub const SILENCE: Self = Self {
        capsules: [CapsulePlan { delay_samples: [0.0; ARRIVALS], weights: [[0.0; BRANCHES]; ARRIVALS] }; 2],
        early_feed: TailFeed::SILENCE,
        late_feed: TailFeed::SILENCE,
        tail_level: 0.0,
        energies: Energies::NOTHING,
    };

    /// Returns the weights of the taps that feed each part of the tail, at a level of 1.
    pub fn feeds(&self) -> [&[Weights]; PARTS] {
        [&self.early_feed.weights, &self.late_feed.weights]
    }
}
