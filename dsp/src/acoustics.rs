//! What the physics says, in `f64`: pure functions of plain values that know nothing of the engine.

pub(crate) mod decibel;
pub(crate) mod octave;
pub(crate) mod vector;

pub(crate) mod air;
pub(crate) mod surface;

pub(crate) mod radiation;

pub(crate) mod platform;

pub(crate) mod microphones;
pub(crate) mod seat;

pub(crate) mod arrivals;

pub use air::{Air, pure_tone_attenuation_db_per_m};
pub use arrivals::{ARRIVALS, Arrival, Image, Surface, arrivals, images};
pub use decibel::{energy_of_db, gain_of_db};
pub use microphones::{Capsule, Microphones, Pair};
pub use octave::{
    BANDS, MID, NOMINAL_HZ, OCTAVE_RATIO, PerBand, THIRD_NAMES, THIRDS, bands_at_rate, edges_hz,
    exact_midband_hz, mid_mean, third_midband_hz,
};
pub use platform::{DECAY_EXPONENT, Face, PARTS, Platform, norris_eyring_decay_s, share_after};
pub use radiation::{Family, LEAK, Pattern, world_axis};
pub use seat::{CLEARANCE_M, SOURCE_HEIGHT_M, Seat, Source};
pub use surface::Finish;
pub use vector::Vector;
