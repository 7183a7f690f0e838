//! A section as the engine plays it: what is heard of each of its places.
//!
//! Every place is heard directly and by its first reflections, each as so many
//! of all players as it stands for. Of the later reflections, each comes from
//! one place alone, dealt out in turn: they carry their whole energy, do not add
//! up in phase, and there are no more of them than for one player.

use crate::acoustics::arrivals::{ARRIVALS, images};
use crate::acoustics::platform::Platform;
use crate::acoustics::section::{PLACES, Section};
use crate::acoustics::vector::Vector;
use crate::plan::band_split::BRANCHES;
use crate::plan::planner::Planner;
use crate::plan::source_plan::SourcePlan;
use crate::settings::Settings;

/// Step, over [`DEALT_OF`], with which later reflections are dealt out: neighbours among the images share walls (our
/// choice, of a few tried).
const DEALT_BY: usize = 7;
const DEALT_OF: usize = 5;
/// Samples by which all that is heard of a place comes later: a delay that moves is read from three samples on both sides.
const READ_AHEAD_SAMPLES: f64 = 3.0;

/// The places of a section.
#[derive(Clone, Debug)]
pub(crate) struct SectionPlan {
    /// Places that sound; one player is no section, and none of them does.
    pub(crate) count: usize,
    /// What is heard of each place, with weights before the level.
    pub(crate) places: Vec<SourcePlan>,
    /// Loudness of direct sound and reflections, with the balance: the mean of all places.
    pub(crate) clear: f32,
    /// Whether each arrival is the direct sound or a first reflection.
    is_first: [bool; ARRIVALS],
}

impl SectionPlan {
    /// Allocates the places; none of them sounds.
    pub(crate) fn new() -> Self {
        let images = images(Vector::new(0.0, 1.0, 1.0), &Platform::default());
        Self {
            count: 0,
            places: vec![SourcePlan::SILENCE; PLACES],
            clear: 1.0,
            is_first: images.each_ref().map(|image| image.order() <= 1),
        }
    }

    /// Plans the places for settings; the planner's other plans stay as they are.
    pub(crate) fn plan(&mut self, settings: &Settings, planner: &mut Planner) {
        if settings.seat.players <= 1 && self.count == 0 {
            return;
        }
        let (spots, count) = Section::of(&settings.seat).places();
        self.count = if count > 1 { count } else { 0 };
        let mut clear = 0.0;
        for (place, plan) in self.places.iter_mut().enumerate() {
            if place >= self.count {
                plan.capsules.iter_mut().for_each(|capsule| capsule.weights = [[0.0; BRANCHES]; ARRIVALS]);
                continue;
            }
            planner.plan_place(settings, place, spots[place], plan);
            clear += plan.level.clear;
            let each = 1.0 / (count as f32).sqrt();
            for capsule in &mut plan.capsules {
                for (index, weights) in capsule.weights.iter_mut().enumerate() {
                    let is_dealt = index * DEALT_BY / DEALT_OF % count == place;
                    let share = if self.is_first[index] { each } else { f32::from(u8::from(is_dealt)) };
                    weights.iter_mut().for_each(|weight| *weight *= share);
                }
                capsule.delay_samples.iter_mut().for_each(|delay| *delay += READ_AHEAD_SAMPLES);
            }
        }
        self.clear = clear / count as f32;
    }

    /// Takes what the places play out of the plan of a source, and gives it their level.
    pub(crate) fn relieve(&self, plan: &mut SourcePlan) {
        if self.count > 0 {
            plan.level.clear = self.clear;
            plan.capsules.iter_mut().for_each(|capsule| capsule.weights = [[0.0; BRANCHES]; ARRIVALS]);
        }
    }
}
