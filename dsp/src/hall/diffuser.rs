//! What a rough wall makes of a reflection: a short burst instead of a click, of the same spectrum.

use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};

/// Delays of the all-passes, s: under the time that tells two sounds apart, and none a multiple of another.
///
/// Our choice: 37, 73, 131 and 251 frames at 48 kHz, of fifteen sets tried the one
/// with which no hall's echo density is early or late.
const DELAYS_S: [f64; 4] = [0.7708e-3, 1.5208e-3, 2.7292e-3, 5.2292e-3];
/// Gain of each (our choice: with less, bursts are too short to meet each other).
const GAIN: f32 = 0.66;
/// State below which an all-pass is silent, linear: as the low-passes of the reflections.
const SILENT: f32 = 1e-15;
/// How long a burst rings, s: from +120 dB to the silent state, 420 dB at 3.6 dB in the longest delay, 0.61 s, and what the
/// others put in late, rounded up.
pub(super) const DIFFUSER_RINGS_S: f64 = 0.8;

/// Four all-passes in a row, H(z) = (g + z^-d)/(1 + g z^-d) each.
///
/// # Source
/// Schroeder (1962).
#[derive(Clone, Debug)]
pub(super) struct Diffuser {
    set: InstructionSet,
    rings: [Ring; DELAYS_S.len()],
}

/// The memory of an all-pass.
#[derive(Clone, Debug)]
struct Ring {
    line: Vec<f32>,
    at: usize,
}

impl Diffuser {
    /// Allocates the filters of one channel.
    pub(super) fn new(set: InstructionSet, sample_rate_hz: f64) -> Self {
        let ring = |delay_s: f64| Ring {
            line: vec![0.0; ((delay_s * sample_rate_hz).round() as usize).max(1)],
            at: 0,
        };
        Self { set, rings: DELAYS_S.map(ring) }
    }

    /// Forgets all sound.
    pub(super) fn reset(&mut self) {
        for ring in &mut self.rings {
            ring.line.fill(0.0);
            ring.at = 0;
        }
    }

    /// Spreads a sound, in place.
    pub(super) fn spread(&mut self, sound: &mut [f32]) {
        for ring in &mut self.rings {
            let mut done = 0;
            while done < sound.len() {
                // To the end of the ring: within it no frame reads what another one wrote.
                let frames = (ring.line.len() - ring.at).min(sound.len() - done);
                let late = &mut ring.line[ring.at..ring.at + frames];
                self.set.run(AllPass { sound: &mut sound[done..done + frames], late });
                ring.at = (ring.at + frames) % ring.line.len();
                done += frames;
            }
        }
    }
}

/// One all-pass over frames that lie within its delay.
struct AllPass<'a> {
    sound: &'a mut [f32],
    late: &'a mut [f32],
}

impl Kernel for AllPass<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        for (x, late) in self.sound.iter_mut().zip(self.late) {
            let fed = multiply_add::<FUSED>(-GAIN, *late, *x);
            *x = multiply_add::<FUSED>(GAIN, fed, *late);
            *late = if fed.abs() < SILENT { 0.0 } else { fed };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn burst(rate_hz: f64, frames: usize) -> Vec<f32> {
        let mut sound = vec![0.0_f32; frames];
        sound[0] = 1.0;
        let mut diffuser = Diffuser::new(InstructionSet::widest(), rate_hz);
        sound.chunks_mut(100).for_each(|run| diffuser.spread(run));
        sound
    }

    #[test]
    fn a_burst_has_all_the_energy_of_its_click_begins_at_once_and_is_short() {
        for rate_hz in [8_000.0, 44_100.0, 48_000.0, 192_000.0] {
            let burst = burst(rate_hz, rate_hz as usize);
            let energy = |sound: &[f32]| sound.iter().map(|x| f64::from(x * x)).sum::<f64>();
            assert!((energy(&burst) - 1.0).abs() < 1e-4, "{rate_hz} Hz: {}", energy(&burst));
            assert!(burst[0] > 0.1, "{rate_hz} Hz");
            let late = energy(&burst[(0.025 * rate_hz) as usize..]);
            assert!(late < 0.15, "{rate_hz} Hz: {late} of the energy comes after 25 ms");
        }
    }

    #[test]
    fn it_is_silent_in_the_end() {
        let rate_hz = 48_000.0;
        let mut diffuser = Diffuser::new(InstructionSet::widest(), rate_hz);
        let mut loud = vec![1e6_f32; 4800];
        diffuser.spread(&mut loud);
        let mut rest = vec![0.0_f32; (DIFFUSER_RINGS_S * rate_hz) as usize];
        diffuser.spread(&mut rest);
        assert!(diffuser.rings.iter().flat_map(|ring| &ring.line).all(|state| *state == 0.0));
        assert!(rest[rest.len() - 100..].iter().all(|x| *x == 0.0));
    }
}
