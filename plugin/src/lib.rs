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

pub mod carried;
pub mod chain;
pub mod choice;
pub mod dry_fade;
pub mod editor;
pub mod file_table;
pub mod hall;
pub mod loudness_match;
pub mod meters;
pub mod own_lean;
pub mod parameters;
pub mod platform_link;
mod quiet;
pub mod state;
pub mod stored;
pub mod tail_builder;
pub mod track_name;

use std::sync::Arc;

use nice_plug::prelude::*;
use nice_plug_egui::EguiEditor;
use rostra_dsp::engine::{Config, Layout, check_sample_rate};

use crate::chain::{Chain, Wanted};
use crate::editor::SeatEditor;
use crate::meters::Meters;
use crate::parameters::Parameters;

/// Name of the plug-in.
pub const NAME: &str = "Rostra Seat";

/// The plug-in: one instance on one channel.
#[derive(Default)]
pub struct RostraSeat {
    parameters: Arc<Parameters>,
    meters: Arc<Meters>,
    /// `None` until activated.
    running: Option<Chain>,
}

/// Returns what the parameters ask for, after `elapsed_s` of sound on a platform that may be shared.
fn wanted(parameters: &Parameters, elapsed_s: f64) -> Wanted {
    parameters.follow(elapsed_s);
    Wanted {
        settings: parameters.settings(),
        is_compared: parameters.dry.value(),
        is_bypassed: parameters.bypass.value(),
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
        // The framework sets parameters after this, and the place on the platforms last.
        platform_link::begin_load();
        state::repair(state);
    }

    fn activate(
        &mut self,
        audio_io_layout: &AudioIOLayout,
        buffer_config: &BufferConfig,
        _context: &mut impl ActivateContext<Self>,
    ) -> bool {
        let Some(layout) = engine_layout(audio_io_layout) else {
            nice_error!("there is no engine for the channel layout {audio_io_layout:?}");
            self.running = None;
            return false;
        };
        let config = Config { sample_rate_hz: f64::from(buffer_config.sample_rate), layout };
        if is_question(buffer_config) {
            return check_sample_rate(config.sample_rate_hz).is_ok();
        }
        let is_offline = buffer_config.process_mode == ProcessMode::Offline;
        if let Some(running) = &mut self.running
            && running.is_for(&config)
        {
            running.render(is_offline);
            return true;
        }
        self.running = None;
        let first = wanted(&self.parameters, 0.0);
        match Chain::prepare(config, is_offline, &first, Arc::clone(&self.meters)) {
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
            let Parameters { dry, bypass, .. } = &*self.parameters;
            running.reset(dry.value(), bypass.value());
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
        running.process(|elapsed_s| wanted(&self.parameters, elapsed_s), buffer.as_slice());
        // Bypassed or not: the host must keep asking until the engine is quiet.
        tail_of(running.sleeps(), running.tail_frames())
    }
}

/// Says whether an activation only asks whether the rate is possible: blocks of no frames need nothing prepared.
///
/// The framework, as it is patched in the bundles, asks thus before the host activates; it also activates once more
/// where the mode of rendering changes while the plug-in is active.
fn is_question(buffer_config: &BufferConfig) -> bool {
    buffer_config.max_buffer_size == 0
}

/// Returns what the host is told after a block: how long the tail is, or, as a tail of no frames, that it may let the
/// plug-in sleep.
fn tail_of(sleeps: bool, tail_frames: usize) -> ProcessStatus {
    ProcessStatus::Tail(if sleeps { 0 } else { u32::try_from(tail_frames).unwrap_or(u32::MAX).max(1) })
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
    const CLAP_ID: &'static str = "rostra.seat";
    const CLAP_DESCRIPTION: Option<&'static str> = Some("Seats a dry instrument on a concert platform");
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

    #[test]
    fn layouts_are_stereo_then_mono_to_stereo_then_mono() {
        let layouts: Vec<_> = RostraSeat::AUDIO_IO_LAYOUTS.iter().map(engine_layout).collect();
        let expected = [Layout::StereoToStereo, Layout::MonoToStereo, Layout::MonoToMono];
        assert_eq!(layouts, expected.map(Some));
        assert_eq!(engine_layout(&AudioIOLayout::const_default()), None);
    }
}
