//! What a number measures, and how it is written and read.

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
    /// How many there are.
    Count,
}

impl Unit {
    /// Returns what is written after a number, with the space before it where there is one.
    ///
    /// # Source
    /// The SI brochure (BIPM 2019, 5.4.3): a space before every unit but the degree of arc.
    pub const fn suffix(self) -> &'static str {
        match self {
            Self::Metres => " m",
            Self::Degrees => "°",
            Self::Seconds => " s",
            Self::Milliseconds => " ms",
            Self::Hertz => " Hz",
            Self::Decibels => " dB",
            Self::PerCent => " %",
            Self::Times => " x",
            Self::Celsius => " °C",
            Self::CubicMetres => " m³",
            Self::Count => "",
        }
    }

    /// Returns how many decimals are shown.
    ///
    /// A plan takes numbers on a finer grid, see [`super::Number::grid`].
    pub const fn decimals(self) -> usize {
        match self {
            Self::CubicMetres | Self::Count => 0,
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
            Self::Degrees => &[("°", 1.0), ("deg", 1.0), ("degree", 1.0), ("degrees", 1.0)],
            Self::Seconds => &[("s", 1.0), ("sec", 1.0), ("second", 1.0), ("seconds", 1.0), ("ms", 0.001)],
            Self::Milliseconds => &[("ms", 1.0), ("s", 1000.0)],
            Self::Hertz => &[("hz", 1.0), ("khz", 1000.0)],
            Self::Decibels => &[("db", 1.0)],
            Self::PerCent => &[("%", 1.0), ("per cent", 1.0), ("percent", 1.0)],
            Self::Times => &[("x", 1.0), ("×", 1.0), ("times", 1.0)],
            Self::CubicMetres => &[("m³", 1.0), ("m3", 1.0), ("cubic metres", 1.0), ("l", 0.001)],
            Self::Count => &[],
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
    /// `None` for anything else.
    pub fn parse(self, text: &str) -> Option<f64> {
        let text = text.trim();
        let is_of_number = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-' | '\u{2212}');
        let end = text.find(|c| !is_of_number(c)).unwrap_or(text.len());
        let (number, unit) = text.split_at(end);
        if number.len() > LONGEST_NUMBER {
            return None;
        }
        let number = number.replace(',', ".").replace('\u{2212}', "-");
        let value: f64 = number.parse().ok()?;
        Some(value * self.factor(unit.trim())?)
    }
}

/// Most bytes of a number. Our choice: three times what a double has.
const LONGEST_NUMBER: usize = 64;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_read_with_its_unit_or_without_and_with_comma_or_point() {
        for (unit, text, expected) in [
            (Unit::Metres, "5", 5.0),
            (Unit::Metres, " 5.25 m ", 5.25),
            (Unit::Metres, "8.5 metres", 8.5),
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
            (Unit::CubicMetres, "12000 m3", 12_000.0),
            (Unit::CubicMetres, "12000 m³", 12_000.0),
            (Unit::Count, "14", 14.0),
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
        let endless = "1".repeat(1 << 20);
        for text in [
            "", "m", "abc", "5 apples", "nan", "inf", "-inf", "1e3", "5 kg", "1.2.3", "--5", "1,000.5",
            &endless,
        ] {
            assert_eq!(Unit::Metres.parse(text), None, "{:?} was taken", &text[..text.len().min(20)]);
        }
    }

    #[test]
    fn a_value_that_rounds_to_nothing_has_no_sign() {
        assert_eq!(Unit::Decibels.text(-0.04), "0.0");
        assert_eq!(Unit::Decibels.text(-0.06), "-0.1");
        assert_eq!(Unit::Metres.text(-10.0), "-10.00");
    }
}
