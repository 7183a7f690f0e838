//! The table of figures: what, figure, bound, source; against outside truth, and of the project against itself.

mod air_ceiling;
mod bells;
mod energy;
mod handbook;
mod measured_halls;
mod movement;
mod placed_loudness;
mod reference_arrivals;
mod rendered_arrivals;
mod robustness;
mod seat_tails;
mod sections;
mod stage_support;
mod string_hemispheres;
mod tails;
mod traced_energy;

pub use air_ceiling::air_ceiling;
pub use bells::bells;
pub use energy::{direct_change_with_depth, own_reflected_energy};
pub use handbook::{air_absorption, directivity_factor, microphone_differences, own_directivity_factor};
pub use measured_halls::measured_halls;
pub use movement::movement;
pub use placed_loudness::placed_loudness;
pub use reference_arrivals::{reference_arrivals, reference_errors};
pub use rendered_arrivals::own_rendered_arrivals;
pub use robustness::{bad_input, block_splits, largest_output, largest_possible};
pub use seat_tails::seat_tails;
pub use sections::sections;
pub use stage_support::stage_support;
pub use string_hemispheres::string_hemispheres;
pub use tails::{
    coherence_of_tails, own_coherence_of_tails, own_decay_of_tails, own_decay_of_whole_impulse,
    own_density_of_tails,
};
pub use traced_energy::{traced_energy, traced_energy_in_full};

/// Which side of the bound is good.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Side {
    /// The figure may be at most the bound.
    AtMost,
    /// The figure must be at least the bound.
    AtLeast,
    /// The figure is over its bound, for a reason that its row tells: it is shown as such, and may be at most this.
    Short(f64),
    /// The figure is told and held against nothing.
    Told,
}

/// One line of the table.
#[derive(Clone, Debug)]
pub struct Row {
    /// What was measured.
    pub what: String,
    /// What came out.
    pub figure: f64,
    /// What it is held against.
    pub bound: f64,
    /// Which side of the bound is good.
    pub side: Side,
    /// Unit of figure and bound.
    pub unit: &'static str,
    /// Where the truth comes from.
    pub source: &'static str,
}

impl Row {
    /// Makes a row whose figure may be at most the bound.
    pub fn at_most(
        what: impl Into<String>,
        figure: f64,
        bound: f64,
        unit: &'static str,
        source: &'static str,
    ) -> Self {
        Self { what: what.into(), figure, bound, side: Side::AtMost, unit, source }
    }

    /// Makes a row whose figure must be at least the bound.
    pub fn at_least(
        what: impl Into<String>,
        figure: f64,
        bound: f64,
        unit: &'static str,
        source: &'static str,
    ) -> Self {
        Self { what: what.into(), figure, bound, side: Side::AtLeast, unit, source }
    }

    /// Makes a row whose figure should be at most the bound, is known to fall short of it, and must not get worse than `most`.
    pub fn short(
        what: impl Into<String>,
        figure: f64,
        (bound, most): (f64, f64),
        unit: &'static str,
        source: &'static str,
    ) -> Self {
        Self { what: what.into(), figure, bound, side: Side::Short(most), unit, source }
    }

    /// Says whether the figure misses a bound that it is known to miss.
    pub fn falls_short(&self) -> bool {
        matches!(self.side, Side::Short(_)) && self.figure > self.bound
    }

    /// Makes a row that tells a figure for which there is no bound.
    pub fn told(what: impl Into<String>, figure: f64, unit: &'static str, source: &'static str) -> Self {
        Self { what: what.into(), figure, bound: f64::NAN, side: Side::Told, unit, source }
    }

    /// Says whether the figure is a number on the good side of its bound, or, where it is known to fall short, no worse than that.
    pub fn holds(&self) -> bool {
        match self.side {
            Side::AtMost => self.figure <= self.bound,
            Side::AtLeast => self.figure >= self.bound,
            Side::Short(most) => self.figure <= most,
            Side::Told => self.figure.is_finite(),
        }
    }
}

/// A group of rows under the name by which it can be asked for.
pub type Group = (&'static str, fn() -> Vec<Row>);

/// What the names of groups begin with that compare the project with itself: what is played with what was planned.
///
/// They find slips in the making of a sound, and say nothing of whether it is a room's.
pub const OWN: &str = "own-";

/// The groups of the table, in order: outside truth first.
pub const GROUPS: [Group; 26] = [
    ("air", air_absorption),
    ("air-ceiling", air_ceiling),
    ("directivity", directivity_factor),
    ("bells", bells),
    ("string-hemispheres", string_hemispheres),
    ("microphones", microphone_differences),
    ("reference-arrivals", reference_arrivals),
    ("traced-energy", traced_energy),
    ("stage-support", stage_support),
    ("measured-halls", measured_halls),
    ("tail-coherence", coherence_of_tails),
    ("seat-tails", seat_tails),
    ("sections", sections),
    ("direct-change", direct_change_with_depth),
    ("placed-loudness", placed_loudness),
    ("movement", movement),
    ("splits", block_splits),
    ("bad-input", bad_input),
    ("largest-output", largest_output),
    ("own-directivity", own_directivity_factor),
    ("own-rendered-arrivals", own_rendered_arrivals),
    ("own-reflected-energy", own_reflected_energy),
    ("own-tail-decay", own_decay_of_tails),
    ("own-whole-decay", own_decay_of_whole_impulse),
    ("own-tail-density", own_density_of_tails),
    ("own-tail-coherence", own_coherence_of_tails),
];

/// Returns decibels of an energy ratio.
fn energy_db(ratio: f64) -> f64 {
    10.0 * ratio.max(1e-30).log10()
}

/// Returns the value below which a share of the values lies.
fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let index = ((values.len() - 1) as f64 * share).ceil() as usize;
    values[index]
}

fn to_f64(samples: &[f32]) -> Vec<f64> {
    samples.iter().map(|&x| f64::from(x)).collect()
}
