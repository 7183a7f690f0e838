//! From settings to what the engine plays: levels, arrivals and the energy left to the tail.

pub(crate) mod band_split;
pub(crate) mod branch_fit;
pub(crate) mod low_octaves;

pub(crate) mod section_plan;
pub(crate) mod source_acoustics;
pub(crate) mod source_plan;
pub(crate) mod tail_feed;

pub(crate) mod hall_needs;
pub(crate) mod hall_return;

pub(crate) mod copies;
mod fast_fit;
mod fast_fit_start;
pub(crate) mod fast_low;
mod fast_thirds;
pub(crate) mod low_tail;
pub(crate) mod planner;
mod seat_independent_terms;
mod step_energies;

#[cfg(test)]
mod oracle;

pub use band_split::{BRANCHES, BranchFrame, FITTED, SplitDesign, Weights};
pub use hall_needs::HallNeeds;
pub use hall_return::HallReturn;
pub use low_tail::LowTail;
pub use planner::Planner;
pub use source_acoustics::{Acoustics, Energies, REFERENCE_DISTANCE_M, acoustics, balance_gains, capsules};
pub use source_plan::{CapsulePlan, PlanLevel, SOURCES, SourcePlan};
pub use tail_feed::{LATE_TAPS, TailFeed, onset_frames};
