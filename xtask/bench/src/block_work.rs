//! Work that comes in blocks, as a host asks for it.

/// Work that is prepared outside the measured region and done inside it.
pub trait BlockWork {
    /// Starts a pass over: block k of every pass shall do the same work.
    fn restart(&mut self) {}
    /// Fills the buffers of the next block.
    fn prepare(&mut self);
    /// Does the work of one block.
    fn process(&mut self);
}
