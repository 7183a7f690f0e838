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

/// What sets the level of everything.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlanLevel {
    /// Loudness of direct sound and reflections, with the balance.
    pub clear: f32,
    /// Square of the platform's gain.
    pub platform_power: f32,
    /// How far the whole keeps its loudness, 1 less the fall-off, 0 to 1.
    pub keeps: f32,
    /// Factor of the fall-off and of the trim.
    pub rest: f32,
}

impl PlanLevel {
    /// Leaves everything as it is.
    const ONE: Self = Self { clear: 1.0, platform_power: 0.0, keeps: 1.0, rest: 1.0 };
    /// Least loudness that is made up for: 120 dB.
    const LEAST: f32 = 1e-12;

    /// Returns the factor on all weights at a loudness of what is diffuse, (`clear` + `platform_power` diffuse)^(-`keeps`/2) times the rest.
    pub fn at(&self, diffuse: f32) -> f32 {
        let whole = (self.clear + self.platform_power * diffuse).max(Self::LEAST);
        // The power is a call of the C library; it is left out where the fall-off is 0.
        let kept = if self.keeps == 1.0 { 1.0 / whole.sqrt() } else { whole.powf(-0.5 * self.keeps) };
        kept * self.rest
    }
}

/// One source as the engine plays it; weights are before the level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SourcePlan {
    /// Left and right; equal for a mono output.
    pub capsules: [CapsulePlan; 2],
    /// What feeds the first part of the tail, at a level of 1 but for the family's power; its weights follow a plan slowly.
    pub early_feed: TailFeed<SCATTERINGS>,
    /// What feeds its second part, likewise.
    pub late_feed: TailFeed<LATE_TAPS>,
    /// Platform balance, over the family's power, which feeds follow at once.
    pub tail_level: f32,
    /// Level of everything, which follows a plan at once but for what is diffuse.
    pub level: PlanLevel,
    /// Loudness of what is diffuse at a platform gain of 1; it follows a plan slowly.
    pub diffuse: f32,
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
        level: PlanLevel::ONE,
        diffuse: 0.0,
        energies: Energies::NOTHING,
    };

    /// Returns the factor on all weights where the plan is reached.
    pub fn gain(&self) -> f32 {
        self.level.at(self.diffuse)
    }

    /// Returns the weights of the taps that feed each part of the tail, at a level of 1.
    pub fn feeds(&self) -> [&[Weights]; PARTS] {
        [&self.early_feed.weights, &self.late_feed.weights]
    }
}
