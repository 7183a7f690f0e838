//! The tables.

use serde::Serialize;

use super::budget::Budget;
use super::clock::Timing;

/// A row of blocks that were timed.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Timed {
    /// What it is.
    pub(crate) what: String,
    /// Sample rate, Hz.
    pub(crate) rate_hz: f64,
    /// Frames of a block.
    pub(crate) block_frames: usize,
    /// Instances that one callback sounds; ns per frame are those of one.
    pub(crate) instances: usize,
    /// What was measured.
    pub(crate) timing: Timing,
    /// Bound on the least ns per frame.
    pub(crate) budget: Option<Budget>,
    /// Whether it holds.
    pub(crate) holds: Option<bool>,
}

impl Timed {
    /// Makes a row and holds it against its budget.
    pub(crate) fn new(
        what: impl Into<String>,
        (rate_hz, block_frames): (f64, usize),
        instances: usize,
        timing: Timing,
        budget: Option<Budget>,
    ) -> Self {
        let holds = budget.map(|budget| budget.holds(timing.least_ns_per_frame));
        Self { what: what.into(), rate_hz, block_frames, instances, timing, budget, holds }
    }

    /// Returns how much of a block's time one instance takes, in per cent.
    pub(crate) fn share_pct(&self) -> f64 {
        self.timing.least_ns_per_frame * self.rate_hz * 1e-7
    }
}

/// A single figure.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Figure {
    /// What it is.
    pub(crate) what: String,
    /// The number, in its unit.
    pub(crate) value: f64,
    /// Its unit.
    pub(crate) unit: &'static str,
    /// Its bound.
    pub(crate) budget: Option<Budget>,
    /// Whether it holds.
    pub(crate) holds: Option<bool>,
}

impl Figure {
    /// Makes a figure without a budget.
    pub(crate) fn told(what: impl Into<String>, value: f64, unit: &'static str) -> Self {
        Self { what: what.into(), value, unit, budget: None, holds: None }
    }

    /// Makes a figure and holds it against its budget.
    pub(crate) fn held(what: impl Into<String>, value: f64, unit: &'static str, budget: Budget) -> Self {
        let holds = Some(budget.holds(value));
        Self { what: what.into(), value, unit, budget: Some(budget), holds }
    }
}

/// Prints rows of blocks.
pub(crate) fn print_timed(heading: &str, rows: &[Timed]) {
    println!();
    println!("{heading}");
    println!(
        "{:35} {:>6} {:>5} | {:>7} {:>7} {:>7} {:>7} {:>9} | {:>8} {:>8} {:>8} {:>7} {:>7} |",
        "",
        "Hz",
        "block",
        "ns per",
        "median",
        "undis-",
        "% of",
        "instances",
        "median",
        "99.9 %",
        "worst",
        "worst/",
        "undis-"
    );
    println!(
        "{:35} {:>6} {:>5} | {:>7} {:>7} {:>7} {:>7} {:>9} | {:>8} {:>8} {:>8} {:>7} {:>7} | ns per frame",
        "", "", "", "frame", "", "turbed", "block", "a core", "us", "us", "us", "median", "turbed"
    );
    for row in rows {
        let timing = &row.timing;
        println!(
            "{:35} {:>6} {:>5} | {:>7.1} {:>7.1} {:>7.1} {:>7.3} {:>9.0} | {:>8.2} {:>8.2} {:>8.2} {:>7.2} {:>7.2} | {}",
            row.what,
            row.rate_hz,
            row.block_frames,
            timing.least_ns_per_frame,
            timing.median_ns_per_frame,
            timing.undisturbed_ns_per_frame,
            row.share_pct(),
            (100.0 / row.share_pct()).floor(),
            timing.least_pass.median_us,
            timing.least_pass.most_of_1000_us,
            timing.least_pass.worst_us,
            timing.least_pass.unevenness(),
            timing.undisturbed.unevenness(),
            verdict(row.budget, row.holds),
        );
    }
}

/// Prints single figures.
pub(crate) fn print_figures(figures: &[Figure]) {
    println!();
    println!("Single figures");
    for figure in figures {
        println!(
            "{:84} {:>9} {:20} {}",
            figure.what,
            shortened(figure.value),
            figure.unit,
            verdict(figure.budget, figure.holds)
        );
    }
    let held = |is: bool| figures.iter().filter(|figure| figure.holds == Some(is)).count();
    println!("Of these {} budgets hold, {} do not.", held(true), held(false));
}

fn verdict(budget: Option<Budget>, holds: Option<bool>) -> String {
    match (budget, holds) {
        (Some(budget), Some(true)) => format!("{} holds", budget.shown()),
        (Some(budget), _) => format!("{} MISSED", budget.shown()),
        (None, _) => String::new(),
    }
}

/// Returns a number with three or so digits that matter.
fn shortened(figure: f64) -> String {
    match figure.abs() {
        size if size >= 1000.0 || figure.fract() == 0.0 => format!("{figure:.0}"),
        size if size >= 100.0 => format!("{figure:.1}"),
        size if size >= 1.0 => format!("{figure:.2}"),
        _ => format!("{figure:.3}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_budget_bounds_from_its_side_and_says_so() {
        let figure = Figure::held("x", 41.0, "ns", Budget::AtMost(40.0));
        assert_eq!(verdict(figure.budget, figure.holds), "<= 40 MISSED");
        let figure = Figure::held("x", 6.5, "times", Budget::AtLeast(6.0));
        assert_eq!(verdict(figure.budget, figure.holds), ">= 6 holds");
    }

    #[test]
    fn numbers_keep_three_digits_or_so() {
        for (figure, expected) in
            [(12_345.6, "12346"), (2.0, "2"), (123.45, "123.5"), (1.234, "1.23"), (0.0567, "0.057")]
        {
            assert_eq!(shortened(figure), expected);
        }
    }
}
