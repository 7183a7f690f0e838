//! What it was measured on.

use rostra_dsp::kernel::InstructionSet;
use serde::Serialize;

/// The machine, without anything that changes from run to run.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Machine {
    /// The processor, as the operating system names it.
    processor: String,
    /// Cores that this program may use.
    cores: usize,
    /// Whether the kernels run with AVX2 and fused multiply-add.
    is_wide: bool,
    /// System and architecture of the build.
    target: String,
}

impl Machine {
    /// Looks at this machine.
    pub(crate) fn found() -> Self {
        Self {
            processor: processor().unwrap_or_else(|| "unknown processor".into()),
            cores: std::thread::available_parallelism().map_or(1, usize::from),
            is_wide: InstructionSet::widest().is_wide(),
            target: format!("{} {}", std::env::consts::OS, std::env::consts::ARCH),
        }
    }

    /// Returns it as a sentence.
    pub(crate) fn sentence(&self) -> String {
        let set = if self.is_wide { "AVX2 and FMA found and used" } else { "no AVX2 with FMA found" };
        format!("{}, {} cores, {}, {set}", self.processor, self.cores, self.target)
    }
}

/// Asks the operating system for the processor's name.
fn processor() -> Option<String> {
    if cfg!(target_os = "linux") {
        let text = std::fs::read_to_string("/proc/cpuinfo").ok()?;
        return value(&text, "model name");
    }
    if cfg!(target_os = "macos") {
        let output =
            std::process::Command::new("sysctl").args(["-n", "machdep.cpu.brand_string"]).output().ok()?;
        let name = String::from_utf8_lossy(&output.stdout).trim().to_owned();
        return (!name.is_empty()).then_some(name);
    }
    std::env::var("PROCESSOR_IDENTIFIER").ok()
}

/// Returns the first value of a key in lines of `key : value`.
fn value(text: &str, key: &str) -> Option<String> {
    let mut pairs = text.lines().filter_map(|line| line.split_once(':'));
    pairs.find(|(found, _)| found.trim() == key).map(|(_, value)| value.trim().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_processor_is_the_first_one_named() {
        let text = "processor\t: 0\nmodel name\t: A 1 @ 2 GHz\n\nprocessor\t: 1\nmodel name\t: B\n";
        assert_eq!(value(text, "model name").as_deref(), Some("A 1 @ 2 GHz"));
        assert_eq!(value(text, "model"), None);
    }
}
