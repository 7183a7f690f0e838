//! The command that renders the placed impulse of a seat and writes the sound, its arrivals and decays as tables, and a picture.

use std::fs;
use std::path::PathBuf;

use anyhow::{Result, anyhow, ensure};
use rostra_dsp::Settings;
use rostra_terminal::{say, shown};

use crate::impulse_picture;
use crate::place::{Common, settings_of};
use crate::placed_impulse::{arrivals_csv, decay_csv, decays, heard, placed};
use crate::recording::{RATES_HZ, decibels, write_whole};
use crate::setting::{is_bypassed, moved_text, plain};

/// Render the placed impulse of a seat and measure it.
#[derive(clap::Args, Debug)]
pub(crate) struct Arguments {
    /// A seat file, or a name that `files` lists.
    #[arg(long, value_name = "FILE.toml|NAME")]
    seat: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    /// Sample rate.
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    rate: u32,
    /// Folder for the impulse, the tables and the picture.
    #[arg(long, value_name = "DIR", default_value = "impulse")]
    out: PathBuf,
}

/// Renders, measures, writes.
///
/// # Errors
/// When something asked for cannot be had, or cannot be written.
pub(crate) fn run(arguments: &Arguments) -> Result<()> {
    ensure!(
        RATES_HZ.contains(&arguments.rate),
        "--rate {}: is out of range; give {} to {} Hz",
        arguments.rate,
        RATES_HZ.start(),
        RATES_HZ.end()
    );
    let common = &arguments.common;
    let (files, platform, options) = common.read()?;
    let settings = settings_of(&files, &platform, arguments.seat.as_deref(), &options)?;
    let plain: Settings = plain(&settings);
    let placed = placed(plain, is_bypassed(&settings), arguments.rate)?;
    ensure!(placed.peak() > 0.0, "the placed impulse is silent; check balance and trim");
    let heard = heard(&plain);
    let decays = decays(&plain, &placed)?;

    let out = &arguments.out;
    fs::create_dir_all(out)
        .map_err(|error| anyhow!("--out {}: cannot be created ({error}); choose another", out.display()))?;
    let [sound, arrivals_table, decay_table, picture] =
        ["impulse.wav", "arrivals.csv", "decay.csv", "impulse.png"].map(|name| out.join(name));
    placed.write(&sound)?;
    write_whole(&arrivals_table, arrivals_csv(&heard))?;
    write_whole(&decay_table, decay_csv(&decays))?;
    impulse_picture::draw(&picture, &plain, &heard, &decays, placed.rate_hz)?;

    if let Some(moved) = moved_text(&settings) {
        say!("{moved}");
    }
    say!(
        "{:.2} s at {} Hz, peak {:.1} dBFS",
        placed.seconds(),
        placed.rate_hz,
        decibels(f64::from(placed.peak()))
    );
    for (what, path) in [
        ("impulse", &sound),
        (
            "arrivals (dB relative to the direct sound of an omnidirectional source in this seat)",
            &arrivals_table,
        ),
        ("decays (both channels together)", &decay_table),
        ("picture", &picture),
    ] {
        say!("{}  {what}", shown(path));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::Recording;

    #[test]
    fn an_exponential_decay_is_read_off_both_channels() {
        let rate_hz = 48_000;
        let settings = Settings::default();
        // Noise by a small generator (Knuth's constants, from memory), falling 60 dB in 0.5 s.
        let mut state = 1_u64;
        let mut channel = || -> Vec<f32> {
            (0..rate_hz)
                .map(|n| {
                    state =
                        state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    let noise = (state >> 33) as f32 / (1_u64 << 30) as f32 - 1.0;
                    noise * (-6.907_755 * n as f32 / (0.5 * rate_hz as f32)).exp()
                })
                .collect()
        };
        let placed = Recording { rate_hz: rate_hz as u32, channels: vec![channel(), channel()] };
        let decays = decays(&settings, &placed).unwrap();
        for band in &decays[2..] {
            let t30 = band.t30_s.unwrap();
            assert!((t30 / 0.5 - 1.0).abs() < 0.1, "{} Hz: expected 0.5 s, got {t30}", band.nominal_hz);
        }
        let folder = tempfile::tempdir().unwrap();
        let picture = folder.path().join("impulse.png");
        impulse_picture::draw(&picture, &settings, &heard(&settings), &decays, placed.rate_hz).unwrap();
        assert!(fs::metadata(&picture).unwrap().len() > 10_000);
    }
}
