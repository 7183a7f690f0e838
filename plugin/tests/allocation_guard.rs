//! What `no_allocation` counts, once more under the framework's own guard.
//!
//! A program of its own by name: so all packages are asked for together, and what
//! the other tests were built from serves again, all but the framework.

#[path = "no_allocation.rs"]
mod no_allocation;
