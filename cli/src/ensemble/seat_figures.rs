//! Figures of one seat: what the plug-in says of it for the hall, and what its placed impulse measures.

use anyhow::{Context as _, Result};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{MID, NOMINAL_HZ};
use rostra_dsp::measure::{
    Colouration, DecayCurve, OctaveFilter, ThirdLevel, c80_db, mono_thirds, octave_energies, worst_in_mono,
};
use rostra_dsp::plan::HallNeeds;

use crate::recording::Recording;

/// Octaves whose ratio is the brightness, Hz.
const BRIGHT_HZ: (f64, f64) = (4000.0, 1000.0);
/// Frequencies of which the air's part is told, Hz: the highest octave of the bands, and mid-band.
const LOST_HZ: (f64, f64) = (8000.0, 1000.0);
/// Range over which decays are fitted, dB: that of T30 (ISO 3382-2:2008, clause 6).
const DECAY_SPAN_DB: f64 = 30.0;

/// What is said of a seat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SeatFigures {
    /// The plug-in's own figures; see [`HallNeeds`].
    pub(crate) needs: HallNeeds,
    /// Decay of the placed impulse, s; `None` where it cannot be read.
    pub(crate) decay_s: Option<f64>,
    /// Clarity C80 of the placed impulse, dB.
    pub(crate) clarity_db: f64,
    /// Level of the 4 kHz octave of the placed impulse against that of 1 kHz, dB; `None` at rates that do not hold it.
    pub(crate) brightness_db: Option<f64>,
    /// What the air takes on the direct sound's way, 8 kHz against 1 kHz, dB: the part of the darkening that is
    /// distance alone, whatever the instrument.
    pub(crate) top_lost_db: f64,
    /// The third of an octave that loses most when both channels of the placed impulse are summed, and its change, dB.
    pub(crate) in_mono: Option<ThirdLevel>,
    /// How unevenly the placed impulse carries the thirds of an octave; `None` where one of them is silent.
    pub(crate) deviation: Option<Deviation>,
}

/// How far thirds of an octave lie from their trend; see [`Colouration`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Deviation {
    /// From the lowest to the highest, dB.
    pub(crate) peak_to_peak_db: f64,
    /// The one furthest from the trend, above or below, dB.
    pub(crate) worst: ThirdLevel,
}

impl SeatFigures {
    /// Measures the placed impulse of a seat.
    ///
    /// Decay and clarity are means of the 500 Hz and 1 kHz octaves, both
    /// channels together. Decay is fitted over 30 dB from twice the mixing time
    /// on, where direct sound and first reflections have no part in it. A dry
    /// impulse has a brightness of 0 dB.
    ///
    /// # Source
    /// ISO 3382-1:2009, annex A (clarity, and the mean of two octaves); the brightness is our choice.
    ///
    /// # Errors
    /// When the rate holds no octave of 1 kHz, or the impulse is silent.
    pub(crate) fn of(settings: &Settings, impulse: &Recording) -> Result<Self> {
        let start_s = 2.0 * settings.platform.mixing_time_s();
        let needs = HallNeeds::of(settings, 2);
        Ok(Self {
            needs,
            decay_s: late_decay_s(impulse, start_s)?,
            clarity_db: mid_clarity_db(impulse)?,
            brightness_db: brightness_db(impulse),
            top_lost_db: top_lost_db(settings, needs.distance_m),
            in_mono: in_mono(impulse),
            deviation: deviation(impulse),
        })
    }
}

/// Returns the clarity C80, mean of 500 Hz and 1 kHz, both channels together, dB.
///
/// # Errors
/// When the rate does not hold these octaves.
pub(crate) fn mid_clarity_db(impulse: &Recording) -> Result<f64> {
    let rate_hz = f64::from(impulse.rate_hz);
    Ok(mid_bands(impulse)?.iter().map(|band| c80_db(band, rate_hz)).sum::<f64>() / MID.len() as f64)
}

/// Returns the decay from `start_s` on, mean of 500 Hz and 1 kHz, s; `None` where it does not fall by 30 dB.
///
/// # Errors
/// When the rate does not hold these octaves, or the impulse is silent.
pub(crate) fn late_decay_s(impulse: &Recording, start_s: f64) -> Result<Option<f64>> {
    let rate_hz = f64::from(impulse.rate_hz);
    let mut decays_s = Vec::new();
    for band in mid_bands(impulse)? {
        let curve = DecayCurve::of(&band, rate_hz).context("the placed impulse cannot be measured")?;
        decays_s.extend(curve.decay_after_s(start_s, DECAY_SPAN_DB).ok());
    }
    Ok((decays_s.len() == MID.len()).then(|| decays_s.iter().sum::<f64>() / MID.len() as f64))
}

/// Returns the octaves of 500 Hz and 1 kHz, in each the root of both channels' energy.
fn mid_bands(impulse: &Recording) -> Result<Vec<Vec<f64>>> {
    let rate_hz = f64::from(impulse.rate_hz);
    MID.iter()
        .map(|&band| {
            let filter = OctaveFilter::new(band, rate_hz)
                .with_context(|| format!("the {} Hz octave cannot be measured", NOMINAL_HZ[band]))?;
            let mut energy = vec![0.0; impulse.frames()];
            for channel in &impulse.channels {
                for (sum, sample) in energy.iter_mut().zip(filter.filter(&widened(channel))) {
                    *sum += sample * sample;
                }
            }
            // All that follows reads energies, so the root stands for both channels.
            Ok(energy.into_iter().map(f64::sqrt).collect())
        })
        .collect()
}

/// Returns what the air takes of 8 kHz more than of 1 kHz over a distance, dB (ISO 9613-1:1993).
fn top_lost_db(settings: &Settings, distance_m: f64) -> f64 {
    let air = &settings.platform.air;
    distance_m * (air.attenuation_db_per_m(LOST_HZ.0) - air.attenuation_db_per_m(LOST_HZ.1))
}

fn brightness_db(impulse: &Recording) -> Option<f64> {
    let rate_hz = f64::from(impulse.rate_hz);
    let mut sums: Vec<f64> = Vec::new();
    for channel in &impulse.channels {
        let energies = octave_energies(&widened(channel), rate_hz);
        sums.resize(energies.len(), 0.0);
        for (sum, energy) in sums.iter_mut().zip(energies) {
            *sum += energy;
        }
    }
    let at = |hz: f64| NOMINAL_HZ.iter().position(|&nominal| nominal == hz).and_then(|band| sums.get(band));
    Some(10.0 * (at(BRIGHT_HZ.0)? / at(BRIGHT_HZ.1)?).log10()).filter(|level| level.is_finite())
}

/// Returns the third that loses most in mono; `None` for one channel and for silence.
fn in_mono(impulse: &Recording) -> Option<ThirdLevel> {
    let [left, right] = &impulse.channels[..] else { return None };
    worst_in_mono(&mono_thirds(&widened(left), &widened(right), f64::from(impulse.rate_hz)))
}

/// Returns how far the thirds lie from their trend, all channels together.
fn deviation(impulse: &Recording) -> Option<Deviation> {
    let channels: Vec<Vec<f64>> = impulse.channels.iter().map(|channel| widened(channel)).collect();
    let colouration = Colouration::of(&channels, f64::from(impulse.rate_hz))?;
    Some(Deviation { peak_to_peak_db: colouration.peak_to_peak_db(), worst: colouration.worst() })
}

fn widened(channel: &[f32]) -> Vec<f64> {
    channel.iter().map(|&sample| f64::from(sample)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 9613-1:1993, table 1, 20 degrees, 50 per cent: 105 dB/km at 8 kHz and 4.66 dB/km at 1 kHz.
    #[test]
    fn the_air_takes_what_the_standard_prints() {
        let got = top_lost_db(&Settings::default(), 10.0);
        let expected = 10.0 * (0.105 - 0.00466);
        // Half of the last printed digit.
        assert!((got - expected).abs() < 0.005, "expected {expected}, got {got}");
    }

    const RATE_HZ: u32 = 48_000;

    fn impulse(length_s: f64, sample: impl Fn(usize) -> f32) -> Recording {
        let frames = (length_s * f64::from(RATE_HZ)) as usize;
        let channel: Vec<f32> = (0..frames).map(sample).collect();
        Recording { rate_hz: RATE_HZ, channels: vec![channel.clone(), channel] }
    }

    /// Noise by a small generator (Knuth's constants, from memory), falling 60 dB in `decay_s`.
    fn falling_noise(decay_s: f64) -> Recording {
        let mut state = 1_u64;
        let mut recording = impulse(2.0, |_| 0.0);
        for channel in &mut recording.channels {
            for (n, sample) in channel.iter_mut().enumerate() {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let noise = (state >> 33) as f64 / f64::from(1_u32 << 30) - 1.0;
                *sample = (noise * (-6.907_755 * n as f64 / (decay_s * f64::from(RATE_HZ))).exp()) as f32;
            }
        }
        recording
    }

    #[test]
    fn a_dry_impulse_is_neither_bright_nor_dark() {
        let dry = impulse(0.5, |n| if n == 0 { 1.0 } else { 0.0 });
        let brightness = brightness_db(&dry).unwrap();
        assert!(brightness.abs() < 1e-6, "expected 0 dB, got {brightness}");
    }

    #[test]
    fn a_one_pole_low_pass_darkens_as_its_formula_says() {
        // y = (1 - a) x + a y': |H|^2 = (1 - a)^2 / (1 - 2 a cos w + a^2), averaged over each octave.
        let a = 0.8_f64;
        let filtered = impulse(0.2, |n| ((1.0 - a) * a.powi(n as i32)) as f32);
        let mean = |hz: f64| {
            let (low, high) = (hz / 10_f64.powf(0.15), hz * 10_f64.powf(0.15));
            let steps = 2000;
            let power = |step: i32| {
                let f = low + (high - low) * (f64::from(step) + 0.5) / f64::from(steps);
                let w = std::f64::consts::TAU * f / f64::from(RATE_HZ);
                (1.0 - a).powi(2) / (1.0 - 2.0 * a * w.cos() + a * a)
            };
            (0..steps).map(power).sum::<f64>() / f64::from(steps)
        };
        let expected = 10.0 * (mean(10_f64.powf(3.6)) / mean(1000.0)).log10();
        let got = brightness_db(&filtered).unwrap();
        assert!((got - expected).abs() < 0.05, "expected {expected} dB, got {got}");
        assert!(expected < -3.0);
    }

    /// An exponential decay has C80 = 10 log10(exp(13.82 t/T) - 1), t = 80 ms (ISO 3382-1, worked out).
    #[test]
    fn an_exponential_decay_has_the_clarity_of_its_formula() {
        for decay_s in [0.5, 1.0, 2.0] {
            let noise = falling_noise(decay_s);
            let expected = 10.0 * ((13.815_51 * 0.080 / decay_s).exp() - 1.0).log10();
            let got = mid_clarity_db(&noise).unwrap();
            assert!((got - expected).abs() < 1.0, "{decay_s} s: expected {expected} dB, got {got}");
        }
        let got_s = late_decay_s(&falling_noise(0.5), 0.1).unwrap().unwrap();
        assert!((got_s / 0.5 - 1.0).abs() < 0.05, "expected 0.5 s, got {got_s}");
    }

    /// A pulse in the left channel and, four frames later, one in the right: opposite at half a period, 48 kHz/8 = 6 kHz.
    #[test]
    fn a_late_channel_cancels_a_third_and_colours_none() {
        let mut late = impulse(0.5, |n| if n == 0 { 1.0 } else { 0.0 });
        late.channels[1].rotate_right(4);
        let figures = SeatFigures::of(&Settings::default(), &late).unwrap();
        let in_mono = figures.in_mono.unwrap();
        assert_eq!(in_mono.name(), "6.3 kHz");
        assert!(in_mono.level_db < -6.0, "{in_mono:?}");
        assert!(figures.deviation.unwrap().peak_to_peak_db < 1e-6, "{figures:?}");
        // The control: alike channels lose nothing.
        let dry = impulse(0.5, |n| if n == 0 { 1.0 } else { 0.0 });
        let kept = SeatFigures::of(&Settings::default(), &dry).unwrap().in_mono.unwrap();
        assert!(kept.level_db.abs() < 1e-9, "{kept:?}");
    }

    #[test]
    fn a_rate_that_does_not_hold_4_khz_still_has_the_rest() {
        let mut noise = falling_noise(0.5);
        noise.rate_hz = 22_050;
        let figures = SeatFigures::of(&Settings::default(), &noise).unwrap();
        assert!(figures.brightness_db.is_some() || figures.clarity_db.is_finite());
    }
}
