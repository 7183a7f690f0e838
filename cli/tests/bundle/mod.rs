//! Where the built bundle lies that the program is run against.

use std::path::{Path, PathBuf};

/// Returns the CLAP in cargo's target folder.
///
/// # Panics
/// When it was not built.
pub(crate) fn bundle() -> PathBuf {
    let target = std::env::var_os("CARGO_TARGET_DIR")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../target"), PathBuf::from);
    let clap = target.join("bundled/rostra.clap");
    assert!(clap.exists(), "{} is missing: run `cargo xtask bundle` first", clap.display());
    clap.canonicalize().unwrap()
}
