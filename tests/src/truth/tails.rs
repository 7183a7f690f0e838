//! The tails themselves, as shipped: decay, density, coherence.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{NOMINAL_HZ, Pair, Platform, bands_at_rate, edges_hz};
use rostra_dsp::engine::{Config, Layout};
use rostra_dsp::extremes::{larger, smaller};
use rostra_dsp::kernel::InstructionSet;
use rostra_dsp::measure::{
    DecayCurve, OctaveFilter, Resolution, Segments, Take, coherence, echo_density_profile, impulse_response,
};
use rostra_dsp::plan::{Planner, SourcePlan, SplitDesign};
use rostra_dsp::tail::{DiffuseField, TailSpec, synthesise};

use super::{Row, to_f64};
use crate::seats;

const RATE_HZ: f64 = 48_000.0;
/// Lowest band whose single tail is held to 5 %: 250 Hz.
const LOWEST_BAND: usize = 1;
const OWN_DECAY: &str = "the platform's own decays; 5 % is the JND of ISO 3382-1:2009";

/// Both parts of a tail joined at equal gain, by channel.
fn whole_tail(spec: &TailSpec) -> Vec<Vec<f64>> {
    let [early, late] = synthesise(spec);
    early
        .iter()
        .zip(&late)
        .map(|(early, late)| {
            let frames = early.len().max(late.len());
            (0..frames)
                .map(|n| f64::from(*early.get(n).unwrap_or(&0.0)) + f64::from(*late.get(n).unwrap_or(&0.0)))
                .collect()
        })
        .collect()
}

/// Returns the decay of one octave of a response over 30 dB, or the error as infinity.
fn octave_decay_s(response: &[f64], band: usize, from_s: f64, rate_hz: f64) -> f64 {
    let filter = OctaveFilter::new(band, rate_hz).expect("the band fits the rate");
    let mut padded = response.to_vec();
    padded.extend(vec![0.0; (0.05 * rate_hz) as usize]);
    // The filter's own ringing lies before a decay that runs backwards (ISO 3382-1).
    padded.reverse();
    let mut filtered = filter.filter(&padded);
    filtered.reverse();
    DecayCurve::of(&filtered, rate_hz)
        .and_then(|curve| curve.decay_after_s(from_s, 30.0))
        .unwrap_or(f64::INFINITY)
}

/// Decay of each octave of the shipped tails of three platforms at three rates, each channel by itself.
pub fn own_decay_of_tails() -> Vec<Row> {
    let mut rows = Vec::new();
    for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
        let mut worst = (0.0_f64, String::new());
        for platform in seats::platforms() {
            for pair in Pair::ALL {
                let spec = TailSpec::new(&platform, Some(pair), rate_hz);
                for (channel, tail) in whole_tail(&spec).iter().enumerate() {
                    for band in LOWEST_BAND..bands_at_rate(rate_hz) {
                        let decay_s = octave_decay_s(tail, band, 0.02, rate_hz);
                        let error = (decay_s / spec.decay_s[band] - 1.0).abs() * 100.0;
                        if error > worst.0 {
                            let hz = NOMINAL_HZ[band];
                            worst = (
                                error,
                                format!(
                                    "{} m wide, {}, channel {channel}, {hz} Hz",
                                    platform.width_m,
                                    pair.name()
                                ),
                            );
                        }
                    }
                }
            }
        }
        let what = format!("tail alone at {rate_hz} Hz, worst octave's decay ({})", worst.1);
        rows.push(Row::at_most(what, worst.0, 5.0, "%", OWN_DECAY));
    }
    rows
}

/// Decay of each octave of the whole impulse of the default platform, from two mixing times on over 30 dB: the mean over
/// seats and channels, as a room's decay is the mean over positions (ISO 3382-1:2009), and the worst of one alone, which the sum of four
/// delayed noises scatters.
pub fn own_decay_of_whole_impulse() -> Vec<Row> {
    let (mut worst, mut worst_alone) = ((0.0_f64, String::new()), (0.0_f64, String::new()));
    let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
    for decay_s in [0.5, 0.8, 1.1] {
        let mut settings = Settings::default();
        settings.platform.decay_s = decay_s;
        settings.seat.bearing_deg = 12.0;
        let decays_s = settings.platform.band_decay_s();
        let from_s = 2.0 * settings.platform.mixing_time_s();
        let mut sums = vec![Vec::new(); decays_s.len()];
        for depth_m in [3.0, 6.0, 10.5] {
            settings.seat.depth_m = depth_m;
            let response =
                impulse_response(&config, &settings, &Take::of(96_000)).expect("the rate is in range");
            for (channel, samples) in response.iter().enumerate() {
                for (band, expected) in decays_s.iter().enumerate().skip(LOWEST_BAND) {
                    let off = octave_decay_s(&to_f64(samples), band, from_s, RATE_HZ) / expected - 1.0;
                    sums[band].push(off);
                    if 100.0 * off.abs() > worst_alone.0 {
                        let hz = NOMINAL_HZ[band];
                        let at = format!("{decay_s} s, {depth_m} m, channel {channel}, {hz} Hz");
                        worst_alone = (100.0 * off.abs(), at);
                    }
                }
            }
        }
        for (band, offs) in sums.iter().enumerate().skip(LOWEST_BAND) {
            let mean_pct = 100.0 * (offs.iter().sum::<f64>() / offs.len() as f64).abs();
            if mean_pct > worst.0 {
                worst = (mean_pct, format!("{decay_s} s, {} Hz", NOMINAL_HZ[band]));
            }
        }
    }
    let what = format!("whole impulse, mean of three seats, worst octave's decay ({})", worst.1);
    let alone = format!("whole impulse, one seat and channel, worst octave's decay ({})", worst_alone.1);
    vec![
        Row::at_most(what, worst.0, 5.0, "%", OWN_DECAY),
        Row::short(alone, worst_alone.0, (5.0, 6.0), "%", OWN_DECAY),
    ]
}

/// Returns both parts of a tail as the default seat feeds them, each tap by the sum of its weights, by channel.
fn fed_tail(platform: &Platform, spec: &TailSpec) -> Vec<Vec<f64>> {
    let settings = Settings { platform: *platform, ..Settings::default() };
    let mut planner = Planner::new(&SplitDesign::new(RATE_HZ), 2, InstructionSet::widest());
    let mut plan = SourcePlan::SILENCE;
    planner.plan(&settings, 0, None, &mut plan);
    let parts = synthesise(spec);
    let delays = [&plan.early_feed.delay_samples[..], &plan.late_feed.delay_samples[..]];
    (0..spec.channels())
        .map(|channel| {
            let mut tail = vec![0.0; (2.0 * RATE_HZ) as usize];
            for ((part, delays), weights) in parts.iter().zip(delays).zip(plan.feeds()) {
                for (delay, weights) in delays.iter().zip(weights) {
                    let gain: f64 = weights.iter().map(|&weight| f64::from(weight)).sum();
                    let from = delay.round() as usize;
                    for (sum, x) in tail[from..].iter_mut().zip(&part[channel]) {
                        *sum += gain * f64::from(*x);
                    }
                }
            }
            tail
        })
        .collect()
}

/// Echo density of the tails: what it reached by the mixing time, and its mean over the tenth of a second after that.
///
/// A single window of true Gaussian noise scatters between 0.84 and 1.14, so the
/// first figure is the highest of the windows up to then.
pub fn own_density_of_tails() -> Vec<Row> {
    const AFTER_S: f64 = 0.1;
    let (mut least_by_then, mut least_after) = (f64::INFINITY, f64::INFINITY);
    for platform in seats::platforms() {
        let spec = TailSpec::new(&platform, Some(Pair::NearCoincident), RATE_HZ);
        let at = (platform.mixing_time_s() * RATE_HZ) as usize;
        for tail in fed_tail(&platform, &spec) {
            let profile = echo_density_profile(&tail, RATE_HZ);
            least_by_then = smaller(least_by_then, profile[..=at].iter().copied().fold(0.0, larger));
            let after = &profile[at..at + (AFTER_S * RATE_HZ) as usize];
            least_after = smaller(least_after, after.iter().sum::<f64>() / after.len() as f64);
        }
    }
    let source = "Abel and Huang (2006): Gaussian noise has 1";
    vec![
        Row::at_least(
            "echo density that the tail alone reaches by the mixing time, least",
            least_by_then,
            0.9,
            "",
            source,
        ),
        Row::at_least(
            "mean echo density of the tail in the 0.1 s after it, least",
            least_after,
            0.9,
            "",
            source,
        ),
    ]
}

/// Coherence of the tail of spaced omnis, 250 Hz to 4 kHz, against sin(kd)/(kd).
pub fn coherence_of_tails() -> Vec<Row> {
    const SPACING_M: f64 = 0.5;
    let diffuse = |_: &DiffuseField, speed_m_s: f64, hz: f64| {
        let kd = std::f64::consts::TAU * hz / speed_m_s * SPACING_M;
        kd.sin() / kd
    };
    coherences(&[Pair::SpacedOmnis], diffuse, "sin(kd)/(kd), Cook et al. (1955)")
}

/// Coherence of the tail of every pair of cardioids against the integral that it was made with.
pub fn own_coherence_of_tails() -> Vec<Row> {
    let integral = |field: &DiffuseField, _: f64, hz: f64| field.coherence(hz);
    let pairs = [Pair::Coincident, Pair::NearCoincident];
    coherences(&pairs, integral, "the project's own integral over the front half-space")
}

/// Holds the tails of pairs against a coherence by frequency, of a diffuse field at a speed of sound.
fn coherences(
    pairs: &[Pair],
    expected_at: impl Fn(&DiffuseField, f64, f64) -> f64,
    source: &'static str,
) -> Vec<Row> {
    let mut rows = Vec::new();
    for &pair in pairs {
        let mut squares = Vec::new();
        for platform in seats::platforms() {
            let spec = TailSpec::new(&platform, Some(pair), RATE_HZ);
            let field = DiffuseField::new(pair, spec.speed_of_sound_m_s);
            // The second part: a burst of some 30 ms has too few lines in an octave to tell.
            let [_, tail] = synthesise(&spec);
            let tail: Vec<Vec<f64>> = tail.iter().map(|channel| to_f64(channel)).collect();
            let got = coherence(&tail[0], &tail[1], RATE_HZ, Resolution::Octave, Segments::Whole);
            for (band, cell) in got.iter().enumerate() {
                if !(250.0..=4000.0).contains(&NOMINAL_HZ[band]) {
                    continue;
                }
                let (low_hz, high_hz) = edges_hz(band);
                let speed_m_s = spec.speed_of_sound_m_s;
                let expected = mean_between(low_hz, high_hz, |hz| expected_at(&field, speed_m_s, hz));
                squares.push((cell.real - expected).powi(2));
            }
        }
        let rms = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
        rows.push(Row::at_most(format!("coherence of the tail, {}, rms", pair.name()), rms, 0.1, "", source));
    }
    rows
}

/// Returns the mean over a band, evenly in frequency.
fn mean_between(low_hz: f64, high_hz: f64, value: impl Fn(f64) -> f64) -> f64 {
    const POINTS: usize = 100;
    (0..POINTS)
        .map(|point| value(low_hz + (high_hz - low_hz) * (point as f64 + 0.5) / POINTS as f64))
        .sum::<f64>()
        / POINTS as f64
}
