//! The first reflections as they sound: bursts on two delay lines, taps on those, and a low-pass for each number of hits.

use std::f64::consts::TAU;

use super::Hall;
use super::diffuser::Diffuser;
use super::reflections::{MOST_HITS, REFLECTIONS, Reflection, Reflections, TOP_HZ};
use crate::engine::delay_line::DelayLine;
use crate::engine::early::LONGEST_RUN_FRAMES;
use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};

/// Longest delay of a reflection that sounds, s: the mixing time of the largest hall, 0.173 s, rounded up.
const LONGEST_DELAY_S: f64 = 0.18;
/// Time over which the reflections of one hall give way to those of another, s (as the platform's).
const FADE_S: f64 = 0.05;
/// State below which a low-pass is silent, linear: 300 dB under full scale, far above numbers that slow a processor down.
const SILENT: f32 = 1e-15;

/// Frames that are summed at once, left and right: as many as fit the registers.
const TILE: usize = 32;
/// The sound of a run by frame, then number of hits, left and right one after the other.
type ByHits = [[f32; 2 * MOST_HITS]; LONGEST_RUN_FRAMES];

/// A reflection of one player, as it is read.
#[derive(Clone, Copy, Debug, Default)]
struct Tap {
    delay_frames: usize,
    /// Line that it reads: the left player's or the right one's.
    line: usize,
    gains: [f32; 2],
}

/// Taps of one number of hits.
#[derive(Clone, Debug)]
struct Order {
    taps: [Tap; 2 * REFLECTIONS],
    /// How many of them sound.
    count: usize,
}

/// One hall's reflections.
#[derive(Clone, Debug)]
struct Taps {
    orders: [Order; MOST_HITS],
    /// Coefficient of the low-pass y += k (x - y), and its state, by number of hits, left and right.
    low_pass: [f32; 2 * MOST_HITS],
    state: [f32; 2 * MOST_HITS],
}

impl Taps {
    const SILENT: Self = Self {
        orders: [const {
            Order { taps: [Tap { delay_frames: 0, line: 0, gains: [0.0; 2] }; 2 * REFLECTIONS], count: 0 }
        }; MOST_HITS],
        low_pass: [1.0; 2 * MOST_HITS],
        state: [0.0; 2 * MOST_HITS],
    };

    fn of(hall: &Hall, sample_rate_hz: f64) -> Self {
        let Reflections { all, top_gains } = Reflections::of(hall);
        let mut taps = Self::SILENT;
        for Reflection { delay_s, hits, gains } in all.into_iter().filter(|r| r.gains != [0.0; 2]) {
            let order = &mut taps.orders[hits.clamp(1, MOST_HITS) - 1];
            let delay_frames = (delay_s * sample_rate_hz).round() as usize;
            let [left, right] = gains.map(|gain| gain as f32);
            for (line, gains) in [[left, right], [right, left]].into_iter().enumerate() {
                order.taps[order.count] = Tap { delay_frames, line, gains };
                order.count += 1;
            }
        }
        for (place, k) in taps.low_pass.iter_mut().enumerate() {
            *k = coefficient(top_gains[place / 2], sample_rate_hz) as f32;
        }
        taps
    }

    /// Adds what is heard of the last run in the lines to `outputs`, from gain `share` on, `step` more each frame.
    fn add_to(
        &mut self,
        set: InstructionSet,
        lines: &[DelayLine; 2],
        share: (f32, f32),
        outputs: &mut [&mut [f32]; 2],
    ) {
        set.run(Sound { taps: self, lines, share, outputs });
        for state in &mut self.state {
            if state.abs() < SILENT {
                *state = 0.0;
            }
        }
    }
}

/// Reads every tap, sums by number of hits, and low-passes the sums.
struct Sound<'a, 'b> {
    taps: &'a mut Taps,
    lines: &'a [DelayLine; 2],
    share: (f32, f32),
    outputs: &'a mut [&'b mut [f32]; 2],
}

impl Kernel for Sound<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let Taps { orders, low_pass, state } = self.taps;
        let frames = self.outputs[0].len();
        let mut by_hits: ByHits = [[0.0; 2 * MOST_HITS]; LONGEST_RUN_FRAMES];
        for (place, order) in orders.iter().enumerate() {
            for start in (0..frames).step_by(TILE) {
                let (mut left, mut right) = ([0.0_f32; TILE], [0.0_f32; TILE]);
                let count = TILE.min(frames - start);
                for tap in &order.taps[..order.count] {
                    let sound = &self.lines[tap.line].delayed(tap.delay_frames, frames)[start..start + count];
                    if let Ok(sound) = <&[f32; TILE]>::try_from(sound) {
                        for n in 0..TILE {
                            left[n] = multiply_add::<FUSED>(tap.gains[0], sound[n], left[n]);
                            right[n] = multiply_add::<FUSED>(tap.gains[1], sound[n], right[n]);
                        }
                    } else {
                        for (n, x) in sound.iter().enumerate() {
                            left[n] = multiply_add::<FUSED>(tap.gains[0], *x, left[n]);
                            right[n] = multiply_add::<FUSED>(tap.gains[1], *x, right[n]);
                        }
                    }
                }
                for n in 0..count {
                    by_hits[start + n][2 * place] = left[n];
                    by_hits[start + n][2 * place + 1] = right[n];
                }
            }
        }
        let [left, right] = self.outputs;
        let heard = left.iter_mut().zip(right.iter_mut());
        for (n, ((left, right), sums)) in heard.zip(&by_hits).enumerate() {
            // All side by side: one after the other, each would wait for itself.
            for place in 0..2 * MOST_HITS {
                state[place] =
                    multiply_add::<FUSED>(low_pass[place], sums[place] - state[place], state[place]);
            }
            let share = (self.share.0 + self.share.1 * n as f32).clamp(0.0, 1.0);
            *left = multiply_add::<FUSED>(share, state[0] + state[2] + state[4], *left);
            *right = multiply_add::<FUSED>(share, state[1] + state[3] + state[5], *right);
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
    // A sample rate has to have 4 kHz: the lowest, 8 kHz, just does.
    let b = g2 * (1.0 - (TAU * TOP_HZ / sample_rate_hz).cos());
    let a = 1.0 - g2;
    ((-b + (b * b + 2.0 * a * b).sqrt()) / a).clamp(0.0, 1.0)
}

/// The first reflections of one engine.
#[derive(Debug)]
pub(super) struct Early {
    set: InstructionSet,
    sample_rate_hz: f64,
    diffusers: [Diffuser; 2],
    /// What a run has become behind the diffusers.
    spread: Vec<f32>,
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
            diffusers: [set; 2].map(|set| Diffuser::new(set, sample_rate_hz)),
            spread: vec![0.0; LONGEST_RUN_FRAMES],
            lines: [longest; 2].map(|longest| DelayLine::new(longest, LONGEST_RUN_FRAMES)),
            now: Taps::SILENT,
            next: None,
            step: (1.0 / (FADE_S * sample_rate_hz)) as f32,
        }
    }

    pub(super) fn reset(&mut self) {
        self.diffusers.iter_mut().for_each(Diffuser::reset);
        self.lines.iter_mut().for_each(DelayLine::reset);
        self.now.state = [0.0; 2 * MOST_HITS];
        self.next = None;
    }

    /// Starts in a hall.
    pub(super) fn jump_to(&mut self, hall: &Hall) {
        self.now = Taps::of(hall, self.sample_rate_hz);
        self.next = None;
    }

    /// Says whether one hall gives way to another.
    pub(super) const fn is_fading(&self) -> bool {
        self.next.is_some()
    }

    /// Goes to another hall, unless it is on its way to one; says whether it does.
    pub(super) fn glide_to(&mut self, hall: &Hall) -> bool {
        let is_free = self.next.is_none();
        if is_free {
            self.next = Some((Taps::of(hall, self.sample_rate_hz), 0.0));
        }
        is_free
    }

    /// Takes a run of both channels and adds what is heard to `outputs`.
    pub(super) fn process(&mut self, inputs: [&[f32]; 2], mut outputs: [&mut [f32]; 2]) {
        let frames = inputs[0].len();
        for ((line, diffuser), input) in self.lines.iter_mut().zip(&mut self.diffusers).zip(inputs) {
            let spread = &mut self.spread[..frames];
            spread.copy_from_slice(input);
            diffuser.spread(spread);
            line.write(spread);
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
        for rate_hz in [8_000.0, 22_050.0, 48_000.0, 192_000.0, 768_000.0] {
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
            early.jump_to(&hall);
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
