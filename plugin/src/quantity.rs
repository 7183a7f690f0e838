//! Numbers with units: how a parameter's value is spread over its range, shown and typed in.

use std::sync::Arc;

use nice_plug::prelude::{FloatParam, FloatRange};

/// What a number measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Metres.
    Metres,
    /// Degrees of arc.
    Degrees,
    /// Seconds.
    Seconds,
    /// Milliseconds.
    Milliseconds,
    /// Hertz.
    Hertz,
    /// Decibels.
    Decibels,
    /// Per cent.
    PerCent,
    /// A plain factor.
    Times,
    /// Degrees Celsius.
    Celsius,
    /// Cubic metres.
    CubicMetres,
}

impl Unit {
    /// Returns what is written after a number, with the space before it.
    pub const fn suffix(self) -> &'static str {
        match self {
            Self::Metres => " m",
            Self::Degrees => " deg",
            Self::Seconds => " s",
            Self::Milliseconds => " ms",
            Self::Hertz => " Hz",
            Self::Decibels => " dB",
            Self::PerCent => " %",
            Self::Times => " x",
            Self::Celsius => " °C",
            Self::CubicMetres => " m3",
        }
    }

    /// Returns how many decimals are shown: the grid of [`rostra_dsp::Settings::snapped`].
    pub const fn decimals(self) -> usize {
        match self {
            Self::CubicMetres => 0,
            Self::Metres | Self::Times => 2,
            Self::Seconds => 3,
            Self::Milliseconds
            | Self::Degrees
            | Self::Hertz
            | Self::Decibels
            | Self::PerCent
            | Self::Celsius => 1,
        }
    }

    /// Returns the step that the shown decimals resolve, in this unit.
    pub const fn step(self) -> f32 {
        match self.decimals() {
            0 => 1.0,
            1 => 0.1,
            2 => 0.01,
            _ => 0.001,
        }
    }

    /// Returns what one of the typed unit is in this unit; `None` for a word that is not a unit of it.
    fn factor(self, typed: &str) -> Option<f64> {
        let typed = typed.to_lowercase();
        if typed.is_empty() {
            return Some(1.0);
        }
        let known: &[(&str, f64)] = match self {
            Self::Metres => &[
                ("m", 1.0),
                ("metre", 1.0),
                ("metres", 1.0),
                ("meter", 1.0),
                ("meters", 1.0),
                ("cm", 0.01),
                ("mm", 0.001),
            ],
            Self::Degrees => &[("deg", 1.0), ("°", 1.0), ("degree", 1.0), ("degrees", 1.0)],
            Self::Seconds => &[("s", 1.0), ("sec", 1.0), ("second", 1.0), ("seconds", 1.0), ("ms", 0.001)],
            Self::Milliseconds => &[("ms", 1.0), ("s", 1000.0)],
            Self::Hertz => &[("hz", 1.0), ("khz", 1000.0)],
            Self::Decibels => &[("db", 1.0)],
            Self::PerCent => &[("%", 1.0), ("per cent", 1.0), ("percent", 1.0)],
            Self::Times => &[("x", 1.0), ("×", 1.0), ("times", 1.0)],
            Self::CubicMetres => &[("m3", 1.0), ("m\u{b3}", 1.0), ("cubic metres", 1.0), ("l", 0.001)],
            Self::Celsius => &[("°c", 1.0), ("c", 1.0), ("deg c", 1.0), ("° c", 1.0), ("°", 1.0)],
        };
        known.iter().find(|(word, _)| *word == typed).map(|&(_, factor)| factor)
    }

    /// Writes a value with its decimals, without the unit; never "-0".
    pub fn text(self, value: f64) -> String {
        let decimals = self.decimals();
        let text = format!("{value:.decimals$}");
        match text.strip_prefix('-') {
            Some(size) if size.bytes().all(|c| matches!(c, b'0' | b'.')) => size.to_owned(),
            _ => text,
        }
    }

    /// Reads a number, with or without a unit; a comma or a point before the decimals.
    ///
    /// `None` for anything else; a value outside a range is brought inside later.
    pub fn parse(self, text: &str) -> Option<f64> {
        let text = text.trim();
        let is_of_number = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-' | '\u{2212}');
        let end = text.find(|c| !is_of_number(c)).unwrap_or(text.len());
        let (number, unit) = text.split_at(end);
        let number = number.replace(',', ".").replace('\u{2212}', "-");
        let value: f64 = number.parse().ok()?;
        Some(value * self.factor(unit.trim())?)
    }
}

/// How a value is spread over the travel of a control.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Evenly.
    Linear,
    /// Evenly in octaves: equal travel, equal ratio.
    Logarithmic,
    /// Evenly in octaves, and the top of the range means 'off'.
    LogarithmicTopIsOff,
}

/// A numeric parameter: everything that hosts, tests and manuals may want to know of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Number {
    /// Stable id: sessions depend on it.
    pub id: &'static str,
    /// Name shown.
    pub name: &'static str,
    /// Unit of `range` and `default`.
    pub unit: Unit,
    /// Lowest and highest value.
    pub range: (f64, f64),
    /// Value of a new instance.
    pub default: f64,
    /// How the range is spread over the control.
    pub spread: Spread,
}

impl Number {
    /// Makes the framework's parameter.
    ///
    /// The framework knows no logarithmic range (its skewed one is a power law).
    /// A logarithmic number is therefore kept as log2 of its value in a linear
    /// range, which makes the mapping exactly logarithmic; its text, typed or
    /// shown, is the value itself, and a saved state holds the log2.
    pub fn parameter(&'static self) -> FloatParam {
        let range = FloatRange::Linear { min: self.stored(self.range.0), max: self.stored(self.range.1) };
        let parameter = FloatParam::new(self.name, self.stored(self.default), range)
            .with_value_to_string(Arc::new(|stored| self.text(self.value(stored))))
            .with_string_to_value(Arc::new(|text| self.parse(text).map(|value| self.stored(value))));
        match self.spread {
            Spread::Linear => parameter.with_unit(self.unit.suffix()).with_step_size(self.unit.step()),
            Spread::Logarithmic => parameter.with_unit(self.unit.suffix()),
            // "off m" would be nonsense: this one writes its unit itself.
            Spread::LogarithmicTopIsOff => parameter,
        }
    }

    /// Returns the value for what the framework's parameter holds, in `unit`.
    pub fn value(&self, stored: f32) -> f64 {
        match self.spread {
            Spread::Linear => f64::from(stored),
            Spread::Logarithmic | Spread::LogarithmicTopIsOff => f64::from(stored).exp2(),
        }
    }

    /// Returns what the framework's parameter holds for a value in `unit`.
    ///
    /// For a logarithmic number, values below the range are brought inside first: zero has no logarithm.
    pub fn stored(&self, value: f64) -> f32 {
        match self.spread {
            Spread::Linear => value as f32,
            Spread::Logarithmic | Spread::LogarithmicTopIsOff => value.max(self.range.0).log2() as f32,
        }
    }

    /// Brings a stored value into range; what is not a number becomes the default.
    pub fn stored_in_range(&self, stored: f32) -> f32 {
        let stored = if stored.is_nan() { self.stored(self.default) } else { stored };
        stored.clamp(self.stored(self.range.0), self.stored(self.range.1))
    }

    /// Says whether a value, as shown, is the top of a range whose top is 'off'.
    fn is_off(&self, value: f64) -> bool {
        self.spread == Spread::LogarithmicTopIsOff
            && value >= self.range.1 - f64::from(self.unit.step()) / 2.0
    }

    /// Returns a value as it is shown, with its unit.
    pub fn shown(&self, value: f64) -> String {
        match self.spread {
            Spread::LogarithmicTopIsOff => self.text(value),
            Spread::Linear | Spread::Logarithmic => self.text(value) + self.unit.suffix(),
        }
    }

    /// Returns the share of the control's travel at which a value lies, 0 to 1.
    pub fn share(&self, value: f64) -> f64 {
        let (low, high) = self.range;
        match self.spread {
            Spread::Linear => (value - low) / (high - low),
            Spread::Logarithmic | Spread::LogarithmicTopIsOff => (value / low).ln() / (high / low).ln(),
        }
    }

    /// Returns the value at a share of the control's travel, on the grid that is shown.
    pub fn at_share(&self, share: f64) -> f64 {
        let (low, high) = self.range;
        let share = share.clamp(0.0, 1.0);
        let value = match self.spread {
            Spread::Linear => low + (high - low) * share,
            Spread::Logarithmic | Spread::LogarithmicTopIsOff => low * (high / low).powf(share),
        };
        self.on_grid(value)
    }

    /// Brings a value into range and onto the grid that is shown.
    pub fn on_grid(&self, value: f64) -> f64 {
        let steps = 10_f64.powi(self.unit.decimals() as i32);
        ((value * steps).round() / steps).clamp(self.range.0, self.range.1)
    }

    fn text(&self, value: f64) -> String {
        match self.spread {
            Spread::Linear | Spread::Logarithmic => self.unit.text(value),
            Spread::LogarithmicTopIsOff if self.is_off(value) => OFF.to_owned(),
            Spread::LogarithmicTopIsOff => self.unit.text(value) + self.unit.suffix(),
        }
    }

    /// Reads what was typed: a number with or without its unit, or 'off' where the top of the range means that.
    pub fn parse(&self, text: &str) -> Option<f64> {
        if self.spread == Spread::LogarithmicTopIsOff && text.trim().eq_ignore_ascii_case(OFF) {
            return Some(self.range.1);
        }
        self.unit.parse(text)
    }
}

/// The word for a number that is not in use.
pub const OFF: &str = "off";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_read_with_its_unit_or_without_and_with_comma_or_point() {
        for (unit, text, expected) in [
            (Unit::Metres, "5", 5.0),
            (Unit::Metres, " 5.25 m ", 5.25),
            (Unit::Metres, "5,25m", 5.25),
            (Unit::Metres, "12cm", 0.12),
            (Unit::Metres, "120 MM", 0.12),
            (Unit::Degrees, "-12.0 deg", -12.0),
            (Unit::Degrees, "\u{2212}12°", -12.0),
            (Unit::Degrees, "+12", 12.0),
            (Unit::Seconds, "500 ms", 0.5),
            (Unit::Seconds, ".5s", 0.5),
            (Unit::Hertz, "0.45 kHz", 450.0),
            (Unit::Decibels, "-3 dB", -3.0),
            (Unit::PerCent, "50%", 50.0),
            (Unit::Times, "1.00 x", 1.0),
            (Unit::Celsius, "20.0 °C", 20.0),
            (Unit::Celsius, "20 c", 20.0),
        ] {
            let got = unit.parse(text);
            assert!(
                got.is_some_and(|value| (value - expected).abs() < 1e-12),
                "{text:?} as {unit:?}: expected {expected}, got {got:?}"
            );
        }
    }

    #[test]
    fn what_is_not_a_number_is_rejected() {
        for text in
            ["", "m", "abc", "5 apples", "nan", "inf", "-inf", "1e3", "5 kg", "1.2.3", "--5", "1,000.5"]
        {
            assert_eq!(Unit::Metres.parse(text), None, "{text:?} was taken");
        }
    }

    #[test]
    fn a_value_that_rounds_to_nothing_has_no_sign() {
        assert_eq!(Unit::Decibels.text(-0.04), "0.0");
        assert_eq!(Unit::Decibels.text(-0.06), "-0.1");
        assert_eq!(Unit::Metres.text(-10.0), "-10.00");
    }

    #[test]
    fn shares_and_values_are_each_others_inverse() {
        for number in crate::parameters::NUMBERS {
            for step in 0..=20 {
                let share = f64::from(step) / 20.0;
                let value = number.at_share(share);
                // Half a step of the grid, as a share where the scale is steepest.
                let slack = number.share(number.range.0 + 0.5 * f64::from(number.unit.step())) + 1e-9;
                assert!((number.share(value) - share).abs() <= slack, "{}: {share} gives {value}", number.id);
            }
            assert_eq!(number.at_share(number.share(number.default)), number.default, "{}", number.id);
        }
    }
}
