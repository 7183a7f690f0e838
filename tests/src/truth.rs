//! The table of figures against outside truth: what, figure, bound, source.

mod energy;
mod handbook;
mod movement;
mod reference_arrivals;
mod rendered_arrivals;
mod robustness;
mod tails;
mod traced_energy;

pub use energy::{direct_change_with_depth, reflected_energy};
pub use handbook::{air_absorption, directivity_factor, microphone_differences};
pub use movement::movement;
pub use reference_arrivals::{reference_arrivals, reference_errors};
pub use rendered_arrivals::rendered_arrivals;
pub use robustness::{bad_input, block_splits, largest_output, largest_possible};
pub use tails::{coherence_of_tails, decay_of_tails, decay_of_whole_impulse, density_of_tails};
pub use traced_energy::{traced_energy, traced_energy_in_full};

/// Which side of the bound is good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The figure may be at most the bound.
    AtMost,
    /// The figure must be at least the bound.
    AtLeast,
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

    /// Makes a row that tells a figure for which there is no bound.
    pub fn told(what: impl Into<String>, figure: f64, unit: &'static str, source: &'static str) -> Self {
        Self { what: what.into(), figure, bound: f64::NAN, side: Side::Told, unit, source }
    }

    /// Says whether the figure is a number on the good side of its bound.
    pub fn holds(&self) -> bool {
        match self.side {
            Side::AtMost => self.figure <= self.bound,
            Side::AtLeast => self.figure >= self.bound,
            Side::Told => self.figure.is_finite(),
        }
    }
}

/// A group of rows under the name by which it can be asked for.
pub type Group = (&'static str, fn() -> Vec<Row>);

/// The groups of the table, in order.
pub const GROUPS: [Group; 16] = [
    ("traced-energy", traced_energy),
    ("air", air_absorption),
    ("directivity", directivity_factor),
    ("microphones", microphone_differences),
    ("reference-arrivals", reference_arrivals),
    ("rendered-arrivals", rendered_arrivals),
    ("tail-decay", decay_of_tails),
    ("whole-decay", decay_of_whole_impulse),
    ("tail-density", density_of_tails),
    ("tail-coherence", coherence_of_tails),
    ("reflected-energy", reflected_energy),
    ("direct-change", direct_change_with_depth),
    ("movement", movement),
    ("splits", block_splits),
    ("bad-input", bad_input),
    ("largest-output", largest_output),
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
