//! Where things lie: the checkout, its target folder, the demo.

use std::path::{Path, PathBuf};

use anyhow::{Result, anyhow};

/// Returns the root of the checkout.
///
/// Cargo says where the package lies when it runs this program; run by hand,
/// the program looks above itself and above the current folder.
///
/// # Errors
/// When no folder above holds the workspace.
pub(crate) fn root() -> Result<PathBuf> {
    let starts = [
        std::env::var_os("CARGO_MANIFEST_DIR").map(PathBuf::from),
        std::env::current_exe().ok(),
        std::env::current_dir().ok(),
    ];
    starts
        .iter()
        .flatten()
        .flat_map(|start| start.ancestors())
        .find(|folder| folder.join("plugin/Cargo.toml").is_file() && folder.join("dsp/Cargo.toml").is_file())
        .map(Path::to_path_buf)
        .ok_or_else(|| anyhow!("the checkout was not found; run this from inside it"))
}

/// Returns cargo's target folder.
///
/// # Errors
/// As [`root`].
pub(crate) fn target() -> Result<PathBuf> {
    let root = root()?;
    Ok(std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root.join("target"), |target| root.join(target)))
}
