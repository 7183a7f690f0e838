//! The dry signal at the loudness of the placed one, for a comparison that level does not decide.

use ebur128::{EbuR128, Mode};

use crate::dry_fade::audible;
use rostra_dsp::acoustics::{energy_of_db, gain_of_db};

/// Length of a step in which loudness is measured, ms: a short-term meter is renewed ten times a second (EBU Tech 3341).
const STEP_MS: u32 = 100;
/// Steps of the short-term window, 3 s (EBU Tech 3341).
const STEPS: usize = 30;
/// Steps before anything is said: the 0.4 s of momentary loudness.
const LEAST_STEPS: usize = 4;
/// Loudness below which a signal is silence, LUFS: the absolute gate of ITU-R BS.1770.
const SILENCE_LUFS: f64 = -70.0;
/// Most that the dry signal is changed, dB, as the range of the trim.
const MOST_DB: f64 = 24.0;
/// Time of a change of the gain, s: that of the crossfade to the dry signal, so that bypass is as fast.
const GLIDE_S: f64 = 0.020;

/// Loudness over the last three seconds, in steps of a tenth.
pub struct ShortTerm {
    meter: EbuR128,
    step_frames: usize,
    filled: usize,
    /// Energy of each step, weighted as BS.1770 has it, without `gain_db`.
    steps: [f64; STEPS],
    /// Gain that the sound carries and that its loudness does not count, dB.
    gain_db: f64,
    newest: usize,
    count: usize,
}

impl ShortTerm {
    /// Prepares a meter; allocates.
    ///
    /// `None` where the library cannot measure at this rate.
    pub fn new(channels: usize, sample_rate_hz: f64) -> Option<Self> {
        let rate = sample_rate_hz as u32;
        Some(Self {
            meter: EbuR128::new(channels as u32, rate, Mode::M).ok()?,
            step_frames: (rate * STEP_MS / 1000) as usize,
            filled: 0,
            steps: [0.0; STEPS],
            gain_db: 0.0,
            newest: 0,
            count: 0,
        })
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.meter.reset();
        (self.filled, self.count) = (0, 0);
    }

    /// Takes a block of all channels; returns whether a step was completed.
    pub fn add<const CHANNELS: usize>(&mut self, block: [&[f32]; CHANNELS]) -> bool {
        let frames = block[0].len();
        let (mut at, mut is_new) = (0, false);
        while at < frames {
            let end = frames.min(at + self.step_frames - self.filled);
            // Fails only for a number of channels that is not the meter's.
            let _ = self.meter.add_frames_planar_f32(&block.map(|channel| &channel[at..end]));
            self.filled += end - at;
            at = end;
            if self.filled == self.step_frames {
                self.filled = 0;
                let step_lufs = self.meter.loudness_window(STEP_MS).unwrap_or(f64::NEG_INFINITY);
                self.newest = (self.newest + 1) % STEPS;
                self.steps[self.newest] = energy(step_lufs - self.gain_db);
                self.count = (self.count + 1).min(STEPS);
                is_new = true;
            }
        }
        is_new
    }

    /// Returns the loudness of the last 3 s, or of what there is of them, LUFS; `None` before 0.4 s.
    pub fn loudness_lufs(&self) -> Option<f64> {
        let newest = (0..self.count).map(|back| self.steps[(self.newest + STEPS - back) % STEPS]);
        (self.count >= LEAST_STEPS).then(|| lufs(newest.sum::<f64>() / self.count as f64))
    }
}

/// Weighted energy of a loudness: L = -0.691 + 10 log10(E) (ITU-R BS.1770, equation 2).
fn energy(loudness_lufs: f64) -> f64 {
    energy_of_db(loudness_lufs + 0.691)
}

fn lufs(energy: f64) -> f64 {
    -0.691 + 10.0 * energy.log10()
}

/// The gain on the dry signal, and how it is found.
pub struct LoudnessMatch {
    dry: ShortTerm,
    /// Without trim, so that another trim counts at once.
    placed: ShortTerm,
    /// Gain from dry to placed, without trim, dB.
    placed_db: Option<f64>,
    trim_db: f64,
    /// Whether both sides of the dry signal were the same in all that was measured.
    is_centred: bool,
    gain: f32,
    /// Where the gain goes, and its change per frame on the way.
    target: f32,
    step: f32,
    glide_frames: f32,
    was_measured: bool,
}

impl LoudnessMatch {
    /// Prepares both meters; allocates.
    pub fn new(channels: usize, sample_rate_hz: f64) -> Option<Self> {
        Some(Self {
            dry: ShortTerm::new(channels, sample_rate_hz)?,
            placed: ShortTerm::new(channels, sample_rate_hz)?,
            placed_db: None,
            trim_db: 0.0,
            is_centred: true,
            gain: 1.0,
            target: 1.0,
            step: 0.0,
            glide_frames: (GLIDE_S * sample_rate_hz) as f32,
            was_measured: false,
        })
    }

    /// Forgets what was measured; the gain starts at 1.
    pub fn reset(&mut self) {
        self.forget();
        (self.gain, self.target) = (1.0, 1.0);
    }

    fn forget(&mut self) {
        self.dry.reset();
        self.placed.reset();
        self.placed_db = None;
        self.is_centred = true;
        self.was_measured = false;
    }

    /// Measures a block of both signals, the placed one with its trim; nothing was missed since the last one.
    pub fn measure<const CHANNELS: usize>(
        &mut self,
        dry: [&[f32]; CHANNELS],
        placed: [&[f32]; CHANNELS],
        trim_db: f64,
    ) {
        self.was_measured = true;
        (self.trim_db, self.placed.gain_db) = (trim_db, trim_db);
        self.is_centred &= dry.windows(2).all(|sides| sides[0] == sides[1]);
        let is_new = self.dry.add(dry) | self.placed.add(placed);
        if is_new && let (Some(dry), Some(placed)) = (self.dry.loudness_lufs(), self.placed.loudness_lufs()) {
            // In silence there is nothing to match: what was found last holds.
            if dry > SILENCE_LUFS && placed > SILENCE_LUFS {
                self.placed_db = Some(placed - dry);
            }
        }
    }

    /// Tells that a block is not measured: what was heard before it is of no use any more.
    pub fn skip(&mut self) {
        if self.was_measured {
            self.forget();
        }
    }

    /// Returns the gain on the dry signal that makes both equally loud, dB, once it is known.
    pub fn match_db(&self) -> Option<f64> {
        self.placed_db.map(|placed_db| (placed_db + self.trim_db).clamp(-MOST_DB, MOST_DB))
    }

    /// Returns how much louder the placed signal is than the dry one in a mix, LU, once it is known.
    ///
    /// A dry signal whose sides are the same sits in the centre of a mix at equal
    /// power, 3 dB down on both.
    pub fn placed_lu<const CHANNELS: usize>(&self) -> Option<f64> {
        let centre_db = if CHANNELS == 2 && self.is_centred { 10.0 * 2.0_f64.log10() } else { 0.0 };
        self.placed_db.map(|placed_db| placed_db + self.trim_db + centre_db)
    }

    /// Jumps to the gain that is wanted, while the dry signal is not heard.
    pub fn settle(&mut self, is_matched: bool) {
        self.target = self.wanted(is_matched);
        self.gain = self.target;
    }

    /// Goes for the match, or for unity, within 20 ms.
    pub fn glide_to(&mut self, is_matched: bool) {
        let wanted = self.wanted(is_matched);
        if wanted != self.target {
            self.target = wanted;
            self.step = (wanted - self.gain) / self.glide_frames;
        }
    }

    /// Puts the gain on the dry signal, and moves it on.
    ///
    /// At unity the signal is left exactly as it is.
    pub fn apply(&mut self, dry: &mut [&mut [f32]]) {
        if self.gain == 1.0 && self.target == 1.0 {
            return;
        }
        let start = self.gain;
        for channel in dry {
            self.gain = start;
            for x in channel.iter_mut() {
                let is_there = (self.target - self.gain).abs() <= self.step.abs();
                self.gain = if is_there { self.target } else { self.gain + self.step };
                *x = audible(*x * self.gain);
            }
        }
    }

    fn wanted(&self, is_matched: bool) -> f32 {
        self.match_db().filter(|_| is_matched).map_or(1.0, |db| gain_of_db(db) as f32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::extremes::largest;

    const RATE_HZ: f64 = 48_000.0;

    fn sine(level_dbfs: f64, seconds: f64) -> Vec<f32> {
        let peak = gain_of_db(level_dbfs);
        let turn = std::f64::consts::TAU * 1000.0 / RATE_HZ;
        (0..(seconds * RATE_HZ) as usize).map(|n| (peak * (turn * n as f64).sin()) as f32).collect()
    }

    fn loudness_lufs(sound: &[f32]) -> f64 {
        let mut meter = ShortTerm::new(2, RATE_HZ).expect("an ordinary rate");
        for block in sound.chunks(777) {
            meter.add([block, block]);
        }
        meter.loudness_lufs().expect("longer than 0.4 s")
    }

    /// EBU Tech 3341, table 1, test signals 1 and 2: a stereo sine of 1 kHz, each channel at this peak level.
    #[test]
    fn sines_have_the_loudness_that_tech_3341_says() {
        for (level_dbfs, expected_lufs) in [(-23.0, -23.0), (-33.0, -33.0)] {
            let got = loudness_lufs(&sine(level_dbfs, 20.0));
            assert!((got - expected_lufs).abs() <= 0.1, "expected {expected_lufs} LUFS, got {got}");
        }
    }

    /// EBU Tech 3341, table 1, test signal 9: -20 dBFS for 1.34 s and -30 dBFS
    /// for 1.66 s, five times; short-term loudness stays at -23.0 LUFS once 3 s are in.
    #[test]
    fn short_term_loudness_stays_where_tech_3341_says() {
        let mut sound = Vec::new();
        for _ in 0..5 {
            sound.extend(sine(-20.0, 1.34));
            sound.extend(sine(-30.0, 1.66));
        }
        let mut meter = ShortTerm::new(2, RATE_HZ).expect("an ordinary rate");
        let mut heard = 0;
        for block in sound.chunks(480) {
            heard += block.len();
            if meter.add([block, block]) && heard >= (3.0 * RATE_HZ) as usize {
                let got = meter.loudness_lufs().expect("3 s");
                assert!((got + 23.0).abs() <= 0.1, "after {heard} frames: {got} LUFS");
            }
        }
    }

    #[test]
    fn the_dry_signal_comes_to_the_loudness_of_the_placed_one_and_back_to_the_bit() {
        let (dry, placed) = (sine(-30.0, 5.0), sine(-21.0, 5.0));
        let mut match_ = LoudnessMatch::new(2, RATE_HZ).expect("an ordinary rate");
        let mut heard = Vec::new();
        for (dry, placed) in dry.chunks(512).zip(placed.chunks(512)) {
            match_.measure([dry, dry], [placed, placed], 0.0);
            let mut left = dry.to_vec();
            match_.glide_to(true);
            match_.apply(&mut [&mut left]);
            heard.extend(left);
        }
        let end = heard.len() - (RATE_HZ as usize);
        let (got, expected) = (loudness_lufs(&heard[end..]), loudness_lufs(&placed[end..]));
        assert!((got - expected).abs() <= 0.2, "expected {expected} LUFS, got {got}");
        // The control: without the match they are far apart.
        assert!((loudness_lufs(&dry[end..]) - expected).abs() > 1.0);
        let largest = |sound: &[f32]| largest(sound.windows(2).map(|pair| (pair[1] - pair[0]).abs()));
        assert!(largest(&heard) <= 1.01 * largest(&placed), "a step of the gain is heard");
        // Back at unity, nothing is touched.
        let mut glide = dry[..962].to_vec();
        match_.glide_to(false);
        match_.apply(&mut [&mut glide]);
        let mut after = dry[..512].to_vec();
        match_.apply(&mut [&mut after]);
        assert_eq!(after, dry[..512], "unity 20 ms after it was asked for");
    }

    #[test]
    fn no_sample_leaves_that_no_host_may_get_and_none_spoils_the_meters() {
        let mut match_ = LoudnessMatch::new(1, RATE_HZ).expect("an ordinary rate");
        let wild: Vec<f32> =
            (0..48_000).map(|n| [f32::MAX, f32::MIN_POSITIVE, -f32::MAX, 1e-38][n % 4]).collect();
        let (dry, placed) = (sine(-10.0, 2.0), sine(-30.0, 2.0));
        match_.measure([&wild], [&wild], 0.0);
        for _ in 0..3 {
            match_.measure([&dry], [&placed], 0.0);
        }
        assert!(match_.match_db().is_some_and(|db| (db + 20.0).abs() < 0.1), "{:?}", match_.match_db());
        let mut out = wild.clone();
        match_.glide_to(true);
        match_.apply(&mut [&mut out]);
        assert!(out.iter().all(|x| *x == 0.0 || x.is_normal()));
    }

    #[test]
    fn trim_counts_at_once_and_a_centred_channel_at_equal_power() {
        let mut match_ = LoudnessMatch::new(2, RATE_HZ).expect("an ordinary rate");
        let (dry, placed) = (sine(-20.0, 1.0), sine(-26.0, 1.0));
        let trimmed: Vec<f32> = placed.iter().map(|x| 2.0 * x).collect();
        let six_db = 20.0 * 2.0_f64.log10();
        match_.measure([&dry, &dry], [&placed, &placed], 0.0);
        let before_lu = match_.placed_lu::<2>().expect("1 s");
        assert!((before_lu + 6.0 - 3.01).abs() < 0.1, "{before_lu}");
        // Long before the old steps are gone.
        match_.measure([&dry, &dry], [&trimmed, &trimmed], six_db);
        let after_lu = match_.placed_lu::<2>().expect("2 s");
        assert!((after_lu - before_lu - six_db).abs() < 0.1, "{before_lu}, then {after_lu}");
        assert!(match_.match_db().is_some_and(|db| db.abs() < 0.1), "{:?}", match_.match_db());
        // Two sides that differ stay as loud as they are.
        let other: Vec<f32> = dry.iter().map(|x| -x).collect();
        match_.measure([&dry, &other], [&trimmed, &trimmed], six_db);
        assert_eq!(match_.placed_lu::<2>(), match_.match_db());
    }

    #[test]
    fn silence_and_what_was_missed_say_nothing() {
        let mut match_ = LoudnessMatch::new(1, RATE_HZ).expect("an ordinary rate");
        let (silence, sound) = (vec![0.0; 96_000], sine(-20.0, 2.0));
        match_.measure([&silence], [&silence], 0.0);
        assert_eq!(match_.match_db(), None);
        match_.measure([&sound], [&sound], 0.0);
        assert!(match_.match_db().is_some_and(|db| db.abs() < 0.1));
        match_.skip();
        assert_eq!(match_.match_db(), None);
    }
}
