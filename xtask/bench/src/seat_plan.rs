//! The plan of a seat, as the engine makes it at a grid sample.

use std::sync::Arc;

use rostra_dsp::Settings;
use rostra_dsp::kernel::InstructionSet;
use rostra_dsp::plan::{Planner, SourcePlan, SplitDesign};
use rostra_dsp::tail::TailSpectra;

use crate::instance::RATE_HZ;

/// A planner for a pair at 48 kHz, and the tail that plays.
#[derive(Debug)]
pub struct SeatPlanner {
    planner: Planner,
    plan: SourcePlan,
    tail: Arc<TailSpectra>,
}

impl SeatPlanner {
    /// Prepares for a tail that plays.
    pub fn new(tail: Arc<TailSpectra>) -> Self {
        let design = SplitDesign::new(RATE_HZ);
        Self { planner: Planner::new(&design, 2, InstructionSet::widest()), plan: SourcePlan::SILENCE, tail }
    }

    /// Makes the plan of one source at snapped settings: two capsules with all their arrivals, and what goes into the tail.
    pub fn plan(&mut self, settings: &Settings) -> &SourcePlan {
        self.planner.plan(settings, 0, Some(self.tail.low()), &mut self.plan);
        &self.plan
    }
}
