//! Convolution in two levels of partitions, whose latency the response's own onset hides.
//!
//! The response is one pair of channels for each of two inputs. Frames are
//! gathered into blocks of `block` frames. Small partitions (one block) are
//! worked out at each block's end and sound during the next block: they overlap
//! the response from `block` frames on. Big partitions (eight blocks) are
//! worked out over the eight blocks that follow theirs, one piece of work a
//! block, and sound after that: they carry the response from sixteen blocks on.
//!
//! # Right-angle convolution
//!
//! The product of two real polynomials of N terms has 2N - 1 terms. Taken
//! modulo u^N = i, its upper half lands in the imaginary part: low + i high.
//! With w = e^(i pi/(2N)), w^N = i, that product is a circular one of `x[n] w^n`:
//! a complex transform of N points does the work of a real one of 2N, without
//! the separation of a real signal's halves and without a bin at half the rate.
//!
//! # Source
//! R. Crandall and B. Fagin, "Discrete weighted transforms and large-integer
//! arithmetic", Math. Comp. 62 (1994), 305-324 (from memory).

mod transform;

mod partitions;

mod frequency_delay_line;
mod products;

mod level;

pub(crate) use partitions::ResponseSpectra;

use std::sync::Arc;

use crate::kernel::instruction_set::InstructionSet;
use crate::kernel::stagger::{BLOCKS_IN_BIG, Stagger};
use frequency_delay_line::FrequencyDelayLine;
use level::Level;

/// Inputs of a response: what sounds before and after the mixing time.
pub const INPUTS: usize = 2;
/// Below this an input is silence, linear: -300 dB of full scale (our choice).
///
/// Times the faintest partition of a tail it is still a normal number, so no
/// product of a fading sound is subnormal.
const FAINTEST_INPUT: f32 = 1e-15;

/// One instance's convolution with a shared response.
#[derive(Debug)]
pub(crate) struct Convolver {
    set: InstructionSet,
    response: Arc<ResponseSpectra>,
    small: Level,
    big: Level,
    /// What the big level sounds during the current big block, by channel.
    big_now: Vec<Vec<f32>>,
    big_now_sounds: bool,
    /// Frames of the current block already in.
    filled: usize,
    /// Block within the big block, 0 to 7.
    piece: usize,
}

impl Convolver {
    /// Allocates the memory of one instance.
    pub(crate) fn new(response: Arc<ResponseSpectra>) -> Self {
        let small = Level::new(&response.small, &response.small_parts, response.channels);
        let big = Level::new(&response.big, &response.big_parts, response.channels);
        Self {
            set: InstructionSet::widest(),
            small,
            big_now: big.ready.clone(),
            big_now_sounds: false,
            big,
            response,
            filled: 0,
            piece: 0,
        }
    }

    /// Runs with given instructions instead of the widest.
    #[must_use]
    pub(crate) fn with_instruction_set(self, set: InstructionSet) -> Self {
        Self { set, ..self }
    }

    /// Forgets all sound.
    pub(crate) fn reset(&mut self) {
        self.small.reset();
        self.big.reset();
        self.big_now_sounds = false;
        self.filled = 0;
        self.piece = 0;
    }

    /// Staggers: big blocks are counted from as many small ones before the next frame, which must be the first.
    ///
    /// Instances that are staggered differently do their long transforms in
    /// different blocks. The sound differs by rounding only.
    pub(crate) fn stagger_by(&mut self, stagger: Stagger) {
        self.piece = stagger.piece();
    }

    /// Returns how many frames fit before the next block boundary.
    pub(crate) fn room_frames(&self) -> usize {
        self.response.small.frames - self.filled
    }

    /// Says whether nothing would sound without new input.
    pub(crate) fn is_silent(&self) -> bool {
        !self.big_now_sounds && self.small.is_silent() && self.big.is_silent()
    }

    /// Takes frames of both inputs and adds the same number of frames to `outputs`; at most [`Self::room_frames`].
    pub(crate) fn process(&mut self, inputs: [&[f32]; INPUTS], outputs: &mut [&mut [f32]]) {
        let frames = inputs[0].len();
        debug_assert!(frames <= self.room_frames(), "a call stays within a block");
        let in_big = self.piece * self.response.small.frames + self.filled;
        self.small.gather(self.filled, inputs);
        self.big.gather(in_big, inputs);
        if self.small.ready_sounds {
            add(&self.small.ready, self.filled, outputs);
        }
        if self.big_now_sounds {
            add(&self.big_now, in_big, outputs);
        }
        self.advance(frames);
    }

    /// Moves on by frames of silence, of any number, while nothing sounds.
    pub(crate) fn pass_silence(&mut self, frames: usize) {
        debug_assert!(self.is_silent(), "what still sounds would be lost");
        let mut left = frames;
        while left > 0 {
            let passed = left.min(self.room_frames());
            self.advance(passed);
            left -= passed;
        }
    }

    fn advance(&mut self, frames: usize) {
        self.filled += frames;
        if self.filled == self.response.small.frames {
            self.filled = 0;
            self.end_block();
        }
    }

    fn end_block(&mut self) {
        for input in 0..INPUTS {
            self.small.delay_lines[input].close_block();
            self.small.transform(self.set, input);
        }
        let chunks = 0..self.response.small.chunks();
        self.small.multiply(self.set, &self.response.small_parts, chunks);
        for channel in 0..self.response.channels {
            self.small.transform_back(self.set, channel);
        }
        self.piece += 1;
        if self.piece == BLOCKS_IN_BIG {
            self.piece = 0;
            std::mem::swap(&mut self.big_now, &mut self.big.ready);
            self.big_now_sounds = std::mem::take(&mut self.big.ready_sounds);
            self.big.delay_lines.iter_mut().for_each(FrequencyDelayLine::close_block);
        }
        self.work_on_big(self.piece);
    }

    /// Does one of the eight pieces of work on the last whole big block: first transforms, then sums, then transforms back.
    fn work_on_big(&mut self, piece: usize) {
        let channels = self.response.channels;
        let heard = |input: &usize| self.response.big_parts[*input].count > 0;
        let forward = (0..INPUTS).filter(heard).count();
        let multiplying = BLOCKS_IN_BIG - channels - forward;
        if piece < forward {
            if let Some(input) = (0..INPUTS).filter(heard).nth(piece) {
                self.big.transform(self.set, input);
            }
        } else if piece < forward + multiplying {
            let chunks = self.response.big.chunks();
            let from = chunks * (piece - forward) / multiplying;
            let to = chunks * (piece - forward + 1) / multiplying;
            self.big.multiply(self.set, &self.response.big_parts, from..to);
        } else {
            self.big.transform_back(self.set, piece - forward - multiplying);
        }
    }
}

/// Adds what sounds from frame `from` on to `outputs`.
fn add(lines: &[Vec<f32>], from: usize, outputs: &mut [&mut [f32]]) {
    for (output, line) in outputs.iter_mut().zip(lines) {
        for (out, x) in output.iter_mut().zip(&line[from..]) {
            *out += x;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Convolution as it is defined: the oracle.
    fn direct(input: &[f32], response: &[f32], frames: usize) -> Vec<f64> {
        (0..frames)
            .map(|n| {
                (0..=n)
                    .map(|k| {
                        f64::from(*input.get(k).unwrap_or(&0.0))
                            * f64::from(*response.get(n - k).unwrap_or(&0.0))
                    })
                    .sum()
            })
            .collect()
    }

    fn noise(seed: u32, frames: usize) -> Vec<f32> {
        let mut state = seed;
        (0..frames)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / 8_388_608.0 - 1.0
            })
            .collect()
    }

    /// A response whose parts overlap, by input, then channel.
    fn responses(
        block: usize,
        early_frames: usize,
        late_from: usize,
        late_frames: usize,
    ) -> [Vec<Vec<f32>>; INPUTS] {
        let mut early = noise(1, early_frames);
        early[..block].fill(0.0);
        let mut late = noise(2, late_frames);
        late[..late_from].fill(0.0);
        let right = late.iter().map(|x| -x).collect();
        [vec![early.clone(), early], vec![late, right]]
    }

    /// Runs a convolver over `frames` frames of inputs that are silent after their end, in calls of changing length.
    fn run(
        convolver: &mut Convolver,
        inputs: [&[f32]; INPUTS],
        frames: usize,
        longest: usize,
    ) -> [Vec<f32>; 2] {
        let (mut left, mut right) = (vec![0.0; frames], vec![0.0; frames]);
        let mut done = 0;
        let mut step = 1;
        while done < frames {
            step = step % longest + 1;
            let n = step.min(convolver.room_frames()).min(frames - done);
            let part =
                |input: &[f32]| (done..done + n).map(|i| *input.get(i).unwrap_or(&0.0)).collect::<Vec<f32>>();
            let parts = [part(inputs[0]), part(inputs[1])];
            let outputs = &mut [&mut left[done..done + n], &mut right[done..done + n]];
            convolver.process([&parts[0], &parts[1]], outputs);
            done += n;
        }
        [left, right]
    }

    const SHAPES: [(usize, usize, usize); 3] = [(300, 280, 900), (120, 100, 420), (700, 650, 1500)];
    const SETS: [fn() -> InstructionSet; 2] = [InstructionSet::plain, InstructionSet::widest];

    #[test]
    fn partitions_give_what_the_definition_gives() {
        let block = 16;
        for (early_frames, late_from, late_frames) in SHAPES {
            let responses = responses(block, early_frames, late_from, late_frames);
            let inputs = [noise(3, 400), noise(4, 400)];
            let frames = 2000;
            let from_early = direct(&inputs[0], &responses[0][0], frames);
            let from_late = direct(&inputs[1], &responses[1][0], frames);
            let spectra = Arc::new(ResponseSpectra::new(block, &responses));
            for (set, first_piece) in SETS.iter().flat_map(|set| [0, 3, 7].map(|piece| (set(), piece))) {
                let mut convolver = Convolver::new(Arc::clone(&spectra)).with_instruction_set(set);
                convolver.stagger_by(Stagger::nth(first_piece));
                let [left, right] = run(&mut convolver, [&inputs[0], &inputs[1]], frames, 7);
                for n in 0..frames {
                    // Sums of some hundred products in single precision.
                    let (l, r) = (from_early[n] + from_late[n], from_early[n] - from_late[n]);
                    let (left, right) = (f64::from(left[n]), f64::from(right[n]));
                    assert!((left - l).abs() < 2e-5, "frame {n}: expected {l}, got {left}");
                    assert!((right - r).abs() < 2e-5, "frame {n}: expected {r}, got {right}");
                }
            }
        }
    }

    #[test]
    fn a_mono_response_gives_what_the_left_of_a_stereo_one_gives() {
        let [early, late] = responses(16, 300, 280, 900);
        let inputs = [noise(3, 400), noise(4, 400)];
        let mono = [vec![early[0].clone()], vec![late[0].clone()]];
        let sound = |responses| {
            let mut convolver = Convolver::new(Arc::new(ResponseSpectra::new(16, responses)));
            let mut heard = vec![0.0; 1600];
            for (block, heard) in heard.chunks_mut(16).enumerate() {
                let part =
                    |input: &[f32]| (0..16).map(|n| *input.get(16 * block + n).unwrap_or(&0.0)).collect();
                let parts: [Vec<f32>; INPUTS] = [part(&inputs[0]), part(&inputs[1])];
                convolver.process([&parts[0], &parts[1]], &mut [heard]);
            }
            heard
        };
        let (mono, stereo) = (sound(&mono), sound(&[early, late]));
        assert!(mono.iter().any(|x| x.abs() > 1.0), "silence");
        for (n, (m, s)) in mono.iter().zip(&stereo).enumerate() {
            assert!((m - s).abs() < 2e-5, "frame {n}: mono {m}, left {s}");
        }
    }

    #[test]
    fn instruction_sets_agree() {
        // Full scale is the largest sum that could come out; a tail's is near 1.
        let responses = responses(16, 700, 650, 1500).map(|input| {
            input.into_iter().map(|channel| channel.iter().map(|x| x / 1500.0).collect()).collect()
        });
        let spectra = Arc::new(ResponseSpectra::new(16, &responses));
        let inputs = [noise(3, 1000), noise(4, 1000)];
        let [plain, wide] = SETS.map(|set| {
            let mut convolver = Convolver::new(Arc::clone(&spectra)).with_instruction_set(set());
            run(&mut convolver, [&inputs[0], &inputs[1]], 3000, 16)
        });
        for (plain, wide) in plain.iter().zip(&wide) {
            assert!(plain.iter().any(|x| x.abs() > 1e-3), "silence");
            for (n, (p, w)) in plain.iter().zip(wide).enumerate() {
                assert!((p - w).abs() < 1e-6, "frame {n}: plain {p}, wide {w}");
            }
        }
    }

    #[test]
    fn any_split_of_calls_gives_the_same_bits() {
        let spectra = Arc::new(ResponseSpectra::new(16, &responses(16, 700, 650, 1500)));
        let inputs = [noise(3, 777), noise(4, 1001)];
        let sound = |longest| {
            let mut convolver = Convolver::new(Arc::clone(&spectra));
            convolver.stagger_by(Stagger::nth(2));
            run(&mut convolver, [&inputs[0], &inputs[1]], 4000, longest)
        };
        let whole = sound(1);
        assert!([2, 7, 16].into_iter().all(|longest| sound(longest) == whole));
    }

    #[test]
    fn it_falls_silent_after_the_response_and_wakes_up_without_loss() {
        let (early_frames, late_frames) = (700, 1500);
        let spectra = Arc::new(ResponseSpectra::new(16, &responses(16, early_frames, 650, late_frames)));
        let cycle = BLOCKS_IN_BIG * 16;
        let burst = noise(5, 300);
        let mut convolver = Convolver::new(Arc::clone(&spectra));
        for input in 0..INPUTS {
            let mut inputs: [&[f32]; INPUTS] = [&[]; INPUTS];
            inputs[input] = &burst;
            assert!(convolver.is_silent(), "silent before any sound");
            let first = run(&mut convolver, inputs, 300, 16);
            assert!(!convolver.is_silent(), "rings on after input");
            // A partition may sound up to a block longer than the response, and is
            // worked out up to three big blocks after its frames.
            let rest = [late_frames + 4 * cycle, 300].iter().sum::<usize>().next_multiple_of(cycle) - 300;
            let rung_out = run(&mut convolver, [&[], &[]], rest, 16);
            assert!(convolver.is_silent(), "silent after the response");
            assert!(rung_out[0].iter().any(|&x| x.abs() > 0.1), "rings on audibly");
            assert!(rung_out[0][late_frames + 3 * cycle..].iter().all(|&x| x == 0.0), "all has sounded");
            convolver.pass_silence(3 * cycle);
            let again = run(&mut convolver, inputs, 300, 16);
            assert_eq!(first, again, "the same sound after silence, to the bit");
            assert_eq!(rung_out, run(&mut convolver, [&[], &[]], rest, 16));
        }
    }

    #[test]
    fn a_fading_sound_ends_in_silence_without_subnormal_numbers() {
        let spectra = Arc::new(ResponseSpectra::new(16, &responses(16, 700, 650, 1500)));
        let fading: Vec<f32> = (0..20_000_u16).map(|n| (-0.01 * f32::from(n)).exp()).collect();
        let mut convolver = Convolver::new(spectra);
        let [left, right] = run(&mut convolver, [&fading, &fading], 20_000, 16);
        assert!(left.iter().chain(&right).all(|x| !x.is_subnormal()));
        assert!(convolver.is_silent(), "what is fainter than -300 dB is silence");
    }
}
