//! One source as the engine plays it: delays and branch weights.

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::octave::BANDS;
use crate::acoustics::platform::PARTS;
use crate::plan::band_split::{BRANCHES, Weights};
use crate::plan::source_acoustics::Energies;

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
    /// Branch weights of what goes into the two parts of the tail.
    pub tail: [Weights; PARTS],
    /// The same at a level of 1, which follows a plan slowly.
    pub tail_at_level_one: [Weights; PARTS],
    /// Level without the family's power, trim and platform balance, which follow a plan at once.
    pub tail_level: f32,
    /// Energies with the reflections as they meet in the low octaves, before the platform balance.
    pub energies: Energies,
}

impl SourcePlan {
    /// Silence at once.
    pub const SILENCE: Self = Self {
        capsules: [CapsulePlan { delay_samples: [0.0; ARRIVALS], weights: [[0.0; BRANCHES]; ARRIVALS] }; 2],
        tail: [[0.0; BRANCHES]; PARTS],
        tail_at_level_one: [[0.0; BRANCHES]; PARTS],
        tail_level: 0.0,
        energies: Energies {
            direct: [0.0; BANDS],
            specular: [[0.0; BANDS]; PARTS],
            target: [[0.0; BANDS]; PARTS],
        },
    };
}
