//! The bundle in real hosts: a CLAP host and a VST3 host, both in Rust; the scripts in `tests/hosts` add two in Python.
//!
//! `cargo xtask bundle` makes what is loaded here.

mod audio_thread;
mod block;
mod bundle;
mod clap_host;
#[cfg(target_os = "linux")]
mod memory;
#[path = "../../../plugin/tests/in_process/raw_vst3.rs"]
mod raw_vst3;
mod rough_sound;
mod sound;
mod vst3_host;

mod alignment;
mod any_state;
mod bypass;
mod controller;
mod crowd;
mod equality;
mod hall;
mod host_view;
mod kept_states;
mod loudest;
mod matrix;
mod misuse;
mod module_info;
mod orders;
#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
mod other_processors;
mod parameters;
mod projects;
mod rates;
mod render_mode;
mod sleep;
mod state;
mod storm;
#[cfg(target_os = "linux")]
mod system_calls;
mod unloading;
#[cfg(target_os = "linux")]
mod window;
