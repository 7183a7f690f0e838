//! From settings to what the engine plays: levels, arrivals and the energy left to the tail.

pub(crate) mod band_split;
pub(crate) mod lane_fit;
pub(crate) mod low_octaves;

pub(crate) mod source_acoustics;
pub(crate) mod source_plan;

pub(crate) mod hall_needs;

mod groundwork;
mod lane_start;
pub(crate) mod planner;
mod quick_fit;
pub(crate) mod quick_low;
mod quick_thirds;

#[cfg(test)]
mod oracle;

pub use band_split::{FITTED, LANES, LaneFrame, SplitDesign, Weights};
pub use hall_needs::HallNeeds;
pub use low_octaves::LowTail;
pub use planner::Planner;
pub use source_acoustics::{Acoustics, Energies, REFERENCE_DISTANCE_M, acoustics, balance_gains, capsules};
pub use source_plan::{CapsulePlan, SOURCES, SourcePlan};
