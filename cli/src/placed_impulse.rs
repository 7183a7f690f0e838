//! The placed impulse of a seat: rendered, its arrivals and decays worked out and measured, and both as tables.

use std::fmt::Write as _;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use rostra::chain::{Chain, Wanted};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{
    Family, MID, NOMINAL_HZ, PerBand, Source, Surface, arrivals, bands_at_rate, energy_of_db, images,
};
use rostra_dsp::engine::{Config, Layout};
use rostra_dsp::measure::{DecayCurve, OctaveFilter, RungOut, c80_db, centre_time_s, d50};

use crate::recording::{Recording, decibels};

/// One path from the seat to the pair.
#[derive(Clone, Debug)]
pub(crate) struct Heard {
    /// The faces it meets, in words.
    pub(crate) path: String,
    /// Which faces it meets.
    pub(crate) surface: Option<Surface>,
    /// Number of reflections.
    pub(crate) order: u8,
    /// Length of the way to each capsule, m.
    pub(crate) path_m: [f64; 2],
    /// Delay at each capsule after the earliest direct sound, s.
    pub(crate) delay_s: [f64; 2],
    /// Level at each capsule per octave band, dB against the direct sound of an omnidirectional source in this seat.
    pub(crate) level_db: [PerBand; 2],
}

impl Heard {
    /// Returns the delay of the earlier capsule, s.
    pub(crate) fn earliest_s(&self) -> f64 {
        self.delay_s[0].min(self.delay_s[1])
    }

    /// Returns the level of both capsules together, mean energy of 500 Hz and 1 kHz, dB.
    pub(crate) fn mid_level_db(&self) -> f64 {
        let energy: f64 =
            self.level_db.iter().flat_map(|levels| MID.map(|band| energy_of_db(levels[band]))).sum();
        10.0 * (energy / MID.len() as f64).log10()
    }
}

/// What was measured in one octave band, both channels together; `None` where the curve does not reach.
#[derive(Clone, Debug)]
pub(crate) struct BandDecay {
    /// Nominal midband, Hz.
    pub(crate) nominal_hz: f64,
    /// The decay that the platform is to have, s.
    pub(crate) analytic_s: f64,
    edt_s: Option<f64>,
    t20_s: Option<f64>,
    /// Decay time T30 (ISO 3382-2), s.
    pub(crate) t30_s: Option<f64>,
    c80_db: f64,
    d50: f64,
    centre_s: f64,
    /// Backward-integrated level at every sample, dB.
    pub(crate) levels_db: Vec<f64>,
}

/// Frames made at once; the sound does not depend on it.
const BLOCK_FRAMES: usize = 512;

/// Renders the impulse through what a channel of the plug-in goes through, until it has rung out.
///
/// # Errors
/// When the engine does not run at this rate.
pub(crate) fn placed(settings: Settings, is_bypassed: bool, rate_hz: u32) -> Result<Recording> {
    let config = Config { sample_rate_hz: f64::from(rate_hz), layout: Layout::MonoToStereo };
    let wanted = Wanted { settings, is_bypassed, ..Wanted::default() };
    let mut chain = Chain::prepare(config, true, &wanted, Arc::default())
        .with_context(|| format!("nothing can be rendered at {rate_hz} Hz"))?;
    let mut channels = vec![Vec::new(); 2];
    let mut heard = RungOut::new(config.sample_rate_hz);
    let mut play = |left: &mut [f32], right: &mut [f32]| {
        chain.process(|_| wanted, &mut [&mut *left, &mut *right]);
        heard.hear(&[left, right]);
        channels[0].extend_from_slice(left);
        channels[1].extend_from_slice(right);
        (chain.tail_frames(), heard.is_over())
    };
    let (mut left_frames, mut is_over) = play(&mut [1.0], &mut [0.0]);
    while left_frames > 0 && !is_over {
        let frames = BLOCK_FRAMES.min(left_frames);
        is_over = play(&mut vec![0.0; frames], &mut vec![0.0; frames]).1;
        left_frames -= frames;
    }
    Ok(Recording { rate_hz, channels })
}

/// Lists every arrival of the seat's middle at the pair, earliest first.
pub(crate) fn heard(settings: &Settings) -> Vec<Heard> {
    let (platform, microphones) = (&settings.platform, &settings.microphones);
    let source = settings.seat.source(platform, microphones);
    let capsules = microphones.pair.capsules();
    let at = capsules.map(|capsule| arrivals(&source, platform, microphones, &capsule));

    // The reference: the same seat, radiating evenly, in air that takes nothing.
    let even = Source { family: Family::Omnidirectional, ..source };
    let mut lossless = *platform;
    lossless.air.loss = 0.0;
    let reference: f64 = capsules
        .iter()
        .map(|capsule| arrivals(&even, &lossless, microphones, capsule)[0].gain[MID[0]].powi(2))
        .sum();

    let nearest_m = at[0][0].path_m.min(at[1][0].path_m);
    let speed_m_s = platform.air.speed_of_sound_m_s();
    let mut heard: Vec<Heard> = images(source.position, platform)
        .iter()
        .enumerate()
        .map(|(k, image)| Heard {
            path: image.path_name(),
            surface: image.surface(),
            order: image.order(),
            path_m: [0, 1].map(|c: usize| at[c][k].path_m),
            delay_s: [0, 1].map(|c: usize| (at[c][k].path_m - nearest_m) / speed_m_s),
            level_db: [0, 1]
                .map(|c: usize| at[c][k].gain.map(|gain| decibels(gain.abs() / reference.sqrt()))),
        })
        .collect();
    heard.sort_by(|a, b| a.earliest_s().total_cmp(&b.earliest_s()));
    heard
}

/// Measures every octave band that fits the rate.
pub(crate) fn decays(settings: &Settings, placed: &Recording) -> Result<Vec<BandDecay>> {
    let rate_hz = f64::from(placed.rate_hz);
    let analytic_s = settings.platform.band_decay_s();
    (0..bands_at_rate(rate_hz))
        .map(|band| {
            let filter = OctaveFilter::new(band, rate_hz)?;
            let filtered: Vec<Vec<f64>> = placed
                .channels
                .iter()
                .map(|channel| {
                    filter.filter(&channel.iter().map(|&sample| f64::from(sample)).collect::<Vec<_>>())
                })
                .collect();
            // All that follows reads energies, so the root of their sum stands for both channels.
            let both: Vec<f64> =
                filtered[0].iter().zip(&filtered[1]).map(|(left, right)| left.hypot(*right)).collect();
            let curve = DecayCurve::of(&both, rate_hz)
                .with_context(|| format!("the {} Hz octave cannot be measured", NOMINAL_HZ[band]))?;
            Ok(BandDecay {
                nominal_hz: NOMINAL_HZ[band],
                analytic_s: analytic_s[band],
                edt_s: curve.edt_s().ok(),
                t20_s: curve.t20_s().ok(),
                t30_s: curve.t30_s().ok(),
                c80_db: c80_db(&both, rate_hz),
                d50: d50(&both, rate_hz),
                centre_s: centre_time_s(&both, rate_hz),
                levels_db: curve.levels_db().to_vec(),
            })
        })
        .collect()
}

/// Capsules, for the names of columns.
const CAPSULES: [&str; 2] = ["left", "right"];

/// Returns the arrivals as a table, a line each.
pub(crate) fn arrivals_csv(heard: &[Heard]) -> String {
    let mut table = String::from("path,order,path_left_m,path_right_m,delay_left_ms,delay_right_ms");
    for capsule in CAPSULES {
        for hz in NOMINAL_HZ {
            let _ = write!(table, ",level_{capsule}_{hz}_hz_db");
        }
    }
    table.push('\n');
    for arrival in heard {
        let [left_m, right_m] = arrival.path_m;
        let [left_ms, right_ms] = arrival.delay_s.map(|delay_s| delay_s * 1e3);
        let _ = write!(
            table,
            "{},{},{left_m:.4},{right_m:.4},{left_ms:.4},{right_ms:.4}",
            arrival.path, arrival.order
        );
        for level_db in arrival.level_db.iter().flatten() {
            let _ = write!(table, ",{level_db:.2}");
        }
        table.push('\n');
    }
    table
}

/// Returns the decays as a table, a line for each octave.
pub(crate) fn decay_csv(decays: &[BandDecay]) -> String {
    let mut table = String::from("octave_hz,analytic_t_s,edt_s,t20_s,t30_s,c80_db,d50,ts_ms\n");
    let figure = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.4}"));
    for band in decays {
        let _ = writeln!(
            table,
            "{},{:.4},{},{},{},{:.2},{:.4},{:.2}",
            band.nominal_hz,
            band.analytic_s,
            figure(band.edt_s),
            figure(band.t20_s),
            figure(band.t30_s),
            band.c80_db,
            band.d50,
            band.centre_s * 1e3
        );
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_direct_sound_of_an_even_source_keeps_its_power() {
        // Without air the two capsules together hear 0 dB, by the table's definition.
        let mut settings = Settings::default();
        settings.platform.air.loss = 0.0;
        settings.seat.bearing_deg = 25.0;
        let first = &heard(&settings)[0];
        assert_eq!(first.surface, None);
        assert!(first.mid_level_db().abs() < 1e-9, "expected 0 dB, got {}", first.mid_level_db());
        assert_eq!(first.earliest_s(), 0.0);
    }

    #[test]
    fn the_floor_reflection_comes_when_geometry_says() {
        // Seat at 5 m, source 1.2 m and microphones 3 m high: sqrt(5^2 + 4.2^2) - sqrt(5^2 + 1.8^2) = 1.216 m,
        // the pair's half width of 8.5 cm aside.
        let settings = Settings::default();
        let heard = heard(&settings);
        let floor = heard.iter().find(|arrival| arrival.path == "floor").unwrap();
        let expected_s = (6.5299 - 5.3141) / settings.platform.air.speed_of_sound_m_s();
        assert!(
            (floor.earliest_s() - expected_s).abs() < 2e-6,
            "expected {expected_s}, got {}",
            floor.earliest_s()
        );
        assert_eq!(floor.order, 1);
    }

    #[test]
    fn tables_have_as_many_fields_in_every_line() {
        let heard = heard(&Settings::default());
        let table = arrivals_csv(&heard);
        let fields: Vec<usize> = table.lines().map(|line| line.split(',').count()).collect();
        assert_eq!(fields.len(), heard.len() + 1);
        assert!(fields.iter().all(|&count| count == 20), "got {fields:?}");
    }
}
