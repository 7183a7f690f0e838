//! What the plug-in may ask of the host: the main thread, an editor's window, the name of its track.

use std::sync::atomic::{AtomicBool, Ordering};

use clack_extensions::gui::{GuiSize, HostGui, HostGuiImpl};
use clack_extensions::track_info::{HostTrackInfo, HostTrackInfoImpl, TrackInfo, TrackInfoWriter};
use clack_host::prelude::*;

/// A host that can hold an editor's window, and names its tracks.
pub struct Host;

impl HostHandlers for Host {
    type Shared<'a> = Shared;
    type MainThread<'a> = Track;
    type AudioProcessor<'a> = ();

    fn declare_extensions(builder: &mut HostExtensions<Self>, _shared: &Shared) {
        builder.register::<HostGui>().register::<HostTrackInfo>();
    }
}

/// What the plug-in may ask for from any thread.
#[derive(Default)]
pub struct Shared {
    is_callback_due: AtomicBool,
}

impl Shared {
    /// Says whether the plug-in asked for the main thread since this was last called.
    pub(crate) fn take_callback(&self) -> bool {
        self.is_callback_due.swap(false, Ordering::AcqRel)
    }
}

impl SharedHandler<'_> for Shared {
    /// Nothing that needs a restart changes while a sound is rendered.
    fn request_restart(&self) {}
    /// It is processed all the time.
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.is_callback_due.store(true, Ordering::Release);
    }
}

/// The host's word on the editor's window: it stays as it is.
impl HostGuiImpl for Shared {
    fn resize_hints_changed(&self) {}
    fn request_resize(&self, _new_size: GuiSize) -> Result<(), HostError> {
        Err(HostError::Message("the window stays as it is"))
    }
    fn request_show(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn request_hide(&self) -> Result<(), HostError> {
        Ok(())
    }
    fn closed(&self, _was_destroyed: bool) {}
}

/// The track on which an instance stands, where it has a name.
#[derive(Clone, Copy, Debug, Default)]
pub struct Track(pub Option<&'static str>);

impl MainThreadHandler<'_> for Track {}

impl HostTrackInfoImpl for Track {
    fn get<'a>(&'a self, writer: &mut TrackInfoWriter<'_, 'a>) {
        if let Some(name) = self.0 {
            writer.set(&TrackInfo::new().with_name(Some(name.as_bytes())));
        }
    }
}
