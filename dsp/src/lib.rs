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
//! The way of data is one-way: settings -> plan -> engine -> sound. Each part
//! below uses those above it, and none below; `tests/arrows.rs` holds that.

pub mod extremes;

pub mod acoustics;

pub mod settings;

pub mod kernel;

pub mod plan;

pub mod tail;

pub mod engine;

pub mod hall;

pub mod measure;

pub use settings::Settings;
