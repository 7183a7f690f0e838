//! The VST3 in a host of the registry, against the engine itself.
//!
//! vst3-host 0.10 loads `target/bundled/rostra.vst3`; what it plays must be what
//! the engine plays with the same settings, within 1e-6 (single precision, one
//! build of the same code). `tests/hosts/equality.py` compares the VST3 in
//! another host with the CLAP.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, ensure};
use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;
use rostra_dsp::tail::BuildAtOnce;
use vst3_host::{Plugin, audio::AudioBuffers, host::Vst3Host};

const RATE_HZ: f64 = 48_000.0;
const BLOCK_FRAMES: usize = 480;
const SECONDS: usize = 2;

fn bundle() -> Result<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/bundled/rostra.vst3");
    ensure!(path.exists(), "{} is missing; run `cargo xtask bundle`", path.display());
    Ok(path)
}

fn load() -> Result<Plugin> {
    let mut host = Vst3Host::builder().sample_rate(RATE_HZ).block_size(BLOCK_FRAMES).build()?;
    host.load_plugin(bundle()?).context("the VST3 is not loaded")
}

/// Sets a number by its share of the range; depth runs evenly in its logarithm.
fn set(plugin: &mut Plugin, name: &str, share: f64) -> Result<()> {
    let id = plugin.find_parameter(name)?.id;
    plugin.set_parameter(id, share)?;
    Ok(())
}

fn wished(depth_m: f64) -> Settings {
    let mut settings = Settings::default();
    settings.seat.depth_m = depth_m;
    settings.seat.bearing_deg = 21.0;
    settings.platform.decay_s = 0.65;
    settings.level.balance_pct = 60.0;
    settings
}

/// Brings the plug-in to the settings and starts it anew, at rest.
fn prepare(plugin: &mut Plugin, settings: &Settings) -> Result<()> {
    set(plugin, "Depth", (settings.seat.depth_m / 0.5).ln() / 50.0_f64.ln())?;
    set(plugin, "Bearing", (settings.seat.bearing_deg + 60.0) / 120.0)?;
    set(plugin, "Decay", (settings.platform.decay_s - 0.2) / 1.8)?;
    set(plugin, "Platform balance", settings.level.balance_pct / 100.0)?;
    restart(plugin)
}

/// Plays a block of silence, so that changes arrive, then starts again from rest.
fn restart(plugin: &mut Plugin) -> Result<()> {
    plugin.start_processing()?;
    plugin.process_audio(&mut AudioBuffers::new(2, 2, BLOCK_FRAMES, RATE_HZ))?;
    plugin.stop_processing()?;
    plugin.reconfigure(RATE_HZ, BLOCK_FRAMES)?;
    plugin.start_processing()?;
    Ok(())
}

/// A second of noise, unlike on both sides, and a second of silence.
fn burst() -> [Vec<f32>; 2] {
    let mut noise = Noise::new(11);
    [(); 2].map(|()| {
        (0..SECONDS * 48_000)
            .map(|n| if n < 48_000 { (0.1 * noise.gaussian()) as f32 } else { 0.0 })
            .collect()
    })
}

fn through_host(plugin: &mut Plugin, sound: &[Vec<f32>; 2]) -> Result<[Vec<f32>; 2]> {
    let mut heard = [Vec::new(), Vec::new()];
    for start in (0..sound[0].len()).step_by(BLOCK_FRAMES) {
        let mut buffers = AudioBuffers::new(2, 2, BLOCK_FRAMES, RATE_HZ);
        for (input, side) in buffers.inputs.iter_mut().zip(sound) {
            input.copy_from_slice(&side[start..start + BLOCK_FRAMES]);
        }
        plugin.process_audio(&mut buffers)?;
        for (side, output) in heard.iter_mut().zip(&buffers.outputs) {
            side.extend_from_slice(output);
        }
    }
    Ok(heard)
}

fn through_engine(settings: &Settings, sound: &[Vec<f32>; 2]) -> Result<[Vec<f32>; 2]> {
    let mut engine = Engine::prepare(Config { sample_rate_hz: RATE_HZ, layout: Layout::StereoToStereo })?;
    engine.reset();
    let [mut left, mut right] = sound.clone();
    engine.process(settings, &mut BuildAtOnce::default(), &mut [&mut left, &mut right]);
    Ok([left, right])
}

fn largest_difference(a: &[Vec<f32>; 2], b: &[Vec<f32>; 2]) -> f32 {
    a.iter().flatten().zip(b.iter().flatten()).map(|(x, y)| (x - y).abs()).fold(0.0, larger)
}

fn level_db(sound: &[Vec<f32>; 2]) -> f64 {
    let count = (sound[0].len() + sound[1].len()) as f64;
    10.0 * (sound.iter().flatten().map(|&x| f64::from(x).powi(2)).sum::<f64>() / count).log10()
}

/// One after the other: a VST3 is made, used and freed on one thread.
#[test]
fn the_vst3_is_the_engine_and_keeps_its_state() -> Result<()> {
    the_vst3_plays_what_the_engine_plays()?;
    a_state_reopens_to_the_same_samples()?;
    a_broken_state_changes_nothing()
}

fn the_vst3_plays_what_the_engine_plays() -> Result<()> {
    let sound = burst();
    let mut plugin = load()?;
    prepare(&mut plugin, &wished(8.5))?;
    let heard = through_host(&mut plugin, &sound)?;
    let expected = through_engine(&wished(8.5), &sound)?;
    ensure!(level_db(&heard) > -40.0, "close to silence: {} dBFS", level_db(&heard));
    let difference = largest_difference(&heard, &expected);
    eprintln!("VST3 against the engine: {difference:.1e}, level {:.1} dBFS", level_db(&heard));
    ensure!(difference <= 1e-6, "differs by {difference}");
    ensure!(plugin.latency_samples() == 0, "latency {}", plugin.latency_samples());
    // The control: one changed parameter breaks the equality.
    let other = largest_difference(&heard, &through_engine(&wished(8.0), &sound)?);
    ensure!(other > 1e-3, "another depth changes the sound by {other} only");
    Ok(())
}

fn a_state_reopens_to_the_same_samples() -> Result<()> {
    let sound = burst();
    let mut saved = load()?;
    prepare(&mut saved, &wished(6.3))?;
    let first = through_host(&mut saved, &sound)?;
    let state = saved.save_state()?;
    let mut reopened = load()?;
    reopened.load_state(&state)?;
    restart(&mut reopened)?;
    let again = through_host(&mut reopened, &sound)?;
    ensure!(level_db(&first) > -40.0, "close to silence");
    ensure!(first == again, "differs by {}", largest_difference(&first, &again));
    Ok(())
}

fn a_broken_state_changes_nothing() -> Result<()> {
    let sound = burst();
    let mut plugin = load()?;
    prepare(&mut plugin, &wished(6.3))?;
    let before = through_host(&mut plugin, &sound)?;
    let state = plugin.save_state()?;
    // Refused or not, the settings must stay.
    let _ = plugin.load_state(&state[..state.len() / 2]);
    let _ = plugin.load_state(b"no state at all");
    restart(&mut plugin)?;
    let after = through_host(&mut plugin, &sound)?;
    ensure!(before == after, "differs by {}", largest_difference(&before, &after));
    Ok(())
}
