//! Rostra.
