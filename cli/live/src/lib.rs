//! A change of seat, heard without a host: a dry loop through the plug-in's own chain to a sound card, or into a file.
//!
//! # Invariants
//! * What a seat puts out is what the plug-in puts out for the same settings at
//!   the same frames; level and ceiling come after it, and a render has neither.
//! * [`player::Player::process`] neither allocates, frees, locks, logs nor asks
//!   the time. The clock is asked only beside it, where missed blocks are counted.
//! * Nothing starts, stops or changes without a fade.
//! * What cannot be had is said in one line, and nothing is heard of it.

pub mod ceiling;
pub mod ramp;
pub mod strike;

pub mod moves;
pub mod scene;
pub mod sound_loop;

pub mod player;
pub mod render;

pub mod figures;
pub mod lessons;

mod lesson_match;

pub mod dummy;
pub mod output;
#[cfg(feature = "sound-card")]
pub mod sound_card;

pub mod booth;
pub mod priority;
pub mod processor_time;
pub mod strip;
pub mod window;
