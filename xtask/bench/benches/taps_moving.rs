//! The early reflections of one capsule on their way between two seats.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::{RATE_HZ, SeatPlanner, TailMaker, noisy_line, seat_of, tail_spec};
use rostra_dsp::acoustics::ARRIVALS;
use rostra_dsp::engine::parts::{BUSES, Change, DelayLine, Reflector, STEPS, Segment};
use rostra_dsp::kernel::{Eight, EightKernel, InstructionSet};
use rostra_dsp::plan::{BRANCHES, BranchFrame};

/// Frames of a grid step at 48 kHz; a run while something moves is an eighth of it.
const GRID_FRAMES: usize = 512;
/// Frames of a run while something moves.
const RUN_FRAMES: usize = GRID_FRAMES / STEPS;
/// How far back the line reaches, in frames: as the engine's at 48 kHz.
const REACH_FRAMES: usize = 15_840;
/// How far the seat is moved, m: what 2 m/s covers in a grid step.
const MOVE_M: f64 = 2.0 * GRID_FRAMES as f64 / RATE_HZ;

fn main() {
    divan::main();
}

#[divan::bench]
fn widest(bencher: Bencher) {
    run(bencher, InstructionSet::widest());
}

#[divan::bench]
fn plain(bencher: Bencher) {
    run(bencher, InstructionSet::plain());
}

fn run(bencher: Bencher, set: InstructionSet) {
    let mut planner = SeatPlanner::new(TailMaker::default().make(&tail_spec(RATE_HZ, 0.5)));
    let from = seat_of(0);
    let mut to = from;
    to.seat.depth_m += MOVE_M;
    let (from, to) = (planner.plan(&from.snapped()).capsules[0], planner.plan(&to.snapped()).capsules[0]);
    let mut taps = Reflector::new(ARRIVALS - 1, RATE_HZ, GRID_FRAMES);
    taps.reset(&from.delay_samples[1..], &from.weights[1..]);
    // Under way for the whole measurement: nothing rests until a next plan.
    let change = Change { is_new_plan: true, moves_weights: false };
    taps.glide_to(&to.delay_samples[1..], &to.weights[1..], change);
    let line = noisy_line(REACH_FRAMES, RUN_FRAMES);
    let segment = Segment { offset_frames: GRID_FRAMES / 2, grid_frames: GRID_FRAMES };
    let mut buses = vec![[[0.0; BRANCHES]; BUSES]; RUN_FRAMES];
    bencher.counter(ItemsCount::new(RUN_FRAMES)).bench_local(|| {
        buses.fill([[0.0; BRANCHES]; BUSES]);
        let (line, buses) = (divan::black_box(&line), divan::black_box(&mut buses[..]));
        set.run_eight(Read { taps: &mut taps, line, segment, buses });
    });
}

struct Read<'a> {
    taps: &'a mut Reflector,
    line: &'a DelayLine,
    segment: Segment,
    buses: &'a mut [[BranchFrame; BUSES]],
}

impl EightKernel for Read<'_> {
    type Output = ();

    #[inline(always)]
    fn run<E: Eight>(self, eight: E) {
        self.taps.process(eight, self.line, &self.segment, 0, self.buses);
    }
}
