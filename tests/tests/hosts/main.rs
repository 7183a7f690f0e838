//! The bundle in real hosts: a CLAP host and a VST3 host, both in Rust; the scripts in `tests/hosts` add two in Python.
//!
//! `cargo xtask bundle` makes what is loaded here.

mod audio_thread;
mod block;
mod bundle;
mod clap_host;
#[cfg(target_os = "linux")]
mod memory;
mod rough_sound;
mod sound;
mod vst3_host;

mod alignment;
mod any_state;
mod bypass;
mod crowd;
mod equality;
mod hall;
mod kept_states;
mod loudest;
mod matrix;
mod module_info;
mod orders;
#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
mod other_processors;
mod parameters;
mod state;
mod storm;
#[cfg(target_os = "linux")]
mod system_calls;
mod unloading;
#[cfg(target_os = "linux")]
mod window;
