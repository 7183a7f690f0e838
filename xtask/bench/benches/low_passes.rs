//! The bank of low-passes: four buses of seven, side by side.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::RATE_HZ;
use rostra_dsp::engine::parts::{BUSES, BranchBank};
use rostra_dsp::kernel::{Eight, EightKernel, InstructionSet, Noise};
use rostra_dsp::plan::{BRANCHES, BranchFrame, SplitDesign};

/// Frames of a block.
const BLOCKS: [usize; 3] = [16, 64, 128];

fn main() {
    divan::main();
}

#[divan::bench(args = BLOCKS)]
fn widest(bencher: Bencher, frames: usize) {
    run(bencher, frames, InstructionSet::widest());
}

#[divan::bench(args = BLOCKS)]
fn plain(bencher: Bencher, frames: usize) {
    run(bencher, frames, InstructionSet::plain());
}

fn run(bencher: Bencher, frames: usize, set: InstructionSet) {
    let design = SplitDesign::new(RATE_HZ);
    let mut bank = BranchBank::default();
    let mut noise = Noise::new(1);
    let mut branch = || noise.uniform() as f32 - 0.5;
    let buses: Vec<[BranchFrame; BUSES]> =
        (0..frames).map(|_| [0; BUSES].map(|_| [0; BRANCHES].map(|_| branch()))).collect();
    let mut sums = vec![[0.0; BUSES]; frames];
    bencher.counter(ItemsCount::new(frames)).bench_local(|| {
        let (buses, sums) = (divan::black_box(&buses[..]), divan::black_box(&mut sums[..]));
        set.run_eight(Filter { bank: &mut bank, design: &design, buses, sums });
    });
}

struct Filter<'a> {
    bank: &'a mut BranchBank,
    design: &'a SplitDesign,
    buses: &'a [[BranchFrame; BUSES]],
    sums: &'a mut [[f32; BUSES]],
}

impl EightKernel for Filter<'_> {
    type Output = ();

    #[inline(always)]
    fn run<E: Eight>(self, eight: E) {
        self.bank.process(eight, self.design, self.buses, self.sums);
    }
}
