//! Places a dry recording on the default platform: `cargo run -p rostra-dsp --example place_wav -- IN.wav OUT.wav`.

use std::error::Error;

use hound::{SampleFormat, WavReader, WavSpec, WavWriter};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::Family;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::tail::BuildAtOnce;

fn main() -> Result<(), Box<dyn Error>> {
    let [from, to] = std::env::args().skip(1).collect::<Vec<_>>().try_into().map_err(|_| "IN.wav OUT.wav")?;
    let mut reader = WavReader::open(&from)?;
    let spec = reader.spec();
    let full_scale = 2_f32.powi(i32::from(spec.bits_per_sample) - 1);
    let samples: Vec<f32> = match spec.sample_format {
        SampleFormat::Float => reader.samples().collect::<Result<_, _>>()?,
        SampleFormat::Int => reader
            .samples()
            .map(|sample: hound::Result<i32>| Ok(sample? as f32 / full_scale))
            .collect::<hound::Result<_>>()?,
    };
    // A horn, 9 m upstage and 20 degrees to the audience's left.
    let mut settings = Settings::default();
    settings.seat.depth_m = 9.0;
    settings.seat.bearing_deg = -20.0;
    settings.seat.family = Family::RearBell;

    let sample_rate_hz = f64::from(spec.sample_rate);
    let mut engine = Engine::prepare(Config { sample_rate_hz, layout: Layout::MonoToStereo })?;
    // The first channel, and silence in which the platform rings out.
    let silence = vec![0.0; (2.0 * settings.platform.decay_s * sample_rate_hz) as usize];
    let mut left: Vec<f32> = samples.into_iter().step_by(usize::from(spec.channels)).chain(silence).collect();
    let mut right = left.clone();
    engine.process(&settings, &mut BuildAtOnce::default(), &mut [&mut left, &mut right]);

    let spec = WavSpec { channels: 2, bits_per_sample: 32, sample_format: SampleFormat::Float, ..spec };
    let mut writer = WavWriter::create(&to, spec)?;
    left.iter().zip(&right).flat_map(|(&l, &r)| [l, r]).try_for_each(|sample| writer.write_sample(sample))?;
    Ok(writer.finalize()?)
}
