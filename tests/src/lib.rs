//! What the integration tests share: seats and platforms to try, and the table of figures against outside truth.

pub mod alone;
pub mod parts_apart;
pub mod platform_grid;
pub mod seats;
pub mod traced;
pub mod truth;
pub mod zero_phase;
