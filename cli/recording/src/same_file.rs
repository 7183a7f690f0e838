//! Whether two paths mean one file, or would on another disk.

use std::path::Path;

use unicode_normalization::UnicodeNormalization as _;

/// Says whether both are there and are one file, however they are spelt: through links of either kind, `..`, or letters
/// of another case where the disk does not tell them apart.
pub fn is_same_file(a: &Path, b: &Path) -> bool {
    same_file::is_same_file(a, b).unwrap_or(false)
}

/// Says whether two names of files in one folder are one name on some disk: but for case, and for how Unicode composes
/// letters (as the disks of macOS and Windows are set up).
pub fn is_same_name(a: &str, b: &str) -> bool {
    // Through capitals, so that letters whose small forms differ and whose capitals do not are one: more names are taken
    // for one than any disk does, and that only asks for another name.
    let loose =
        |name: &str| name.nfd().collect::<String>().to_uppercase().to_lowercase().nfd().collect::<String>();
    a == b || loose(a) == loose(b)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn one_file_is_known_however_it_is_spelt() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::create_dir(at("in")).unwrap();
        fs::write(at("in/a.wav"), "x").unwrap();
        fs::write(at("in/b.wav"), "x").unwrap();
        fs::hard_link(at("in/a.wav"), at("hard.wav")).unwrap();
        let mut others = vec!["in/a.wav", "in/../in/a.wav", "in/./a.wav", "hard.wav"];
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(at("in/a.wav"), at("soft.wav")).unwrap();
            std::os::unix::fs::symlink(at("in"), at("folder")).unwrap();
            others.extend(["soft.wav", "folder/a.wav"]);
        }
        for other in others {
            assert!(is_same_file(&at("in/a.wav"), &at(other)), "{other}");
            assert!(!is_same_file(&at("in/b.wav"), &at(other)), "{other}");
        }
        assert!(!is_same_file(&at("no.wav"), &at("no.wav")), "is not there");
    }

    #[test]
    fn names_that_some_disk_takes_for_one_are_one() {
        for (a, b) in [
            ("Horn.wav", "horn.WAV"),
            ("H\u{f6}rner", "Ho\u{308}rner"),
            ("\u{c4}", "a\u{308}"),
            ("Gro\u{df}", "GROSS"),
        ] {
            assert!(is_same_name(a, b), "{a} {b}");
        }
        for (a, b) in [("horn 1", "horn 2"), ("o", "\u{f6}"), ("horn", "horn ")] {
            assert!(!is_same_name(a, b), "{a} {b}");
        }
    }
}
