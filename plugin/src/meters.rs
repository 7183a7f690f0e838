//! Levels on their way from the audio thread to the editor, without locks.

use std::sync::atomic::{AtomicBool, Ordering};

use atomic_float::AtomicF32;
use nice_plug_egui::RepaintNotifier;

/// Peak from which something is shown: -90 dBFS.
pub const SHOWN_PEAK: f32 = 3.2e-5;

/// What the audio thread measures and the editor shows.
///
/// Each value stands for itself, so that no order between them is needed: the
/// audio thread raises a peak, the editor takes it and starts anew from 0.
pub struct Meters {
    input_peak: AtomicF32,
    output_peak: AtomicF32,
    /// How much louder the placed signal is than the dry one, LU; not a number while unknown.
    placed_lu: AtomicF32,
    /// How much stronger the right side of the input is than its left one, dB; not a number while unknown.
    lean_db: AtomicF32,
    /// Whether the newest tail could not be made.
    has_tail_failed: AtomicBool,
    is_watched: AtomicBool,
    /// Whether the editor draws nothing until something sounds.
    is_asleep: AtomicBool,
    repaint: RepaintNotifier,
}

/// Levels at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Largest magnitude of the input since the last reading.
    pub input_peak: f32,
    /// Largest magnitude of the output since the last reading.
    pub output_peak: f32,
    /// How much louder the placed signal is than the dry one in a mix, LU, once it is known.
    pub placed_lu: Option<f32>,
    /// How much stronger the right side of the input is than its left one, dB; `None` where they are one signal.
    pub lean_db: Option<f32>,
}

impl Default for Meters {
    fn default() -> Self {
        Self {
            input_peak: AtomicF32::new(0.0),
            output_peak: AtomicF32::new(0.0),
            placed_lu: AtomicF32::new(f32::NAN),
            lean_db: AtomicF32::new(f32::NAN),
            has_tail_failed: AtomicBool::new(false),
            is_watched: AtomicBool::new(false),
            is_asleep: AtomicBool::new(false),
            repaint: RepaintNotifier::new(),
        }
    }
}

impl Meters {
    /// Says whether somebody looks; while nobody does, nothing is measured.
    pub fn is_watched(&self) -> bool {
        self.is_watched.load(Ordering::Relaxed)
    }

    /// Tells whether somebody looks from now on.
    pub fn watch(&self, is_watched: bool) {
        self.is_watched.store(is_watched, Ordering::Relaxed);
    }

    /// Returns what asks the editor to draw: a flag, which the audio thread may raise.
    pub fn repaint(&self) -> RepaintNotifier {
        self.repaint.clone()
    }

    /// Tells that the editor draws nothing more by itself: the next sound asks it to.
    pub fn sleep(&self) {
        self.is_asleep.store(true, Ordering::Relaxed);
    }

    /// Adds the peaks of a block.
    pub fn add(&self, input_peak: f32, output_peak: f32) {
        if input_peak.max(output_peak) > SHOWN_PEAK && self.is_asleep.swap(false, Ordering::Relaxed) {
            self.repaint.request_repaint();
        }
        self.input_peak.fetch_max(input_peak, Ordering::Relaxed);
        self.output_peak.fetch_max(output_peak, Ordering::Relaxed);
    }

    /// Tells how much louder the placed signal is than the dry one, LU.
    pub fn tell_placed(&self, placed_lu: Option<f32>) {
        self.placed_lu.store(placed_lu.unwrap_or(f32::NAN), Ordering::Relaxed);
    }

    /// Tells how far the input's picture leans, dB.
    pub fn tell_lean(&self, lean_db: Option<f32>) {
        self.lean_db.store(lean_db.unwrap_or(f32::NAN), Ordering::Relaxed);
    }

    /// Tells whether the newest tail could not be made, so that an older one plays on.
    pub fn tell_tail(&self, has_failed: bool) {
        if self.has_tail_failed.load(Ordering::Relaxed) != has_failed {
            self.has_tail_failed.store(has_failed, Ordering::Relaxed);
            self.repaint.request_repaint();
        }
    }

    /// Says whether the newest tail could not be made.
    pub fn has_tail_failed(&self) -> bool {
        self.has_tail_failed.load(Ordering::Relaxed)
    }

    /// Takes the levels since the last reading.
    pub fn read(&self) -> Reading {
        let told =
            |figure: &AtomicF32| Some(figure.load(Ordering::Relaxed)).filter(|figure| !figure.is_nan());
        Reading {
            input_peak: self.input_peak.swap(0.0, Ordering::Relaxed),
            output_peak: self.output_peak.swap(0.0, Ordering::Relaxed),
            placed_lu: told(&self.placed_lu),
            lean_db: told(&self.lean_db),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_takes_the_largest_since_the_last_one() {
        let meters = Meters::default();
        meters.add(0.5, 0.1);
        meters.add(0.2, 0.7);
        let reading = Reading { input_peak: 0.5, output_peak: 0.7, placed_lu: None, lean_db: None };
        assert_eq!(meters.read(), reading);
        meters.tell_placed(Some(-3.0));
        meters.tell_lean(Some(4.0));
        let empty = Reading { input_peak: 0.0, output_peak: 0.0, placed_lu: Some(-3.0), lean_db: Some(4.0) };
        assert_eq!(meters.read(), empty);
    }

    #[test]
    fn a_tail_that_failed_is_told_until_one_is_made() {
        let meters = Meters::default();
        for has_failed in [false, true, true, false] {
            meters.tell_tail(has_failed);
            assert_eq!(meters.has_tail_failed(), has_failed);
        }
    }

    #[test]
    fn a_sound_wakes_a_sleeping_editor_once_and_silence_does_not() {
        let meters = Meters::default();
        let is_asleep = || meters.is_asleep.load(Ordering::Relaxed);
        meters.sleep();
        meters.add(0.0, 1e-6);
        assert!(is_asleep());
        meters.add(0.0, 0.1);
        assert!(!is_asleep());
    }
}
