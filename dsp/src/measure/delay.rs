//! How much later one signal comes than another.

use std::f64::consts::TAU;

use realfft::num_complex::Complex;

use super::spectrum::{signal as signal_of, spectrum};

/// Steps per sample in which the peak is looked for before the parabola (our
/// choice: white signals then come out within a ten-thousandth of a sample).
const STEPS_PER_SAMPLE: i32 = 16;

/// Returns by how many samples `later` comes after `earlier`, negative if before; `None` if either is silent.
///
/// The lag of the largest value of the cross-correlation
/// r(m) = sum earlier(n) later(n + m): first on whole samples, then on sixteenths
/// of a sample by the band-limited interpolation that its spectrum gives, last
/// by a parabola through the largest and its two neighbours.
pub fn delay_samples(earlier: &[f64], later: &[f64]) -> Option<f64> {
    let silent = |x: &[f64]| x.iter().all(|&sample| sample == 0.0);
    if silent(earlier) || silent(later) {
        return None;
    }
    let length = (earlier.len() + later.len()).next_power_of_two();
    let cross: Vec<Complex<f64>> =
        spectrum(earlier, length).iter().zip(&spectrum(later, length)).map(|(x, y)| x.conj() * y).collect();
    let whole = signal_of(cross.clone(), length);
    let peak = (0..length).max_by(|&a, &b| whole[a].total_cmp(&whole[b]))?;
    // No signal can come later than `later` is long; lags beyond are negative ones, wrapped.
    let lag = if peak < later.len() { peak as f64 } else { peak as f64 - length as f64 };
    let fine = |step: i32| lag + f64::from(step) / f64::from(STEPS_PER_SAMPLE);
    let around: Vec<f64> = (-STEPS_PER_SAMPLE - 1..=STEPS_PER_SAMPLE + 1)
        .map(|step| correlation_at(&cross, length, fine(step)))
        .collect();
    let best = (1..around.len() - 1).max_by(|&a, &b| around[a].total_cmp(&around[b]))?;
    let (before, at, after) = (around[best - 1], around[best], around[best + 1]);
    let bend = before - 2.0 * at + after;
    let offset = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
    Some(fine(best as i32 - STEPS_PER_SAMPLE - 1) + offset / f64::from(STEPS_PER_SAMPLE))
}

/// Returns the cross-correlation at any lag, up to a factor: Re sum C(k) exp(2 pi j k lag / length).
fn correlation_at(cross: &[Complex<f64>], length: usize, lag: f64) -> f64 {
    // A turning phasor, set afresh now and then, is far cheaper than a sine a bin.
    const FRESH: usize = 256;
    let step = TAU * lag / length as f64;
    let turn = Complex::from_polar(1.0, step);
    let last = cross.len() - 1;
    let mut sum = 0.0;
    for (chunk_index, chunk) in cross[..last].chunks(FRESH).enumerate() {
        let mut phasor = Complex::from_polar(1.0, (step * (chunk_index * FRESH) as f64) % TAU);
        for bin in chunk {
            sum += (bin * phasor).re;
            phasor *= turn;
        }
    }
    // Bin 0 and the bin at half the sample rate have no mirror image.
    sum - 0.5 * cross[0].re + 0.5 * (cross[last] * Complex::from_polar(1.0, step * last as f64)).re
}

#[cfg(test)]
mod tests {
    use super::super::noise::gaussian;
    use super::*;

    /// Delays by turning the spectrum; the band is kept below 0.4 of the rate.
    fn delayed(signal: &[f64], delay: f64) -> Vec<f64> {
        let length = signal.len();
        let bins = spectrum(signal, length)
            .iter()
            .enumerate()
            .map(|(k, bin)| {
                let kept = if k as f64 > 0.4 * length as f64 { 0.0 } else { 1.0 };
                bin * Complex::from_polar(kept, -TAU * k as f64 * delay / length as f64)
            })
            .collect();
        signal_of(bins, length)
    }

    #[test]
    fn fractions_of_a_sample_are_found() {
        let mut burst = vec![0.0; 4096];
        burst[1500..2000].copy_from_slice(&gaussian(4, 500));
        for delay in [-300.37, -1.0, -0.5, 0.0, 0.25, 0.499, 17.93, 700.0625] {
            let got = delay_samples(&burst, &delayed(&burst, delay)).expect("neither is silent");
            assert!((got - delay).abs() < 1e-3, "expected {delay}, got {got}");
        }
    }

    #[test]
    fn lone_impulses_of_unequal_length_are_found() {
        let mut later = vec![0.0; 900];
        later[777] = 0.01;
        let got = delay_samples(&[1.0], &later).expect("neither is silent");
        assert!((got - 777.0).abs() < 1e-3, "expected 777, got {got}");
        let back = delay_samples(&later, &[1.0]).expect("neither is silent");
        assert!((back + 777.0).abs() < 1e-3, "expected -777, got {back}");
    }

    #[test]
    fn silence_has_no_delay() {
        assert_eq!(delay_samples(&[0.0; 8], &[1.0]), None);
        assert_eq!(delay_samples(&[1.0], &[]), None);
    }
}
