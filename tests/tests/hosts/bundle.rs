//! Where the bundle and the folder for the other hosts lie.

use std::path::{Path, PathBuf};

/// Returns the root of the checkout.
fn root() -> &'static Path {
    // PANIC: this crate lies one folder below the root.
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("this crate has a parent folder")
}

/// Returns cargo's target folder.
fn target() -> PathBuf {
    std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), |target| root().join(target))
}

fn bundled(name: &str) -> PathBuf {
    let path = target().join("bundled").join(name);
    assert!(path.exists(), "{} is missing: run `cargo xtask bundle` first", path.display());
    path
}

/// Returns the built CLAP.
///
/// # Panics
/// When it was not built.
pub(crate) fn clap() -> PathBuf {
    bundled("rostra.clap")
}

/// Returns the built VST3.
///
/// # Panics
/// When it was not built.
pub(crate) fn vst3() -> PathBuf {
    bundled("rostra.vst3")
}

/// Returns the folder in which the scripts in `tests/hosts` find what came out here.
pub(crate) fn shared_folder() -> PathBuf {
    let folder = target().join("host-equality");
    std::fs::create_dir_all(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    folder
}
