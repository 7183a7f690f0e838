//! Rostra Seat: the plug-in that gives a dry channel its seat on the platform; and [`hall`], the one for the shared bus.
//!
//! This crate is glue: parameters, state, the supply of tails, the editor, and
//! the CLAP and VST3 exports. What is heard is made by [`rostra_dsp`].
//!
//! # Invariants
//! * `process` neither allocates, frees, locks, nor asks the time; an offline
//!   render may build a tail, nothing else.
//! * The engine runs on while bypassed, so that coming back is seamless.
//! * The latency is 0, always.

pub mod choice;
pub mod dry_fade;
pub mod editor;
pub mod file_table;
pub mod hall;
pub mod loudness_match;
pub mod meters;
pub mod parameters;
pub mod platform_link;
pub mod quantity;
pub mod state;
pub mod tail_builder;
pub mod track_name;

use std::sync::Arc;

use nice_plug::prelude::*;
use nice_plug_egui::EguiEditor;
use rostra_dsp::engine::{Config, Engine, Layout};

use crate::dry_fade::{DryFade, audible};
use crate::editor::SeatEditor;
use crate::loudness_match::LoudnessMatch;
use crate::meters::Meters;
use crate::parameters::Parameters;
use crate::tail_builder::Supply;

/// Name of the plug-in.
pub const NAME: &str = "Rostra Seat";

/// The plug-in: one instance on one channel.
#[derive(Default)]
pub struct RostraSeat {
    parameters: Arc<Parameters>,
    meters: Arc<Meters>,
    /// `None` until activated.
    running: Option<Running>,
}

/// What runs between activation and deactivation.
struct Running {
    engine: Engine,
    supply: Supply,
    sample_rate_hz: f64,
    layout: Layout,
    /// Offline, the comparison with the dry signal is ignored.
    is_offline: bool,
    fade: DryFade,
    /// `None` offline, where nothing is compared, and at rates at which loudness cannot be measured.
    loudness: Option<LoudnessMatch>,
    meters: Arc<Meters>,
    /// The dry signal of one sub-block, left and right.
    dry: [Box<[f32]>; 2],
}

/// Frames of a sub-block: bounds the memory for the dry signal, whatever the host's blocks.
const SUB_BLOCK_FRAMES: usize = 1024;

impl Running {
    /// Prepares the engine and the first tail for the settings that the parameters hold now.
    ///
    /// # Errors
    /// When the engine cannot run at this sample rate.
    fn prepare(
        config: Config,
        is_offline: bool,
        parameters: &Parameters,
        meters: Arc<Meters>,
    ) -> Result<Self, rostra_dsp::engine::PrepareError> {
        parameters.follow(0.0);
        let engine = Engine::prepare(config)?;
        let first_tail = Engine::tail_spec(&config, &parameters.settings());
        let supply = if is_offline { Supply::offline(&first_tail) } else { Supply::live(&first_tail) };
        let silence = || vec![0.0; SUB_BLOCK_FRAMES].into_boxed_slice();
        let mut running = Self {
            engine,
            supply,
            sample_rate_hz: config.sample_rate_hz,
            layout: config.layout,
            is_offline,
            fade: DryFade::new(config.sample_rate_hz),
            loudness: if is_offline {
                None
            } else {
                LoudnessMatch::new(config.layout.outputs(), config.sample_rate_hz)
            },
            meters,
            dry: [silence(), silence()],
        };
        running.reset(parameters);
        Ok(running)
    }

    fn reset(&mut self, parameters: &Parameters) {
        self.engine.reset();
        self.fade.settle(self.is_dry_wanted(parameters));
        if let Some(loudness) = &mut self.loudness {
            loudness.reset();
        }
    }

    fn is_dry_wanted(&self, parameters: &Parameters) -> bool {
        parameters.bypass.value() || (parameters.dry.value() && !self.is_offline)
    }

    /// Processes in place, any number of frames.
    fn process(&mut self, parameters: &Parameters, channels: &mut [&mut [f32]]) {
        match channels {
            [mono] => {
                for block in mono.chunks_mut(SUB_BLOCK_FRAMES) {
                    self.process_sub_block(parameters, &mut [block]);
                }
            }
            [left, right] => {
                let blocks = left.chunks_mut(SUB_BLOCK_FRAMES).zip(right.chunks_mut(SUB_BLOCK_FRAMES));
                for (left, right) in blocks {
                    self.process_sub_block(parameters, &mut [left, right]);
                }
            }
            _ => {}
        }
    }

    fn process_sub_block(&mut self, parameters: &Parameters, channels: &mut [&mut [f32]]) {
        let is_dry_wanted = self.is_dry_wanted(parameters);
        let is_dry_heard = self.fade.needs_dry(is_dry_wanted);
        let is_measured = self.loudness.is_some() && (self.meters.is_watched() || parameters.dry.value());
        let needs_dry = is_dry_heard || is_measured;
        if needs_dry {
            keep_dry(self.layout, channels, &mut self.dry);
        }
        let frames = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        parameters.follow(frames as f64 / self.sample_rate_hz);
        self.engine.process(&parameters.settings(), &mut self.supply, channels);
        let input_peak =
            if is_measured { peak(&self.dry[0][..frames]).max(peak(&self.dry[1][..frames])) } else { 0.0 };
        if let Some(loudness) = &mut self.loudness {
            let [left, right] = &mut self.dry;
            let (left, right) = (&mut left[..frames], &mut right[..frames]);
            if !is_measured {
                loudness.skip();
            } else if let [placed_left, placed_right] = channels {
                loudness.measure([left, right], [placed_left, placed_right]);
            } else if let [placed] = channels {
                loudness.measure([left], [placed]);
            }
            // Bypass is unity, whatever is compared; a comparison that fades out keeps its gain.
            let (is_compared, is_bypassed) = (parameters.dry.value(), parameters.bypass.value());
            if self.fade.starts() {
                // Nobody has heard the dry signal yet: its gain need not glide.
                loudness.settle(is_compared && !is_bypassed);
            } else if is_compared || is_bypassed {
                loudness.head_for(!is_bypassed);
            }
            loudness.apply(&mut [left, right]);
        }
        if is_dry_heard {
            let dry = [&*self.dry[0], &*self.dry[1]];
            self.fade.mix(is_dry_wanted, channels, &dry);
        }
        if is_measured {
            let output_peak = channels.iter().map(|channel| peak(channel)).fold(0.0, f32::max);
            self.meters.add(input_peak, output_peak);
            let match_db = self.loudness.as_ref().and_then(LoudnessMatch::match_db);
            self.meters.tell_match(match_db.map(|db| db as f32));
        }
    }
}

/// Returns the largest magnitude of a block.
fn peak(block: &[f32]) -> f32 {
    block.iter().fold(0.0, |peak, x| peak.max(x.abs()))
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

impl Plugin for RostraSeat {
    const NAME: &'static str = NAME;
    const VENDOR: &'static str = "Rostra";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    // The order matters: some hosts take the first, and some VST3 hosts refuse
    // 1 -> 2 on a mono channel and look for 1 -> 1.
    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[
        AudioIOLayout {
            main_input_channels: NonZeroU32::new(2),
            main_output_channels: NonZeroU32::new(2),
            names: PortNames { layout: Some("Stereo"), ..PortNames::const_default() },
            ..AudioIOLayout::const_default()
        },
        AudioIOLayout {
            main_input_channels: NonZeroU32::new(1),
            main_output_channels: NonZeroU32::new(2),
            names: PortNames { layout: Some("Mono to stereo"), ..PortNames::const_default() },
            ..AudioIOLayout::const_default()
        },
        AudioIOLayout {
            main_input_channels: NonZeroU32::new(1),
            main_output_channels: NonZeroU32::new(1),
            names: PortNames { layout: Some("Mono"), ..PortNames::const_default() },
            ..AudioIOLayout::const_default()
        },
    ];

    const SAMPLE_ACCURATE_AUTOMATION: bool = true;

    type Editor = EguiEditor<SeatEditor>;
    type SysExMessage = ();
    type BackgroundTask = ();

    fn params(&self) -> Arc<dyn Params> {
        Arc::clone(&self.parameters) as Arc<dyn Params>
    }

    fn editor(&mut self, _async_executor: AsyncExecutor<Self>) -> Option<Self::Editor> {
        editor::create(Arc::clone(&self.parameters), Arc::clone(&self.meters))
    }

    fn filter_state(state: &mut PluginState) {
        state::mend(state);
    }

    fn activate(
        &mut self,
        audio_io_layout: &AudioIOLayout,
        buffer_config: &BufferConfig,
        _context: &mut impl ActivateContext<Self>,
    ) -> bool {
        self.running = None;
        let Some(layout) = engine_layout(audio_io_layout) else {
            nice_error!("no engine for the layout {audio_io_layout:?}");
            return false;
        };
        let config = Config { sample_rate_hz: f64::from(buffer_config.sample_rate), layout };
        let is_offline = buffer_config.process_mode == ProcessMode::Offline;
        match Running::prepare(config, is_offline, &self.parameters, Arc::clone(&self.meters)) {
            Ok(running) => {
                self.running = Some(running);
                true
            }
            Err(error) => {
                nice_error!("{error}");
                false
            }
        }
    }

    fn deactivate(&mut self) {
        self.running = None;
    }

    fn reset(&mut self) {
        if let Some(running) = &mut self.running {
            running.reset(&self.parameters);
        }
    }

    fn process(
        &mut self,
        buffer: &mut Buffer,
        _aux: &mut AuxiliaryBuffers,
        _context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        let Some(running) = &mut self.running else {
            // Not activated: the input, which is in the buffer already, passes.
            return ProcessStatus::Normal;
        };
        running.process(&self.parameters, buffer.as_slice());
        // Bypassed or not: the host must keep asking until the engine is quiet.
        ProcessStatus::Tail(u32::try_from(running.engine.tail_frames()).unwrap_or(u32::MAX))
    }
}

/// Returns the engine's layout for the host's, if there is one.
fn engine_layout(layout: &AudioIOLayout) -> Option<Layout> {
    let channels = |count: Option<NonZeroU32>| count.map_or(0, NonZeroU32::get);
    match (channels(layout.main_input_channels), channels(layout.main_output_channels)) {
        (2, 2) => Some(Layout::StereoToStereo),
        (1, 2) => Some(Layout::MonoToStereo),
        (1, 1) => Some(Layout::MonoToMono),
        _ => None,
    }
}

impl ClapPlugin for RostraSeat {
    const CLAP_ID: &'static str = "org.rostra.seat";
    const CLAP_DESCRIPTION: Option<&'static str> =
        Some("Gives a dry instrument its seat on a concert platform");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] =
        &[ClapFeature::AudioEffect, ClapFeature::Reverb, ClapFeature::Stereo, ClapFeature::Mono];
}

impl Vst3Plugin for RostraSeat {
    // Sixteen bytes of our own; sessions find the plug-in by them, they never change.
    const VST3_CLASS_ID: [u8; 16] = *b"RostraSeatPlace1";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] = &[Vst3SubCategory::Fx, Vst3SubCategory::Spatial];
}

/// What the hosts call: the entry points that the framework's macros write.
mod export {
    use super::RostraSeat;
    use super::hall::RostraHall;

    nice_plug::nice_export_clap!(RostraSeat, RostraHall);
    nice_plug::nice_export_vst3!(RostraSeat, RostraHall);
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn running(layout: Layout, is_offline: bool, parameters: &Parameters) -> Running {
        let config = Config { sample_rate_hz: RATE_HZ, layout };
        Running::prepare(config, is_offline, parameters, Arc::default()).expect("an ordinary rate")
    }

    /// A wave without silence, longer than two sub-blocks and no multiple of one.
    fn wave() -> Vec<f32> {
        (0..2 * SUB_BLOCK_FRAMES + 77).map(|n| 0.5 + 0.25 * (n as f32 * 0.05).sin()).collect()
    }

    fn bypassed() -> Parameters {
        Parameters { bypass: BoolParam::new("Bypass", true), ..Parameters::default() }
    }

    fn compared() -> Parameters {
        Parameters { dry: BoolParam::new("Compare dry", true), ..Parameters::default() }
    }

    #[test]
    fn bypass_passes_a_stereo_channel_to_the_bit() {
        let parameters = bypassed();
        let mut running = running(Layout::StereoToStereo, true, &parameters);
        let (mut left, mut right) = (wave(), wave().iter().map(|sample| -sample).collect::<Vec<_>>());
        running.process(&parameters, &mut [&mut left, &mut right]);
        assert_eq!(left, wave());
        assert!(right.iter().zip(wave()).all(|(&got, sample)| got == -sample));
    }

    #[test]
    fn bypass_copies_a_mono_channel_to_both_sides() {
        let parameters = bypassed();
        let mut running = running(Layout::MonoToStereo, true, &parameters);
        let (mut left, mut right) = (wave(), vec![0.0; wave().len()]);
        running.process(&parameters, &mut [&mut left, &mut right]);
        assert_eq!(left, wave());
        assert_eq!(right, wave());
    }

    #[test]
    fn the_comparison_is_heard_live_and_ignored_offline() {
        let _alone = tail_builder::only_live_test();
        let parameters = compared();
        assert!(running(Layout::MonoToMono, false, &parameters).is_dry_wanted(&parameters));
        assert!(!running(Layout::MonoToMono, true, &parameters).is_dry_wanted(&parameters));
        let parameters = bypassed();
        assert!(running(Layout::MonoToMono, true, &parameters).is_dry_wanted(&parameters));
    }

    #[test]
    fn the_first_tail_waits_for_the_engine_before_the_first_frame() {
        use rostra_dsp::tail::TailSupply;
        let _alone = tail_builder::only_live_test();
        let parameters = Parameters::default();
        for is_offline in [false, true] {
            let mut running = running(Layout::StereoToStereo, is_offline, &parameters);
            assert!(running.supply.take().is_some(), "offline: {is_offline}");
        }
    }

    #[test]
    fn layouts_are_stereo_then_mono_to_stereo_then_mono() {
        let layouts: Vec<_> = RostraSeat::AUDIO_IO_LAYOUTS.iter().map(engine_layout).collect();
        let expected = [Layout::StereoToStereo, Layout::MonoToStereo, Layout::MonoToMono];
        assert_eq!(layouts, expected.map(Some));
        assert_eq!(engine_layout(&AudioIOLayout::const_default()), None);
    }
}
