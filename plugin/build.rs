//! Keeps the plug-in's code in memory once a host on Linux has loaded it.
//!
//! Rust's standard library leaves a destructor with every thread that ran in the
//! plug-in. A host's thread may end after the host unloaded the plug-in, and
//! would then run into memory that is gone. `nodelete` makes unloading a no-op.
#![allow(clippy::print_stdout, reason = "cargo reads what a build script prints")]

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    if std::env::var("CARGO_CFG_TARGET_OS").is_ok_and(|system| system == "linux") {
        println!("cargo::rustc-cdylib-link-arg=-Wl,-z,nodelete");
    }
}
