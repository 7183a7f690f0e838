//! The sound that goes through the hosts, and how two sounds are compared.

use rostra_dsp::extremes::larger;
use std::path::Path;

/// One channel after the other.
pub(crate) type Sound = Vec<Vec<f32>>;

/// Sample rate of the comparisons, Hz.
pub(crate) const RATE_HZ: u32 = 48_000;

/// Peak of the noise; well below full scale, so that nothing clips in any host's way to a file.
const NOISE_PEAK: f32 = 0.4;

/// Level above which an output is sound and no silence, dB of full scale, rms.
const LEAST_DBFS: f64 = -40.0;

/// Returns 1 s of noise and 1 s of silence, each channel of its own, the same on every machine.
///
/// Even distribution; 64-bit linear congruential generator with Knuth's MMIX
/// multiplier and increment (from memory), upper 24 bits.
pub(crate) fn noise_burst(channels: usize) -> Sound {
    noise_and_silence(channels, RATE_HZ as usize, RATE_HZ as usize)
}

/// As [`noise_burst`], as many frames of either as wished.
pub(crate) fn noise_and_silence(channels: usize, noise_frames: usize, silence_frames: usize) -> Sound {
    (0..channels)
        .map(|channel| {
            let mut state = 0x5eed_u64 + channel as u64;
            let mut samples = vec![0.0; noise_frames + silence_frames];
            for sample in &mut samples[..noise_frames] {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let unit = (state >> 40) as f32 / (1 << 23) as f32 - 1.0;
                *sample = NOISE_PEAK * unit;
            }
            samples
        })
        .collect()
}

/// Returns silence with one full sample at a frame in every channel.
pub(crate) fn impulse_at(channels: usize, frame: usize, frames: usize) -> Sound {
    let mut samples = vec![0.0; frames];
    samples[frame] = 1.0;
    vec![samples; channels]
}

/// Returns the largest difference of two sounds of the same shape.
///
/// # Panics
/// When their shapes differ.
pub(crate) fn largest_difference(a: &Sound, b: &Sound) -> f32 {
    assert_eq!(a.len(), b.len(), "channels");
    let mut largest = 0.0_f32;
    for (a, b) in a.iter().zip(b) {
        assert_eq!(a.len(), b.len(), "frames");
        for (a, b) in a.iter().zip(b) {
            // `max` would swallow what is not a number.
            let difference = (a - b).abs();
            assert!(difference.is_finite(), "{a} and {b} cannot be compared");
            largest = larger(largest, difference);
        }
    }
    largest
}

/// Asserts that every channel is sound.
///
/// # Panics
/// When one is below -40 dBFS, rms over its whole length.
pub(crate) fn assert_sounds(sound: &Sound) {
    for (index, channel) in sound.iter().enumerate() {
        let power: f64 =
            channel.iter().map(|&x| f64::from(x) * f64::from(x)).sum::<f64>() / channel.len() as f64;
        let level_dbfs = 10.0 * power.log10();
        assert!(level_dbfs > LEAST_DBFS, "channel {index} has {level_dbfs:.1} dBFS, which is silence");
    }
}

/// Asserts that two sounds are the same to the bit.
///
/// # Panics
/// When they are not.
pub(crate) fn assert_same_bits(what: &str, a: &Sound, b: &Sound) {
    assert_eq!(a.len(), b.len(), "{what}: channels");
    for (channel, (a, b)) in a.iter().zip(b).enumerate() {
        assert_eq!(a.len(), b.len(), "{what}: frames");
        if let Some(frame) = a.iter().zip(b).position(|(a, b)| a.to_bits() != b.to_bits()) {
            panic!("{what}: channel {channel}, frame {frame}: expected {}, got {}", a[frame], b[frame]);
        }
    }
}

/// Reads a sound that [`write_wav`] wrote.
///
/// # Panics
/// When the file cannot be read.
pub(crate) fn read_wav(path: &Path) -> Sound {
    let mut reader =
        hound::WavReader::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let channels = usize::from(reader.spec().channels);
    let mut sound = vec![Vec::new(); channels];
    for (n, sample) in reader.samples::<f32>().enumerate() {
        sound[n % channels].push(sample.unwrap_or_else(|error| panic!("{}: {error}", path.display())));
    }
    sound
}

/// Writes a sound as 32-bit float WAV, which keeps every bit.
///
/// # Panics
/// When the file cannot be written.
pub(crate) fn write_wav(path: &Path, sound: &Sound) {
    write_wav_at(path, sound, RATE_HZ);
}

/// As [`write_wav`], at another rate.
pub(crate) fn write_wav_at(path: &Path, sound: &Sound, rate_hz: u32) {
    let spec = hound::WavSpec {
        channels: sound.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let failed = |error: hound::Error| -> hound::Error { panic!("{}: {error}", path.display()) };
    let mut writer = hound::WavWriter::create(path, spec).map_err(failed).expect("the file was made");
    for frame in 0..sound[0].len() {
        for channel in sound {
            writer.write_sample(channel[frame]).map_err(failed).expect("the sample was written");
        }
    }
    writer.finalize().map_err(failed).expect("the file was finished");
}
