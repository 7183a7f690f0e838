//! What comes out of the CLAP for input within 1 stays below the sum of the plan's absolute gains and the tail's.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, Finish, Pair, RecordedFrom};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;
use rostra_tests::truth::largest_possible;

use super::clap_host::{Clap, Start};
use super::sound::Sound;

/// Settings that are drawn.
const CASES: u64 = 12;
const FRAMES: usize = 24_000;

/// Draws settings on a grid that texts keep; close microphone and bell stay out of use, as the bound wants it.
fn drawn(noise: &mut Noise) -> Settings {
    let mut number =
        |least: f64, most: f64| ((least + noise.uniform() * (most - least)) * 10.0).round() / 10.0;
    let mut s = Settings::default();
    s.seat.depth_m = number(0.5, 12.0);
    s.seat.bearing_deg = number(-60.0, 60.0);
    s.seat.riser_m = number(0.0, 2.0);
    s.seat.facing_deg = number(-180.0, 180.0);
    s.platform.width_m = number(8.0, 30.0);
    s.platform.depth_m = number(5.0, 25.0);
    s.platform.height_m = number(4.0, 20.0);
    s.platform.decay_s = number(0.2, 2.0);
    s.microphones.depth_m = number(0.0, 4.0);
    s.microphones.height_m = number(1.5, 5.0);
    s.level.balance_pct = number(0.0, 100.0);
    s.level.law_pct = number(0.0, 100.0);
    s.level.trim_db = number(-24.0, 24.0);
    let mut one_of = |count: usize| noise.bits() as usize % count;
    s.seat.family = Family::ALL[one_of(Family::ALL.len())];
    s.platform.floor = Finish::ALL[one_of(Finish::ALL.len())];
    s.platform.rear = Finish::ALL[one_of(Finish::ALL.len())];
    s.platform.sides = Finish::ALL[one_of(Finish::ALL.len())];
    s.platform.canopy = Finish::ALL[one_of(Finish::ALL.len())];
    s.microphones.pair = Pair::ALL[one_of(Pair::ALL.len())];
    s.seat.recorded = RecordedFrom::ALL[one_of(RecordedFrom::ALL.len())];
    s
}

/// What [`drawn`] draws, as a host types it.
fn texts(s: &Settings) -> Vec<(&'static str, String)> {
    let (seat, platform, microphones, level) = (&s.seat, &s.platform, &s.microphones, &s.level);
    vec![
        ("Depth", format!("{} m", seat.depth_m)),
        ("Bearing", format!("{} deg", seat.bearing_deg)),
        ("Riser", format!("{} m", seat.riser_m)),
        ("Facing", format!("{} deg", seat.facing_deg)),
        ("Radiation", seat.family.name().to_owned()),
        ("Platform width", format!("{} m", platform.width_m)),
        ("Platform depth", format!("{} m", platform.depth_m)),
        ("Platform height", format!("{} m", platform.height_m)),
        ("Floor", platform.floor.name().to_owned()),
        ("Rear wall", platform.rear.name().to_owned()),
        ("Side walls", platform.sides.name().to_owned()),
        ("Canopy", platform.canopy.name().to_owned()),
        ("Decay", format!("{} s", platform.decay_s)),
        ("Main microphones", microphones.pair.name().to_owned()),
        ("Microphone depth", format!("{} m", microphones.depth_m)),
        ("Microphone height", format!("{} m", microphones.height_m)),
        ("Platform balance", format!("{} %", level.balance_pct)),
        ("Distance fall-off", format!("{} %", level.law_pct)),
        ("Trim", format!("{} dB", level.trim_db)),
    ]
}

/// Full scale in several ways: signs at random, a slow square wave, a constant, a sine.
fn full_scale(noise: &mut Noise, kind: u64) -> Vec<f32> {
    (0..FRAMES)
        .map(|n| match kind % 4 {
            0 => {
                if noise.uniform() < 0.5 {
                    1.0
                } else {
                    -1.0
                }
            }
            1 => {
                if n % 960 < 480 {
                    1.0
                } else {
                    -1.0
                }
            }
            2 => 1.0,
            _ => (n as f32 * 0.03).sin(),
        })
        .collect()
}

#[test]
fn full_scale_stays_below_the_sum_of_all_gains() {
    let (mut worst, mut least_bound, mut most_bound) = (0.0_f64, f64::INFINITY, 0.0_f64);
    for case in 0..CASES {
        let mut noise = Noise::new(case);
        let settings = drawn(&mut noise);
        let bound = largest_possible(&settings.snapped());
        let mut clap = Clap::new();
        let texts = texts(&settings);
        clap.set(&texts.iter().map(|(name, text)| (*name, text.as_str())).collect::<Vec<_>>());
        let start = Start { inputs: 1, is_offline: case % 2 == 0, ..Start::STEREO };
        let mut playing = clap.start(start);
        let sound: Sound = playing.render(&vec![full_scale(&mut noise, case / 2)], &[]);
        playing.stop();
        let most = sound.iter().flatten().fold(0.0_f64, |most, x| larger(most, f64::from(x.abs())));
        assert!(most > 1e-3, "case {case} is silent");
        assert!(most <= bound, "case {case}: {most} comes out, at most {bound}; {settings:?}");
        (worst, least_bound, most_bound) =
            (worst.max(most / bound), least_bound.min(bound), most_bound.max(bound));
    }
    eprintln!(
        "{CASES} settings: at most {worst:.3} of the bound, which is {least_bound:.1} to {most_bound:.1}"
    );
    // The control: the same 36 dB louder would break the bound.
    assert!(worst * 10_f64.powf(36.0 / 20.0) > 1.0, "nothing comes near the bound");
}
