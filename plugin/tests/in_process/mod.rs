//! The CLAP that this crate exports, hosted within the test program.

use clack_host::entry::EntryDescriptor;
use clack_host::prelude::*;
// Links the plug-in, whose entry is found by its symbol.
use rostra as _;
use vst3::ComPtr;
use vst3::Steinberg::IPluginFactory;

/// What the plug-in may ask for: nothing that this test needs to grant.
pub(crate) struct Shared;

impl SharedHandler<'_> for Shared {
    fn request_restart(&self) {}
    fn request_process(&self) {}
    fn request_callback(&self) {}
}

/// A host with nothing but what every host has.
pub(crate) struct Host;

impl HostHandlers for Host {
    type Shared<'a> = Shared;
    type MainThread<'a> = ();
    type AudioProcessor<'a> = ();
}

/// Returns the entry of the plug-in.
#[allow(unsafe_code, reason = "a plug-in's entry is a symbol")]
pub(crate) fn entry() -> PluginEntry {
    unsafe extern "C" {
        static clap_entry: EntryDescriptor;
    }
    // SAFETY: the symbol is the entry that the framework's macro writes in `rostra`, valid as long as the program.
    unsafe { PluginEntry::load_from_raw(&clap_entry, c"") }.expect("the entry starts")
}

/// Returns the factory of the VST3.
#[allow(dead_code, reason = "each program that includes this file uses its own part of it")]
#[allow(unsafe_code, reason = "a plug-in's entry is a symbol")]
pub(crate) fn vst3_factory() -> ComPtr<IPluginFactory> {
    unsafe extern "system" {
        fn GetPluginFactory() -> *mut IPluginFactory;
    }
    // SAFETY: the symbol is the entry that the framework's macro writes in `rostra`; the factory is ours to free.
    unsafe { ComPtr::from_raw(GetPluginFactory()) }.expect("a factory")
}
