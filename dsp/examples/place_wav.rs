//! Places a dry recording on the default platform: `cargo run -p rostra-dsp --example place_wav -- IN.wav OUT.wav`.

use std::error::Error;

use rostra_dsp::Settings;
use rostra_dsp::acoustics::Family;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::tail::BuildAtOnce;

fn main() -> Result<(), Box<dyn Error>> {
    let [dry, placed] =
        std::env::args().skip(1).collect::<Vec<_>>().try_into().map_err(|_| "IN.wav OUT.wav")?;
    let mut reader = hound::WavReader::open(&dry)?;
    let spec = reader.spec();
    let step = if spec.sample_format == hound::SampleFormat::Int {
        2_f32.powi(1 - i32::from(spec.bits_per_sample))
    } else {
        1.0
    };
    let samples: Vec<f32> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples().collect::<Result<_, _>>()?,
        hound::SampleFormat::Int => reader
            .samples::<i32>()
            .map(|sample| Ok(sample? as f32 * step))
            .collect::<Result<_, hound::Error>>()?,
    };

    // A horn, 9 m upstage and 20 degrees to the audience's left.
    let mut settings = Settings::default();
    settings.seat.depth_m = 9.0;
    settings.seat.bearing_deg = -20.0;
    settings.seat.family = Family::RearBell;

    let sample_rate_hz = f64::from(spec.sample_rate);
    let mut engine = Engine::prepare(Config { sample_rate_hz, layout: Layout::MonoToStereo })?;
    let mut tails = BuildAtOnce::default();
    // The first channel, and silence in which the platform rings out.
    let dry = samples.iter().step_by(usize::from(spec.channels)).copied();
    let mut left: Vec<f32> =
        dry.chain(vec![0.0; (2.0 * settings.platform.decay_s * sample_rate_hz) as usize]).collect();
    let mut right = left.clone();
    engine.process(&settings, &mut tails, &mut [&mut left, &mut right]);

    let spec = hound::WavSpec {
        channels: 2,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
        ..spec
    };
    let mut writer = hound::WavWriter::create(&placed, spec)?;
    for sample in left.iter().zip(&right).flat_map(|(&left, &right)| [left, right]) {
        writer.write_sample(sample)?;
    }
    Ok(writer.finalize()?)
}
