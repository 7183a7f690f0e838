//! Decibels as factors, and back.

/// Returns the factor on a pressure that a level in dB stands for: 10^(L/20).
pub fn gain_of_db(level_db: f64) -> f64 {
    10_f64.powf(level_db / 20.0)
}

/// Returns the factor on an energy that a level in dB stands for: 10^(L/10).
pub fn energy_of_db(level_db: f64) -> f64 {
    10_f64.powf(level_db / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twenty_decibels_are_ten_times_the_pressure_and_a_hundred_times_the_energy() {
        assert_eq!((gain_of_db(20.0), energy_of_db(20.0)), (10.0, 100.0));
        assert_eq!((gain_of_db(0.0), energy_of_db(0.0)), (1.0, 1.0));
    }
}
