//! What has to be installed besides Rust, on Debian-based systems, and whether it is.

use std::process::Command;

/// A program that is needed on Debian-based systems, and the packages that bring it.
pub(crate) struct Needed {
    program: &'static str,
    arguments: &'static [&'static str],
    pub(crate) package: &'static str,
    pub(crate) why: &'static str,
    /// Without it a test is skipped; with the others missing nothing works.
    pub(crate) is_optional: bool,
}

impl Needed {
    /// Says what cannot be tried without it, where it is missing; the tests that need it then pass without having looked.
    pub(crate) fn missing(&self) -> Option<String> {
        if !cfg!(target_os = "linux") {
            return Some("tried on Linux only".into());
        }
        (!self.is_there()).then(|| format!("{} is missing: it {}", self.package, self.why))
    }

    /// Says whether it is there.
    pub(crate) fn is_there(&self) -> bool {
        let output = Command::new(self.program).args(self.arguments).output();
        output.is_ok_and(|output| output.status.success())
    }
}

/// What the machine needs besides Rust.
///
/// The plug-in opens X11 and EGL at run time, so building it needs no
/// development packages. The Python hosts bring their own libraries, but for
/// those that come with the compiler (libatomic, libstdc++), zlib, and what is named.
pub(crate) const NEEDED: [Needed; 12] = [
    Needed {
        program: "cc",
        arguments: &["--version"],
        package: "build-essential",
        why: "links the plug-in",
        is_optional: false,
    },
    Needed {
        program: "python3",
        arguments: &["-c", "import ensurepip, venv"],
        package: "python3-venv",
        why: "runs the Python hosts",
        is_optional: false,
    },
    Needed {
        program: "sh",
        arguments: &["-c", "ls /usr/lib/*/libGL.so.1 && ls /usr/lib/*/libglib-2.0.so.0"],
        package: "libgl1 libglib2.0-0",
        why: "is what one of the Python hosts links",
        is_optional: false,
    },
    Needed {
        program: "sh",
        arguments: &["-c", "ls /usr/lib*/libxcb.so /usr/lib/*/libxcb.so 2>/dev/null | grep -q ."],
        package: "libxcb1-dev",
        why: "is what the tests' VST3 host links",
        is_optional: false,
    },
    ALSA,
    DRAWING,
    STRACE,
    XVFB,
    EMULATOR,
    ARM_EMULATOR,
    ARM_LINKER,
    SOUND_SERVER,
];

/// Builds what plays to a sound card; the plug-in and all other tasks do without.
pub(crate) const ALSA: Needed = Needed {
    program: "pkg-config",
    arguments: &["--exists", "alsa"],
    package: "libasound2-dev pkg-config",
    why: "builds what plays to a sound card",
    is_optional: false,
};

/// Watches the audio thread; traces a program that does nothing, since some machines allow no tracing.
const STRACE: Needed = Needed {
    program: "strace",
    arguments: &["-f", "-o", "/dev/null", "true"],
    package: "strace",
    why: "watches the audio thread for system calls",
    is_optional: true,
};

/// Draws pictures of the editor without a display, in software.
pub(crate) const DRAWING: Needed = Needed {
    program: "sh",
    arguments: &["-c", "ls /usr/share/vulkan/icd.d/lvp_icd*.json"],
    package: "mesa-vulkan-drivers",
    why: "draws pictures of the editor without a display",
    is_optional: true,
};

/// Gives the editor's window a display that nobody sees.
pub(crate) const XVFB: Needed = Needed {
    program: "sh",
    arguments: &[
        "-c",
        "command -v Xvfb && ls /usr/lib*/libEGL.so.1 /usr/lib/*/libEGL.so.1 2>/dev/null | grep -q .",
    ],
    package: "xvfb libegl1 libgl1",
    why: "gives the editor's window a display",
    is_optional: true,
};

/// Shows the plug-in other processors.
pub(crate) const EMULATOR: Needed = Needed {
    program: "qemu-x86_64",
    arguments: &["--version"],
    package: "qemu-user",
    why: "shows the plug-in other processors",
    is_optional: true,
};

/// Runs what is built for 64-bit ARM.
pub(crate) const ARM_EMULATOR: Needed = Needed {
    program: "qemu-aarch64",
    arguments: &["--version"],
    package: "qemu-user",
    why: "runs what is built for 64-bit ARM",
    is_optional: true,
};

/// Links what is built for 64-bit ARM.
pub(crate) const ARM_LINKER: Needed = Needed {
    program: "aarch64-linux-gnu-gcc",
    arguments: &["--version"],
    package: "gcc-aarch64-linux-gnu libc6-dev-arm64-cross",
    why: "links what is built for 64-bit ARM",
    is_optional: true,
};

/// Gives what plays to a sound card one that nobody hears.
pub(crate) const SOUND_SERVER: Needed = Needed {
    program: "sh",
    arguments: &[
        "-c",
        "command -v pulseaudio && command -v pactl && ls /usr/lib*/alsa-lib/libasound_module_pcm_pulse.so /usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so 2>/dev/null | grep -q .",
    ],
    package: "pulseaudio pulseaudio-utils libasound2-plugins",
    why: "gives what plays to a sound card one that nobody hears",
    is_optional: true,
};

/// Says why no system calls can be watched here, if so; the test that does it then passes without having looked.
pub(crate) fn untraceable() -> Option<String> {
    if !cfg!(target_os = "linux") {
        return Some("system calls are watched on Linux only".into());
    }
    match Command::new(STRACE.program).args(STRACE.arguments).output() {
        Err(error) => Some(format!("strace cannot be run: {error}")),
        Ok(output) if !output.status.success() => {
            Some(format!("strace cannot trace here: {}", String::from_utf8_lossy(&output.stderr).trim()))
        }
        Ok(_) => None,
    }
}
