//! A section as the engine plays it: what is heard of each of its places.
//!
//! Every place is heard directly and by its first reflections, each as so many
//! of all players as it stands for. Of the later reflections, each comes from
//! one place alone, dealt out in turn: they carry their whole energy, do not add
//! up in phase, and there are no more of them than for one player.

use crate::acoustics::arrivals::{ARRIVALS, Image, images};
use crate::acoustics::platform::Platform;
use crate::acoustics::section::{PLACES, Section};
use crate::acoustics::vector::Vector;
use crate::plan::band_split::BRANCHES;
use crate::plan::copies::READ_AHEAD_SAMPLES;
use crate::plan::planner::Planner;
use crate::plan::source_plan::SourcePlan;
use crate::settings::Settings;

/// Height of the source whose images tell the pairs apart, m: any that is low against the platform.
const LOW_M: f64 = 1.0;

/// The places of a section.
#[derive(Clone, Debug)]
pub(crate) struct SectionPlan {
    /// Places that sound; one player is no section, and none of them does.
    pub(crate) count: usize,
    /// What is heard of each place, with weights before the level.
    pub(crate) places: Vec<SourcePlan>,
    /// Loudness of direct sound and reflections, with the balance: the sum of all places, whose copies are unlike.
    pub(crate) clear: f32,
    /// Whether each arrival is the direct sound or a first reflection.
    is_first: [bool; ARRIVALS],
    /// In which turn each of the others is dealt out.
    turn: [usize; ARRIVALS],
}

impl SectionPlan {
    /// Allocates the places; none of them sounds.
    pub(crate) fn new() -> Self {
        let images = images(Vector::new(0.0, 1.0, LOW_M), &Platform::default());
        let mut silent = SourcePlan::SILENCE;
        // A place that begins to sound glides from here: nearer, nothing can be read that moves.
        silent.capsules.iter_mut().for_each(|capsule| capsule.delay_samples = [READ_AHEAD_SAMPLES; ARRIVALS]);
        Self {
            count: 0,
            places: vec![silent; PLACES],
            clear: 1.0,
            is_first: images.each_ref().map(|image| image.order() <= 1),
            turn: turns(&images),
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
            let shares = std::array::from_fn(|index| {
                if self.is_first[index] {
                    1.0 / (count as f32).sqrt()
                } else {
                    f32::from(u8::from(self.turn[index] % count == place))
                }
            });
            planner.plan_place(settings, place, spots[place], &shares, plan);
            clear += plan.level.clear;
            for capsule in &mut plan.capsules {
                capsule.delay_samples.iter_mut().for_each(|delay| *delay += READ_AHEAD_SAMPLES);
            }
        }
        self.clear = clear;
    }

    /// Takes what the places play out of the plan of a source, and gives it their level.
    pub(crate) fn relieve(&self, plan: &mut SourcePlan) {
        if self.count > 0 {
            plan.level.clear = self.clear;
            plan.capsules.iter_mut().for_each(|capsule| capsule.weights = [[0.0; BRANCHES]; ARRIVALS]);
        }
    }
}

/// Deals arrivals out in turn; one and the same by way of the floor besides stay together.
///
/// An instrument and the microphones stand low against a wavelength of the low
/// octaves: there both are one.
fn turns(images: &[Image; ARRIVALS]) -> [usize; ARRIVALS] {
    let mut turn = [0; ARRIVALS];
    let mut next = 0;
    for index in 1..ARRIVALS {
        // What differs by the floor alone stands as high, but for the source's own height, and one reflection away.
        let is_with = |&other: &usize| {
            let (a, b) = (images[index].position, images[other].position);
            let apart = a - b;
            let [x, y, z] = apart.components();
            x == 0.0 && y == 0.0 && z.abs() <= 2.0 * LOW_M
        };
        turn[index] = (1..index).find(is_with).map_or(next, |other| turn[other]);
        if turn[index] == next {
            next += 1;
        }
    }
    turn
}
