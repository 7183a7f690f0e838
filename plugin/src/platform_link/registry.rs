//! The platforms of a process, and who stands on them.

use super::atomic::{AtomicU64, AtomicUsize, Ordering};
use super::{PLACES, Shared};

/// Platforms that can be joined.
pub const PLATFORMS: usize = 4;

/// Values that several threads read and write, each for itself.
#[derive(Debug)]
pub(super) struct Cells([AtomicU64; PLACES]);

impl Cells {
    pub(super) fn of(values: &Shared) -> Self {
        Self(values.map(|value| AtomicU64::new(value.to_bits())))
    }

    pub(super) fn get(&self, place: usize) -> f64 {
        f64::from_bits(self.0[place].load(Ordering::Relaxed))
    }

    pub(super) fn set(&self, place: usize, value: f64) {
        self.0[place].store(value.to_bits(), Ordering::Relaxed);
    }

    pub(super) fn all(&self) -> Shared {
        std::array::from_fn(|place| self.get(place))
    }

    pub(super) fn set_all(&self, values: &Shared) {
        for (place, &value) in values.iter().enumerate() {
            self.set(place, value);
        }
    }
}

/// One shared platform.
#[derive(Debug)]
pub(super) struct Platform {
    /// Twice the number of members, and 1 more once the first of them has brought its values.
    members: AtomicUsize,
    pub(super) values: Cells,
}

impl Platform {
    fn empty() -> Self {
        Self { members: AtomicUsize::new(0), values: Cells::of(&[0.0; PLACES]) }
    }

    /// Joins; the first brings `values`.
    pub(super) fn join(&self, values: &Shared) {
        if self.members.fetch_add(2, Ordering::AcqRel) < 2 {
            self.values.set_all(values);
            self.members.fetch_or(1, Ordering::Release);
        }
    }

    /// Leaves; the last one takes the values along.
    pub(super) fn leave(&self) {
        // Leaving and emptying are one step, or a new first one could come between.
        let left = |members: usize| if members < 4 { 0 } else { members - 2 };
        let _ = self.members.fetch_update(Ordering::AcqRel, Ordering::Acquire, |members| Some(left(members)));
    }

    /// Says whether there are values to follow.
    pub(super) fn is_set(&self) -> bool {
        self.members.load(Ordering::Acquire) & 1 == 1
    }

    pub(super) fn members(&self) -> usize {
        self.members.load(Ordering::Acquire) / 2
    }
}

/// The platforms of a process.
#[derive(Debug)]
pub struct Registry([Platform; PLATFORMS]);

impl Registry {
    /// Makes empty platforms.
    pub fn new() -> Self {
        Self(std::array::from_fn(|_| Platform::empty()))
    }

    /// Returns how many instances stand on a platform.
    pub fn members(&self, platform: usize) -> usize {
        self.0.get(platform).map_or(0, Platform::members)
    }

    /// Returns the platform of a number from 1; 0 is none.
    pub(super) fn platform(&self, number: usize) -> Option<&Platform> {
        number.checked_sub(1).and_then(|index| self.0.get(index))
    }

    /// As [`Self::platform`], if it has values to follow.
    pub(super) fn set_platform(&self, number: usize) -> Option<&Platform> {
        self.platform(number).filter(|platform| platform.is_set())
    }
}

impl Default for Registry {
    fn default() -> Self {
        Self::new()
    }
}
