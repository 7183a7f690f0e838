//! From a name to a file name that every file system takes.

use sanitise_file_name::{Options, sanitise_with_options};

/// Most bytes of a file name without its ending: file systems take 255, other programs add to it.
const MOST_BYTES: usize = 120;

/// Names of devices on Windows, in any case, alone and before any dot; with a digit behind them, also those of [`PORTS`].
///
/// # Source
/// Microsoft, 'Naming Files, Paths, and Namespaces' (from memory).
const DEVICES: [&str; 7] = ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$", "CLOCK$"];
/// Devices that are counted: by a digit, or by a raised 1, 2 or 3 (the same source).
const PORTS: [&str; 2] = ["COM", "LPT"];

/// Returns a file name without ending for a name; `None` where no letter and no digit is left of it.
///
/// What some system forbids becomes a hyphen, also on the others: files travel.
pub fn safe_name(name: &str) -> Option<String> {
    let options = Options {
        length_limit: MOST_BYTES,
        extension_cleverness: false,
        trim_more_punctuation: false,
        replace_with: Some('-'),
        six_measures_of_barley: "-",
        ..Options::DEFAULT
    };
    // An ending follows, and what stands before the first dot counts.
    let safe = sanitise_with_options(name, &options);
    let first = safe.split('.').next().unwrap_or_default();
    let safe = if is_device(first.trim_end()) { format!("{first}_{}", &safe[first.len()..]) } else { safe };
    safe.chars().any(char::is_alphanumeric).then_some(safe)
}

fn is_device(name: &str) -> bool {
    let name = name.to_uppercase();
    let is_counted = |rest: &str| {
        let mut letters = rest.chars();
        letters.next().is_some_and(|letter| "0123456789\u{b9}\u{b2}\u{b3}".contains(letter))
            && letters.next().is_none()
    };
    DEVICES.contains(&name.as_str())
        || PORTS.iter().any(|port| name.strip_prefix(port).is_some_and(is_counted))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn what_a_file_system_forbids_is_replaced() {
        for (name, expected) in [
            ("Horns, far", "Horns, far"),
            (" a/b\\c:d ", "a-b-c-d"),
            ("Hörner ♭", "Hörner ♭"),
            ("../../etc/passwd", "-..-etc-passwd"),
            (".hidden", "hidden"),
            ("dots...", "dots"),
            ("two\nlines", "two lines"),
            ("right\u{202e}to left", "right-to left"),
            ("a\u{9b}31mred", "a-31mred"),
        ] {
            assert_eq!(safe_name(name).as_deref(), Some(expected), "{name:?}");
        }
        for nothing in ["", "  ", "...", "/", "??", "\u{7}", "-"] {
            assert_eq!(safe_name(nothing), None, "{nothing:?}");
        }
        assert!(safe_name(&"ä".repeat(500)).unwrap().len() <= MOST_BYTES);
    }

    #[test]
    fn no_name_is_that_of_a_device() {
        for (name, expected) in [
            ("CON", "CON_"),
            ("nul", "nul_"),
            ("aux", "aux_"),
            ("COM1", "COM1_"),
            ("nul.toml", "nul_.toml"),
            ("LPT1.x", "LPT1_.x"),
            ("LPT0", "LPT0_"),
            ("COM\u{b9}", "COM\u{b9}_"),
            ("com\u{b3}.a.b", "com\u{b3}_.a.b"),
            ("CONIN$", "CONIN$_"),
            ("conout$.txt", "conout$_.txt"),
            ("nul .txt", "nul _.txt"),
            (" PRN . ", "PRN_"),
            // No devices.
            ("Con moto", "Con moto"),
            ("COM10", "COM10"),
            ("Console", "Console"),
            ("a.nul", "a.nul"),
        ] {
            assert_eq!(safe_name(name).as_deref(), Some(expected), "{name:?}");
        }
    }

    proptest! {
        #[test]
        fn any_name_is_safe_and_stays_so(name in any::<String>()) {
            let Some(safe) = safe_name(&name) else { return Ok(()) };
            let forbidden = |c: char| c.is_control() || r#"<>:"/\|?*"#.contains(c);
            prop_assert!(!safe.contains(forbidden), "{safe:?}");
            prop_assert!(!safe.starts_with([' ', '.']) && !safe.ends_with([' ', '.']), "{safe:?}");
            prop_assert!(safe.len() <= MOST_BYTES + 1, "{safe:?}");
            prop_assert!(!is_device(safe.split('.').next().unwrap_or_default().trim_end()), "{safe:?}");
            prop_assert_eq!(safe_name(&safe), Some(safe.clone()));
        }
    }
}
