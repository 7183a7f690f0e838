//! Which vector instructions the kernels run with: found once, at run time.
//!
//! A kernel is written once and compiled for each set: for AVX2 with fused
//! multiply-add, for what every processor of the build's target has (SSE2, or
//! Neon with fused multiply-add), and as plain arithmetic, the oracle of the others. It is written either as plain
//! loops that the compiler vectorises ([`Kernel`]), or, where it must not be
//! left to that, with eight numbers side by side ([`EightKernel`]).

#[cfg(target_arch = "aarch64")]
use pulp::core_arch::aarch64::Neon;
#[cfg(target_arch = "x86_64")]
use pulp::core_arch::x86::Sse;
#[cfg(target_arch = "x86_64")]
use pulp::x86::V3;

/// Numbers of single precision that one operation works on: a wide register, or two narrow ones.
pub(crate) const SIMD_WIDTH: usize = 8;

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

/// A piece of work on eight numbers side by side; inlined as a `Kernel` is.
pub trait EightKernel {
    /// What the work returns.
    type Output;

    /// Does the work with the arithmetic of an instruction set.
    fn run<E: Eight>(self, eight: E) -> Self::Output;
}

/// Arithmetic on eight numbers side by side.
pub trait Eight: Copy {
    /// Eight numbers.
    type Numbers: Copy;

    /// How many frames of eight numbers fit the registers at once.
    const FRAMES_AT_ONCE: usize;

    /// Loads eight numbers.
    fn load(self, from: &[f32; SIMD_WIDTH]) -> Self::Numbers;
    /// Stores eight numbers.
    fn store(self, numbers: Self::Numbers, to: &mut [f32; SIMD_WIDTH]);
    /// Repeats a number.
    fn splat(self, number: f32) -> Self::Numbers;
    /// a + b.
    fn add(self, a: Self::Numbers, b: Self::Numbers) -> Self::Numbers;
    /// a - b.
    fn subtract(self, a: Self::Numbers, b: Self::Numbers) -> Self::Numbers;
    /// a b.
    fn multiply(self, a: Self::Numbers, b: Self::Numbers) -> Self::Numbers;
    /// a b + c.
    fn multiply_add(self, a: Self::Numbers, b: Self::Numbers, c: Self::Numbers) -> Self::Numbers;
    /// c - a b.
    fn subtract_product(self, a: Self::Numbers, b: Self::Numbers, c: Self::Numbers) -> Self::Numbers;
    /// The sum of each of four.
    fn sums(self, of: [Self::Numbers; 4]) -> [f32; 4];
    /// a b + c of single numbers.
    fn multiply_add_one(self, a: f32, b: f32, c: f32) -> f32;
}

/// A set of instructions that this processor has.
#[derive(Clone, Copy, Debug)]
pub struct InstructionSet(Set);

#[derive(Clone, Copy, Debug)]
enum Set {
    Portable,
    #[cfg(target_arch = "aarch64")]
    Neon(Neon),
    #[cfg(target_arch = "x86_64")]
    Sse(Sse),
    #[cfg(target_arch = "x86_64")]
    Wide(V3),
}

impl InstructionSet {
    /// Finds the widest set that this processor and the kernels share.
    pub fn widest() -> Self {
        #[cfg(target_arch = "x86_64")]
        if let Some(wide) = V3::try_new() {
            return Self(Set::Wide(wide));
        }
        Self::plain()
    }

    /// Returns the vector instructions that every processor of the build's target has.
    pub fn plain() -> Self {
        #[cfg(target_arch = "x86_64")]
        if let Some(sse) = Sse::try_new() {
            return Self(Set::Sse(sse));
        }
        #[cfg(target_arch = "aarch64")]
        if let Some(neon) = Neon::try_new() {
            return Self(Set::Neon(neon));
        }
        Self::portable()
    }

    /// Returns the sets with which engines run here: the plain one, and the widest where that is another.
    pub fn in_use() -> impl Iterator<Item = Self> {
        let widest = Self::widest();
        [Self::plain()].into_iter().chain(widest.is_wide().then_some(widest))
    }

    /// Returns plain arithmetic, one number at a time: the oracle.
    pub const fn portable() -> Self {
        Self(Set::Portable)
    }

    /// Says whether kernels run with wider instructions than the build's target promises.
    pub const fn is_wide(self) -> bool {
        match self.0 {
            Set::Portable => false,
            #[cfg(target_arch = "aarch64")]
            Set::Neon(_) => false,
            #[cfg(target_arch = "x86_64")]
            Set::Sse(_) => false,
            #[cfg(target_arch = "x86_64")]
            Set::Wide(_) => true,
        }
    }

    /// Runs a kernel.
    #[inline]
    pub fn run<K: Kernel>(self, kernel: K) -> K::Output {
        match self.0 {
            #[cfg(target_arch = "x86_64")]
            Set::Wide(wide) => wide.vectorize(
                #[inline(always)]
                move || kernel.run::<true>(),
            ),
            // Every processor of the target has it: nothing is to be compiled apart.
            #[cfg(target_arch = "aarch64")]
            Set::Neon(_) => kernel.run::<true>(),
            _ => kernel.run::<false>(),
        }
    }

    /// Runs a kernel on eight numbers side by side.
    #[inline]
    pub fn run_eight<K: EightKernel>(self, kernel: K) -> K::Output {
        match self.0 {
            Set::Portable => kernel.run(Portable),
            #[cfg(target_arch = "aarch64")]
            Set::Neon(neon) => kernel.run(neon),
            #[cfg(target_arch = "x86_64")]
            Set::Sse(sse) => kernel.run(sse),
            #[cfg(target_arch = "x86_64")]
            Set::Wide(wide) => wide.vectorize(
                #[inline(always)]
                move || kernel.run(wide),
            ),
        }
    }
}

/// Returns a b + c, fused where that is one instruction: elsewhere it would be a call of the C library.
#[inline(always)]
pub(crate) fn multiply_add<const FUSED: bool>(a: f32, b: f32, c: f32) -> f32 {
    if FUSED { a.mul_add(b, c) } else { a * b + c }
}

/// One number at a time.
#[derive(Clone, Copy, Debug)]
struct Portable;

impl Eight for Portable {
    type Numbers = [f32; SIMD_WIDTH];

    const FRAMES_AT_ONCE: usize = 4;

    #[inline(always)]
    fn load(self, from: &[f32; SIMD_WIDTH]) -> [f32; SIMD_WIDTH] {
        *from
    }
    #[inline(always)]
    fn store(self, numbers: [f32; SIMD_WIDTH], to: &mut [f32; SIMD_WIDTH]) {
        *to = numbers;
    }
    #[inline(always)]
    fn splat(self, number: f32) -> [f32; SIMD_WIDTH] {
        [number; SIMD_WIDTH]
    }
    #[inline(always)]
    fn add(self, a: [f32; SIMD_WIDTH], b: [f32; SIMD_WIDTH]) -> [f32; SIMD_WIDTH] {
        std::array::from_fn(|i| a[i] + b[i])
    }
    #[inline(always)]
    fn subtract(self, a: [f32; SIMD_WIDTH], b: [f32; SIMD_WIDTH]) -> [f32; SIMD_WIDTH] {
        std::array::from_fn(|i| a[i] - b[i])
    }
    #[inline(always)]
    fn multiply(self, a: [f32; SIMD_WIDTH], b: [f32; SIMD_WIDTH]) -> [f32; SIMD_WIDTH] {
        std::array::from_fn(|i| a[i] * b[i])
    }
    #[inline(always)]
    fn multiply_add(
        self,
        a: [f32; SIMD_WIDTH],
        b: [f32; SIMD_WIDTH],
        c: [f32; SIMD_WIDTH],
    ) -> [f32; SIMD_WIDTH] {
        std::array::from_fn(|i| a[i] * b[i] + c[i])
    }
    #[inline(always)]
    fn subtract_product(
        self,
        a: [f32; SIMD_WIDTH],
        b: [f32; SIMD_WIDTH],
        c: [f32; SIMD_WIDTH],
    ) -> [f32; SIMD_WIDTH] {
        std::array::from_fn(|i| c[i] - a[i] * b[i])
    }
    #[inline(always)]
    fn sums(self, of: [[f32; SIMD_WIDTH]; 4]) -> [f32; 4] {
        // In the order of the others: halves, then neighbours.
        of.map(|x| ((x[0] + x[4]) + (x[1] + x[5])) + ((x[2] + x[6]) + (x[3] + x[7])))
    }
    #[inline(always)]
    fn multiply_add_one(self, a: f32, b: f32, c: f32) -> f32 {
        a * b + c
    }
}

#[cfg(target_arch = "aarch64")]
mod aarch64 {
    use std::arch::aarch64::float32x4_t;

    use pulp::cast;
    use pulp::core_arch::aarch64::Neon;

    use super::{Eight, SIMD_WIDTH};

    impl Eight for Neon {
        type Numbers = [float32x4_t; 2];

        // Twelve sums in 24 of 32 registers of four: the rest holds what is added.
        const FRAMES_AT_ONCE: usize = 12;

        #[inline(always)]
        fn load(self, from: &[f32; SIMD_WIDTH]) -> [float32x4_t; 2] {
            cast(*from)
        }
        #[inline(always)]
        fn store(self, numbers: [float32x4_t; 2], to: &mut [f32; SIMD_WIDTH]) {
            *to = cast(numbers);
        }
        #[inline(always)]
        fn splat(self, number: f32) -> [float32x4_t; 2] {
            [self.vdupq_n_f32(number); 2]
        }
        #[inline(always)]
        fn add(self, a: [float32x4_t; 2], b: [float32x4_t; 2]) -> [float32x4_t; 2] {
            [self.vaddq_f32(a[0], b[0]), self.vaddq_f32(a[1], b[1])]
        }
        #[inline(always)]
        fn subtract(self, a: [float32x4_t; 2], b: [float32x4_t; 2]) -> [float32x4_t; 2] {
            [self.vsubq_f32(a[0], b[0]), self.vsubq_f32(a[1], b[1])]
        }
        #[inline(always)]
        fn multiply(self, a: [float32x4_t; 2], b: [float32x4_t; 2]) -> [float32x4_t; 2] {
            [self.vmulq_f32(a[0], b[0]), self.vmulq_f32(a[1], b[1])]
        }
        #[inline(always)]
        fn multiply_add(
            self,
            a: [float32x4_t; 2],
            b: [float32x4_t; 2],
            c: [float32x4_t; 2],
        ) -> [float32x4_t; 2] {
            [self.vfmaq_f32(c[0], a[0], b[0]), self.vfmaq_f32(c[1], a[1], b[1])]
        }
        #[inline(always)]
        fn subtract_product(
            self,
            a: [float32x4_t; 2],
            b: [float32x4_t; 2],
            c: [float32x4_t; 2],
        ) -> [float32x4_t; 2] {
            [self.vfmsq_f32(c[0], a[0], b[0]), self.vfmsq_f32(c[1], a[1], b[1])]
        }
        #[inline(always)]
        fn sums(self, of: [[float32x4_t; 2]; 4]) -> [f32; 4] {
            let [a, b, c, d] = of.map(|x| self.vaddq_f32(x[0], x[1]));
            cast(self.vpaddq_f32(self.vpaddq_f32(a, b), self.vpaddq_f32(c, d)))
        }
        #[inline(always)]
        fn multiply_add_one(self, a: f32, b: f32, c: f32) -> f32 {
            a.mul_add(b, c)
        }
    }
}

#[cfg(target_arch = "x86_64")]
mod x86_64 {
    use std::arch::x86_64::{__m128, __m256};

    use pulp::cast;
    use pulp::core_arch::x86::Sse;
    use pulp::x86::V3;

    use super::{Eight, SIMD_WIDTH};

    impl Eight for Sse {
        type Numbers = [__m128; 2];

        // Sixteen registers of four: three frames of eight numbers, and what they are made of.
        const FRAMES_AT_ONCE: usize = 4;

        #[inline(always)]
        fn load(self, from: &[f32; SIMD_WIDTH]) -> [__m128; 2] {
            cast(*from)
        }
        #[inline(always)]
        fn store(self, numbers: [__m128; 2], to: &mut [f32; SIMD_WIDTH]) {
            *to = cast(numbers);
        }
        #[inline(always)]
        fn splat(self, number: f32) -> [__m128; 2] {
            [self._mm_set1_ps(number); 2]
        }
        #[inline(always)]
        fn add(self, a: [__m128; 2], b: [__m128; 2]) -> [__m128; 2] {
            [self._mm_add_ps(a[0], b[0]), self._mm_add_ps(a[1], b[1])]
        }
        #[inline(always)]
        fn subtract(self, a: [__m128; 2], b: [__m128; 2]) -> [__m128; 2] {
            [self._mm_sub_ps(a[0], b[0]), self._mm_sub_ps(a[1], b[1])]
        }
        #[inline(always)]
        fn multiply(self, a: [__m128; 2], b: [__m128; 2]) -> [__m128; 2] {
            [self._mm_mul_ps(a[0], b[0]), self._mm_mul_ps(a[1], b[1])]
        }
        #[inline(always)]
        fn multiply_add(self, a: [__m128; 2], b: [__m128; 2], c: [__m128; 2]) -> [__m128; 2] {
            self.add(self.multiply(a, b), c)
        }
        #[inline(always)]
        fn subtract_product(self, a: [__m128; 2], b: [__m128; 2], c: [__m128; 2]) -> [__m128; 2] {
            self.subtract(c, self.multiply(a, b))
        }
        #[inline(always)]
        fn sums(self, of: [[__m128; 2]; 4]) -> [f32; 4] {
            let [a, b, c, d] = of.map(|x| self._mm_add_ps(x[0], x[1]));
            let (ab_low, ab_high) = (self._mm_unpacklo_ps(a, b), self._mm_unpackhi_ps(a, b));
            let (cd_low, cd_high) = (self._mm_unpacklo_ps(c, d), self._mm_unpackhi_ps(c, d));
            let first = self._mm_movelh_ps(ab_low, cd_low);
            let second = self._mm_movehl_ps(cd_low, ab_low);
            let third = self._mm_movelh_ps(ab_high, cd_high);
            let fourth = self._mm_movehl_ps(cd_high, ab_high);
            cast(self._mm_add_ps(self._mm_add_ps(first, second), self._mm_add_ps(third, fourth)))
        }
        #[inline(always)]
        fn multiply_add_one(self, a: f32, b: f32, c: f32) -> f32 {
            a * b + c
        }
    }

    impl Eight for V3 {
        type Numbers = __m256;

        // Twelve sums of sixteen registers: the rest holds what is added.
        const FRAMES_AT_ONCE: usize = 12;

        #[inline(always)]
        fn load(self, from: &[f32; SIMD_WIDTH]) -> __m256 {
            cast(*from)
        }
        #[inline(always)]
        fn store(self, numbers: __m256, to: &mut [f32; SIMD_WIDTH]) {
            *to = cast(numbers);
        }
        #[inline(always)]
        fn splat(self, number: f32) -> __m256 {
            self.avx._mm256_set1_ps(number)
        }
        #[inline(always)]
        fn add(self, a: __m256, b: __m256) -> __m256 {
            self.avx._mm256_add_ps(a, b)
        }
        #[inline(always)]
        fn subtract(self, a: __m256, b: __m256) -> __m256 {
            self.avx._mm256_sub_ps(a, b)
        }
        #[inline(always)]
        fn multiply(self, a: __m256, b: __m256) -> __m256 {
            self.avx._mm256_mul_ps(a, b)
        }
        #[inline(always)]
        fn multiply_add(self, a: __m256, b: __m256, c: __m256) -> __m256 {
            self.fma._mm256_fmadd_ps(a, b, c)
        }
        #[inline(always)]
        fn subtract_product(self, a: __m256, b: __m256, c: __m256) -> __m256 {
            self.fma._mm256_fnmadd_ps(a, b, c)
        }
        #[inline(always)]
        fn sums(self, of: [__m256; 4]) -> [f32; 4] {
            let [a, b, c, d] = of;
            let (ab, cd) = (self.avx._mm256_hadd_ps(a, b), self.avx._mm256_hadd_ps(c, d));
            let all = self.avx._mm256_hadd_ps(ab, cd);
            let [low, high]: [__m128; 2] = cast(all);
            cast(self.sse._mm_add_ps(low, high))
        }
        #[inline(always)]
        fn multiply_add_one(self, a: f32, b: f32, c: f32) -> f32 {
            a.mul_add(b, c)
        }
    }
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

    struct EightOperations;

    impl EightKernel for EightOperations {
        type Output = [f32; SIMD_WIDTH];

        #[inline(always)]
        fn run<E: Eight>(self, eight: E) -> [f32; SIMD_WIDTH] {
            let a = eight.load(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]);
            let b = eight.splat(eight.multiply_add_one(2.0, 3.0, -4.0));
            // (2 a + a) - 2 b, then less 3 b, then times 2, then less 1.
            let sum = eight.multiply_add(a, b, a);
            let sum = eight.subtract(sum, eight.multiply(b, b));
            let sum = eight.subtract_product(eight.splat(3.0), b, sum);
            let sum = eight.add(sum, sum);
            let mut out = [0.0; SIMD_WIDTH];
            eight.store(sum, &mut out);
            let sums = eight.sums([a, b, sum, eight.add(sum, a)]);
            assert_eq!(sums, [36.0, 16.0, 56.0, 92.0]);
            out
        }
    }

    const SETS: [fn() -> InstructionSet; 3] =
        [InstructionSet::portable, InstructionSet::plain, InstructionSet::widest];

    #[test]
    fn all_sets_do_the_same_work() {
        let values: Vec<f32> = (0..100_u8).map(|n| f32::from(n) * 0.01).collect();
        for set in SETS {
            let sum = set().run(SumOfSquares(&values));
            // 100 roundings of single precision.
            assert!((sum - 32.835).abs() < 1e-3, "{:?}: {sum}", set());
            let expected: [f32; SIMD_WIDTH] = std::array::from_fn(|i| 2.0 * (3.0 * (i as f32 + 1.0) - 10.0));
            assert_eq!(set().run_eight(EightOperations), expected, "{:?}", set());
        }
    }
}
