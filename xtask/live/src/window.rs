//! The window: the plug-in's own sheet, and beside it a strip of what a booth needs.

use anyhow::{Result, bail};

use crate::booth::Booth;

/// Says whether this machine has a display to open a window on.
///
/// # Errors
/// In a line, when there is none.
pub fn is_possible() -> Result<()> {
    if cfg!(target_os = "linux") && std::env::var_os("DISPLAY").is_none_or(|display| display.is_empty()) {
        bail!("there is no display");
    }
    Ok(())
}

/// Opens the window, and returns when it is closed.
///
/// # Errors
/// When the system gives none.
pub fn open(_booth: Booth) -> Result<()> {
    bail!("not yet")
}
