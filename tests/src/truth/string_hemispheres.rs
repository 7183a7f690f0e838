//! How much more strings send ahead of their plates than behind them.

use rostra_dsp::acoustics::{BANDS, Family, NOMINAL_HZ, Pattern};

use super::{Row, energy_db};

const BISSINGER: &str =
    "Bissinger, measured violins, abstracts: averaged directivity rises slowly from 1 to about 2 at 4 kHz";
/// The octave that is held to a bound: 4 kHz.
const HELD: usize = 5;

/// Returns the energy that goes into the half-space around the axis against the other half, dB.
fn front_to_back_db(pattern: &Pattern) -> f64 {
    const STEPS: usize = 20_000;
    let half = |sign: f64| -> f64 {
        (0..STEPS).map(|step| pattern.gain(sign * (step as f64 + 0.5) / STEPS as f64).powi(2)).sum()
    };
    energy_db(half(1.0) / half(-1.0))
}

/// Energy of the front hemisphere against the back one, top plate and front plate, by integration over the sphere.
pub fn string_hemispheres() -> Vec<Row> {
    let mut rows = Vec::new();
    for family in [Family::TopPlate, Family::FrontPlate] {
        let patterns = family.patterns();
        for band in 0..BANDS {
            let figure = front_to_back_db(&patterns[band]);
            let what = format!("{}, front hemisphere against back, {} Hz", family.name(), NOMINAL_HZ[band]);
            if band == HELD {
                rows.push(Row::at_least(what.clone(), figure, 3.0, "dB", BISSINGER));
                rows.push(Row::at_most(what, figure, 6.0, "dB", BISSINGER));
            } else {
                rows.push(Row::told(what, figure, "dB", BISSINGER));
            }
        }
    }
    let bell = front_to_back_db(&Family::ForwardBell.patterns()[HELD]);
    rows.push(Row::at_least("the same of a bell, 4000 Hz (the control)", bell, 6.0, "dB", BISSINGER));
    let cardioid = front_to_back_db(&Pattern { exponent: 1.0, leak: 0.0 });
    // 7/8 of a cardioid's energy is in front: e_directivity.csv.
    let what = "front hemisphere of the cardioid against 7/8 by closed form";
    rows.push(Row::at_most(what, (cardioid - energy_db(7.0)).abs(), 0.01, "dB", "closed form"));
    rows
}
