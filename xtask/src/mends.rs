//! Faults of the framework that would reach the users of the bundles, and the edits that mend them.
//!
//! Each edit replaces a piece of the published source that must be there
//! exactly once. What is replaced is as short as tells it apart; nothing of the
//! framework is kept here. When a version moves, [`super::mended`] refuses: look
//! at the new source, and drop what is mended there.

/// An edit of one file.
pub(crate) struct Edit {
    /// The file, from the package's folder.
    pub(crate) file: &'static str,
    /// What stands there.
    pub(crate) was: &'static str,
    /// What shall stand there.
    pub(crate) becomes: &'static str,
}

/// The mends of one package.
pub(crate) struct Mend {
    /// The package.
    pub(crate) package: &'static str,
    /// The version that was looked at.
    pub(crate) version: &'static str,
    /// The SHA-256 of its sources; [`super::mended`] says of what, and tells another one where it finds it.
    pub(crate) sources: &'static str,
    /// The edits.
    pub(crate) edits: &'static [Edit],
}

/// All of them.
pub(crate) const MENDS: [Mend; 2] = [
    Mend {
        package: "nice-plug",
        version: "0.4.2",
        sources: "456dcd4dcec731174f2e4df3b164bc1f801fe76b96d9f71ea21ba50cef944ee4",
        edits: &[
            // VST3, Linux: a parameter changed on the audio thread posts a task that a background thread runs. It
            // borrows the editor's cell while the GUI thread opens or closes the editor; the panic ends the host.
            // Besides, the window may be touched by the thread that made it and by no other: a task that comes too late
            // panics there. An editor that comes or goes right now needs no word of one change: it reads all of them when it opens.
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "if let Some(editor_window) = self.editor_window.borrow().as_ref() {
                    editor_window.get().handle.state_changed();",
                becomes: "if let Ok(editor_window) = self.editor_window.try_borrow()
                    && let Some(editor_window) = editor_window.as_ref()
                    && editor_window.try_get().is_ok()
                {
                    editor_window.get().handle.state_changed();",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "if let Some(editor_window) = self.editor_window.borrow().as_ref() {
                    let param_id",
                becomes: "if let Ok(editor_window) = self.editor_window.try_borrow()
                    && let Some(editor_window) = editor_window.as_ref()
                    && editor_window.try_get().is_ok()
                {
                    let param_id",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "if let Some(editor_window) = self.editor_window.borrow().as_ref() {
                    let editor_window = editor_window.get();",
                becomes: "if let Ok(editor_window) = self.editor_window.try_borrow()
                    && let Some(editor_window) = editor_window.as_ref()
                    && editor_window.try_get().is_ok()
                {
                    let editor_window = editor_window.get();",
            },
            // The other side of the same: the GUI thread waits while such a task is at it, some microseconds.
            Edit {
                file: "src/wrapper/vst3/view.rs",
                was: "let mut window = inner.editor_window.borrow_mut();",
                becomes: "let mut window = {
            let mut left = 100_000;
            loop {
                match inner.editor_window.try_borrow_mut() {
                    Ok(window) => break window,
                    Err(_) if left == 0 => return kResultFalse,
                    Err(_) => std::thread::yield_now(),
                }
                left -= 1;
            }
        };",
            },
            Edit {
                file: "src/wrapper/vst3/view.rs",
                was: "let mut editor_handle = inner.editor_window.borrow_mut();",
                becomes: "let mut editor_handle = {
            let mut left = 100_000;
            loop {
                match inner.editor_window.try_borrow_mut() {
                    Ok(window) => break window,
                    Err(_) if left == 0 => return kResultFalse,
                    Err(_) => std::thread::yield_now(),
                }
                left -= 1;
            }
        };",
            },
            // One past the end is no parameter, in either format.
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "if param_index < 0 || param_index > unsafe { self.getParameterCount() } {
            return kInvalidArgument;
        }

        unsafe { *info = std::mem::zeroed() };",
                becomes: "if param_index < 0 || param_index >= unsafe { self.getParameterCount() } {
            return kInvalidArgument;
        }

        unsafe { *info = std::mem::zeroed() };",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "if param_index > unsafe { Self::ext_params_count(plugin) } {",
                becomes: "if param_index >= unsafe { Self::ext_params_count(plugin) } {",
            },
            // CLAP: an event that a host puts behind the block, which the standard forbids, lets the audio be processed up to
            // there, behind the host's memory; one right at the end is left out. Either now comes with the last frame.
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "if (*event).time > current_sample_idx as u32 && stop_predicate(event) {
                    return Some(((*event).time as usize, event_idx as usize));
                }",
                becomes: "let time = ((*event).time as usize).min(total_buffer_len.saturating_sub(1));
                if time > current_sample_idx && stop_predicate(event) {
                    return Some((time, event_idx as usize));
                }",
            },
            // A CLAP host that opens the editor without its own side of `clap.gui` gets no editor, instead of a panic.
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "host_gui: ClapPtr::clone(wrapper.host_gui.borrow().as_ref().unwrap()),",
                becomes: "host_gui: match wrapper.host_gui.borrow().as_ref() {
                        Some(host_gui) => ClapPtr::clone(host_gui),
                        None => return false,
                    },",
            },
        ],
    },
    Mend {
        package: "baseview",
        version: "0.4.2",
        sources: "3e8ffd0667594885c8aa498e246b8eb8347c07bca07fdb6ec1474cdc89fcc095",
        edits: &[
            // Linux: the first frame is asked for before the window listens for it, and never again; a host that
            // waits between creating and showing the window keeps it blank. Once it is shown, asking starts anew.
            Edit {
                file: "src/platform/x11/present.rs",
                was: "pub fn handle_window_mapped(
        &self, shared",
                becomes: "pub fn handle_window_mapped(
        &mut self, shared",
            },
            Edit {
                file: "src/platform/x11/present.rs",
                was: "if window.present_supported() && window.present_select_input()? {
            shared.present_notify_requested.set(true);",
                becomes: "if window.present_supported() && window.present_select_input()? {
            self.last_requested_serial = None;
            self.last_received_present = None;
            shared.present_notify_requested.set(true);",
            },
            // Linux: a closing window unloads the OpenGL library while threads of its driver still end, which corrupts
            // the host's memory. Once loaded, the library stays.
            Edit {
                file: "src/wrappers/glx.rs",
                was: "Ok(Self { inner: Rc::new(x11_dl::glx::Glx::open()?) })",
                becomes: "static KEPT: std::sync::Once = std::sync::Once::new();
        KEPT.call_once(|| std::mem::forget(x11_dl::glx::Glx::open()));
        Ok(Self { inner: Rc::new(x11_dl::glx::Glx::open()?) })",
            },
            Edit {
                file: "src/wrappers/egl.rs",
                was: "let functions = unsafe { Functions::load_from(&library)? };",
                becomes: "static KEPT: std::sync::Once = std::sync::Once::new();
        KEPT.call_once(|| {
            std::mem::forget(unsafe { Library::new(\"libEGL.so.1\").or_else(|_| Library::new(\"libEGL.so\")) });
        });
        let functions = unsafe { Functions::load_from(&library)? };",
            },
        ],
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_mend_changes_something_of_a_source_file() {
        for mend in &MENDS {
            assert!(!mend.edits.is_empty());
            for edit in mend.edits {
                assert!(edit.was != edit.becomes && !edit.was.trim().is_empty());
                assert!(edit.file.starts_with("src/"));
            }
        }
    }
}
