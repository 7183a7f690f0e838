//! Rostra Hall: the plug-in for the shared bus, the hall that all placed channels are sent to.
//!
//! One instance a session, stereo in and out, fully wet unless it is told
//! otherwise. What is heard is made by [`rostra_dsp::hall`].

pub mod parameters;
pub mod presence;
pub mod state;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use nice_plug::prelude::*;
use nice_plug_egui::EguiEditor;
use rostra_dsp::engine::{PrepareError, check_sample_rate};
use rostra_dsp::hall::{Hall, HallEngine};

use self::parameters::HallParameters;
use self::presence::Present;
use crate::dry_fade::{DryFade, audible};
use crate::editor::hall_window::{self, HallEditor};
use crate::quiet::{self, Quiet};
use crate::tail_builder::Supply;
use crate::{is_question, tail_of};

/// The plug-in: one instance on the shared bus.
#[derive(Default)]
pub struct RostraHall {
    parameters: Arc<HallParameters>,
    /// Whether the newest tail could not be made, for the editor.
    has_tail_failed: Arc<AtomicBool>,
    /// `None` until activated.
    running: Option<Running>,
}

/// Frames of a sub-block: bounds the memory for the dry signal, whatever the host's blocks.
const SUB_BLOCK_FRAMES: usize = 1024;

/// What runs between activation and deactivation.
struct Running {
    engine: HallEngine,
    sample_rate_hz: f64,
    supply: Supply,
    fade: DryFade,
    /// The dry signal of one sub-block, left and right.
    dry: [Box<[f32]>; 2],
    /// The hall that is wanted, and whether it is bypassed.
    quiet: Quiet<(Hall, bool)>,
    /// Says to the seats of this process that it runs.
    present: Present,
    /// How long the output may sound after the input ended, in frames, until the engine knows.
    first_tail_frames: Option<usize>,
}

impl Running {
    /// Prepares the engine and the first tail for what the parameters hold now.
    ///
    /// # Errors
    /// When the engine cannot run at this sample rate.
    fn prepare(
        sample_rate_hz: f64,
        is_offline: bool,
        parameters: &HallParameters,
    ) -> Result<Self, PrepareError> {
        let engine = HallEngine::prepare(sample_rate_hz)?;
        let first_tail = parameters.hall().tail_spec(sample_rate_hz);
        let supply = Supply::of_mode(&first_tail, is_offline);
        let silence = || vec![0.0; SUB_BLOCK_FRAMES].into_boxed_slice();
        let first_tail_frames = Some(engine.first_tail_frames(supply.waiting_frames()));
        let mut running = Self {
            engine,
            sample_rate_hz,
            supply,
            fade: DryFade::new(sample_rate_hz),
            dry: [silence(), silence()],
            quiet: Quiet::default(),
            present: Present::new(parameters.hall().pre_delay_s),
            first_tail_frames,
        };
        running.reset(parameters);
        Ok(running)
    }

    fn reset(&mut self, parameters: &HallParameters) {
        self.engine.reset();
        self.quiet.reset();
        self.fade.settle(parameters.bypass.value());
    }

    /// Returns how long the output may sound after the input ended, in frames.
    fn tail_frames(&self) -> usize {
        self.first_tail_frames.unwrap_or_else(|| self.engine.tail_frames())
    }

    /// Says whether nothing is heard any more until something comes in or changes.
    fn sleeps(&self) -> bool {
        !self.supply.is_awaited() && self.quiet.lasts(self.tail_frames())
    }

    /// Processes in place, any number of frames.
    fn process(&mut self, parameters: &HallParameters, left: &mut [f32], right: &mut [f32]) {
        let blocks = left.chunks_mut(SUB_BLOCK_FRAMES).zip(right.chunks_mut(SUB_BLOCK_FRAMES));
        for (left, right) in blocks {
            let (hall, is_bypassed) = (parameters.hall(), parameters.bypass.value());
            let is_input_silent = quiet::is_silent(&[&mut *left, &mut *right]);
            let needs_dry = self.fade.needs_dry(is_bypassed);
            let frames = left.len().min(right.len());
            if needs_dry {
                for (kept, input) in self.dry.iter_mut().zip([&*left, &*right]) {
                    kept.iter_mut().zip(input).for_each(|(kept, &sample)| *kept = audible(sample));
                }
            }
            self.present.tell(hall.pre_delay_s);
            // Bypassed or not: the hall rings on, so that coming back is seamless.
            self.engine.process(&hall, &mut self.supply, [&mut *left, &mut *right]);
            self.first_tail_frames = None;
            if needs_dry {
                let dry = [&self.dry[0][..frames], &self.dry[1][..frames]];
                self.fade.mix(is_bypassed, &mut [&mut *left, &mut *right], &dry);
            }
            self.quiet.follow(is_input_silent, &(hall, is_bypassed), &[left, right]);
        }
    }
}

impl Plugin for RostraHall {
    const NAME: &'static str = crate::editor::hall_sheet::NAME;
    const VENDOR: &'static str = "Rostra";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[AudioIOLayout {
        main_input_channels: NonZeroU32::new(2),
        main_output_channels: NonZeroU32::new(2),
        names: PortNames { layout: Some("Stereo"), ..PortNames::const_default() },
        ..AudioIOLayout::const_default()
    }];

    const SAMPLE_ACCURATE_AUTOMATION: bool = true;

    type Editor = EguiEditor<HallEditor>;
    type SysExMessage = ();
    type BackgroundTask = ();

    fn params(&self) -> Arc<dyn Params> {
        Arc::clone(&self.parameters) as Arc<dyn Params>
    }

    fn editor(&mut self, _async_executor: AsyncExecutor<Self>) -> Option<Self::Editor> {
        hall_window::create(Arc::clone(&self.parameters), Arc::clone(&self.has_tail_failed))
    }

    fn filter_state(state: &mut PluginState) {
        state::repair(state);
    }

    fn activate(
        &mut self,
        _audio_io_layout: &AudioIOLayout,
        buffer_config: &BufferConfig,
        _context: &mut impl ActivateContext<Self>,
    ) -> bool {
        let sample_rate_hz = f64::from(buffer_config.sample_rate);
        if is_question(buffer_config) {
            return check_sample_rate(sample_rate_hz).is_ok();
        }
        let is_offline = buffer_config.process_mode == ProcessMode::Offline;
        if let Some(running) = &mut self.running
            && running.sample_rate_hz == sample_rate_hz
        {
            running.supply.render(is_offline);
            return true;
        }
        self.running = None;
        match Running::prepare(sample_rate_hz, is_offline, &self.parameters) {
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
        let (Some(running), [left, right]) = (&mut self.running, buffer.as_slice()) else {
            // Not activated: the input, which is in the buffer already, passes.
            return ProcessStatus::Normal;
        };
        running.process(&self.parameters, left, right);
        self.has_tail_failed.store(running.supply.has_failed(), Ordering::Relaxed);
        tail_of(running.sleeps(), running.tail_frames())
    }
}

impl ClapPlugin for RostraHall {
    const CLAP_ID: &'static str = "rostra.hall";
    const CLAP_DESCRIPTION: Option<&'static str> = Some("One shared hall for all placed channels");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] =
        &[ClapFeature::AudioEffect, ClapFeature::Reverb, ClapFeature::Stereo];
}

impl Vst3Plugin for RostraHall {
    // Sixteen bytes of our own; sessions find the plug-in by them, they never change.
    const VST3_CLASS_ID: [u8; 16] = *b"RostraHallBus001";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] = &[Vst3SubCategory::Fx, Vst3SubCategory::Reverb];
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rate_in_range_plays_and_any_other_is_refused() {
        let _alone = crate::tail_builder::only_live_test();
        let parameters = HallParameters::default();
        for rate_hz in [1_000.0, 1_234.567_8, 3_000.0, 8_000.0, 11_025.0, 16_000.0, 384_000.0, 768_000.0] {
            let mut running = Running::prepare(rate_hz, true, &parameters).expect("the rate is in range");
            // A fifth of a second: the gap, and what comes first.
            let mut left: Vec<f32> = (0..(0.2 * rate_hz) as usize).map(|n| (n as f32 * 0.05).sin()).collect();
            let mut right = left.clone();
            running.process(&parameters, &mut left, &mut right);
            assert!(left.iter().chain(&right).all(|x| x.is_finite()), "{rate_hz} Hz");
            assert!(left.iter().any(|x| x.abs() > 1e-3), "{rate_hz} Hz: silence");
        }
        assert!(Running::prepare(999.0, true, &parameters).is_err());
        assert!(Running::prepare(768_001.0, true, &parameters).is_err());
    }

    #[test]
    fn bypass_passes_the_bus_to_the_bit_and_else_the_hall_is_all_there_is() {
        let _alone = crate::tail_builder::only_live_test();
        let wave: Vec<f32> =
            (0..2 * SUB_BLOCK_FRAMES + 77).map(|n| 0.5 + 0.25 * (n as f32 * 0.05).sin()).collect();
        for is_bypassed in [true, false] {
            let parameters =
                HallParameters { bypass: BoolParam::new("Bypass", is_bypassed), ..HallParameters::default() };
            let mut running = Running::prepare(48_000.0, true, &parameters).expect("an ordinary rate");
            let (mut left, mut right) = (wave.clone(), wave.iter().map(|x| -x).collect::<Vec<_>>());
            running.process(&parameters, &mut left, &mut right);
            if is_bypassed {
                assert_eq!(left, wave);
                assert!(right.iter().zip(&wave).all(|(&got, x)| got == -x));
            } else {
                // 30 ms of gap, then the hall.
                assert!(left[..1439].iter().all(|x| *x == 0.0));
                assert!(left[1441..].iter().any(|x| x.abs() > 1e-3));
            }
        }
    }
}
