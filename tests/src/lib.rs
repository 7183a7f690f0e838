//! What the integration tests share: seats to try, and the table of figures against outside truth.

pub mod alone;
pub mod seats;
pub mod truth;
