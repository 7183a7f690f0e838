//! The plan of a seat, as the engine makes it at a grid sample.

use std::sync::Arc;

use rostra_dsp::Settings;
use rostra_dsp::bands::SplitDesign;
use rostra_dsp::instruction_set::InstructionSet;
use rostra_dsp::plan::SourcePlan;
use rostra_dsp::planner::Planner;
use rostra_dsp::tail::TailSpectra;

use crate::instance::RATE_HZ;

/// What a plan needs that does not change with the seat.
///
/// The one place to hook in another way of making plans.
#[derive(Debug)]
pub struct SeatPlanner {
    planner: Planner,
    tail: Arc<TailSpectra>,
}

impl SeatPlanner {
    /// Prepares for a pair at 48 kHz and a tail that plays.
    pub fn new(tail: Arc<TailSpectra>) -> Self {
        Self { planner: Planner::new(&SplitDesign::new(RATE_HZ), 2, InstructionSet::widest()), tail }
    }

    /// Makes the plan of one source: two capsules with all their arrivals, and what goes into the tail.
    pub fn plan(&mut self, settings: &Settings) -> SourcePlan {
        let mut plan = SourcePlan::SILENCE;
        self.planner.plan(settings, 0, Some(self.tail.low()), &mut plan);
        plan
    }
}
