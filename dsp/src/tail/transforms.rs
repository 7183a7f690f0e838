//! Single-precision transforms, planned once for each size.

use std::fmt;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// Plans by size.
///
/// Each is planned by itself, so that no plan depends on those made before.
#[derive(Default)]
pub(super) struct Transforms {
    forward: Vec<Arc<dyn RealToComplex<f32>>>,
    back: Vec<Arc<dyn ComplexToReal<f32>>>,
}

impl fmt::Debug for Transforms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transforms").finish_non_exhaustive()
    }
}

impl Transforms {
    /// Fills a time signal of `size` frames, transforms it and shows its bins.
    pub(super) fn forward<T>(
        &mut self,
        size: usize,
        fill: impl FnOnce(&mut [f32]),
        show: impl FnOnce(&[Complex<f32>]) -> T,
    ) -> T {
        let plan = if let Some(plan) = self.forward.iter().find(|plan| plan.len() == size) {
            Arc::clone(plan)
        } else {
            let plan = RealFftPlanner::new().plan_fft_forward(size);
            self.forward.push(Arc::clone(&plan));
            plan
        };
        let (mut time, mut bins) = (plan.make_input_vec(), plan.make_output_vec());
        let mut scratch = plan.make_scratch_vec();
        fill(&mut time);
        // PANIC: the buffers were made by the plan itself.
        plan.process_with_scratch(&mut time, &mut bins, &mut scratch)
            .expect("buffers have the plan's lengths");
        show(&bins)
    }

    /// Fills the bins of a transform of `size` frames and returns the time signal, larger by `size`.
    ///
    /// The first and the last bin have to be real.
    pub(super) fn back(&mut self, size: usize, fill: impl FnOnce(&mut [Complex<f32>])) -> Vec<f32> {
        let plan = if let Some(plan) = self.back.iter().find(|plan| plan.len() == size) {
            Arc::clone(plan)
        } else {
            let plan = RealFftPlanner::new().plan_fft_inverse(size);
            self.back.push(Arc::clone(&plan));
            plan
        };
        let (mut bins, mut time) = (plan.make_input_vec(), plan.make_output_vec());
        let mut scratch = plan.make_scratch_vec();
        fill(&mut bins);
        // PANIC: the buffers were made by the plan itself.
        plan.process_with_scratch(&mut bins, &mut time, &mut scratch)
            .expect("buffers have the plan's lengths");
        time
    }
}
