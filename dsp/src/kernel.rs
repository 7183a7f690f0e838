//! What works on long rows of numbers and knows no acoustics: instruction sets, convolution, noise.

pub(crate) mod instruction_set;
pub(crate) mod polynomial;

pub(crate) mod noise;
pub(crate) mod spectral_lines;

pub(crate) mod convolver;
pub(crate) mod stagger;

pub use convolver::INPUTS;
pub use instruction_set::{Eight, EightKernel, InstructionSet};
pub use noise::Noise;
