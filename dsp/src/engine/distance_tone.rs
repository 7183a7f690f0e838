//! The tone that distance gives: proximity taken out, and a bell for the weight of the low middle.

use std::f64::consts::PI;

use crate::engine::glide::GlideOf;
use crate::settings::Tone;

/// Quality of the low-mid bell: about an octave and a half wide (our choice, no source).
const BELL_Q: f64 = 0.9;
/// State below which the filters are silent, linear.
const SILENT: f32 = 1e-20;
/// Corner of the resting high-pass, Hz: it is blended out, but its state must still fade.
const RESTING_CORNER_HZ: f64 = 10.0;

/// Coefficients in the order in which they glide.
const COEFFICIENTS: usize = 6;

/// Returns the corner of the high-pass that takes out the proximity rise of a cardioid: c/(4 pi a), in Hz.
///
/// The rise of a cardioid at distance a on axis is |H| = sqrt(1 + (c/(4 pi f a))^2);
/// a first-order high-pass with this corner is its inverse.
///
/// # Source
/// Half pressure, half pressure gradient in a spherical wave (closed form; textbooks on microphones).
pub(crate) fn proximity_corner_hz(distance_m: f64, speed_of_sound_m_s: f64) -> f64 {
    speed_of_sound_m_s / (4.0 * PI * distance_m)
}

/// Returns the pressure gain of the distance tone at a frequency, without a rate's warping.
///
/// High-pass at f0: (f/f0)/sqrt(1 + (f/f0)^2). Bell at f1, with w = f/f1 and A =
/// 10^(dB/40): sqrt(((1 - w^2)^2 + (w A/Q)^2)/((1 - w^2)^2 + (w/(Q A))^2)).
pub fn tone_gain(tone: &Tone, speed_of_sound_m_s: f64, frequency_hz: f64) -> f64 {
    let high_pass = tone.close_mic_m.map_or(1.0, |distance_m| {
        let ratio = frequency_hz / proximity_corner_hz(distance_m, speed_of_sound_m_s);
        ratio / ratio.hypot(1.0)
    });
    let ratio = frequency_hz / tone.low_mid_hz;
    let a = 10_f64.powf(tone.low_mid_db / 40.0);
    let detuned = 1.0 - ratio * ratio;
    high_pass * detuned.hypot(ratio * a / BELL_Q) / detuned.hypot(ratio / (BELL_Q * a))
}

/// Level by which a ringing counts as over: from the loudest input, +120 dB, down to 1e-6 (our choice).
const RINGS_DOWN: f64 = 1e12;

/// Returns how long the distance tone rings, in s: the slower of both filters, as tau ln 1e12.
///
/// High-pass: tau = 1/(2 pi f0). Bell: tau = 4/(2 pi f1) at the most. Its poles are those of s^2 + s/(Q A) + 1,
/// A = 10^(dB/40): at +6 dB tau is 2.5/(2 pi f1), at -18 dB, overdamped, 2.8/(2 pi f1).
pub(crate) fn ringing_s(tone: &Tone, speed_of_sound_m_s: f64) -> f64 {
    let high_pass_s = tone
        .close_mic_m
        .map_or(0.0, |distance_m| (2.0 * PI * proximity_corner_hz(distance_m, speed_of_sound_m_s)).recip());
    let bell_s = if tone.low_mid_db == 0.0 { 0.0 } else { 4.0 / (2.0 * PI * tone.low_mid_hz) };
    high_pass_s.max(bell_s) * RINGS_DOWN.ln()
}

/// The plan of the distance tone: coefficients of both filters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TonePlan {
    coefficients: [f32; COEFFICIENTS],
}

impl TonePlan {
    /// Designs the filters at a sample rate.
    ///
    /// High-pass: first order, trapezoidal, blended in by 1 or 0. Bell: the
    /// state-variable form, H = 1 + (A^2 - 1) k s/(s^2 + k s + 1), k = 1/(Q A),
    /// A = 10^(dB/40).
    ///
    /// # Source
    /// Zavalishin, The Art of VA Filter Design (2012); Simper's bell form (2013), from memory.
    pub fn new(tone: &Tone, speed_of_sound_m_s: f64, sample_rate_hz: f64) -> Self {
        let corner_hz =
            tone.close_mic_m.map_or(RESTING_CORNER_HZ, |a| proximity_corner_hz(a, speed_of_sound_m_s));
        let g = (PI * corner_hz / sample_rate_hz).tan();
        let a = 10_f64.powf(tone.low_mid_db / 40.0);
        let gb = (PI * tone.low_mid_hz / sample_rate_hz).tan();
        let k = 1.0 / (BELL_Q * a);
        let a1 = 1.0 / (1.0 + gb * (gb + k));
        let coefficients = [
            g / (1.0 + g),
            if tone.close_mic_m.is_some() { 1.0 } else { 0.0 },
            a1,
            gb * a1,
            gb * gb * a1,
            k * (a * a - 1.0),
        ];
        Self { coefficients: coefficients.map(|x| x as f32) }
    }
}

/// The running filters of one channel.
#[derive(Clone, Debug)]
pub struct DistanceTone {
    plan: GlideOf<COEFFICIENTS>,
    low: f32,
    first: f32,
    second: f32,
}

impl DistanceTone {
    /// Starts at rest.
    pub fn new(plan: &TonePlan) -> Self {
        Self { plan: GlideOf::at(plan.coefficients), low: 0.0, first: 0.0, second: 0.0 }
    }

    /// Forgets all sound and stands at a plan.
    pub fn reset(&mut self, plan: &TonePlan) {
        *self = Self::new(plan);
    }

    /// Starts the next grid step on the way to a plan.
    pub fn glide_to(&mut self, plan: &TonePlan) {
        self.plan.glide_to(plan.coefficients);
    }

    /// Says whether the tone rests throughout the grid step.
    pub fn rests(&self) -> bool {
        self.plan.rests()
    }

    /// Says whether nothing rings.
    pub fn is_silent(&self) -> bool {
        [self.low, self.first, self.second] == [0.0; 3]
    }

    /// Says whether the tone leaves every sample as it is throughout the grid step.
    pub fn is_flat(&self) -> bool {
        let [_, high_pass, .., bell] = self.plan.targets();
        self.plan.rests() && high_pass == 0.0 && bell == 0.0
    }

    /// Filters samples in place; `shares` is the share of the grid step at the first sample and its growth per sample.
    pub fn process(&mut self, shares: (f64, f64), samples: &mut [f32]) {
        if self.is_flat() {
            // Filters that come in later do so from silence, as slowly as their gain: no click.
            (self.low, self.first, self.second) = (0.0, 0.0, 0.0);
            return;
        }
        let moving = !self.plan.rests();
        let mut c = self.plan.values(shares.0 as f32);
        for (n, x) in samples.iter_mut().enumerate() {
            if moving {
                c = self.plan.values((shares.0 + shares.1 * n as f64) as f32);
            }
            let [g, high_pass, a1, a2, a3, bell] = c;
            let v = (*x - self.low) * g;
            let low = v + self.low;
            self.low = low + v;
            let x1 = *x - high_pass * low;
            let v3 = x1 - self.second;
            let v1 = a1 * self.first + a2 * v3;
            let v2 = self.second + a2 * self.first + a3 * v3;
            self.first = 2.0 * v1 - self.first;
            self.second = 2.0 * v2 - self.second;
            *x = x1 + bell * v1;
        }
        for state in [&mut self.low, &mut self.first, &mut self.second] {
            if state.abs() < SILENT {
                *state = 0.0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level_db(tone: &Tone, hz: f64) -> f64 {
        let rate = 48_000.0;
        let mut filter = DistanceTone::new(&TonePlan::new(tone, 343.2, rate));
        let mut impulse = vec![0.0_f32; 96_000];
        impulse[0] = 1.0;
        filter.process((0.0, 0.0), &mut impulse);
        let (re, im) = impulse.iter().enumerate().fold((0.0, 0.0), |sum, (n, &x)| {
            let phase = 2.0 * PI * hz * n as f64 / rate;
            (sum.0 + f64::from(x) * phase.cos(), sum.1 - f64::from(x) * phase.sin())
        });
        20.0 * f64::hypot(re, im).log10()
    }

    #[test]
    fn the_default_tone_changes_nothing() {
        for hz in [30.0, 450.0, 5000.0] {
            let level = level_db(&Tone::default(), hz);
            assert!(level.abs() < 1e-3, "at {hz} Hz: got {level} dB");
        }
    }

    #[test]
    fn the_bell_has_its_gain_at_its_centre() {
        for gain in [-18.0, -6.0, 6.0] {
            let tone = Tone { low_mid_db: gain, ..Tone::default() };
            let level = level_db(&tone, 450.0);
            assert!((level - gain).abs() < 0.02, "expected {gain} dB, got {level}");
            assert!(level_db(&tone, 20.0).abs() < 0.3 && level_db(&tone, 12_000.0).abs() < 0.3);
        }
    }

    #[test]
    fn the_closed_form_is_what_the_filters_do() {
        let tone = Tone { close_mic_m: Some(0.2), low_mid_hz: 300.0, low_mid_db: -9.0 };
        for hz in [60.0, 150.0, 300.0, 700.0, 2000.0] {
            let (expected, got) = (level_db(&tone, hz), 20.0 * tone_gain(&tone, 343.2, hz).log10());
            assert!((got - expected).abs() < 0.05, "at {hz} Hz: the filters do {expected} dB, got {got}");
        }
    }
}
