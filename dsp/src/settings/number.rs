//! A parameter that is a number: its range, how it is spread over a control, and the grid on which a plan takes it.

use super::unit::Unit;

/// How a value is spread over the travel of a control.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Evenly.
    Linear,
    /// Evenly in octaves: equal travel, equal ratio.
    Logarithmic,
}

/// The grid on which a plan takes a number.
///
/// Hosts that keep parameters as 32-bit shares of their range move a value by
/// up to a ten-millionth of the range; a grid far coarser than that gives the
/// same plan in all of them, and is finer than anyone hears.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Grid {
    /// Whole multiples of a step, in the number's unit.
    Step(f64),
    /// Whole numbers of so many steps to a unit: a decimal fraction comes out as it is typed, to the bit.
    PerUnit(f64),
}

/// A parameter that is a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Number {
    /// Unit of `range` and `default`.
    pub unit: Unit,
    /// Lowest and highest value.
    pub range: (f64, f64),
    /// Value of a new instance.
    pub default: f64,
    /// How the range is spread over a control.
    pub spread: Spread,
    /// The grid on which a plan takes it.
    pub grid: Grid,
    /// The word for the top of the range, where that is no number like the others.
    pub top_word: Option<&'static str>,
}

impl Number {
    /// Returns a value in range and on the plan's grid; what is not a number becomes the default.
    pub fn snap(&self, value: f64) -> f64 {
        let (low, high) = self.range;
        let value = if value.is_nan() { self.default } else { value }.clamp(low, high);
        let on_grid = match self.grid {
            Grid::Step(step) => (value / step).round() * step,
            Grid::PerUnit(steps) => (value * steps).round() / steps,
        };
        on_grid.clamp(low, high)
    }

    /// Returns a value in range and on the grid that is shown.
    pub fn on_grid(&self, value: f64) -> f64 {
        let steps = 10_f64.powi(self.unit.decimals() as i32);
        ((value * steps).round() / steps).clamp(self.range.0, self.range.1)
    }

    /// Returns the share of a control's travel at which a value lies, 0 to 1.
    pub fn share(&self, value: f64) -> f64 {
        let (low, high) = self.range;
        match self.spread {
            Spread::Linear => (value - low) / (high - low),
            Spread::Logarithmic => (value / low).ln() / (high / low).ln(),
        }
    }

    /// Returns the value at a share of a control's travel, on the grid that is shown.
    pub fn at_share(&self, share: f64) -> f64 {
        let (low, high) = self.range;
        let share = share.clamp(0.0, 1.0);
        let value = match self.spread {
            Spread::Linear => low + (high - low) * share,
            Spread::Logarithmic => low * (high / low).powf(share),
        };
        self.on_grid(value)
    }

    /// Returns a value as it is shown, without its unit; the word for the top where there is one.
    pub fn text(&self, value: f64) -> String {
        match self.top_word {
            Some(word) if self.is_top(value) => word.to_owned(),
            _ => self.unit.text(value),
        }
    }

    /// Returns a value as it is shown, with its unit.
    pub fn shown(&self, value: f64) -> String {
        match self.top_word {
            Some(word) if self.is_top(value) => word.to_owned(),
            _ => self.unit.text(value) + self.unit.suffix(),
        }
    }

    /// Reads a number with or without its unit, or the word for the top; it may lie out of range.
    pub fn parse(&self, text: &str) -> Option<f64> {
        match self.top_word {
            Some(word) if text.trim().eq_ignore_ascii_case(word) => Some(self.range.1),
            _ => self.unit.parse(text),
        }
    }

    /// Says in words what may be written, as in "0.50 to 25.00 m".
    pub fn allowed(&self) -> String {
        let (low, high) = self.range;
        let or = self.top_word.map_or_else(String::new, |word| format!(", or {word}"));
        format!("{} to {}{}{or}", self.unit.text(low), self.unit.text(high), self.unit.suffix())
    }

    /// Says whether a value, as shown, is the top of the range.
    fn is_top(&self, value: f64) -> bool {
        value >= self.range.1 - f64::from(self.unit.step()) / 2.0
    }
}
