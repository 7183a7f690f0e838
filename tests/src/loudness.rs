//! Loudness after ITU-R BS.1770, by the crate `ebur128`.

use ebur128::{EbuR128, Mode};

/// Frames that are measured at once.
const BLOCK_FRAMES: usize = 4096;

/// Returns the integrated loudness of left and right, LUFS (ITU-R BS.1770-4).
pub fn integrated_lufs(channels: [&[f32]; 2], rate_hz: u32) -> f64 {
    let mut meter = EbuR128::new(2, rate_hz, Mode::I).expect("the rate is one of recordings");
    let [left, right] = channels.map(|channel| channel.chunks(BLOCK_FRAMES));
    for (left, right) in left.zip(right) {
        meter.add_frames_planar_f32(&[left, right]).expect("both channels are of one length");
    }
    meter.loudness_global().expect("the meter integrates")
}

/// Returns the integrated loudness of one channel in the middle between two loudspeakers, at equal power, LUFS.
pub fn centred_lufs(channel: &[f32], rate_hz: u32) -> f64 {
    let each: Vec<f32> = channel.iter().map(|x| x * std::f32::consts::FRAC_1_SQRT_2).collect();
    integrated_lufs([&each, &each], rate_hz)
}

/// Returns the K-weighted level of left and right in steps of `step_frames` frames, as energy.
pub fn energies_in_steps(channels: [&[f32]; 2], rate_hz: u32, step_frames: usize) -> Vec<f64> {
    let mut meter = EbuR128::new(2, rate_hz, Mode::M).expect("the rate is one of recordings");
    let step_ms = (1000 * step_frames / rate_hz as usize) as u32;
    let [left, right] = channels.map(|channel| channel.chunks_exact(step_frames));
    left.zip(right)
        .map(|(left, right)| {
            meter.add_frames_planar_f32(&[left, right]).expect("both channels are of one length");
            10_f64.powf(meter.loudness_window(step_ms).expect("the meter remembers a step") / 10.0)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ITU-R BS.1770-4, annex 1: a 0 dBFS sine of 997 Hz in one channel gives -3.01 LKFS.
    #[test]
    fn a_sine_is_as_loud_as_the_recommendation_says() {
        let sine: Vec<f32> = (0..240_000)
            .map(|n| (std::f64::consts::TAU * 997.0 * f64::from(n) / 48_000.0).sin() as f32)
            .collect();
        let silence = vec![0.0; sine.len()];
        let left_lufs = integrated_lufs([&sine, &silence], 48_000);
        assert!((left_lufs + 3.01).abs() < 0.05, "got {left_lufs}");
        let centred_lufs = centred_lufs(&sine, 48_000);
        assert!((centred_lufs + 3.01).abs() < 0.05, "got {centred_lufs}");
        let steps = energies_in_steps([&sine, &silence], 48_000, 9600);
        assert_eq!(steps.len(), 25);
        for energy in &steps[1..] {
            assert!((10.0 * energy.log10() + 3.01).abs() < 0.05, "got {energy}");
        }
    }
}
