//! How the framework's parameters hold the values of a table.

use std::sync::Arc;

use nice_plug::prelude::{BoolParam, FloatParam, FloatRange};
use rostra_dsp::settings::{Kind, Number, Parameter, Spread};

/// What the framework's parameter of a number holds.
///
/// The framework knows no logarithmic range (its skewed one is a power law).
/// A logarithmic number is therefore kept as log2 of its value in a linear
/// range, which makes the mapping exactly logarithmic; its text, typed or
/// shown, is the value itself, and a saved state holds the log2.
pub trait Stored {
    /// Returns the value for what the framework's parameter holds, in the number's unit.
    fn value(&self, stored: f32) -> f64;

    /// Returns what the framework's parameter holds for a value in the number's unit.
    ///
    /// For a logarithmic number, values below the range are brought inside first: zero has no logarithm.
    fn stored(&self, value: f64) -> f32;

    /// Brings a stored value into range; what is not a number becomes the default.
    fn stored_in_range(&self, stored: f32) -> f32;
}

impl Stored for Number {
    fn value(&self, stored: f32) -> f64 {
        match self.spread {
            Spread::Linear => f64::from(stored),
            Spread::Logarithmic => f64::from(stored).exp2(),
        }
    }

    fn stored(&self, value: f64) -> f32 {
        match self.spread {
            Spread::Linear => value as f32,
            Spread::Logarithmic => value.max(self.range.0).log2() as f32,
        }
    }

    fn stored_in_range(&self, stored: f32) -> f32 {
        let stored = if stored.is_nan() { self.stored(self.default) } else { stored };
        stored.clamp(self.stored(self.range.0), self.stored(self.range.1))
    }
}

/// Returns a parameter as a number while the program is compiled.
///
/// # Panics
/// Where it is none.
pub(crate) const fn number_of(parameter: &'static Parameter) -> &'static Number {
    match &parameter.kind {
        Kind::Number(number) => number,
        Kind::List(_) | Kind::Switch => panic!("the parameter is no number"),
    }
}

/// Makes the framework's parameter of a number.
pub(crate) fn number(parameter: &'static Parameter, number: &'static Number) -> FloatParam {
    let (low, high) = number.range;
    let range = FloatRange::Linear { min: number.stored(low), max: number.stored(high) };
    let made = FloatParam::new(parameter.name, number.stored(number.default), range)
        .with_string_to_value(Arc::new(|text| number.parse(text).map(|value| number.stored(value))));
    if number.top_word.is_some() {
        // "off m" would be nonsense: this one writes its unit itself.
        return made.with_value_to_string(Arc::new(|stored| number.shown(number.value(stored))));
    }
    let made = made
        .with_value_to_string(Arc::new(|stored| number.text(number.value(stored))))
        .with_unit(number.unit.suffix());
    match number.spread {
        Spread::Linear => made.with_step_size(number.unit.step()),
        Spread::Logarithmic => made,
    }
}

/// Makes the framework's parameter of a switch.
pub(crate) fn switch(parameter: &'static Parameter) -> BoolParam {
    BoolParam::new(parameter.name, false)
        .with_value_to_string(Arc::new(|is_on| parameter.shown(f64::from(u8::from(is_on)))))
        .with_string_to_value(Arc::new(|text| parameter.parse(text).map(|value| value >= 0.5)))
}
