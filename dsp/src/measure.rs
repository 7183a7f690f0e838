//! What is measured on a finished sound: impulse, octave bands, decay, clarity, density, coherence, delay, mono sum, colouration.
//!
//! Offline only: everything here allocates, and all of it is in `f64`. Signals
//! are slices of one channel, first sample at time 0; sample k lies at
//! k/`sample_rate_hz` seconds.

mod band_energy;
mod coherence;
mod colouration;
mod decay;
mod delay;
mod echo_density;
mod impulse;
mod mono_sum;
mod octave_filter;
mod passband;
mod rung_out;
mod spectrum;

#[cfg(test)]
mod noise;

pub use band_energy::{BandLevel, ThirdLevel, band_energies, octave_energies, third_octave_levels_db};
pub use coherence::{BandCoherence, Segments, coherence};
pub use colouration::Colouration;
pub use decay::{DecayCurve, DecayError, c80_db, centre_time_s, d50, early_share};
pub use delay::delay_samples;
pub use echo_density::{echo_density, echo_density_profile};
pub use impulse::{Excite, Take, impulse_response};
pub use mono_sum::{MOST_THIRD_LOSS_DB, MonoSum, mono_thirds, worst_in_mono};
pub use octave_filter::{FilterError, OctaveFilter, fits_decay};
pub use passband::{Passband, Resolution, passbands};
pub use rung_out::RungOut;
