//! From a name to a file name that every file system takes.

use sanitise_file_name::{Options, sanitise_with_options};

/// Most bytes of a file name without its ending: file systems take 255, other programs add to it.
const MOST_BYTES: usize = 120;

/// Returns a file name without ending for a name; `None` where no letter and no digit is left of it.
///
/// What some system forbids becomes a hyphen, also on the others: files travel.
pub(crate) fn safe_name(name: &str) -> Option<String> {
    let options = Options {
        length_limit: MOST_BYTES,
        extension_cleverness: false,
        trim_more_punctuation: false,
        replace_with: Some('-'),
        six_measures_of_barley: "-",
        ..Options::DEFAULT
    };
    let safe = sanitise_with_options(name, &options);
    safe.chars().any(char::is_alphanumeric).then_some(safe)
}

#[cfg(test)]
mod tests {
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
        ] {
            assert_eq!(safe_name(name).as_deref(), Some(expected), "{name:?}");
        }
        for nothing in ["", "  ", "...", "/", "??", "\u{7}", "-"] {
            assert_eq!(safe_name(nothing), None, "{nothing:?}");
        }
        // Names of devices, after Microsoft's 'Naming Files, Paths, and Namespaces' (from memory).
        for device in ["CON", "nul", "COM1", "aux"] {
            let safe = safe_name(device).unwrap();
            assert!(!safe.eq_ignore_ascii_case(device), "{device} stays");
        }
        assert!(safe_name(&"ä".repeat(500)).unwrap().len() <= MOST_BYTES);
    }
}
