//! The first reflections as they sound: taps on two delay lines, and a low-pass for each number of hits.

use std::f64::consts::TAU;

use super::Hall;
use super::reflections::{MOST_HITS, REFLECTIONS, Reflection, Reflections, TOP_HZ};
use crate::delay_line::DelayLine;
use crate::early::LONGEST_RUN_FRAMES;
use crate::instruction_set::{InstructionSet, Kernel, multiply_add};

/// Longest delay of a reflection that sounds, s: the mixing time of the largest hall, 0.173 s, rounded up.
const LONGEST_DELAY_S: f64 = 0.18;
/// Time over which the reflections of one hall give way to those of another, s (as the platform's).
const FADE_S: f64 = 0.05;
/// State below which a low-pass is silent, linear: 300 dB under full scale, far above numbers that slow a processor down.
const SILENT: f32 = 1e-15;

/// The sound of a run by number of hits, then output.
type ByHits = [[[f32; LONGEST_RUN_FRAMES]; 2]; MOST_HITS];

/// A reflection of one player, as it is read.
#[derive(Clone, Copy, Debug, Default)]
struct Tap {
    delay_frames: usize,
    order: usize,
    gains: [f32; 2],
}

/// One hall's reflections.
#[derive(Clone, Debug)]
struct Taps {
    /// The taps by player, left then right.
    by_player: [[Tap; REFLECTIONS]; 2],
    /// Coefficient of the low-pass y += k (x - y) by number of hits.
    low_pass: [f32; MOST_HITS],
    /// Its state, by number of hits, then output.
    state: [[f32; 2]; MOST_HITS],
}

impl Taps {
    const SILENT: Self = Self {
        by_player: [[Tap { delay_frames: 0, order: 0, gains: [0.0; 2] }; REFLECTIONS]; 2],
        low_pass: [1.0; MOST_HITS],
        state: [[0.0; 2]; MOST_HITS],
    };

    fn of(hall: &Hall, sample_rate_hz: f64) -> Self {
        let Reflections { all, top_gains } = Reflections::of(hall);
        let tap = |reflection: Reflection, is_mirrored: bool| {
            let [left, right] = reflection.gains.map(|gain| gain as f32);
            Tap {
                delay_frames: (reflection.delay_s * sample_rate_hz).round() as usize,
                order: reflection.hits.clamp(1, MOST_HITS) - 1,
                gains: if is_mirrored { [right, left] } else { [left, right] },
            }
        };
        Self {
            by_player: [false, true].map(|is_mirrored| all.map(|reflection| tap(reflection, is_mirrored))),
            low_pass: top_gains.map(|gain| coefficient(gain, sample_rate_hz) as f32),
            state: [[0.0; 2]; MOST_HITS],
        }
    }

    /// Adds what is heard of the last run in the lines to `outputs`, from gain `share` on, `step` more each frame.
    fn add_to(
        &mut self,
        set: InstructionSet,
        lines: &[DelayLine; 2],
        share: (f32, f32),
        outputs: &mut [&mut [f32]; 2],
    ) {
        let frames = outputs[0].len();
        let mut by_hits: ByHits = [[[0.0; LONGEST_RUN_FRAMES]; 2]; MOST_HITS];
        set.run(ReadTaps { by_player: &self.by_player, lines, frames, by_hits: &mut by_hits });
        for (order, sums) in by_hits.iter().enumerate() {
            let k = self.low_pass[order];
            for (side, sum) in sums.iter().enumerate() {
                let state = &mut self.state[order][side];
                for (n, (out, x)) in outputs[side].iter_mut().zip(sum).enumerate() {
                    *state += k * (x - *state);
                    *out += *state * (share.0 + share.1 * n as f32).clamp(0.0, 1.0);
                }
                if state.abs() < SILENT {
                    *state = 0.0;
                }
            }
        }
    }
}

/// Reads every tap and sums by number of hits.
struct ReadTaps<'a> {
    by_player: &'a [[Tap; REFLECTIONS]; 2],
    lines: &'a [DelayLine; 2],
    frames: usize,
    by_hits: &'a mut ByHits,
}

impl Kernel for ReadTaps<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        for (taps, line) in self.by_player.iter().zip(self.lines) {
            for tap in taps.iter().filter(|tap| tap.gains != [0.0; 2]) {
                let sound = line.delayed(tap.delay_frames, self.frames);
                let [left, right] = &mut self.by_hits[tap.order];
                for (n, x) in sound.iter().enumerate() {
                    left[n] = multiply_add::<FUSED>(tap.gains[0], *x, left[n]);
                    right[n] = multiply_add::<FUSED>(tap.gains[1], *x, right[n]);
                }
            }
        }
    }
}

/// Returns the coefficient k of y += k (x - y) with gain `top_gain` at 4 kHz, up to 1.
///
/// |H|^2 = k^2/(1 + q^2 - 2 q cos w) with q = 1 - k is a quadratic in k:
/// k^2 (1 - g^2) - 2 g^2 (1 - cos w) (1 - k) = 0.
fn coefficient(top_gain: f64, sample_rate_hz: f64) -> f64 {
    let g2 = top_gain * top_gain;
    if g2 >= 1.0 {
        return 1.0;
    }
    // A sample rate has to have 4 kHz: the lowest, 22 050 Hz, does.
    let b = g2 * (1.0 - (TAU * TOP_HZ / sample_rate_hz).cos());
    let a = 1.0 - g2;
    ((-b + (b * b + 2.0 * a * b).sqrt()) / a).clamp(0.0, 1.0)
}

/// The first reflections of one engine.
#[derive(Debug)]
pub(super) struct Early {
    set: InstructionSet,
    sample_rate_hz: f64,
    lines: [DelayLine; 2],
    now: Taps,
    /// What takes over, and how far it has come, 0 to 1.
    next: Option<(Taps, f32)>,
    step: f32,
}

impl Early {
    pub(super) fn new(set: InstructionSet, sample_rate_hz: f64) -> Self {
        let longest = (LONGEST_DELAY_S * sample_rate_hz).ceil() as usize;
        Self {
            set,
            sample_rate_hz,
            lines: [longest; 2].map(|longest| DelayLine::new(longest, LONGEST_RUN_FRAMES)),
            now: Taps::SILENT,
            next: None,
            step: (1.0 / (FADE_S * sample_rate_hz)) as f32,
        }
    }

    pub(super) fn reset(&mut self) {
        self.lines.iter_mut().for_each(DelayLine::reset);
        self.now.state = [[0.0; 2]; MOST_HITS];
        self.next = None;
    }

    /// Starts in a hall.
    pub(super) fn stand_at(&mut self, hall: &Hall) {
        self.now = Taps::of(hall, self.sample_rate_hz);
        self.next = None;
    }

    /// Goes to another hall, unless it is on its way to one; says whether it does.
    pub(super) fn head_for(&mut self, hall: &Hall) -> bool {
        let is_free = self.next.is_none();
        if is_free {
            self.next = Some((Taps::of(hall, self.sample_rate_hz), 0.0));
        }
        is_free
    }

    /// Takes a run of both channels and adds what is heard to `outputs`.
    pub(super) fn process(&mut self, inputs: [&[f32]; 2], mut outputs: [&mut [f32]; 2]) {
        let frames = inputs[0].len();
        for (line, input) in self.lines.iter_mut().zip(inputs) {
            line.write(input);
        }
        let Some((next, share)) = &mut self.next else {
            self.now.add_to(self.set, &self.lines, (1.0, 0.0), &mut outputs);
            return;
        };
        self.now.add_to(self.set, &self.lines, (1.0 - *share, -self.step), &mut outputs);
        next.add_to(self.set, &self.lines, (*share, self.step), &mut outputs);
        *share += self.step * frames as f32;
        if *share >= 1.0
            && let Some((next, _)) = self.next.take()
        {
            self.now = next;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// |H| = k/|1 - (1-k) e^-iw| at 4 kHz, the transfer function itself.
    #[test]
    fn a_low_pass_has_its_gain_at_4_khz() {
        for rate_hz in [22_050.0, 48_000.0, 192_000.0] {
            for gain in [0.3, 0.7, 0.95] {
                let k = coefficient(gain, rate_hz);
                let w: f64 = TAU * TOP_HZ / rate_hz;
                let q = 1.0 - k;
                let got = k / (1.0 + q * q - 2.0 * q * w.cos()).sqrt();
                assert!((got - gain).abs() < 1e-9, "{rate_hz} Hz: expected {gain}, got {got}");
            }
        }
        assert_eq!(coefficient(1.0, 48_000.0), 1.0);
    }

    #[test]
    fn an_impulse_sounds_at_the_reflections_and_mirrors_from_left_to_right() {
        let hall = Hall::default();
        let heard = |side: usize| {
            let mut early = Early::new(InstructionSet::widest(), 48_000.0);
            early.stand_at(&hall);
            let mut outputs = [vec![0.0_f32; 9000], vec![0.0; 9000]];
            for at in (0..9000).step_by(100) {
                let mut impulse = [0.0; 100];
                impulse[0] = if at == 0 { 1.0 } else { 0.0 };
                let silence = [0.0; 100];
                let [left, right] = &mut outputs;
                let inputs = if side == 0 { [&impulse[..], &silence] } else { [&silence[..], &impulse] };
                early.process(inputs, [&mut left[at..at + 100], &mut right[at..at + 100]]);
            }
            outputs
        };
        let ([a, b], [c, d]) = (heard(0), heard(1));
        assert!(a == d && b == c && a != b);
        assert!(a[0] != 0.0 || b[0] != 0.0, "the first reflection comes at once");
    }
}
