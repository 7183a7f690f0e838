//! The built plug-in, loaded from its file.

use std::ffi::{CStr, CString};
use std::path::Path;

use anyhow::{Context as _, Result, anyhow, ensure};
use clack_host::prelude::*;

/// The seat's id in the library; it never changes.
pub const SEAT_ID: &CStr = c"rostra.seat";
/// The hall's id in the library; it never changes.
pub const HALL_ID: &CStr = c"rostra.hall";

/// A `.clap`, loaded; it holds the plug-ins of seat and hall.
pub struct Library {
    pub(crate) entry: PluginEntry,
    ids: Vec<CString>,
}

impl Library {
    /// Loads a `.clap` and lists the plug-ins in it.
    ///
    /// # Errors
    /// When it cannot be loaded or holds no seat.
    pub fn load(path: &Path) -> Result<Self> {
        let shown = path.display();
        // `dlopen` looks through the system's folders for a name without a slash.
        let path = path
            .canonicalize()
            .with_context(|| format!("{shown}: there is no such plug-in; check the path"))?;
        // SAFETY: loading runs the library's initialisers. It is the plug-in
        // that this workspace builds, or the one that the user named.
        #[allow(unsafe_code)]
        let entry = unsafe { PluginEntry::load(path.as_os_str()) }
            .map_err(|error| anyhow!("{shown}: cannot be loaded ({error}); give another with --plugin"))?;
        let ids: Vec<CString> = entry
            .get_plugin_factory()
            .map(|factory| {
                factory.plugin_descriptors().filter_map(|found| found.id().map(CString::from)).collect()
            })
            .unwrap_or_default();
        ensure!(
            ids.iter().any(|id| id.as_c_str() == SEAT_ID),
            "{shown}: contains no Rostra plug-in; give another with --plugin"
        );
        Ok(Self { entry, ids })
    }

    /// Returns the ids of the plug-ins in it, in its own order.
    pub fn ids(&self) -> &[CString] {
        &self.ids
    }
}
