//! Spectra of whole signals.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// Returns the spectrum X(k) = sum x(n) exp(-2 pi j k n / `length`), k from 0 to `length`/2, of a signal padded with zeros.
///
/// Unscaled: a unit impulse at 0 gives 1 in every bin.
///
/// # Panics
/// When `length` is shorter than the signal or 0.
pub(super) fn spectrum(signal: &[f64], length: usize) -> Vec<Complex<f64>> {
    assert!(length >= signal.len() && length > 0, "a spectrum of {length} cannot hold {}", signal.len());
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let mut input = transform.make_input_vec();
    input[..signal.len()].copy_from_slice(signal);
    let mut output = transform.make_output_vec();
    transform
        .process_with_scratch(&mut input, &mut output, &mut transform.make_scratch_vec())
        // PANIC: all three buffers were made by this transform.
        .expect("the buffers fit the transform");
    output
}

/// Returns the signal of a spectrum of `length`/2 + 1 bins, scaled so that it undoes [`spectrum`].
pub(super) fn signal(mut spectrum: Vec<Complex<f64>>, length: usize) -> Vec<f64> {
    let transform = RealFftPlanner::<f64>::new().plan_fft_inverse(length);
    // Products of spectra leave rounding noise where a real signal has none.
    spectrum[0].im = 0.0;
    if length.is_multiple_of(2)
        && let Some(nyquist) = spectrum.last_mut()
    {
        nyquist.im = 0.0;
    }
    let mut output = transform.make_output_vec();
    transform
        .process_with_scratch(&mut spectrum, &mut output, &mut transform.make_scratch_vec())
        // PANIC: the caller's bins come from `spectrum` of the same length.
        .expect("the buffers fit the transform");
    for sample in &mut output {
        *sample /= length as f64;
    }
    output
}

#[cfg(test)]
mod tests {
    use super::super::noise::gaussian;
    use super::*;

    #[test]
    fn a_signal_comes_back_from_its_spectrum() {
        let original = gaussian(7, 1000);
        let back = signal(spectrum(&original, 2048), 2048);
        for (a, b) in original.iter().zip(&back) {
            assert!((a - b).abs() < 1e-12, "expected {a}, got {b}");
        }
    }
}
