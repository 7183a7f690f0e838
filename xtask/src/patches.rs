//! Faults of the framework that would reach the users of the bundles, and the edits that patch them.
//!
//! Each edit replaces a piece of the published source that must be there
//! exactly once. What is replaced is as short as tells it apart; nothing of the
//! framework is kept here. When a version moves, [`super::patched`] refuses: look
//! at the new source, and drop what is patched there.

/// An edit of one file.
pub(crate) struct Edit {
    /// The file, from the package's folder.
    pub(crate) file: &'static str,
    /// What stands there.
    pub(crate) was: &'static str,
    /// What shall stand there.
    pub(crate) becomes: &'static str,
}

/// The patches of one package.
pub(crate) struct Patch {
    /// The package.
    pub(crate) package: &'static str,
    /// The version that was looked at.
    pub(crate) version: &'static str,
    /// The SHA-256 of its sources; [`super::patched`] says of what, and tells another one where it finds it.
    pub(crate) sources: &'static str,
    /// The edits.
    pub(crate) edits: &'static [Edit],
}

/// All of them.
pub(crate) const PATCHES: [Patch; 4] = [
    Patch {
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
            // A host's buffers may be anything: more or fewer channels than the layout, none, null, or a count below zero (which is a huge
            // one here). Channels that the layout does not have are left alone; where one is missing, what is there falls silent;
            // where no input is, the input is silence.
            Edit {
                file: "src/wrapper/util/buffer_management.rs",
                was: "// The main buffer points directly to the main output pointers",
                becomes: "let held = self.main_buffer.channels();
        let count = |channels: usize| if channels > i32::MAX as usize { 0 } else { channels.min(held) };
        if let Some(input) = &mut self.main_input_channel_pointers {
            input.num_channels = count(input.num_channels);
        }
        if let Some(output) = self.main_output_channel_pointers {
            let channel = |n: usize| unsafe { *output.ptrs.as_ptr().add(n) };
            let given = count(output.num_channels);
            let is_whole = given == held && (0..held).all(|n| !channel(n).is_null());
            let has_input = self.main_input_channel_pointers.is_some_and(|input| input.num_channels > 0);
            if !is_whole || !has_input {
                for channel in (0..given).map(channel).filter(|channel| !channel.is_null()) {
                    unsafe { std::slice::from_raw_parts_mut(channel.add(sample_offset), num_samples).fill(0.0) };
                }
            }
            self.main_output_channel_pointers =
                is_whole.then_some(ChannelPointers { num_channels: held, ..output });
        }

        // The main buffer points directly to the main output pointers",
            },
            Edit {
                file: "src/wrapper/util/buffer_management.rs",
                was: "if input_channel_pointer != output_channel_pointer {",
                becomes: "if input_channel_pointer.is_null() {
                            output_slice.fill(0.0);
                        } else if input_channel_pointer != output_channel_pointer {",
            },
            // VST3: a block before the rate is known, of a negative length, longer than was said, of 64-bit samples, or while another
            // thread processes or activates, is an error.
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "let sample_rate = self
                .inner
                .current_buffer_config
                .load()
                .expect(\"Process call without prior setup call\")
                .sample_rate;",
                becomes: "let Some(buffer_config) = self.inner.current_buffer_config.load() else {
                return kResultFalse;
            };
            let sample_rate = buffer_config.sample_rate;
            if data.numSamples < 0
                || data.numSamples as u32 > buffer_config.max_buffer_size
                || data.symbolicSampleSize != K_SYMBOLIC_SAMPLE_SIZE_32
            {
                return kInvalidArgument;
            }",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "let mut process_events = self.inner.process_events.borrow_mut();",
                becomes: "let Ok(mut process_events) = self.inner.process_events.try_borrow_mut() else {
                return kResultFalse;
            };
            self.inner.told.pass(data.numSamples as usize);
            self.inner.told.settle(|hash, value| {
                self.inner.set_normalized_value_by_hash(hash, value, Some(sample_rate));
            });",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "let mut buffer_manager = self.inner.buffer_manager.borrow_mut();",
                becomes: "let Ok(mut buffer_manager) = self.inner.buffer_manager.try_borrow_mut() else {
                        return kResultFalse;
                    };",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "input_events_guard: self.input_note_events.borrow_mut(),",
                becomes: "input_events_guard: loop {
                match self.input_note_events.try_borrow_mut() {
                    Ok(events) => break events,
                    Err(_) => std::hint::spin_loop(),
                }
            },",
            },
            // VST3: a stream that says to have read more than was asked for, or less than nothing.
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "unsafe { read_buffer.set_len(num_bytes_read as usize) };",
                becomes: "if num_bytes_read < 0 || num_bytes_read as usize > read_buffer.capacity() {
            return kResultFalse;
        }
        unsafe { read_buffer.set_len(num_bytes_read as usize) };",
            },
            // VST3: descriptions with nowhere to go.
            Edit {
                file: "src/wrapper/vst3.rs",
                was: "unsafe { *info = self.plugin_infos[index as usize].create_class_info(); }",
                becomes: "if info.is_null() { return kInvalidArgument; }
                    unsafe { *info = self.plugin_infos[index as usize].create_class_info(); }",
            },
            Edit {
                file: "src/wrapper/vst3.rs",
                was: "unsafe { *info = self.plugin_infos[index as usize].create_class_info_2(); }",
                becomes: "if info.is_null() { return kInvalidArgument; }
                    unsafe { *info = self.plugin_infos[index as usize].create_class_info_2(); }",
            },
            Edit {
                file: "src/wrapper/vst3.rs",
                was: "unsafe { *info = self.plugin_infos[index as usize].create_class_info_unicode(); }",
                becomes: "if info.is_null() { return kInvalidArgument; }
                    unsafe { *info = self.plugin_infos[index as usize].create_class_info_unicode(); }",
            },
            // VST3: a kind of window that this system does not have.
            Edit {
                file: "src/wrapper/vst3/view.rs",
                was: "check_null_ptr!(parent);",
                becomes: "check_null_ptr!(parent, type_);
        if unsafe { self.isPlatformTypeSupported(type_) } != kResultOk {
            return kInvalidArgument;
        }",
            },
            // VST3, Linux: a host that refuses the window's events, or a system without a pair of sockets to spare; tasks go the other way
            // then. A socket that is full has told the host already.
            Edit {
                file: "src/wrapper/vst3/view.rs",
                was: "let mut sockets = [0i32; 2];
        assert_eq!(",
                becomes: "let mut sockets = [-1i32; 2];
        let _ = (",
            },
            Edit {
                file: "src/wrapper/vst3/view.rs",
                was: "assert_eq!(
            unsafe {
                handler
                    .run_loop
                    .registerEventHandler(event_handler_ptr, handler.socket_read_fd)
            },
            kResultOk
        );",
                becomes: "let answer = unsafe {
            handler
                .run_loop
                .registerEventHandler(event_handler_ptr, handler.socket_read_fd)
        };
        if answer != kResultOk {
            handler.event_handler_ptr.0.set(std::ptr::null_mut());
        }",
            },
            Edit {
                file: "src/wrapper/vst3/view.rs",
                was: "self.tasks.push(task)?;",
                becomes: "if self.event_handler_ptr.0.get().is_null() {
            return Err(task);
        }
        self.tasks.push(task)?;",
            },
            Edit {
                file: "src/wrapper/vst3/view.rs",
                was: "assert_eq!(
                unsafe {
                    libc::write(",
                becomes: "let _ = (
                unsafe {
                    libc::write(",
            },
            // An instance that goes while a task of its own waits ended the thread that all share, and the last instance fell over that.
            Edit {
                file: "src/event_loop/background_thread.rs",
                was: "worker\"
                    );
                    return;",
                becomes: "worker\"
                    );",
            },
            Edit {
                file: "src/event_loop/background_thread.rs",
                was: ".expect(\"Failed while sending worker thread shutdown request\");",
                becomes: ".ok();",
            },
            Edit {
                file: "src/event_loop/background_thread.rs",
                was: ".join()
            .expect(\"Worker thread panicked\");",
                becomes: ".join()
            .ok();",
            },
            // CLAP: a block longer than was said, or before activation, is an error.
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let total_buffer_len = process.frames_count as usize;",
                becomes: "let is_possible = wrapper.is_activated.load(Ordering::Relaxed)
                && wrapper
                    .current_buffer_config
                    .load()
                    .is_some_and(|config| process.frames_count <= config.max_buffer_size);
            if !is_possible {
                return CLAP_PROCESS_ERROR;
            }
            let total_buffer_len = process.frames_count as usize;",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let audio_io_layout = wrapper.current_audio_io_layout.load();
        let buffer_config",
                becomes: "if max_frames_count == 0 || min_frames_count > max_frames_count {
            return false;
        }
        let audio_io_layout = wrapper.current_audio_io_layout.load();
        let buffer_config",
            },
            // CLAP: a function that the host leaves out does nothing and answers with nothing; so does a list without its functions.
            Edit {
                file: "src/wrapper/clap/util.rs",
                was: "None => panic!(\"'{}::{}' is a null pointer, but this is not allowed\", $crate::wrapper::clap::util::type_name_of_ptr($obj_ptr), stringify!($function_name)),",
                becomes: "None => { let _ = $crate::wrapper::clap::util::type_name_of_ptr($obj_ptr); std::mem::zeroed() }",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let raw_event = unsafe { &*event };",
                becomes: "if event.is_null() {
            return;
        }
        let raw_event = unsafe { &*event };",
            },
            // CLAP: events from two threads at once.
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let mut input_events = self.input_events.borrow_mut();
        input_events.clear();

        unsafe {",
                becomes: "let Ok(mut input_events) = self.input_events.try_borrow_mut() else { return };
        input_events.clear();

        unsafe {",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let mut input_events = self.input_events.borrow_mut();
        input_events.clear();

        let num",
                becomes: "let Ok(mut input_events) = self.input_events.try_borrow_mut() else { return None };
        input_events.clear();

        let num",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "input_events_guard: self.input_events.borrow_mut(),",
                becomes: "input_events_guard: loop {
                match self.input_events.try_borrow_mut() {
                    Ok(events) => break events,
                    Err(_) => std::hint::spin_loop(),
                }
            },",
            },
            // CLAP: a line of log on the audio thread for each block that comes at the wrong time.
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "crate::nice_error!(
                        \"Host tried to activate",
                becomes: "crate::nice_trace!(
                        \"Host tried to activate",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "crate::nice_error!(
                            \"Host tried to activate",
                becomes: "crate::nice_trace!(
                            \"Host tried to activate",
            },
            // CLAP: no host, no plug-in, no window, nowhere to write a size to.
            Edit {
                file: "src/wrapper/clap.rs",
                was: "if plugin_id.is_null() {",
                becomes: "if plugin_id.is_null() || host.is_null() {",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "assert!(!plugin.is_null() && unsafe { !(*plugin).plugin_data.is_null() });",
                becomes: "check_null_ptr!((), plugin, unsafe { (*plugin).plugin_data });",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "// We don't do standalone floating windows
        if is_floating {",
                becomes: "// We don't do standalone floating windows
        if is_floating || api.is_null() {",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let api = unsafe { CStr::from_ptr(window.api) };",
                becomes: "if unsafe { !Self::ext_gui_is_api_supported(plugin, window.api, false) } {
                return false;
            }
            let api = unsafe { CStr::from_ptr(window.api) };",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let size = unsafe { NativeSize::new(*width, *height) };",
                becomes: "check_null_ptr!(false, width, height);
            let size = unsafe { NativeSize::new(*width, *height) };",
            },
            // CLAP: a stream that says to have read more than was asked for.
            Edit {
                file: "src/wrapper/clap/util.rs",
                was: "total_bytes_read = total_bytes;",
                becomes: "total_bytes_read = total_bytes.min(slice.len());",
            },
            // VST3: what the host tells the controller while sound is processed was answered with OK and forgotten. It is set at once, or
            // noted where it may be the echo of automation (`patches/told.rs`); so is an edit in the window, which the host sends back.
            Edit {
                file: "src/wrapper/vst3.rs",
                was: "mod util;

mod context;",
                becomes: concat!("mod util;\n\nmod told {\n", include_str!("patches/told.rs"), "}\n\nmod context;"),
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "pub is_processing: AtomicBool,",
                becomes: "pub is_processing: AtomicBool,
    /// Whether the plug-in is active.
    pub is_active: AtomicBool,
    /// What the controller was told.
    pub told: super::told::Told,
    /// Whether the mode of rendering changed since the last block.
    pub mode_changed: AtomicBool,
    /// The longest tail that was told of late, in samples.
    pub tail: AtomicU32,
    /// What asks the open editor to look at all values.
    pub waker: std::sync::OnceLock<Box<dyn Fn() + Send + Sync>>,",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "is_processing: AtomicBool::new(false),",
                becomes: "is_processing: AtomicBool::new(false),
            is_active: AtomicBool::new(false),
            told: super::told::Told::new(param_ids.into_iter()),
            mode_changed: AtomicBool::new(false),
            tail: AtomicU32::new(0),
            waker: std::sync::OnceLock::new(),",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "let param_hashes = param_id_hashes_ptrs_groups",
                becomes: "let param_ids: Vec<u32> =
            param_id_hashes_ptrs_groups.iter().map(|(_, hash, _, _)| *hash).collect();
        let param_hashes = param_id_hashes_ptrs_groups",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "if self.inner.is_processing.load(Ordering::SeqCst) {
            return kResultOk;
        }",
                becomes: "if self.inner.is_processing.load(Ordering::SeqCst)
            && self.inner.told.is_echo(id, value as f32)
        {
            return kResultOk;
        }",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "Some(param_ptr) => unsafe { param_ptr.modulated_normalized_value() as f64 },",
                becomes: "Some(param_ptr) => self.inner.told.read(id).map_or_else(
                || unsafe { param_ptr.modulated_normalized_value() as f64 },
                |told| unsafe { param_ptr.preview_normalized(param_ptr.preview_plain(told)) as f64 },
            ),",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "state::serialize_json::<P>(",
                becomes: "(|params, values| {
                let mut object = state::serialize_object::<P>(params, values);
                self.inner.tell(&mut object);
                serde_json::to_vec(&object)
            })(",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "pub fn set_latency_samples(&self, samples: u32) {",
                becomes: "/// Puts what the controller was told into a state.
    pub fn tell(&self, state: &mut PluginState) {
        use nice_plug_core::plugin::ParamValue;
        for (id, hash) in &self.param_id_to_hash {
            let Some((told, pointer)) = self.told.read(*hash).zip(self.param_by_hash.get(hash)) else {
                continue;
            };
            let plain = unsafe { pointer.preview_plain(told) };
            let value = match pointer {
                ParamPtr::FloatParam(_) => ParamValue::F32(plain),
                ParamPtr::IntParam(_) => ParamValue::I32(plain as i32),
                ParamPtr::BoolParam(_) => ParamValue::Bool(plain > 0.5),
                ParamPtr::EnumParam(list) => match unsafe { (**list).id_at(plain as usize) } {
                    Some(id) => ParamValue::String(id.to_owned()),
                    None => ParamValue::I32(plain as i32),
                },
            };
            state.params.insert(id.clone(), value);
        }
    }

    /// Sets what the controller was told, now that no point can come any more.
    pub fn settle(&self) {
        let sample_rate = self.current_buffer_config.load().map(|config| config.sample_rate);
        for (hash, value) in self.told.take() {
            self.set_normalized_value_by_hash(hash, value, sample_rate);
        }
    }

    /// Keeps the length of a tail.
    pub fn keep_tail(&self, status: ProcessStatus) {
        match status {
            ProcessStatus::Tail(samples) if samples > 0 => self.tail.store(samples, Ordering::Relaxed),
            ProcessStatus::KeepAlive => self.tail.store(u32::MAX, Ordering::Relaxed),
            _ => (),
        }
    }

    pub fn set_latency_samples(&self, samples: u32) {",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "self.inner.is_processing.store(state, Ordering::SeqCst);",
                becomes: "self.inner.is_processing.store(state, Ordering::SeqCst);
        if !state {
            self.inner.settle();
        }",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "self.inner.set_normalized_value_by_hash(
                                    *hash,",
                becomes: "self.inner.told.point(*hash, *normalized_value);
                                self.inner.set_normalized_value_by_hash(
                                    *hash,",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "let success = permit_alloc(|| unsafe {",
                becomes: "self.told.forget();
        let success = permit_alloc(|| unsafe {",
            },
            Edit {
                file: "src/wrapper/vst3/context.rs",
                was: "unsafe { handler.performEdit(*hash, normalized as f64) };",
                becomes: "if inner.is_processing.load(std::sync::atomic::Ordering::SeqCst) {
                        inner.told.note(*hash, normalized);
                    }
                    unsafe { handler.performEdit(*hash, normalized as f64) };",
            },
            // A parameter that changes in a block posted a task: a lock, an allocation, a system call, in the VST3 with the window open a
            // socket; the CLAP asked its host for a call back each time. Now a flag is raised that the window looks at anyway.
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "let task_posted =
                            self.schedule_gui(Task::ParameterValueChanged(hash, normalized_value));",
                becomes: "if let Some(wake) = self.waker.get() {
                            wake();
                        }
                        let task_posted = true;",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: ".map(|editor| Arc::new(Mutex::new(editor)));",
                becomes: ".map(|editor| {
                    let _ = wrapper.waker.set(editor.waker());
                    Arc::new(Mutex::new(editor))
                });",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "#[allow(clippy::enum_variant_names)]",
                becomes: "#[allow(clippy::enum_variant_names, dead_code)]",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let task_posted = self.schedule_gui(Task::ParameterValueChanged(
                                    hash,
                                    normalized_value,
                                ));",
                becomes: "if let Some(wake) = self.waker.get() {
                                    wake();
                                }
                                let task_posted = true;",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "let task_posted = self.schedule_gui(
                                    Task::ParameterModulationChanged(hash, normalized_delta),
                                );",
                becomes: "if let Some(wake) = self.waker.get() {
                                    wake();
                                }
                                let task_posted = true;",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: ".map(Mutex::new);",
                becomes: ".map(|editor| {
                    let _ = wrapper.waker.set(editor.waker());
                    Mutex::new(editor)
                });",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "    is_processing: AtomicBool,",
                becomes: "    is_processing: AtomicBool,
    /// Whether the mode of rendering changed since the last block.
    mode_changed: AtomicBool,
    /// The longest tail that was told of late, in samples.
    tail: AtomicU32,
    /// What asks the open editor to look at all values.
    waker: std::sync::OnceLock<Box<dyn Fn() + Send + Sync>>,",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "is_processing: AtomicBool::new(false),",
                becomes: "is_processing: AtomicBool::new(false),
            mode_changed: AtomicBool::new(false),
            tail: AtomicU32::new(0),
            waker: std::sync::OnceLock::new(),",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "#[allow(clippy::enum_variant_names)]",
                becomes: "#[allow(clippy::enum_variant_names, dead_code)]",
            },
            // A block looked for a state from the window behind a lock, each time; now only while one waits.
            Edit {
                file: "src/wrapper/state.rs",
                was: "/// Create a parameters iterator from",
                becomes: "/// States from editors on their way to audio threads.
static WAITING: std::sync::atomic::AtomicUsize = std::sync::atomic::AtomicUsize::new(0);

/// Counts a state while it is on its way.
pub(crate) struct Waiting;

impl Waiting {
    pub(crate) fn begin() -> Self {
        WAITING.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        Self
    }

    pub(crate) fn any() -> bool {
        WAITING.load(std::sync::atomic::Ordering::SeqCst) > 0
    }
}

impl Drop for Waiting {
    fn drop(&mut self) {
        WAITING.fetch_sub(1, std::sync::atomic::Ordering::SeqCst);
    }
}

/// Create a parameters iterator from",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "permit_alloc(|| self.inner.updated_state_receiver.try_recv());",
                becomes: "if state::Waiting::any() {
                permit_alloc(|| self.inner.updated_state_receiver.try_recv())
            } else {
                Err(crossbeam::channel::TryRecvError::Empty)
            };",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "permit_alloc(|| wrapper.updated_state_receiver.try_recv());",
                becomes: "if state::Waiting::any() {
                permit_alloc(|| wrapper.updated_state_receiver.try_recv())
            } else {
                Err(crossbeam::channel::TryRecvError::Empty)
            };",
            },
            Edit {
                file: "src/wrapper/vst3/inner.rs",
                was: "pub fn set_state_object_from_gui(&self, mut state: PluginState) {",
                becomes: "pub fn set_state_object_from_gui(&self, mut state: PluginState) {
        let _waiting = state::Waiting::begin();",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "pub fn set_state_object_from_gui(&self, mut state: PluginState) {",
                becomes: "pub fn set_state_object_from_gui(&self, mut state: PluginState) {
        let _waiting = state::Waiting::begin();",
            },
            // VST3: more points in a block than there is room for were an allocation and a line of log; the last ones of each parameter count.
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "if process_events.len() == process_events.capacity() {
                        crate::nice_warn!(
                            \"Input event buffer filled up! This will cause an allocation.\"
                        );",
                becomes: "if process_events.len() == process_events.capacity() {
                        if let ProcessEvent::ParameterChange { hash, normalized_value: newest, .. } = event {
                            let last = process_events.iter_mut().rev().find_map(|known| match known {
                                ProcessEvent::ParameterChange { hash: other, normalized_value, .. }
                                    if *other == hash =>
                                {
                                    Some(normalized_value)
                                }
                                _ => None,
                            });
                            match last {
                                Some(value) => *value = newest,
                                None => {
                                    self.inner.set_normalized_value_by_hash(hash, newest, Some(sample_rate));
                                }
                            }
                        }
                        return;",
            },
            // The tail was 0 until the first block. A block of no frames, right after activation, tells it. What is told last stays told,
            // in atomics that need no lock.
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "result = kResultOk;",
                becomes: "let buffers = unsafe { buffer_manager.create_buffers(0, 0, |_| ()) };
                                    let mut aux =
                                        AuxiliaryBuffers { inputs: buffers.aux_inputs, outputs: buffers.aux_outputs };
                                    let transport = Transport::new(buffer_config.sample_rate);
                                    let mut context = self.inner.make_process_context(transport, None, 0, 0);
                                    let status = plugin.process(buffers.main_buffer, &mut aux, &mut context);
                                    drop(context);
                                    self.inner.tail.store(0, Ordering::Relaxed);
                                    self.inner.keep_tail(status);
                                    self.inner.mode_changed.store(false, Ordering::SeqCst);
                                    self.inner.is_active.store(true, Ordering::SeqCst);
                                    result = kResultOk;",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "plugin.deactivate();",
                becomes: "self.inner.is_active.store(false, Ordering::SeqCst);
                        plugin.deactivate();",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "self.inner.last_process_status.store(result);",
                becomes: "self.inner.keep_tail(result);",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "match self.inner.last_process_status.load() {",
                becomes: "match ProcessStatus::Tail(self.inner.tail.load(Ordering::Relaxed)) {",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "wrapper.is_activated.store(true, Ordering::SeqCst);",
                becomes: "let buffers = unsafe { buffer_manager.create_buffers(0, 0, |_| ()) };
                                    let mut aux =
                                        AuxiliaryBuffers { inputs: buffers.aux_inputs, outputs: buffers.aux_outputs };
                                    let transport = Transport::new(buffer_config.sample_rate);
                                    let mut context = wrapper.make_process_context(transport, 0, 0, std::ptr::null());
                                    let status = plugin.process(buffers.main_buffer, &mut aux, &mut context);
                                    drop(context);
                                    wrapper.tail.store(0, Ordering::Relaxed);
                                    wrapper.keep_tail(status);
                            wrapper.mode_changed.store(false, Ordering::SeqCst);
                            wrapper.is_activated.store(true, Ordering::SeqCst);",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "wrapper.last_process_status.store(result);",
                becomes: "wrapper.keep_tail(result);",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "match wrapper.last_process_status.load() {",
                becomes: "match ProcessStatus::Tail(wrapper.tail.load(Ordering::Relaxed)) {",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "pub fn set_latency_samples(&self, samples: u32) {",
                becomes: "/// Keeps the length of a tail.
    fn keep_tail(&self, status: ProcessStatus) {
        match status {
            ProcessStatus::Tail(samples) if samples > 0 => self.tail.store(samples, Ordering::Relaxed),
            ProcessStatus::KeepAlive => self.tail.store(u32::MAX, Ordering::Relaxed),
            _ => (),
        }
    }

    pub fn set_latency_samples(&self, samples: u32) {",
            },
            // CLAP: a tail reaches the host as 'go on', since it may grow and the framework never tells the host that it did; a
            // tail of no frames is a plug-in that may sleep.
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "ProcessStatus::Tail(_) => CLAP_PROCESS_CONTINUE,",
                becomes: "ProcessStatus::Tail(0) => clap_sys::process::CLAP_PROCESS_SLEEP,
                    ProcessStatus::Tail(_) => CLAP_PROCESS_CONTINUE,",
            },
            // The mode of rendering, told while active, reached the plug-in never (VST3: one call late when told before). At the next
            // block it is activated again in place: it must change the mode without a break and without an allocation.
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "// so the plugin can react to the process mode change in `Plugin::activate`.
            wrapper.request_restart();",
                becomes: "if let Some(mut config) = wrapper.current_buffer_config.load() {
                config.process_mode = mode;
                wrapper.current_buffer_config.store(Some(config));
                wrapper.mode_changed.store(true, Ordering::SeqCst);
            }",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "self.inner.current_process_mode.store(mode);",
                becomes: "self.inner.current_process_mode.store(mode);
        if self.inner.is_active.load(Ordering::SeqCst) {
            self.inner.mode_changed.store(true, Ordering::SeqCst);
        }",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "process_mode: self.inner.current_process_mode.load(),
        }));",
                becomes: "process_mode: match setup.processMode {
                #[allow(clippy::unnecessary_cast)]
                n if n == ProcessModes_::kPrefetch as i32 => ProcessMode::Buffered,
                #[allow(clippy::unnecessary_cast)]
                n if n == ProcessModes_::kOffline as i32 => ProcessMode::Offline,
                _ => ProcessMode::Realtime,
            },
        }));",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "// Initializing the plugin happens in `IAudioProcessor::set_active()` because the host may
        // still change the channel layouts at this point

        kResultOk",
                becomes: "// Initializing the plugin happens in `IAudioProcessor::set_active()` because the host may
        // still change the channel layouts at this point

        result",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "// SAFETY: Shortening these borrows is safe as even if the plugin overwrites the",
                becomes: "if wrapper.mode_changed.load(Ordering::Relaxed)
                        && wrapper.mode_changed.swap(false, Ordering::SeqCst)
                        && let Some(config) = wrapper.current_buffer_config.load()
                    {
                        let context = &mut wrapper.make_activate_context();
                        plugin.activate(&current_audio_io_layout, &config, context);
                    }
                    // SAFETY: Shortening these borrows is safe as even if the plugin overwrites the",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "if let Some(mut plugin) = self.inner.plugin.try_lock() {
                            let mut aux",
                becomes: "if let Some(mut plugin) = self.inner.plugin.try_lock() {
                            if self.inner.mode_changed.load(Ordering::Relaxed)
                        && self.inner.mode_changed.swap(false, Ordering::SeqCst)
                        && let Some(config) = self.inner.current_buffer_config.load()
                    {
                        let context = &mut self.inner.make_activate_context();
                        plugin.activate(&current_audio_io_layout, &config, context);
                    }
                            let mut aux",
            },
            // VST3: a rate at which the plug-in cannot run was accepted and failed at activation. An activation for blocks of no frames asks,
            // and changes nothing.
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "crate::nice_debug_assert_eq!(setup.symbolicSampleSize, K_SYMBOLIC_SAMPLE_SIZE_32);",
                becomes: "if setup.symbolicSampleSize != K_SYMBOLIC_SAMPLE_SIZE_32 || setup.maxSamplesPerBlock < 0 {
            return kResultFalse;
        }
        let mut result = kResultFalse;
        let known = self.inner.current_buffer_config.load().map(|config| config.sample_rate);
        let is_known = self.inner.is_active.load(Ordering::SeqCst) && known == Some(setup.sampleRate as f32);
        let question = BufferConfig {
            sample_rate: setup.sampleRate as f32,
            min_buffer_size: None,
            max_buffer_size: 0,
            process_mode: self.inner.current_process_mode.load(),
        };
        let layout = self.inner.current_audio_io_layout.load();
        let mut context = self.inner.make_activate_context();
        let now = Instant::now();
        loop {
            if is_known {
                result = kResultOk;
                break;
            }
            if let Some(mut asked) = self.inner.plugin.try_lock() {
                if asked.activate(&layout, &question, &mut context) {
                    result = kResultOk;
                }
                break;
            } else if now.elapsed() > Duration::from_secs(1) {
                break;
            }
            std::thread::yield_now();
        }
        drop(context);
        if result != kResultOk {
            return result;
        }",
            },
            // What hosts show: lists as lists, units without the space that parts them from a number, no pages where there are none.
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "if is_bypass {
                info.flags |= ParameterFlags_::kIsBypass;",
                becomes: "if matches!(param_ptr, nice_plug_core::params::internals::ParamPtr::EnumParam(_)) {
                info.flags |= ParameterFlags_::kIsList;
            }
            if is_bypass {
                info.flags |= ParameterFlags_::kIsBypass;",
            },
            Edit {
                file: "src/wrapper/vst3/wrapper.rs",
                was: "u16strlcpy(&mut info.units, unsafe { param_ptr.unit() });",
                becomes: "u16strlcpy(&mut info.units, unsafe { param_ptr.unit() }.trim_start());",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "if step_count.is_some() {",
                becomes: "if matches!(param_ptr, ParamPtr::EnumParam(_)) {
            param_info.flags |= clap_sys::ext::params::CLAP_PARAM_IS_ENUM;
        }
        if step_count.is_some() {",
            },
            Edit {
                file: "src/wrapper/clap/wrapper.rs",
                was: "} else if id == CLAP_EXT_REMOTE_CONTROLS {",
                becomes: "} else if id == CLAP_EXT_REMOTE_CONTROLS && !wrapper.remote_control_pages.is_empty() {",
            },
        ],
    },
    Patch {
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
    Patch {
        package: "nice-plug-core",
        version: "0.4.2",
        sources: "734aac7704dd0f36a3c12a3ddb41c277615b43dab2ea47378c98aa1d22f17f97",
        edits: &[
            // The way on which a changed value reaches the window without a task.
            Edit {
                file: "src/editor.rs",
                was: "pub trait Editor: Send {
    type Handle: EditorHandle;",
                becomes: "pub trait Editor: Send {
    type Handle: EditorHandle;

    /// Returns what asks the open editor to look at all values anew; any thread may call it.
    fn waker(&self) -> Box<dyn Fn() + Send + Sync> {
        Box::new(|| ())
    }",
            },
            // The name of a list's entry in a state, for an entry that is not set.
            Edit {
                file: "src/params/enums.rs",
                was: "/// Set the parameter based on a serialized stable string identifier.",
                becomes: "/// Get the stable string identifier of an entry.
    pub fn id_at(&self, index: usize) -> Option<&'static str> {
        self.ids?.get(index).copied()
    }

    /// Set the parameter based on a serialized stable string identifier.",
            },
        ],
    },
    Patch {
        package: "nice-plug-egui",
        version: "0.6.0",
        sources: "52d2f5fa60efba03e94fe327b8a18b5d09de18d432f0b9814bb6d59e72a4c257",
        edits: &[
            // The other end of that way: the flag that the window looks at 64 times a second.
            Edit {
                file: "src/editor.rs",
                was: "type Handle = EguiEditorHandle;",
                becomes: "type Handle = EguiEditorHandle;

    fn waker(&self) -> Box<dyn Fn() + Send + Sync> {
        let notifier = self.repaint_notifier.clone();
        Box::new(move || notifier.request_repaint())
    }",
            },
        ],
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::packages::{Packages, system};
    use crate::workspace;

    /// Returns the code of a source, without comments and spaces.
    fn code(text: &str) -> Result<String, String> {
        let tokens: proc_macro2::TokenStream =
            text.parse().map_err(|error| format!("is no code: {error}"))?;
        let is_said = |token: &proc_macro2::TokenTree| !token.to_string().trim().is_empty();
        Ok(tokens.into_iter().filter(is_said).map(|token| token.to_string() + " ").collect())
    }

    /// Makes an edit in the text of a source, and says what is wrong with it.
    fn make(edit: &Edit, text: &mut String) -> Result<(), String> {
        let found = text.matches(edit.was).count();
        if found != 1 {
            return Err(format!("{}: stands there {found} times: {:?}", edit.file, edit.was));
        }
        let before = code(text)?;
        *text = text.replacen(edit.was, edit.becomes, 1);
        if code(text).map_err(|fault| format!("{}: after {:?}: {fault}", edit.file, edit.was))? == before {
            return Err(format!("{}: the code stays the same: {:?}", edit.file, edit.was));
        }
        Ok(())
    }

    /// Each is made in the published source, in turn: it fits, what comes out is code, and other code than before.
    #[test]
    fn every_patch_changes_the_code_of_a_published_source() {
        let store = Packages::of(&workspace::root().unwrap(), &system().unwrap()).unwrap();
        let mut faults = Vec::new();
        for patch in &PATCHES {
            let published = store.all().find(|known| known.name == patch.package).expect("it is used");
            assert_eq!(published.version, patch.version, "{}", patch.package);
            let mut texts = std::collections::BTreeMap::new();
            for edit in patch.edits {
                let text = texts.entry(edit.file).or_insert_with(|| {
                    std::fs::read_to_string(published.folder.join(edit.file)).unwrap().replace("\r\n", "\n")
                });
                faults.extend(make(edit, text).err());
            }
        }
        assert!(faults.is_empty(), "{faults:#?}");
    }

    /// The control: an edit that fits nowhere, fits twice, changes a comment or a space, or breaks the code, is seen.
    #[test]
    fn an_edit_that_changes_nothing_or_breaks_the_code_is_seen() {
        let source = "fn a() { 1 } // one\nfn b() { 1 }\n";
        let make = |was, becomes| make(&Edit { file: "src/lib.rs", was, becomes }, &mut source.to_owned());
        for (was, becomes) in [
            ("fn c", "fn d"),
            ("1 }", "2 }"),
            ("// one", "// two"),
            ("fn a() {", "fn  a()  {"),
            ("fn a() {", "fn a() {{"),
        ] {
            assert!(make(was, becomes).is_err(), "{was:?} became {becomes:?}");
        }
        assert_eq!(make("fn a() { 1 }", "fn a() { 2 }"), Ok(()));
    }
}

/// What stands in `patches/told.rs` becomes a part of the framework; here it is tried alone.
#[cfg(test)]
#[path = "patches/told.rs"]
mod told;

#[cfg(test)]
mod told_tests {
    use super::told::Told;

    /// Frames of a second at 48 kHz.
    const SECOND: usize = 48_000;

    #[test]
    fn what_lies_within_automation_that_plays_is_noted_and_all_else_is_to_be_set() {
        let told = Told::new([1, 2].into_iter());
        assert!(!told.is_echo(1, 0.5), "nothing plays");
        assert!(!told.is_echo(3, 0.5), "no such parameter");
        told.pass(100);
        told.point(1, 0.2);
        told.point(1, 0.6);
        assert!(told.is_echo(1, 0.4));
        assert_eq!(told.read(1), Some(0.4));
        assert!(!told.is_echo(2, 0.4), "another parameter");
        assert!(!told.is_echo(1, 0.9), "outside");
        assert_eq!(told.read(1), None, "what is set is newer than the note");
        assert!(!told.is_echo(1, f32::NAN));
    }

    #[test]
    fn a_note_lasts_until_a_point_and_is_set_after_a_second_of_sound_or_at_the_end() {
        let told = Told::new([1].into_iter());
        for end in 0..3 {
            told.point(1, 0.5);
            assert!(told.is_echo(1, 0.5));
            told.pass(SECOND);
            told.settle(|_, _| panic!("a second is not over"));
            assert_eq!(told.read(1), Some(0.5));
            match end {
                0 => told.point(1, 0.7),
                1 => {
                    told.pass(1);
                    let mut set = Vec::new();
                    told.settle(|parameter, value| set.push((parameter, value)));
                    assert_eq!(set, [(1, 0.5)], "what no point followed is set");
                }
                _ => assert_eq!(told.take(), [(1, 0.5)]),
            }
            assert_eq!(told.read(1), None);
            assert!(told.take().is_empty());
            told.pass(2 * SECOND);
            assert!(!told.is_echo(1, 0.6), "the automation is over");
        }
    }

    #[test]
    fn automation_that_starts_anew_has_a_range_of_its_own() {
        let told = Told::new([1].into_iter());
        told.point(1, 0.0);
        told.point(1, 1.0);
        told.pass(2 * SECOND);
        told.point(1, 0.3);
        assert!(!told.is_echo(1, 0.5));
        assert!(told.is_echo(1, 0.3));
    }

    #[test]
    fn an_edit_in_the_window_is_noted_whatever_plays() {
        let told = Told::new([1].into_iter());
        told.note(1, 0.25);
        assert_eq!(told.read(1), Some(0.25));
        told.note(1, f32::NAN);
        assert_eq!(told.read(1), Some(0.25));
        told.forget();
        assert_eq!(told.read(1), None);
    }
}
