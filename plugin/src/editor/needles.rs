//! How the levels on the sheet move: up at once, down slowly enough to be read.

use std::time::Duration;

use super::sheet::Levels;
use crate::meters::Reading;

/// Fall of a level, dB per second: 20 dB in 1.7 s, as programme meters fall (IEC 60268-10 type I, from memory).
const FALL_DB_PER_S: f32 = 11.8;
/// Level under which nothing is shown, dBFS: that of [`crate::meters::SHOWN_PEAK`].
const LOWEST_DBFS: f32 = -90.0;
/// Time between two looks while something sounds.
const LIVELY: Duration = Duration::from_millis(33);

/// The levels as they are shown.
#[derive(Clone, Copy, Debug)]
pub struct Needles {
    input_dbfs: f32,
    output_dbfs: f32,
}

impl Default for Needles {
    fn default() -> Self {
        Self { input_dbfs: LOWEST_DBFS, output_dbfs: LOWEST_DBFS }
    }
}

impl Needles {
    /// Follows a reading that is `seconds` later than the last one.
    pub fn follow(&mut self, reading: &Reading, seconds: f32) -> Levels {
        let fall_db = FALL_DB_PER_S * seconds.clamp(0.0, 1.0);
        let follow = |needle: &mut f32, peak: f32| {
            let level_dbfs = 20.0 * peak.max(f32::MIN_POSITIVE).log10();
            *needle = level_dbfs.max(*needle - fall_db).max(LOWEST_DBFS);
        };
        follow(&mut self.input_dbfs, reading.input_peak);
        follow(&mut self.output_dbfs, reading.output_peak);
        Levels {
            input_dbfs: self.input_dbfs,
            output_dbfs: self.output_dbfs,
            placed_lu: reading.placed_lu,
            lean_db: reading.lean_db,
        }
    }

    /// Returns when to look again; `None` while nothing sounds.
    pub fn next_look(self) -> Option<Duration> {
        (self.input_dbfs > LOWEST_DBFS || self.output_dbfs > LOWEST_DBFS).then_some(LIVELY)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_needle_rises_at_once_and_falls_at_its_speed() {
        let mut needles = Needles::default();
        assert_eq!(needles.next_look(), None);
        let loud = Reading { input_peak: 1.0, output_peak: 0.1, placed_lu: None, lean_db: None };
        let levels = needles.follow(&loud, 0.03);
        assert!(levels.input_dbfs.abs() < 1e-4 && (levels.output_dbfs + 20.0).abs() < 1e-4);
        let silent = Reading { input_peak: 0.0, output_peak: 0.0, placed_lu: None, lean_db: None };
        let levels = needles.follow(&silent, 0.5);
        assert!((levels.input_dbfs + 5.9).abs() < 1e-3, "{}", levels.input_dbfs);
        assert_eq!(needles.next_look(), Some(LIVELY));
        for _ in 0..20 {
            needles.follow(&silent, 1.0);
        }
        assert_eq!(needles.next_look(), None);
    }
}
