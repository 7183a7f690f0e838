//! The plan of a seat, as the engine makes it at a grid sample.

use std::sync::Arc;

use rostra_dsp::Settings;
use rostra_dsp::bands::SplitDesign;
use rostra_dsp::lane_fit::{OctaveFit, ThirdFit};
use rostra_dsp::low_octaves::LowLanes;
use rostra_dsp::plan::{Player, SourcePlan, acoustics};
use rostra_dsp::tail::TailSpectra;

use crate::instance::RATE_HZ;

/// What a plan needs that does not change with the seat.
///
/// The one place to hook in another way of making plans.
#[derive(Debug)]
pub struct SeatPlanner {
    fit: OctaveFit,
    direct_fit: ThirdFit,
    lanes: LowLanes,
    tail: Arc<TailSpectra>,
}

impl SeatPlanner {
    /// Prepares for a pair at 48 kHz and a tail that plays.
    pub fn new(tail: Arc<TailSpectra>) -> Self {
        let design = SplitDesign::new(RATE_HZ);
        Self {
            fit: OctaveFit::of_octaves(&design),
            direct_fit: ThirdFit::of_thirds(&design),
            lanes: LowLanes::new(&design, RATE_HZ),
            tail,
        }
    }

    /// Makes the plan of one source: two capsules with all their arrivals, and what goes into the tail.
    pub fn plan(&mut self, settings: &Settings) -> SourcePlan {
        let source = settings.seat.source(&settings.platform, &settings.pickup);
        let acoustics = acoustics(&source, &settings.platform, &settings.pickup, &settings.level, 2);
        let player = Player {
            fit: &self.fit,
            direct_fit: &self.direct_fit,
            lanes: &self.lanes,
            sample_rate_hz: RATE_HZ,
            channels: 2,
            tail: Some(self.tail.low()),
        };
        SourcePlan::new(&acoustics, settings, &player)
    }
}
