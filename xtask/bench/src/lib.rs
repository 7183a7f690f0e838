//! What is measured: the same seats, tails and noise for the clock, for the count of instructions and for memory.
//!
//! Nothing here asks the time. A [`BlockWork`] is prepared outside the measured
//! region and processed inside it; `cargo xtask bench` and `cargo bench` hold the
//! clock, two programs of this package count bytes and instructions.
//!
//! Where the engine changes shape, this package is what has to follow:
//! `instance` (engine), `seat_plan` (plan), `tail_maker` (tail).

mod block_work;
mod hall_bus;
mod instance;
mod noisy_line;
mod peer;
mod seat_plan;
mod tail_alone;
mod tail_maker;

pub use block_work::BlockWork;
pub use hall_bus::HallBus;
pub use instance::{Case, Input, Instance, Movement, RATE_HZ, noise_into, seat_of};
pub use noisy_line::noisy_line;
pub use peer::{Peer, PeerForm};
pub use seat_plan::SeatPlanner;
pub use tail_alone::TailAlone;
pub use tail_maker::{TailMaker, tail_spec};
