//! What the physics says, in `f64`: pure functions of plain values that know nothing of the engine.

pub(crate) mod decibel;
pub(crate) mod octave;
pub(crate) mod vector;

pub(crate) mod air;
pub(crate) mod walls_and_air;

pub(crate) mod surface;

pub(crate) mod radiation;
pub(crate) mod recorded_from;

pub(crate) mod platform;

pub(crate) mod microphones;
pub(crate) mod seat;
pub(crate) mod section;

pub(crate) mod arrivals;
pub(crate) mod loudness;
pub(crate) mod scattering;

pub use air::{Air, pure_tone_attenuation_db_per_m};
pub use arrivals::{ARRIVALS, Arrival, Image, Surface, arrivals, images};
pub use decibel::{energy_of_db, gain_of_db};
pub use microphones::{Capsule, Microphones, Pair};
pub use octave::{
    BANDS, MID, NOMINAL_HZ, OCTAVE_RATIO, OCTAVES, PerBand, THIRD_NAMES, THIRDS, TOP, WithTop, bands_at_rate,
    edges_hz, exact_midband_hz, mid_mean, third_midband_hz,
};
pub use platform::{DECAY_EXPONENT, Face, PARTS, Platform, norris_eyring_decay_s, share_after};
pub use radiation::{Family, Pattern, world_axis};
pub use recorded_from::RecordedFrom;
pub use scattering::{SCATTERINGS, Scattered};
pub use seat::{CLEARANCE_M, Seat, Source};
pub use section::{MOST_PLAYERS, PLACES, Section, Spot};
pub use surface::Finish;
pub use vector::Vector;
