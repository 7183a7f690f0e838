//! Sound as no studio has it, and what may come out for it.

use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;

/// Loudest input that the engine lets in, linear: +120 dB (`dsp/src/engine/sound_gate.rs`).
const LOUDEST_LET_IN: f32 = 1e6;

/// Most that comes out for input within 1, linear.
///
/// The design bounds it by the absolute sum of what is played; `loudest` holds that for settings that are known. Where settings change at random, this is what is believed at all: trim and balance make up to
/// 30 dB, and a tail's many samples may add up. Past it something has run away.
const MOST_GAIN: f32 = 1e5;

/// Most that the comparison adds to the dry signal, +24 dB.
const MOST_DRY_GAIN: f32 = 16.0;

/// Returns a channel of one of a dozen kinds.
pub(crate) fn channel(noise: &mut Noise, frames: usize) -> Vec<f32> {
    let kind = noise.bits() % 14;
    let period = 1 + noise.bits() as usize % 400;
    let level = 10_f32.powf(-6.0 * noise.uniform() as f32);
    let mut next = |n: usize| match kind {
        0 | 1 => 0.0,
        2 | 3 => level * (2.0 * noise.uniform() as f32 - 1.0),
        4 => [f32::NAN, 0.5, f32::INFINITY, 0.0, f32::NEG_INFINITY][n % 5],
        5 => f32::from_bits(1 + n as u32),
        6 => {
            if n % (2 * period) < period {
                1.0
            } else {
                -1.0
            }
        }
        7 => level,
        8 => f32::from(u8::from(n == period.min(frames) - 1)),
        9 => 1e6 * (n as f32 / period as f32).sin(),
        10 => [f32::MAX, f32::MIN][n / period % 2],
        11 => (n as f32 / period as f32).sin(),
        12 => f32::MIN_POSITIVE * (1.0 + n as f32),
        // Any bits at all: mostly far too loud or far too quiet.
        _ => f32::from_bits(noise.bits() as u32),
    };
    (0..frames).map(&mut next).collect()
}

/// What went in since the last reset, as far as it bounds what may come out.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Heard {
    loudest: f32,
}

impl Heard {
    /// Takes in what goes in.
    pub(crate) fn add(&mut self, input: &[Vec<f32>]) {
        let finite = input.iter().flatten().map(|x| x.abs()).filter(|x| x.is_finite());
        self.loudest = finite.fold(self.loudest, larger);
    }

    /// Returns the most that may come out, linear.
    pub(crate) fn most(self) -> f32 {
        (MOST_GAIN * self.loudest.min(LOUDEST_LET_IN)).max(MOST_DRY_GAIN * self.loudest)
    }
}

/// Says what is wrong with an output, if anything: no number, a subnormal one, or more than `most`.
pub(crate) fn fault(output: &[Vec<f32>], most: f32) -> Option<String> {
    for (channel, samples) in output.iter().enumerate() {
        for (frame, x) in samples.iter().enumerate() {
            if !x.is_finite() || x.is_subnormal() || x.abs() > most {
                return Some(format!("channel {channel}, frame {frame} is {x:e}, at most {most:e}"));
            }
        }
    }
    None
}

#[test]
fn each_fault_of_an_output_is_seen() {
    let clean = vec![vec![0.5, -0.0, f32::MIN_POSITIVE], vec![-1.0, 0.0, 1.0]];
    assert_eq!(fault(&clean, 1.0), None);
    for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e-40, -1e-40, 1.001, -1.001] {
        let mut marred = clean.clone();
        marred[1][2] = bad;
        let said = fault(&marred, 1.0).unwrap_or_else(|| panic!("{bad:e} passes"));
        assert!(said.starts_with("channel 1, frame 2"), "{said}");
    }
}

#[test]
fn what_may_come_out_follows_what_went_in() {
    let mut heard = Heard::default();
    heard.add(&[vec![f32::NAN, f32::INFINITY, 0.0]]);
    assert_eq!(heard.most(), 0.0, "after silence there is silence");
    heard.add(&[vec![0.0], vec![-0.5]]);
    assert_eq!(heard.most(), 0.5 * MOST_GAIN);
}
