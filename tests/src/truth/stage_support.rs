//! Stage support: what comes back to a player, 1 m from the source.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::Pair;
use rostra_dsp::engine::{Config, Layout};
use rostra_dsp::hall::{Hall, HallEngine};
use rostra_dsp::measure::{Take, impulse_response};
use rostra_dsp::plan::HallNeeds;
use rostra_dsp::tail::BuildAtOnce;

use super::{Row, energy_db, to_f64};
use crate::window::window;
use crate::zero_phase::{Band, ZeroPhase};
use crate::{demo, seats};

const RATE_HZ: f64 = 48_000.0;
const SUPPORT: &str = "ISO 3382-1:2009, table C.1, typical range";
/// Octaves: 250 Hz to 2 kHz.
const OCTAVES: std::ops::RangeInclusive<usize> = 1..=4;
/// Height of source and microphone, m (ISO 3382-1:2009, annex C: 1.0 or 1.5).
const HEIGHT_M: f64 = 1.5;
/// Depths of the microphones, m; the source stands 1 m upstage of them.
const DEPTHS_M: [f64; 3] = [2.0, 3.0, 4.0];
const RENDERED_S: f64 = 1.05;

/// Returns an omnidirectional player 1 m upstage of the microphones.
fn beside_the_microphones(mut settings: Settings, depth_m: f64) -> Settings {
    settings.microphones.depth_m = depth_m;
    settings.microphones.height_m = HEIGHT_M;
    settings.seat.depth_m = depth_m + 1.0;
    settings.seat.riser_m = 0.0;
    let stands = settings.seat.source(&settings.platform, &settings.microphones).position;
    settings.seat.riser_m = (HEIGHT_M - stands.z).max(0.0);
    let settings = settings.snapped();
    let away = settings.seat.source(&settings.platform, &settings.microphones).position
        - settings.microphones.position();
    assert!((away.length() - 1.0).abs() < 0.02, "the source is {} m away", away.length());
    settings
}

fn rendered(settings: &Settings, layout: Layout) -> Vec<Vec<f64>> {
    let config = Config { sample_rate_hz: RATE_HZ, layout };
    let take = Take::of((RENDERED_S * RATE_HZ) as usize);
    let response = impulse_response(&config, settings, &take).expect("the rate is in range");
    response.iter().map(|channel| to_f64(channel)).collect()
}

/// Returns the mean level over the octaves of what comes in a time against what comes in the first 10 ms, dB.
fn support_db(response: &[Vec<f64>], from_s: f64, to_s: f64) -> f64 {
    let bands: Vec<Band> = OCTAVES.map(Band::octave).collect();
    let octaves = ZeroPhase::new(&bands, (RENDERED_S * RATE_HZ) as usize + 1, RATE_HZ);
    let energies = |from_s: f64, to_s: f64| {
        let mut sum = vec![0.0; bands.len()];
        for channel in response {
            let part = window(channel, RATE_HZ, 0, from_s, to_s);
            for (cell, energy) in sum.iter_mut().zip(octaves.energies(&part)) {
                *cell += energy;
            }
        }
        sum
    };
    let (first, later) = (energies(0.0, 0.010), energies(from_s, to_s));
    let levels = later.iter().zip(&first).map(|(later, first)| energy_db(later / first));
    levels.sum::<f64>() / bands.len() as f64
}

/// Returns the mean over the depths in dB, as the standard takes it over places.
fn mean(figure: impl Fn(f64) -> f64) -> f64 {
    DEPTHS_M.iter().map(|&depth_m| figure(depth_m)).sum::<f64>() / DEPTHS_M.len() as f64
}

fn within(what: &str, figure: f64, least: f64, most: f64) -> [Row; 2] {
    [Row::at_least(what, figure, least, "dB", SUPPORT), Row::at_most(what, figure, most, "dB", SUPPORT)]
}

/// Early support of three platforms, and late support of the default platform with the demo's halls.
pub fn stage_support() -> Vec<Row> {
    let early = |settings: &Settings| support_db(&rendered(settings, Layout::MonoToMono), 0.020, 0.100);
    let mut rows = Vec::new();
    for platform in seats::platforms() {
        let of = |depth_m| {
            let settings = Settings { platform, ..Settings::default() };
            early(&beside_the_microphones(settings, depth_m))
        };
        let what = format!("early support 1 m from the source, platform {} m wide", platform.width_m);
        rows.extend(within(&what, mean(of), -24.0, -8.0));
    }
    for (name, hall) in demo::halls() {
        let of = |depth_m| {
            let settings = beside_the_microphones(Settings::default(), depth_m);
            late_with_hall_db(settings, &hall)
        };
        let what = format!("late support 1 m from the source, default platform and hall {name}");
        rows.extend(within(&what, mean(of), -24.0, -10.0));
    }
    let bare = mean(|depth_m| {
        let settings = beside_the_microphones(Settings::default(), depth_m);
        support_db(&rendered(&settings, Layout::MonoToMono), 0.100, 1.0)
    });
    rows.push(Row::told("late support without a hall, default platform", bare, "dB", SUPPORT));
    let direct = mean(|depth_m| {
        let mut settings = Settings::default();
        settings.level.balance_pct = 5.0;
        early(&beside_the_microphones(settings, depth_m))
    });
    let what = "early support with the platform 20 dB down (the control)";
    rows.push(Row::at_most(what, direct, -24.0, "dB", SUPPORT));
    rows
}

/// Sends the placed sound to a hall as the demo does, with the send that the seat's figures suggest, and hears both.
fn late_with_hall_db(mut settings: Settings, hall: &Hall) -> f64 {
    settings.microphones.pair = Pair::SpacedOmnis;
    let placed = rendered(&settings, Layout::MonoToStereo);
    let send_db = HallNeeds::of(&settings, 2).send_db + demo::hall_level_db();
    let gain = 10_f64.powf(send_db / 20.0);
    let mut engine = HallEngine::prepare(RATE_HZ).expect("the rate is in range");
    let mut supply = BuildAtOnce::default();
    let mut returned: Vec<Vec<f32>> =
        placed.iter().map(|channel| channel.iter().map(|x| (gain * x) as f32).collect()).collect();
    let [left, right] = &mut returned[..] else { unreachable!("there are two channels") };
    engine.process(hall, &mut supply, [left, right]);
    let both: Vec<Vec<f64>> = placed
        .iter()
        .zip(&returned)
        .map(|(placed, hall)| placed.iter().zip(hall).map(|(p, h)| p + f64::from(*h)).collect())
        .collect();
    support_db(&both, 0.100, 1.0)
}
