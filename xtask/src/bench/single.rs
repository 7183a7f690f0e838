//! What is not a stream of blocks: the plan, the tail's spectra.

use std::hint::black_box;

use rostra_bench::{RATE_HZ, SeatPlanner, TailMaker, seat_of, tail_spec};
use rostra_dsp::Settings;

use super::budget;
use super::clock::{Effort, time_runs};
use super::engine::DECAY_S;
use super::report::Figure;

/// Seats of a run of plans; a run's mean is one plan.
const SEATS: usize = 64;

/// Measures them.
pub(super) fn measure(effort: &Effort) -> Vec<Figure> {
    let mut figures = plans(effort);
    figures.extend(tails(effort));
    figures
}

fn plans(effort: &Effort) -> Vec<Figure> {
    let mut planner = SeatPlanner::new(TailMaker::default().make(&tail_spec(RATE_HZ, DECAY_S)));
    let seats: Vec<Settings> = (0..SEATS).map(|n| seat_of(n).snapped()).collect();
    // The same seats, each on a platform of its own.
    let mut platforms = seats.clone();
    for (n, settings) in platforms.iter_mut().enumerate() {
        settings.platform.width_m = 16.0 + 0.1 * n as f64;
        *settings = settings.snapped();
    }
    let mut time = |seats: &[Settings]| {
        time_runs(
            effort.headline_passes,
            |_| (),
            |()| {
                for settings in seats {
                    black_box(planner.plan(black_box(settings)));
                }
            },
        )
    };
    let (least, median) = time(&seats);
    let (changing, _) = time(&platforms);
    let us = |ns: f64| ns / SEATS as f64 / 1e3;
    vec![
        Figure::held(
            format!("seat plan of one source, mean of {SEATS} seats, least of runs"),
            us(least),
            "us",
            budget::PLAN_US,
        ),
        Figure::told("the same, median of runs (a stereo channel takes three plans)", us(median), "us"),
        Figure::held("the same while the platform changes too, least", us(changing), "us", budget::PLAN_US),
    ]
}

fn tails(effort: &Effort) -> Vec<Figure> {
    let runs = effort.headline_passes;
    let spec = tail_spec(RATE_HZ, DECAY_S);
    let (cold, cold_median) = time_runs(runs, |_| TailMaker::default(), |mut maker| maker.make(&spec));
    let mut maker = TailMaker::default();
    maker.make(&spec);
    // A turn of the decay knob: never the same tail twice.
    let turned = |run: usize| tail_spec(RATE_HZ, DECAY_S + 0.001 * (1 + run) as f64);
    let (warm, warm_median) = time_runs(runs, turned, |spec| maker.make(&spec));
    let long = tail_spec(RATE_HZ, 2.0);
    let (longest, _) = time_runs(runs.div_ceil(4), |_| TailMaker::default(), |mut maker| maker.make(&long));
    let ms = |ns: f64| ns / 1e6;
    vec![
        Figure::held("tail spectra, 0.5 s, the first (cold), least of runs", ms(cold), "ms", budget::TAIL_MS),
        Figure::told("the same, median of runs", ms(cold_median), "ms"),
        Figure::held("tail spectra, 0.5 s, another decay (warm), least", ms(warm), "ms", budget::TAIL_MS),
        Figure::told("the same, median of runs", ms(warm_median), "ms"),
        Figure::told("tail spectra, 2 s, the first (cold), least of runs", ms(longest), "ms"),
    ]
}
