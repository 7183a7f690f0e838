//! No decay is longer than what the air alone allows.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Air, Finish, Platform, pure_tone_attenuation_db_per_m};
use rostra_dsp::engine::{Config, Layout};
use rostra_dsp::extremes::{larger, largest};
use rostra_dsp::hall::{Hall, HallEngine};
use rostra_dsp::measure::{DecayCurve, Take, impulse_response};
use rostra_dsp::tail::BuildAtOnce;

use super::{Row, to_f64};
use crate::cores;
use crate::zero_phase::{Band, ZeroPhase};

const RATE_HZ: f64 = 48_000.0;
const CEILING: &str = "55.26/(4 m c), m after ISO 9613-1:1993";
const LINE_BY_LINE: &str = "55.26/(4 m c) line by line over the band, m after ISO 9613-1:1993";
/// 24 ln 10, the 55.26 of the decay formula.
const SABINE: f64 = 24.0 * std::f64::consts::LN_10;
/// dB per neper of energy, 10 log10 e (definition).
const DB_PER_ENERGY_NEPER: f64 = 10.0 * std::f64::consts::LOG10_E;

/// A band in which the decay is read, and what the air allows there.
#[derive(Clone, Copy)]
struct Read {
    name: &'static str,
    band: Band,
    low_hz: f64,
    high_hz: f64,
    /// The frequency whose attenuation is the ceiling; without one it is the whole band's, line by line.
    at_hz: Option<f64>,
}

const fn third(name: &'static str, low_hz: f64, midband_hz: f64, high_hz: f64) -> Read {
    Read { name, band: Band::Steep(low_hz, high_hz), low_hz, high_hz, at_hz: Some(midband_hz) }
}

/// Thirds at 8 and 16 kHz (IEC 61260-1:2014, exact), in which one attenuation says it, and the wider bands.
const READS: [Read; 4] = [
    third("8 kHz", 7079.5, 7943.3, 8912.5),
    third("16 kHz", 14_125.4, 15_848.9, 17_782.8),
    Read {
        name: "octave 8 kHz",
        band: Band::Steep(5623.4, 11_220.2),
        low_hz: 5623.4,
        high_hz: 11_220.2,
        at_hz: None,
    },
    Read {
        name: "12 to 18 kHz",
        band: Band::Steep(12_000.0, 18_000.0),
        low_hz: 12_000.0,
        high_hz: 18_000.0,
        at_hz: None,
    },
];

/// Decay of a response over 20 dB: T20 of a hall, or from a time on.
#[derive(Clone, Copy)]
enum From {
    Start,
    Seconds(f64),
}

fn decay_s(filtered: &[f64], from: From) -> f64 {
    let read = DecayCurve::of(filtered, RATE_HZ).and_then(|curve| match from {
        From::Start => curve.t20_s(),
        From::Seconds(seconds) => curve.decay_after_s(seconds, 20.0),
    });
    // What does not fall by 20 dB rings too long.
    read.unwrap_or(f64::INFINITY)
}

/// Returns the ceiling of a band in this air, s.
fn ceiling_s(read: &Read, air: &Air, from: From) -> f64 {
    let speed_m_s = air.speed_of_sound_m_s();
    let nepers_per_m = |hz: f64| {
        air.loss * pure_tone_attenuation_db_per_m(hz, air.temperature_c, air.humidity_pct)
            / DB_PER_ENERGY_NEPER
    };
    if let Some(hz) = read.at_hz {
        return SABINE / (4.0 * nepers_per_m(hz) * speed_m_s);
    }
    // White sound in a room whose walls return everything, read as the rendered sound is.
    const LINES: usize = 400;
    const STEP_S: f64 = 1e-3;
    let lines: Vec<(f64, f64)> = (0..LINES)
        .map(|line| {
            let hz = read.low_hz + (read.high_hz - read.low_hz) * (line as f64 + 0.5) / LINES as f64;
            (read.band.power(hz), nepers_per_m(hz) * speed_m_s)
        })
        .collect();
    let pressure: Vec<f64> = (0..8000)
        .map(|step| {
            let seconds = step as f64 * STEP_S;
            lines.iter().map(|(power, per_s)| power * (-per_s * seconds).exp()).sum::<f64>().sqrt()
        })
        .collect();
    let curve = DecayCurve::of(&pressure, 1.0 / STEP_S);
    curve
        .and_then(|curve| match from {
            From::Start => curve.t20_s(),
            From::Seconds(seconds) => curve.decay_after_s(seconds, 20.0),
        })
        .expect("air alone decays within 8 s")
}

/// A sound that decays in some air.
struct Decaying {
    what: String,
    response: Vec<f64>,
    air: Air,
    from: From,
}

fn airs() -> [Air; 4] {
    let default = Air::default();
    [
        default,
        Air { humidity_pct: 100.0, ..default },
        Air { humidity_pct: 20.0, ..default },
        Air { temperature_c: 10.0, humidity_pct: 70.0, ..default },
    ]
}

/// Platforms of several decays in several airs, the platform alone.
fn platforms() -> Vec<Decaying> {
    let default = Platform::default();
    let hard = Platform {
        width_m: 24.0,
        depth_m: 16.0,
        height_m: 13.0,
        floor: Finish::TimberPlatform,
        rear: Finish::Concrete,
        sides: Finish::Plaster,
        canopy: Finish::Plaster,
        ..default
    };
    let mut cases = Vec::new();
    for (name, platform) in [("default", default), ("large and hard", hard)] {
        for decay_s in [0.5, 1.0, 2.0] {
            for air in airs() {
                cases.push((name, Platform { decay_s, air, ..platform }));
            }
        }
    }
    cores::map(
        &cases,
        || (),
        |(), (name, platform)| {
            let mut settings = Settings { platform: *platform, ..Settings::default() };
            settings.level.balance_pct = 100.0;
            let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
            let take = Take::of(((1.0 + platform.decay_s) * RATE_HZ) as usize);
            let response = impulse_response(&config, &settings, &take).expect("the rate is in range");
            let air = platform.air;
            Decaying {
                what: format!(
                    "{name} platform, {} s, {} degrees, {} %",
                    platform.decay_s, air.temperature_c, air.humidity_pct
                ),
                response: to_f64(&response[0]),
                air,
                from: From::Seconds(2.0 * platform.mixing_time_s()),
            }
        },
    )
}

/// Halls of several decays and treble ratios; their air is that of an ordinary hall.
fn halls() -> Vec<Decaying> {
    let mut cases = Vec::new();
    for decay_s in [1.8, 3.5, 8.0] {
        for treble_ratio in [0.6, 0.8, 1.2] {
            cases.push(Hall { decay_s, treble_ratio, pre_delay_s: 0.0, ..Hall::default() }.snapped());
        }
    }
    cores::map(
        &cases,
        || (),
        |(), hall| {
            let mut engine = HallEngine::prepare(RATE_HZ).expect("the rate is in range");
            let frames = ((1.0 + 0.7 * hall.decay_s) * RATE_HZ) as usize;
            let (mut left, mut right) = (vec![0.0_f32; frames], vec![0.0_f32; frames]);
            left[0] = 1.0;
            engine.process(hall, &mut BuildAtOnce::default(), [&mut left, &mut right]);
            Decaying {
                what: format!("hall, {} s, treble {}", hall.decay_s, hall.treble_ratio),
                response: to_f64(&left),
                air: Air::default(),
                from: From::Start,
            }
        },
    )
}

/// Decay at 8 kHz and above of platforms and halls as rendered, against what the air alone allows.
pub fn air_ceiling() -> Vec<Row> {
    let mut rows = Vec::new();
    for (name, all) in [("platform", platforms()), ("hall", halls())] {
        let bands = READS.map(|read| read.band);
        let longest = all.iter().map(|decaying| decaying.response.len()).max().unwrap_or(0);
        let filters = ZeroPhase::new(&bands, longest, RATE_HZ);
        let decays = cores::map(
            &all,
            || (),
            |(), decaying| {
                let filtered = filters.filter(&decaying.response);
                let loud = largest(decaying.response.iter().map(|x| x.abs()));
                assert!(loud > 1e-3, "{} is not silence", decaying.what);
                filtered.iter().map(|band| decay_s(band, decaying.from)).collect::<Vec<f64>>()
            },
        );
        for (index, read) in READS.iter().enumerate() {
            let source = if read.at_hz.is_some() { CEILING } else { LINE_BY_LINE };
            let mut worst = (0.0_f64, String::new());
            let mut worst_in_four_airs = 0.0_f64;
            for (decaying, decays) in all.iter().zip(&decays) {
                let ceiling_s = ceiling_s(read, &decaying.air, decaying.from);
                let share = decays[index] / ceiling_s;
                if larger(worst.0, share).total_cmp(&worst.0).is_ne() {
                    let what = &decaying.what;
                    worst = (share, format!("{what}: {:.2} s, air {ceiling_s:.2} s", decays[index]));
                }
                let thick = Air { loss: 4.0, ..decaying.air };
                let share = decays[index] / self::ceiling_s(read, &thick, decaying.from);
                worst_in_four_airs = larger(worst_in_four_airs, share);
            }
            let what = format!("decay of the {name} at {} against the air's, worst", read.name);
            rows.push(Row::at_most(format!("{what} ({})", worst.1), worst.0, 1.0, "x", source));
            if index == 0 {
                let what = format!("{what}, were the air four times as thick (the control)");
                rows.push(Row::at_least(what, worst_in_four_airs, 1.0, "x", source));
            }
        }
    }
    rows
}
