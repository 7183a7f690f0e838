//! All that the report tells of an ensemble.

use rostra_dsp::Settings;
use rostra_dsp::measure::MonoSum;

use super::excerpt::Compared;
use super::mix::Levelled;
use super::plan_file::PlanFile;
use super::practice::Expectation;
use super::stem::Placed;
use crate::recording::Loudness;

/// What is known of the hall.
pub(crate) struct HallFindings {
    /// What its file calls itself, or the file's name.
    pub(crate) name: String,
    /// Its settings as the file has them, by name.
    pub(crate) words: Vec<(String, String)>,
    /// Level at which it comes back, dB.
    pub(crate) level_db: f64,
    /// Level at which a hall of its volume and decay would, behind the plan's platform, dB.
    pub(crate) natural_db: f64,
    /// Whether the bus itself comes through, beside the hall's own sound.
    pub(crate) lets_through: bool,
    /// Its pre-delay, s.
    pub(crate) pre_delay_s: f64,
    /// Its decay as measured, s; `None` where it cannot be read.
    pub(crate) decay_s: Option<f64>,
    /// Loudness of what comes back.
    pub(crate) loudness: Loudness,
    /// Mono sum of what comes back; `None` where it is silent.
    pub(crate) mono: Option<MonoSum>,
}

/// What is known of the mixes.
pub(crate) struct MixFindings {
    /// How both were brought to one loudness.
    pub(crate) levelled: Levelled,
    /// Mono sum of the dry mix; `None` where it is silent.
    pub(crate) dry_mono: Option<MonoSum>,
    /// Mono sum of the placed mix; `None` where it is silent.
    pub(crate) placed_mono: Option<MonoSum>,
    /// What the report plays; `None` for silence.
    pub(crate) compared: Option<Compared>,
}

/// All that the report tells.
pub(crate) struct Findings {
    /// The plan.
    pub(crate) plan: PlanFile,
    /// Where it lies, as a person would write it.
    pub(crate) plan_path: String,
    /// Sample rate of all stems, Hz.
    pub(crate) rate_hz: u32,
    /// What the platform's file calls itself, or the file's name.
    pub(crate) platform_name: String,
    /// The platform, with all else at its default.
    pub(crate) platform: Settings,
    /// The stems in their seats.
    pub(crate) stems: Vec<Placed>,
    /// The mixes.
    pub(crate) mixes: MixFindings,
    /// The hall, where the plan has one.
    pub(crate) hall: Option<HallFindings>,
    /// What was left out, and why.
    pub(crate) faults: Vec<String>,
    /// What a listener should know.
    pub(crate) warnings: Vec<String>,
    /// What common practice lets expect, held against the stems.
    pub(crate) expectations: Vec<Expectation>,
    /// The seating plan, as PNG.
    pub(crate) picture: Vec<u8>,
}
