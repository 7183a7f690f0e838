//! What the integration tests share: seats and platforms to try, and the table of figures against outside truth.

pub mod alone;
pub mod platform_grid;
pub mod seats;
pub mod truth;
