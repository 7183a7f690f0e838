//! The impulse response of a whole engine.

use crate::engine::{Config, Engine, Layout, PrepareError};
use crate::settings::Settings;
use crate::tail::BuildAtOnce;

/// Which channels of a stereo input carry the unit impulse; a mono input always does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Excite {
    /// Both, alike: the input of an identical pair of channels.
    #[default]
    Both,
    /// The left channel alone.
    Left,
    /// The right channel alone.
    Right,
}

/// How an impulse response is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Take {
    /// Length of the response, frames.
    pub frames: usize,
    /// Frames per call of the engine, at least 1.
    pub block_frames: usize,
    /// Where the impulse goes in.
    pub excite: Excite,
}

/// Frames per call unless asked otherwise (our choice: an ordinary host's block).
const BLOCK_FRAMES: usize = 512;

impl Take {
    /// Returns a take of `frames` frames in blocks of 512, both channels excited.
    pub const fn of(frames: usize) -> Self {
        Self { frames, block_frames: BLOCK_FRAMES, excite: Excite::Both }
    }
}

/// Returns what a fresh engine answers to a unit impulse at frame 0, one vector for each output channel.
///
/// Tails are built at once, so that the response is whole from its first frame.
///
/// # Errors
/// When the engine cannot be prepared for `config`.
pub fn impulse_response(
    config: &Config,
    settings: &Settings,
    take: &Take,
) -> Result<Vec<Vec<f32>>, PrepareError> {
    let mut engine = Engine::prepare(*config)?;
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let excited: &[f32] = match (config.layout, take.excite) {
        (Layout::MonoToMono, _) => &[1.0],
        (Layout::MonoToStereo, _) | (Layout::StereoToStereo, Excite::Left) => &[1.0, 0.0],
        (Layout::StereoToStereo, Excite::Both) => &[1.0, 1.0],
        (Layout::StereoToStereo, Excite::Right) => &[0.0, 1.0],
    };
    let mut response = vec![vec![0.0_f32; take.frames]; excited.len()];
    for (channel, &amplitude) in response.iter_mut().zip(excited) {
        if let Some(first) = channel.first_mut() {
            *first = amplitude;
        }
    }
    let block_frames = take.block_frames.max(1);
    for start in (0..take.frames).step_by(block_frames) {
        let end = (start + block_frames).min(take.frames);
        let mut block: Vec<&mut [f32]> =
            response.iter_mut().map(|channel| &mut channel[start..end]).collect();
        engine.process(settings, &mut supply, &mut block);
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    #[test]
    fn every_layout_gives_its_channels_at_full_length_and_not_silent() {
        let layouts = [(Layout::MonoToMono, 1), (Layout::MonoToStereo, 2), (Layout::StereoToStereo, 2)];
        for (layout, channels) in layouts {
            let config = Config { sample_rate_hz: RATE_HZ, layout };
            let response =
                impulse_response(&config, &Settings::default(), &Take::of(1000)).expect("48 kHz is in range");
            assert_eq!(response.len(), channels, "{layout:?}");
            assert!(response.iter().all(|channel| channel.len() == 1000), "{layout:?}");
            let energy: f32 = response.iter().flatten().map(|x| x * x).sum();
            assert!(energy > 1e-4, "{layout:?}: energy {energy}");
        }
    }

    #[test]
    fn the_block_size_does_not_change_the_response() {
        let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::StereoToStereo };
        let settings = Settings::default();
        let take = Take { excite: Excite::Left, ..Take::of(3000) };
        let whole = impulse_response(&config, &settings, &Take { block_frames: 3000, ..take })
            .expect("48 kHz is in range");
        for block_frames in [0, 1, 77, 512] {
            let split = impulse_response(&config, &settings, &Take { block_frames, ..take })
                .expect("48 kHz is in range");
            for (a, b) in whole.iter().flatten().zip(split.iter().flatten()) {
                assert!((a - b).abs() <= 1e-6, "blocks of {block_frames}: expected {a}, got {b}");
            }
        }
    }
}
