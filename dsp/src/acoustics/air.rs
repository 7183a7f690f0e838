//! What the air takes from a sound on its way, and how fast it carries it.

/// The air on the platform.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// Temperature, 0 to 40 degrees Celsius.
    pub temperature_c: f64,
    /// Relative humidity, 10 to 100 per cent.
    pub humidity_pct: f64,
    /// Multiplier of the attenuation in dB, 0 to 8; 1 is real air.
    pub loss: f64,
}

impl Default for Air {
    /// 20 degrees, 50 per cent, real loss: an ordinary hall (common practice, no source).
    fn default() -> Self {
        Self { temperature_c: 20.0, humidity_pct: 50.0, loss: 1.0 }
    }
}

impl Air {
    /// Returns the speed of sound, c = 331.3 sqrt(1 + T/273.15), in m/s.
    ///
    /// # Source
    /// The ideal-gas law with 331.3 m/s at 0 degrees Celsius (handbook value,
    /// from memory); ISO 9613-1:1993 uses 343.2 m/s at 20 degrees.
    pub fn speed_of_sound_m_s(&self) -> f64 {
        331.3 * (1.0 + self.temperature_c / ZERO_CELSIUS_K).sqrt()
    }

    /// Returns the attenuation after the multiplier, `loss` times a(f), in dB per metre.
    pub fn attenuation_db_per_m(&self, frequency_hz: f64) -> f64 {
        self.loss * pure_tone_attenuation_db_per_m(frequency_hz, self.temperature_c, self.humidity_pct)
    }

    /// Returns the decay of a room whose walls take nothing, T = 24 ln10/(4 m c) = 60 dB/(a c), in seconds: none is longer.
    ///
    /// a the attenuation in dB per metre, m = a/4.343 that of energy in nepers
    /// per metre, c the speed of sound; infinite without loss.
    ///
    /// # Source
    /// Knudsen (1931).
    pub fn longest_decay_s(&self, frequency_hz: f64) -> f64 {
        60.0 / (self.attenuation_db_per_m(frequency_hz) * self.speed_of_sound_m_s())
    }
}

/// Absolute temperature of 0 degrees Celsius, K (definition of the scale).
const ZERO_CELSIUS_K: f64 = 273.15;
/// Reference temperature T0 = 20 degrees Celsius, K (ISO 9613-1:1993, clause 4.2).
const REFERENCE_K: f64 = 293.15;
/// Triple-point isotherm temperature T01, K (ISO 9613-1:1993, annex B).
const TRIPLE_POINT_K: f64 = 273.16;

/// Returns the pure-tone attenuation of still air at one standard atmosphere, in dB per metre.
///
/// a = 8.686 f^2 ( 1.84e-11 (T/T0)^(1/2) + (T/T0)^(-5/2) (
///     0.01275 exp(-2239.1/T) / (frO + f^2/frO) + 0.1068 exp(-3352/T) / (frN + f^2/frN) ) )
///
/// with f in Hz, T in K and the relaxation frequencies of oxygen and nitrogen
/// frO = 24 + 4.04e4 h (0.02 + h)/(0.391 + h),
/// frN = (T/T0)^(-1/2) (9 + 280 h exp(-4.170 ((T/T0)^(-1/3) - 1))),
/// h the molar concentration of water vapour in per cent.
///
/// # Source
/// ISO 9613-1:1993, equations (3) to (5), and (B.1) to (B.3) for h; pressure
/// 101.325 kPa throughout (deviation: weather is left out).
pub fn pure_tone_attenuation_db_per_m(frequency_hz: f64, temperature_c: f64, humidity_pct: f64) -> f64 {
    let kelvin = temperature_c + ZERO_CELSIUS_K;
    let relative = kelvin / REFERENCE_K;
    let saturation = 10_f64.powf(-6.8346 * (TRIPLE_POINT_K / kelvin).powf(1.261) + 4.6151);
    let h_pct = humidity_pct * saturation;
    let oxygen_hz = 24.0 + 4.04e4 * h_pct * (0.02 + h_pct) / (0.391 + h_pct);
    let nitrogen_hz =
        relative.powf(-0.5) * (9.0 + 280.0 * h_pct * (-4.170 * (relative.powf(-1.0 / 3.0) - 1.0)).exp());
    let f2 = frequency_hz * frequency_hz;
    let classical = 1.84e-11 * relative.sqrt();
    let oxygen = 0.01275 * (-2239.1 / kelvin).exp() / (oxygen_hz + f2 / oxygen_hz);
    let nitrogen = 0.1068 * (-3352.0 / kelvin).exp() / (nitrogen_hz + f2 / nitrogen_hz);
    8.686 * f2 * (classical + relative.powf(-2.5) * (oxygen + nitrogen))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sound_travels_at_343_m_s_at_20_degrees() {
        // ISO 9613-1:1993 gives 343.2 m/s; the two formulas differ by 0.02 m/s.
        let speed = Air::default().speed_of_sound_m_s();
        assert!((speed - 343.2).abs() < 0.05, "expected 343.2, got {speed}");
    }

    #[test]
    fn no_loss_means_no_attenuation() {
        let air = Air { loss: 0.0, ..Air::default() };
        assert_eq!(air.attenuation_db_per_m(8000.0), 0.0);
        assert_eq!(air.longest_decay_s(8000.0), f64::INFINITY);
    }
}
