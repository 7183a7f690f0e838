//! What the integration tests share: seats and platforms to try, and the table of figures against outside truth.

pub mod alone;
pub mod cores;
pub mod demo;
pub mod loudness;
pub mod open_pipe;
pub mod parts_apart;
pub mod platform_grid;
pub mod seats;
pub mod traced;
pub mod truth;
pub mod window;
pub mod zero_phase;
