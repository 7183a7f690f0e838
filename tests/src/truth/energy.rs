//! Energies: what the platform returns against the direct sound, and what distance does to the direct sound.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{BANDS, PARTS, pure_tone_attenuation_db_per_m};
use rostra_dsp::engine::{Config, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::InstructionSet;
use rostra_dsp::measure::{Take, impulse_response, octave_energies, third_octave_levels_db};
use rostra_dsp::plan::{Planner, SourcePlan, SplitDesign};

use super::{Row, energy_db, to_f64};
use crate::seats;

const RATE_HZ: f64 = 48_000.0;
const OWN_TARGET: &str = "the plan's own target";

/// Returns the octave energies, both channels together, before and after a time.
fn split_energies(response: &[Vec<f32>], at_s: f64) -> [Vec<f64>; PARTS] {
    let at = (at_s * RATE_HZ) as usize;
    let energies = |cut: &dyn Fn(&[f64]) -> Vec<f64>| {
        let mut sum = vec![0.0; BANDS];
        for channel in response {
            for (cell, energy) in sum.iter_mut().zip(octave_energies(&cut(&to_f64(channel)), RATE_HZ)) {
                *cell += energy;
            }
        }
        sum
    };
    [energies(&|channel| channel[..at].to_vec()), energies(&|channel| channel[at..].to_vec())]
}

/// Reflected energy against its own target, before and after the mixing time of 36 seats on three platforms in three families, each octave in which the reflections leave room for the tail.
pub fn own_reflected_energy() -> Vec<Row> {
    let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
    let mut planner = Planner::new(&SplitDesign::new(RATE_HZ), 2, InstructionSet::widest());
    let mut errors: [Vec<(f64, String)>; PARTS] = [Vec::new(), Vec::new()];
    for mut settings in seats::all() {
        settings.level.balance_pct = 100.0;
        let response = impulse_response(&config, &settings, &Take::of(72_000)).expect("the rate is in range");
        let mut plan = SourcePlan::SILENCE;
        planner.plan(&settings, 0, None, &mut plan);
        let got = split_energies(&response, settings.platform.mixing_time_s());
        for part in 0..PARTS {
            for band in 0..BANDS {
                let (target, specular) =
                    (plan.energies.target[part][band], plan.energies.specular[part][band]);
                if specular < target {
                    let error = energy_db(got[part][band]) - energy_db(target);
                    let place = format!(
                        "{} m wide, {}, {} m, {} deg, band {band}",
                        settings.platform.width_m,
                        settings.seat.family.name(),
                        settings.seat.depth_m,
                        settings.seat.bearing_deg
                    );
                    errors[part].push((error, place));
                }
            }
        }
    }
    let mut rows = Vec::new();
    for (errors, name) in errors.iter_mut().zip(["before", "after"]) {
        let count = errors.len() as f64;
        assert!(count > 500.0, "the check has something to look at");
        errors.sort_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let (worst_db, place) = errors.last().expect("there are errors");
        let what = format!("reflected energy {name} the mixing time");
        // Reflections that meet in phase below 500 Hz, and one noise: the target is a mean of both.
        let worst = format!("{what}, worst ({place})");
        rows.push(Row::short(worst, worst_db.abs(), (2.5, 6.6), "dB", OWN_TARGET));
        // One noise in a window of some 40 ms scatters about its mean.
        let most_db = errors[(0.95 * count) as usize].0.abs();
        rows.push(Row::at_most(format!("{what}, 95 %"), most_db, 2.5, "dB", OWN_TARGET));
        let mean_db = errors.iter().map(|(error, _)| error.abs()).sum::<f64>() / count;
        rows.push(Row::at_most(format!("{what}, mean"), mean_db, 1.5, "dB", OWN_TARGET));
    }
    rows
}

/// The placed direct sound's change from 2 m to deeper seats, even radiation, per third octave.
pub fn direct_change_with_depth() -> Vec<Row> {
    let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
    let levels = |depth_m: f64, loss: f64| {
        let mut settings = Settings::default();
        settings.seat.depth_m = depth_m;
        settings.level.balance_pct = 0.0;
        settings.platform.air.loss = loss;
        let response = impulse_response(&config, &settings, &Take::of(16_384)).expect("the rate is in range");
        let distance_m = settings.seat.source(&settings.platform, &settings.microphones).position;
        let path_m = (distance_m - settings.microphones.position()).length();
        (path_m, third_octave_levels_db(&to_f64(&response[0]), RATE_HZ))
    };
    let mut rows = Vec::new();
    for loss in [1.0, 4.0] {
        let (near_m, near) = levels(2.0, loss);
        let mut worst = 0.0_f64;
        for depth_m in [5.0, 8.0, 11.7] {
            let (path_m, far) = levels(depth_m, loss);
            for (a, b) in near.iter().zip(&far) {
                let air = pure_tone_attenuation_db_per_m(a.midband_hz, 20.0, 50.0);
                let expected = -air * loss * (path_m - near_m);
                worst = larger(worst, (b.level_db - a.level_db - expected).abs());
            }
            assert!(far[0].level_db > -40.0, "the direct sound is not silence");
        }
        let what = format!("direct sound's change with depth, air x {loss}, worst third octave");
        let source = "ISO 9613-1:1993 times path";
        // Four times the air is steeper within an octave than the branches follow; the figure is told.
        let row = if loss > 1.0 {
            Row::told(what, worst, "dB", source)
        } else {
            Row::at_most(what, worst, 0.2, "dB", source)
        };
        rows.push(row);
    }
    rows
}
