//! Whether two seats have one fingerprint.

use realfft::RealFftPlanner;
use rostra_dsp::Settings;
use rostra_dsp::extremes::{larger, largest};
use rostra_dsp::tail::BuildAtOnce;

use super::Row;
use crate::cores;
use crate::demo;
use crate::parts_apart::{LEAD_S, RATE_HZ, direct_and_platform};

const ROOMS: &str = "in a room the tails of two places hardly correlate; 0.5 is our choice";
const RENDERED_S: f64 = 0.5;
/// Distance of neighbouring desks, m (common practice, no source).
const DESK_M: f64 = 1.5;

/// Pairs of the demo's players: neighbours, and across the platform.
const PLAYERS: [(&str, &str); 7] = [
    ("violins-1", "violins-2"),
    ("violas", "cellos"),
    ("flute", "oboe"),
    ("clarinet", "bassoon"),
    ("horns", "trombones"),
    ("trumpets", "timpani"),
    ("violins-1", "horns"),
];

/// Returns the same player one desk further back.
fn next_desk(settings: &Settings) -> Settings {
    let mut next = *settings;
    let (platform, microphones) = (&settings.platform, &settings.microphones);
    let place = settings.seat.source(platform, microphones).position;
    next.seat.depth_m = place.y + DESK_M;
    let upstage_m = next.seat.depth_m - microphones.depth_m;
    next.seat.bearing_deg = (place.x / upstage_m).atan().to_degrees();
    let next = next.snapped();
    let away = next.seat.source(platform, microphones).position - place;
    assert!((away.length() - DESK_M).abs() < 0.1, "the next desk is {} m away", away.length());
    next
}

/// Returns the platform's part of a seat from the mixing time on, left and right.
fn tail(settings: &Settings, supply: &mut BuildAtOnce) -> [Vec<f64>; 2] {
    let from = ((LEAD_S + settings.platform.mixing_time_s()) * RATE_HZ) as usize;
    direct_and_platform(settings, RENDERED_S, supply).platform.map(|channel| channel[from..].to_vec())
}

/// Returns the largest normalised cross-correlation of two sounds at any lag, without sign.
fn correlation(one: &[f64], other: &[f64]) -> f64 {
    let size = (one.len() + other.len()).next_power_of_two();
    let mut planner = RealFftPlanner::new();
    let (forward, back) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let spectrum = |sound: &[f64]| {
        let mut time = vec![0.0; size];
        time[..sound.len()].copy_from_slice(sound);
        let mut lines = forward.make_output_vec();
        forward.process(&mut time, &mut lines).expect("the lengths fit");
        lines
    };
    let mut product: Vec<_> =
        spectrum(one).iter().zip(spectrum(other)).map(|(a, b)| a * b.conj() / size as f64).collect();
    product[0].im = 0.0;
    product[size / 2].im = 0.0;
    let mut lags = back.make_output_vec();
    back.process(&mut product, &mut lags).expect("the lengths fit");
    let energy = |sound: &[f64]| sound.iter().map(|x| x * x).sum::<f64>();
    let (one, other) = (energy(one), energy(other));
    assert!(one > 1e-4 && other > 1e-4, "the tails are not silence");
    largest(lags.iter().map(|x| x.abs())) / (one * other).sqrt()
}

/// Likeness of the tails of pairs of seats, each channel with the same one of the other seat, at any lag.
pub fn seat_tails() -> Vec<Row> {
    let mut pairs: Vec<(String, Settings, Settings)> = PLAYERS
        .iter()
        .map(|(one, other)| {
            let settings = [one, other].map(|name| demo::player(name).settings);
            (format!("{one} and {other}"), settings[0], settings[1])
        })
        .collect();
    for name in ["violins-1", "clarinet", "cellos"] {
        let settings = demo::player(name).settings;
        pairs.push((format!("{name} and the next desk"), settings, next_desk(&settings)));
    }
    let itself = demo::player("clarinet").settings;
    let mut louder = itself;
    louder.level.trim_db = -6.0;
    pairs.push(("a seat and itself, 6 dB down (the control)".to_owned(), itself, louder));
    let figures = cores::map(&pairs, BuildAtOnce::default, |supply, (_, one, other)| {
        let (one, other) = (tail(one, supply), tail(other, supply));
        (0..2).map(|channel| correlation(&one[channel], &other[channel])).fold(0.0, larger)
    });
    pairs
        .iter()
        .zip(figures)
        .map(|((name, ..), figure)| {
            let what = format!("tails of two seats, largest correlation at any lag: {name}");
            if name.ends_with("(the control)") {
                Row::at_least(what, figure, 0.5, "", ROOMS)
            } else {
                Row::at_most(what, figure, 0.5, "", ROOMS)
            }
        })
        .collect()
}
