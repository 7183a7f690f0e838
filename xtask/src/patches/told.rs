//! What a VST3 host tells the controller while sound is processed, until the processor hears of it.
//!
//! While automation plays, a host sends each value to the processor, at its
//! frame, and tells the controller the same a little later, for its display.
//! Setting that at once would turn the sound back to where it was some
//! milliseconds ago. So what lies within the range of the automation that
//! plays is only noted: whoever asks for the value or the state hears it, until
//! the processor gets a newer point. Without one it is set after all, once
//! [`WINDOW_FRAMES`] were processed or processing ends: a late echo is the last
//! point by then, and anything else was meant. All else is set at once. The
//! newest wins.

use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering::Relaxed};

/// Frames after its last point for which automation counts as playing, and for which a note is kept: 1 s at 48 kHz, far
/// longer than any host's display lags behind (our choice).
const WINDOW_FRAMES: u64 = 48_000;
/// Bits of no value: not a number.
const NOTHING: u32 = u32::MAX;
/// A time before the first frame.
const NEVER: u64 = u64::MAX;

/// The parameters of an instance, by their numbers; values as shares of the range.
pub(crate) struct Told {
    slots: HashMap<u32, Slot>,
    /// Whether there may be notes.
    has_notes: AtomicBool,
    /// Frames processed so far; from one on, so that [`NEVER`] plus one is long ago.
    frames: AtomicU64,
}

struct Slot {
    /// What was told, as bits.
    told: AtomicU32,
    /// When, in frames.
    told_at: AtomicU64,
    /// Range of the automation that plays, as bits.
    least: AtomicU32,
    most: AtomicU32,
    /// When its last point came, in frames.
    point_at: AtomicU64,
}

impl Told {
    /// Makes a place for each parameter.
    pub(crate) fn new(parameters: impl Iterator<Item = u32>) -> Self {
        let slot = || Slot {
            told: AtomicU32::new(NOTHING),
            told_at: AtomicU64::new(0),
            least: AtomicU32::new(0),
            most: AtomicU32::new(0),
            point_at: AtomicU64::new(NEVER),
        };
        Self {
            slots: parameters.map(|parameter| (parameter, slot())).collect(),
            has_notes: AtomicBool::new(false),
            frames: AtomicU64::new(0),
        }
    }

    /// Counts frames that are processed; the audio thread.
    pub(crate) fn pass(&self, frames: usize) {
        self.frames.fetch_add(frames as u64, Relaxed);
    }

    /// Says whether what happened at a time still counts.
    fn is_recent(&self, at: u64) -> bool {
        at != NEVER && self.frames.load(Relaxed).saturating_sub(at) <= WINDOW_FRAMES
    }

    /// Takes a point of automation; the audio thread.
    pub(crate) fn point(&self, parameter: u32, value: f32) {
        let Some(slot) = self.slots.get(&parameter) else { return };
        let plays = self.is_recent(slot.point_at.load(Relaxed));
        let bound = |known: &AtomicU32, pick: fn(f32, f32) -> f32| {
            let known_value = f32::from_bits(known.load(Relaxed));
            known.store(if plays { pick(known_value, value) } else { value }.to_bits(), Relaxed);
        };
        bound(&slot.least, |known, new| if new < known { new } else { known });
        bound(&slot.most, |known, new| if new > known { new } else { known });
        slot.point_at.store(self.frames.load(Relaxed), Relaxed);
        slot.told.store(NOTHING, Relaxed);
    }

    /// Notes a value; what is no number is not noted.
    pub(crate) fn note(&self, parameter: u32, value: f32) {
        if let Some(slot) = self.slots.get(&parameter).filter(|_| !value.is_nan()) {
            slot.told_at.store(self.frames.load(Relaxed), Relaxed);
            slot.told.store(value.to_bits(), Relaxed);
            self.has_notes.store(true, Relaxed);
        }
    }

    /// Hands on the notes for which no newer point came in time; the audio thread.
    pub(crate) fn settle(&self, mut set: impl FnMut(u32, f32)) {
        if !self.has_notes.swap(false, Relaxed) {
            return;
        }
        for (&parameter, slot) in &self.slots {
            let told = f32::from_bits(slot.told.load(Relaxed));
            if told.is_nan() {
                continue;
            }
            if self.is_recent(slot.told_at.load(Relaxed)) {
                self.has_notes.store(true, Relaxed);
            } else {
                slot.told.store(NOTHING, Relaxed);
                set(parameter, told);
            }
        }
    }

    /// Notes a value if it may be the echo of automation that plays; returns whether it is, and else it is to be set.
    pub(crate) fn is_echo(&self, parameter: u32, value: f32) -> bool {
        let Some(slot) = self.slots.get(&parameter) else { return false };
        let [least, most] = [&slot.least, &slot.most].map(|bits| f32::from_bits(bits.load(Relaxed)));
        let is_echo = self.is_recent(slot.point_at.load(Relaxed)) && (least..=most).contains(&value);
        if is_echo {
            self.note(parameter, value);
        } else {
            slot.told.store(NOTHING, Relaxed);
        }
        is_echo
    }

    /// Returns the note of a parameter, if there is one.
    pub(crate) fn read(&self, parameter: u32) -> Option<f32> {
        let slot = self.slots.get(&parameter)?;
        let told = f32::from_bits(slot.told.load(Relaxed));
        (!told.is_nan()).then_some(told)
    }

    /// Takes all notes.
    pub(crate) fn take(&self) -> Vec<(u32, f32)> {
        let taken =
            self.slots.keys().filter_map(|&parameter| Some((parameter, self.read(parameter)?))).collect();
        self.forget();
        taken
    }

    /// Forgets all notes.
    pub(crate) fn forget(&self) {
        self.slots.values().for_each(|slot| slot.told.store(NOTHING, Relaxed));
    }
}
