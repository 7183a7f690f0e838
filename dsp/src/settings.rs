//! Everything that the user sets, as plain values, and how they are snapped.

use crate::acoustics::pickup::Pickup;
use crate::acoustics::platform::Platform;
use crate::acoustics::seat::Seat;

/// The close microphone and the weight of the low middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Distance of the close microphone whose proximity rise is taken out,
    /// 0.05 to 2 m; `None` is off.
    pub close_mic_m: Option<f64>,
    /// Centre of the low-mid bell, 150 to 900 Hz.
    pub low_mid_hz: f64,
    /// Gain of the low-mid bell, -18 to 6 dB.
    pub low_mid_db: f64,
}

impl Default for Tone {
    fn default() -> Self {
        Self { close_mic_m: None, low_mid_hz: 450.0, low_mid_db: 0.0 }
    }
}

/// How loud the parts are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Platform balance m, 0 to 100 %: 50 as in the room, 0 direct sound alone, 100 platform alone.
    pub balance_pct: f64,
    /// Level with distance, 0 to 100 %: 0 keeps balances, 100 follows 4 m / r.
    pub law_pct: f64,
    /// Trim, -24 to 24 dB.
    pub trim_db: f64,
}

impl Default for Level {
    fn default() -> Self {
        Self { balance_pct: 50.0, law_pct: 0.0, trim_db: 0.0 }
    }
}

/// All settings of one instance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Settings {
    /// Where the player sits.
    pub seat: Seat,
    /// What the player sits on.
    pub platform: Platform,
    /// Who listens.
    pub pickup: Pickup,
    /// What is done to the tone before the platform.
    pub tone: Tone,
    /// How loud the parts are.
    pub level: Level,
}

/// Brings `value` into `range` and onto a grid of `step`; what is not a number becomes `fallback`.
fn snap(value: f64, range: (f64, f64), step: f64, fallback: f64) -> f64 {
    let value = if value.is_nan() { fallback } else { value };
    ((value.clamp(range.0, range.1) / step).round() * step).clamp(range.0, range.1)
}

/// Steps of the grid: metres, degrees, decibels, per cent, seconds.
///
/// Hosts that keep parameters as 32-bit shares of their range move a value by
/// up to a ten-millionth of the range; a grid far coarser than that gives the
/// same plan in all of them, and is finer than anyone hears.
const STEP_M: f64 = 0.01;
/// A seat or a pickup that moves: a coarser grid would be heard as roughness of a moving tone. 25 m times 2^-24 is
/// 1.5e-6 m.
const FINE_STEP_M: f64 = 1e-5;
const FINE_STEP_DEG: f64 = 1e-4;
const STEP_DB: f64 = 0.001;
const STEP_PCT: f64 = 0.001;
const STEP_HUMIDITY_PCT: f64 = 0.1;
const STEP_S: f64 = 0.001;
const STEP_HZ: f64 = 0.1;
const STEP_C: f64 = 0.1;
const STEP_TIMES: f64 = 0.01;

/// Range of the close-microphone distance, m; from the top on it is off.
pub const CLOSE_MIC_M: (f64, f64) = (0.05, 2.0);

impl Settings {
    /// Returns the settings in range and snapped: a seat to 0.01 mm and 0.0001 degree, a platform to 10 mm and 1 ms.
    ///
    /// Values that are not numbers become the defaults.
    #[must_use]
    pub fn snapped(&self) -> Self {
        let default = Self::default();
        let mut s = *self;
        let metres = |value: &mut f64, range, fallback| *value = snap(*value, range, STEP_M, fallback);
        let finely = |value: &mut f64, range, fallback| *value = snap(*value, range, FINE_STEP_M, fallback);
        finely(&mut s.seat.depth_m, (0.5, 25.0), default.seat.depth_m);
        finely(&mut s.seat.riser_m, (0.0, 2.0), default.seat.riser_m);
        finely(&mut s.seat.width_m, (0.0, 8.0), default.seat.width_m);
        finely(&mut s.pickup.depth_m, (0.0, 4.0), default.pickup.depth_m);
        finely(&mut s.pickup.height_m, (1.5, 5.0), default.pickup.height_m);
        metres(&mut s.platform.width_m, (8.0, 30.0), default.platform.width_m);
        metres(&mut s.platform.depth_m, (5.0, 25.0), default.platform.depth_m);
        metres(&mut s.platform.height_m, (4.0, 20.0), default.platform.height_m);
        s.seat.bearing_deg = snap(s.seat.bearing_deg, (-60.0, 60.0), FINE_STEP_DEG, default.seat.bearing_deg);
        s.seat.facing_deg = snap(s.seat.facing_deg, (-180.0, 180.0), FINE_STEP_DEG, default.seat.facing_deg);
        s.platform.decay_s = snap(s.platform.decay_s, (0.2, 2.0), STEP_S, default.platform.decay_s);
        let air = &mut s.platform.air;
        air.temperature_c = snap(air.temperature_c, (0.0, 40.0), STEP_C, default.platform.air.temperature_c);
        air.humidity_pct =
            snap(air.humidity_pct, (10.0, 100.0), STEP_HUMIDITY_PCT, default.platform.air.humidity_pct);
        air.loss = snap(air.loss, (0.0, 8.0), STEP_TIMES, default.platform.air.loss);
        s.tone.close_mic_m = s
            .tone
            .close_mic_m
            .map(|distance_m| snap(distance_m, CLOSE_MIC_M, STEP_M, CLOSE_MIC_M.1))
            .filter(|&distance_m| distance_m < CLOSE_MIC_M.1);
        s.tone.low_mid_hz = snap(s.tone.low_mid_hz, (150.0, 900.0), STEP_HZ, default.tone.low_mid_hz);
        s.tone.low_mid_db = snap(s.tone.low_mid_db, (-18.0, 6.0), STEP_DB, default.tone.low_mid_db);
        s.level.balance_pct = snap(s.level.balance_pct, (0.0, 100.0), STEP_PCT, default.level.balance_pct);
        s.level.law_pct = snap(s.level.law_pct, (0.0, 100.0), STEP_PCT, default.level.law_pct);
        s.level.trim_db = snap(s.level.trim_db, (-24.0, 24.0), STEP_DB, default.level.trim_db);
        s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_a_number_becomes_the_default() {
        let mut settings = Settings::default();
        settings.seat.depth_m = f64::NAN;
        settings.level.trim_db = f64::INFINITY;
        let snapped = settings.snapped();
        assert_eq!(snapped.seat.depth_m, 5.0);
        assert_eq!(snapped.level.trim_db, 24.0);
    }

    #[test]
    fn the_defaults_lie_on_the_grid() {
        let (snapped, default) = (Settings::default().snapped(), Settings::default());
        assert!((snapped.seat.depth_m - default.seat.depth_m).abs() < 1e-12);
        assert!((snapped.platform.decay_s - default.platform.decay_s).abs() < 1e-12);
    }
}
