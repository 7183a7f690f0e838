//! What happens when somebody interrupts.

use anyhow::{Context as _, Result};

/// Has what is half written taken away when somebody interrupts, before the program ends.
///
/// # Errors
/// When the system does not let interrupts be waited for.
pub(crate) fn abandon_half_written() -> Result<()> {
    ctrlc::set_handler(|| {
        rostra_files::abandon();
        // 128 and the number of the interrupt, as shells count.
        std::process::exit(130);
    })
    .context("the interrupt handler cannot be set")
}
