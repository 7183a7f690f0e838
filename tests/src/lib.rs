//! What the integration tests share: seats and platforms to try, closed forms, and the table of figures against outside truth.

pub mod alone;
pub mod open_pipe;
pub mod platform_grid;
pub mod seats;
pub mod truth;
