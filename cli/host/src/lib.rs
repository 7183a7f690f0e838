//! A CLAP host in code: loads the built plug-in, sets its parameters, keeps its state, renders and plays through it.
//!
//! The commands that place recordings, the benches and the tests of hosts are made of it. It knows no file of ours, no
//! parameter by name and no recording: what goes in and comes out are channels of samples and the host's own numbers.
//!
//! Each module imports only those above it: [`handlers`] (what the plug-in may ask of the host), [`library`],
//! [`instance`], [`ports`], then [`session`] and [`offline`].

pub mod handlers;
pub mod library;

pub mod instance;
pub mod ports;

pub mod offline;
pub mod session;

pub use handlers::{Host, Track};
pub use instance::{Described, Instance, Start};
pub use library::{HALL_ID, Library, SEAT_ID};
pub use ports::{Ports, value_events};
pub use session::Session;
