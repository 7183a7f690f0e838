//! The plug-in's own files, on the model checker's atomics.

use loom::sync::atomic;
use loom::thread::yield_now;

#[path = "../../src/platform_link/membership.rs"]
mod membership;
#[path = "../../src/platform_link/registry.rs"]
mod registry;

pub use membership::{Difference, Membership, Standing};
pub use registry::{PLATFORMS, Registry};

/// How many values a platform has in the model.
const PLACES: usize = 1;
/// How many platforms the process has in the model: one for each of two sessions.
const MOST: usize = 2;

/// Values of a platform.
pub type Shared = [f64; PLACES];

/// As in the plug-in, with fewer choices.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Link {
    /// Its own.
    Off,
    /// A shared one, from 0.
    Platform(usize),
}

impl Link {
    const fn number(self) -> usize {
        match self {
            Self::Off => 0,
            Self::Platform(index) => index + 1,
        }
    }
}
