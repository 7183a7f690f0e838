//! Which vector instructions the kernels run with: found once, at run time.
//!
//! A kernel is written once, as plain loops. It is compiled twice: for what
//! every processor of the build's target has, and for AVX2 with fused
//! multiply-add. The first is the oracle of the second.

use pulp::Arch;

/// A piece of work that is compiled for each instruction set.
///
/// Its `run`, and whatever that calls, is marked `#[inline(always)]`: only what
/// is inlined is compiled for the wider set.
pub trait Kernel {
    /// What the work returns.
    type Output;

    /// Does the work; `FUSED` says whether a fused multiply-add is one instruction.
    fn run<const FUSED: bool>(self) -> Self::Output;
}

/// A set of instructions that this processor has.
#[derive(Clone, Copy, Debug)]
pub struct InstructionSet(Arch);

impl InstructionSet {
    /// Finds the widest set that this processor and the kernels share.
    pub fn widest() -> Self {
        Self(Arch::new())
    }

    /// Returns the set that every processor of the build's target has.
    pub const fn plain() -> Self {
        Self(Arch::Scalar)
    }

    /// Says whether kernels run with wider instructions than the build's target promises.
    pub const fn is_wide(self) -> bool {
        !matches!(self.0, Arch::Scalar)
    }

    /// Runs a kernel.
    #[inline]
    pub fn run<K: Kernel>(self, kernel: K) -> K::Output {
        match self.0 {
            #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
            Arch::V3(wide) => wide.vectorize(
                #[inline(always)]
                move || kernel.run::<true>(),
            ),
            _ => kernel.run::<false>(),
        }
    }
}

/// Returns a b + c, fused where that is one instruction: elsewhere it would be a call of the C library.
#[inline(always)]
pub fn multiply_add<const FUSED: bool>(a: f32, b: f32, c: f32) -> f32 {
    if FUSED { a.mul_add(b, c) } else { a * b + c }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct SumOfSquares<'a>(&'a [f32]);

    impl Kernel for SumOfSquares<'_> {
        type Output = f32;

        #[inline(always)]
        fn run<const FUSED: bool>(self) -> f32 {
            self.0.iter().fold(0.0, |sum, &x| multiply_add::<FUSED>(x, x, sum))
        }
    }

    #[test]
    fn both_sets_do_the_same_work() {
        let values: Vec<f32> = (0..100_u8).map(|n| f32::from(n) * 0.01).collect();
        let plain = InstructionSet::plain().run(SumOfSquares(&values));
        let wide = InstructionSet::widest().run(SumOfSquares(&values));
        // 100 roundings of single precision.
        assert!((plain - 32.835).abs() < 1e-3 && (plain - wide).abs() < 1e-4, "{plain} and {wide}");
    }
}
