//! Rostra's acoustics and real-time engine.
//!
//! # Conventions
//! * x metres to the audience's right, y metres upstage from the open front
//!   edge, z metres up from the platform floor.
//! * Channel order left, right as the audience hears it.
//! * Bands are octaves, 125 Hz to 8 kHz; arrays hold the lowest first.
//! * Names carry units: `_m`, `_s`, `_hz`, `_db`, `_deg`, `_pct`, `_samples`,
//!   `_frames` (one sample of every channel), `_gain` (pressure, linear).
//! * Design in `f64`, run in `f32`.
//! * `prepare` allocates, `reset` clears, `process` does neither.
//!
//! The way of data is one-way: settings -> plan -> engine -> sound.

pub mod air;
pub mod arrivals;
pub mod bands;
pub mod convolver;
pub mod decorrelator;
pub mod delay_line;
pub mod direct;
pub mod distance_tone;
pub mod early;
pub mod extremes;
pub mod glide;
mod groundwork;
pub mod instruction_set;
pub mod lane_fit;
mod lane_start;
pub mod low_octaves;
pub mod noise;
pub mod octave;
pub mod pickup;
pub mod plan;
pub mod planner;
pub mod platform;
mod polynomial;
mod quick_fit;
mod quick_low;
mod quick_thirds;
pub mod radiation;
pub mod reflector;
pub mod seat;
pub mod segment;
pub mod settings;
mod spectral_lines;
pub mod stereo_input;
pub mod surface;
pub mod vector;

pub mod engine;
pub mod hall_needs;
mod sound_gate;
pub mod stagger;
pub mod tail;
pub mod tail_stage;

pub mod hall;

pub mod measure;

pub use settings::Settings;
