//! What a channel goes through: the engine, the comparison with the dry signal, the bypass, the levels.
//!
//! It takes plain values, so that whoever plays without a host plays the same.

use std::sync::Arc;

use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout, PrepareError};
use rostra_dsp::extremes::largest;

use crate::dry_fade::{DryFade, audible};
use crate::loudness_match::LoudnessMatch;
use crate::meters::Meters;
use crate::own_lean::OwnLean;
use crate::quiet::{self, Quiet};
use crate::tail_builder::Supply;

/// What is wanted of a channel at a moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wanted {
    /// Seat, platform, microphones, tone and level.
    pub settings: Settings,
    /// The dry signal at the loudness of the placed one; ignored offline.
    pub is_compared: bool,
    /// The dry signal at unity gain.
    pub is_bypassed: bool,
}

/// A channel that runs.
pub struct Chain {
    engine: Engine,
    supply: Supply,
    sample_rate_hz: f64,
    layout: Layout,
    /// Offline, the comparison with the dry signal is ignored.
    is_offline: bool,
    fade: DryFade,
    /// `None` at rates at which loudness cannot be measured; idle offline, where nothing is compared.
    loudness: Option<LoudnessMatch>,
    own_lean: OwnLean,
    meters: Arc<Meters>,
    /// The dry signal of one sub-block, left and right.
    dry: [Box<[f32]>; 2],
    quiet: Quiet<Wanted>,
    /// How long the output may sound after the input ended, in frames, until the engine knows.
    first_tail_frames: Option<usize>,
}

/// Frames of a sub-block: bounds the memory for the dry signal, whatever the blocks.
pub(crate) const SUB_BLOCK_FRAMES: usize = 1024;

impl Chain {
    /// Prepares the engine and the first tail for what is wanted at first; allocates.
    ///
    /// # Errors
    /// When the engine cannot run at this sample rate.
    pub fn prepare(
        config: Config,
        is_offline: bool,
        first: &Wanted,
        meters: Arc<Meters>,
    ) -> Result<Self, PrepareError> {
        let mut engine = Engine::prepare(config)?;
        let first_tail = Engine::tail_spec(&config, &first.settings);
        let supply = Supply::of_mode(&first_tail, is_offline);
        let first_tail_frames = engine.first_tail_frames(&first.settings, supply.waiting_frames());
        let silence = || vec![0.0; SUB_BLOCK_FRAMES].into_boxed_slice();
        let mut chain = Self {
            engine,
            supply,
            sample_rate_hz: config.sample_rate_hz,
            layout: config.layout,
            is_offline,
            fade: DryFade::new(config.sample_rate_hz),
            loudness: LoudnessMatch::new(config.layout.outputs(), config.sample_rate_hz),
            own_lean: OwnLean::new(config.sample_rate_hz),
            meters,
            dry: [silence(), silence()],
            quiet: Quiet::default(),
            first_tail_frames: Some(first_tail_frames),
        };
        chain.reset(first.is_compared, first.is_bypassed);
        Ok(chain)
    }

    /// Forgets all sound; the dry or the placed signal is heard next without a fade.
    pub fn reset(&mut self, is_compared: bool, is_bypassed: bool) {
        self.engine.reset();
        self.quiet.reset();
        self.fade.settle(self.is_dry(is_compared, is_bypassed));
        if let Some(loudness) = &mut self.loudness {
            loudness.reset();
        }
        self.own_lean.reset();
    }

    /// Returns how long the output may sound after the input ended, in frames.
    pub fn tail_frames(&self) -> usize {
        self.first_tail_frames.unwrap_or_else(|| self.engine.tail_frames())
    }

    /// Says whether nothing is heard any more until something comes in or changes.
    pub fn sleeps(&self) -> bool {
        !self.supply.is_awaited() && self.quiet.lasts(self.tail_frames())
    }

    /// Says whether it was prepared for this.
    pub fn is_for(&self, config: &Config) -> bool {
        config.sample_rate_hz == self.sample_rate_hz && config.layout == self.layout
    }

    /// Tells that a render begins or ends, without a break in what sounds; neither allocates nor locks.
    pub fn render(&mut self, is_offline: bool) {
        self.is_offline = is_offline;
        self.supply.render(is_offline);
    }

    /// Returns the channels in and out.
    pub const fn layout(&self) -> Layout {
        self.layout
    }

    const fn is_dry(&self, is_compared: bool, is_bypassed: bool) -> bool {
        is_bypassed || (is_compared && !self.is_offline)
    }

    /// Processes in place, any number of frames; neither allocates nor locks while it runs live.
    ///
    /// `wanted` is asked once for each sub-block, and told how long that is, s.
    pub fn process(&mut self, mut wanted: impl FnMut(f64) -> Wanted, channels: &mut [&mut [f32]]) {
        match channels {
            [mono] => {
                for block in mono.chunks_mut(SUB_BLOCK_FRAMES) {
                    self.process_sub_block(&mut wanted, &mut [block]);
                }
            }
            [left, right] => {
                let blocks = left.chunks_mut(SUB_BLOCK_FRAMES).zip(right.chunks_mut(SUB_BLOCK_FRAMES));
                for (left, right) in blocks {
                    self.process_sub_block(&mut wanted, &mut [left, right]);
                }
            }
            _ => {}
        }
    }

    /// Says whether no sound comes in; a mono input lies in the first channel.
    fn is_silent(&self, channels: &[&mut [f32]]) -> bool {
        let inputs = if self.layout == Layout::StereoToStereo { 2 } else { 1 };
        quiet::is_silent(&channels[..inputs.min(channels.len())])
    }

    fn process_sub_block(&mut self, wanted: &mut impl FnMut(f64) -> Wanted, channels: &mut [&mut [f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        let is_input_silent = self.is_silent(channels);
        let wanted = wanted(frames as f64 / self.sample_rate_hz);
        let is_dry_wanted = self.is_dry(wanted.is_compared, wanted.is_bypassed);
        let is_dry_heard = self.fade.needs_dry(is_dry_wanted);
        let is_measured =
            self.loudness.is_some() && !self.is_offline && (self.meters.is_watched() || wanted.is_compared);
        let needs_dry = is_dry_heard || is_measured;
        if needs_dry {
            keep_dry(self.layout, channels, &mut self.dry);
        }
        self.engine.process(&wanted.settings, &mut self.supply, channels);
        self.meters.tell_tail(self.supply.has_failed());
        self.first_tail_frames = None;
        let input_peak =
            if is_measured { largest(self.dry.iter().map(|dry| peak(&dry[..frames]))) } else { 0.0 };
        if self.layout == Layout::StereoToStereo {
            if is_measured {
                self.own_lean.hear(&self.dry[0][..frames], &self.dry[1][..frames]);
            } else {
                self.own_lean.reset();
            }
        }
        if let Some(loudness) = &mut self.loudness {
            let trim_db = wanted.settings.level.trim_db;
            let [left, right] = &mut self.dry;
            let (left, right) = (&mut left[..frames], &mut right[..frames]);
            if !is_measured {
                loudness.skip();
            } else if let [placed_left, placed_right] = channels {
                loudness.measure([left, right], [placed_left, placed_right], trim_db);
            } else if let [placed] = channels {
                loudness.measure([left], [placed], trim_db);
            }
            // Bypass is unity, whatever is compared; a comparison that fades out keeps its gain.
            let (is_compared, is_bypassed) = (wanted.is_compared, wanted.is_bypassed);
            if self.fade.starts() {
                // Nobody has heard the dry signal yet: its gain need not glide.
                loudness.settle(is_compared && !is_bypassed);
            } else if is_compared || is_bypassed {
                loudness.glide_to(!is_bypassed);
            }
            loudness.apply(&mut [left, right]);
        }
        if is_dry_heard {
            let dry = [&*self.dry[0], &*self.dry[1]];
            self.fade.mix(is_dry_wanted, channels, &dry);
        }
        if is_measured {
            let output_peak = largest(channels.iter().map(|channel| peak(channel)));
            self.meters.add(input_peak, output_peak);
            let placed_lu = self.loudness.as_ref().and_then(|loudness| match channels.len() {
                2 => loudness.placed_lu::<2>(),
                _ => loudness.placed_lu::<1>(),
            });
            self.meters.tell_placed(placed_lu.map(|lu| lu as f32));
            self.meters.tell_lean(self.own_lean.lean_db().map(|db| db as f32));
        }
        self.quiet.follow(is_input_silent, &wanted, channels);
    }
}

/// Returns the largest magnitude of a block.
fn peak(block: &[f32]) -> f32 {
    largest(block.iter().map(|x| x.abs()))
}

/// Copies the input before the engine overwrites it; a mono input goes to both sides.
fn keep_dry(layout: Layout, channels: &[&mut [f32]], dry: &mut [Box<[f32]>; 2]) {
    for (side, kept) in dry.iter_mut().enumerate() {
        let source = if layout == Layout::StereoToStereo { side } else { 0 };
        let Some(input) = channels.get(source) else { continue };
        for (kept, &sample) in kept.iter_mut().zip(input.iter()) {
            *kept = audible(sample);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tail_builder;

    const RATE_HZ: f64 = 48_000.0;
    const BYPASSED: fn() -> Wanted = || Wanted { is_bypassed: true, ..Wanted::default() };

    fn chain(layout: Layout, is_offline: bool, wanted: &Wanted) -> Chain {
        let config = Config { sample_rate_hz: RATE_HZ, layout };
        Chain::prepare(config, is_offline, wanted, Arc::default()).expect("an ordinary rate")
    }

    /// A wave without silence, longer than two sub-blocks and no multiple of one.
    fn wave() -> Vec<f32> {
        (0..2 * SUB_BLOCK_FRAMES + 77).map(|n| 0.5 + 0.25 * (n as f32 * 0.05).sin()).collect()
    }

    #[test]
    fn bypass_passes_a_stereo_channel_to_the_bit() {
        let mut chain = chain(Layout::StereoToStereo, true, &BYPASSED());
        let (mut left, mut right) = (wave(), wave().iter().map(|sample| -sample).collect::<Vec<_>>());
        chain.process(|_| BYPASSED(), &mut [&mut left, &mut right]);
        assert_eq!(left, wave());
        assert!(right.iter().zip(wave()).all(|(&got, sample)| got == -sample));
    }

    #[test]
    fn bypass_copies_a_mono_channel_to_both_sides() {
        let mut chain = chain(Layout::MonoToStereo, true, &BYPASSED());
        let (mut left, mut right) = (wave(), vec![0.0; wave().len()]);
        chain.process(|_| BYPASSED(), &mut [&mut left, &mut right]);
        assert_eq!(left, wave());
        assert_eq!(right, wave());
    }

    #[test]
    fn the_comparison_is_heard_live_and_ignored_offline() {
        let _alone = tail_builder::only_live_test();
        let compared = Wanted { is_compared: true, ..Wanted::default() };
        assert!(chain(Layout::MonoToMono, false, &compared).is_dry(true, false));
        assert!(!chain(Layout::MonoToMono, true, &compared).is_dry(true, false));
        assert!(chain(Layout::MonoToMono, true, &BYPASSED()).is_dry(false, true));
    }

    #[test]
    fn every_rate_in_range_plays_and_any_other_is_refused() {
        let _alone = tail_builder::only_live_test();
        for rate_hz in [1_000.0, 1_234.567_8, 3_000.0, 8_000.0, 11_025.0, 16_000.0, 384_000.0, 768_000.0] {
            for is_offline in [false, true] {
                let config = Config { sample_rate_hz: rate_hz, layout: Layout::StereoToStereo };
                let prepared = Chain::prepare(config, is_offline, &Wanted::default(), Arc::default());
                let mut chain = prepared.expect("the rate is in range");
                let (mut left, mut right) = (wave(), wave());
                chain.process(|_| Wanted::default(), &mut [&mut left, &mut right]);
                assert!(left.iter().chain(&right).all(|x| x.is_finite()), "{rate_hz} Hz");
                assert!(peak(&left) > 0.1, "{rate_hz} Hz: silence");
            }
        }
        for rate_hz in [0.0, 300.0, 999.0, 768_001.0, f64::NAN] {
            let config = Config { sample_rate_hz: rate_hz, layout: Layout::MonoToMono };
            assert!(
                Chain::prepare(config, false, &Wanted::default(), Arc::default()).is_err(),
                "{rate_hz} Hz"
            );
        }
    }

    #[test]
    fn the_first_tail_waits_for_the_engine_before_the_first_frame() {
        use rostra_dsp::tail::TailSupply;
        let _alone = tail_builder::only_live_test();
        for is_offline in [false, true] {
            let mut chain = chain(Layout::StereoToStereo, is_offline, &Wanted::default());
            assert!(chain.supply.take().is_some(), "offline: {is_offline}");
        }
    }
}
