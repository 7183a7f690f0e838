//! A click and a hand clap, to hear the bare platform with.

use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;

/// What strikes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Strike {
    /// One sample: the platform's own answer, all frequencies alike.
    Click,
    /// A hand clap.
    Clap,
}

/// Peak of either, of full scale: -3 dBFS (our choice).
const PEAK: f64 = 0.708;
/// Rise of a clap, s (our choice, by ear).
const CLAP_RISE_S: f64 = 0.000_3;
/// Fall of a clap to 1/e, s (our choice, by ear: the hands' own sound is over within some 20 ms).
const CLAP_FALL_S: f64 = 0.004;
/// Length of a clap, falls: e^-9 is -78 dB.
const CLAP_FALLS: f64 = 9.0;
/// Corners of a clap's spectrum, Hz (our choice, by ear: a palm's hollow below, skin above).
const CLAP_CORNERS_HZ: (f64, f64) = (900.0, 4000.0);
/// Seed of the clap's noise: it is the same every time.
const CLAP_SEED: u64 = 0xc1a9;

impl Strike {
    /// Every strike.
    pub const ALL: [Self; 2] = [Self::Click, Self::Clap];

    /// Returns its sound at a rate; allocates.
    pub fn sound(self, rate_hz: f64) -> Vec<f32> {
        match self {
            Self::Click => vec![PEAK as f32],
            Self::Clap => clap(rate_hz),
        }
    }
}

/// Noise that rises and falls, through a first-order high-pass and low-pass.
fn clap(rate_hz: f64) -> Vec<f32> {
    let mut noise = Noise::new(CLAP_SEED);
    // One-pole smoothing: y += (1 - exp(-2 pi f/fs)) (x - y).
    let share = |corner_hz: f64| 1.0 - (-std::f64::consts::TAU * corner_hz / rate_hz).exp();
    let (low, high) = (share(CLAP_CORNERS_HZ.0), share(CLAP_CORNERS_HZ.1));
    let (mut below, mut smooth) = (0.0, 0.0);
    let frames = (CLAP_FALLS * CLAP_FALL_S * rate_hz) as usize;
    let shape = |n: usize| {
        let t = n as f64 / rate_hz;
        (t / CLAP_RISE_S).min(1.0) * (-t / CLAP_FALL_S).exp()
    };
    let sound: Vec<f64> = (0..frames)
        .map(|n| {
            let x = noise.gaussian() * shape(n);
            smooth += high * (x - smooth);
            below += low * (smooth - below);
            smooth - below
        })
        .collect();
    let peak = sound.iter().fold(f64::MIN_POSITIVE, |peak, x| larger(x.abs(), peak));
    sound.iter().map(|x| (x * PEAK / peak) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::extremes::larger;

    #[test]
    fn both_have_their_peak_and_are_over_soon_at_any_rate() {
        for rate_hz in [22_050.0, 48_000.0, 192_000.0] {
            for strike in Strike::ALL {
                let sound = strike.sound(rate_hz);
                let peak = sound.iter().fold(0.0_f32, |peak, x| larger(peak, x.abs()));
                assert!((f64::from(peak) - PEAK).abs() < 1e-6, "{strike:?} at {rate_hz} Hz: {peak}");
                assert!((sound.len() as f64) <= 0.04 * rate_hz);
            }
        }
    }
}
