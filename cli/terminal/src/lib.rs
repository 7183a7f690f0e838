//! Lines on the terminal: text and nothing else.
//!
//! Names of files, seats and stems come from anybody, and a terminal obeys
//! some characters: it would clear itself, hide a line, or show one that was
//! never said. So whatever is printed goes through here.

use std::borrow::Cow;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

/// Prints a line to the standard output; takes what `format!` takes.
#[macro_export]
macro_rules! say {
    () => { $crate::said("") };
    ($($text:tt)*) => { $crate::said(&format!($($text)*)) };
}

/// Prints a line to the standard error; takes what `format!` takes.
#[macro_export]
macro_rules! tell {
    ($($text:tt)*) => { $crate::told(&format!($($text)*)) };
}

/// Prints a line to the standard output. [`say!`] calls it.
pub fn said(line: &str) {
    // Whoever reads may have had enough (`| head`); that is no fault of the work.
    let _ = writeln!(std::io::stdout().lock(), "{}", printable(line));
}

/// Prints a line to the standard error. [`tell!`] calls it.
pub fn told(line: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{}", printable(line));
}

/// Returns a path as a person would write it from the current folder.
pub fn shown(path: &Path) -> String {
    let here = std::env::current_dir().ok();
    match here.and_then(|here| path.strip_prefix(here).ok().map(Path::to_path_buf)) {
        Some(path) if path.as_os_str().is_empty() => ".".into(),
        Some(path) => path.display().to_string(),
        None => path.display().to_string(),
    }
}

/// Returns a text in which what a terminal would obey is written out, as in `\u{1b}`.
pub fn printable(text: &str) -> Cow<'_, str> {
    if !text.contains(is_obeyed) {
        return Cow::Borrowed(text);
    }
    let mut written = String::with_capacity(text.len());
    for letter in text.chars() {
        if is_obeyed(letter) {
            // Writing to a string does not fail.
            let _ = write!(written, "{}", letter.escape_default());
        } else {
            written.push(letter);
        }
    }
    Cow::Owned(written)
}

/// Says whether a character is obeyed instead of shown.
///
/// # Source
/// Control characters: ISO 6429 (C0, DEL and C1, Unicode's category Cc). Line
/// and paragraph separator, and what turns the direction of writing: Unicode
/// Standard Annex 9, table 4 (`Bidi_Control`). From memory.
fn is_obeyed(letter: char) -> bool {
    letter.is_control()
        || matches!(
            letter,
            '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}'
        )
}

/// Reads the command line, or says what is wrong with it and ends the program, as `clap` does.
pub fn arguments<T: clap::Parser>() -> T {
    T::try_parse().unwrap_or_else(|error| {
        // Coloured where nothing else than its own colours would be obeyed.
        let is_plain = std::env::args_os().all(|word| !word.to_string_lossy().contains(is_obeyed));
        if is_plain || !error.use_stderr() {
            error.exit();
        }
        error.render().to_string().lines().for_each(told);
        std::process::exit(error.exit_code());
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_terminal_obeys_is_written_out() {
        for (text, expected) in [
            ("Hörner ♭ 号 \u{1f3ba}", "Hörner ♭ 号 \u{1f3ba}"),
            ("\u{1b}[2Jgone", r"\u{1b}[2Jgone"),
            ("a\nerror: b\r\tc", r"a\nerror: b\r\tc"),
            ("\u{7f}\u{9b}31m\u{0}", r"\u{7f}\u{9b}31m\u{0}"),
            ("\u{202e}vaw.a\u{2066}\u{200f}\u{61c}", r"\u{202e}vaw.a\u{2066}\u{200f}\u{61c}"),
            ("\u{2028}x\u{2029}", r"\u{2028}x\u{2029}"),
        ] {
            assert_eq!(printable(text), expected);
        }
        // Every one of them, and no letter: what joins letters of a script, or of an emoji, stays.
        let obeyed = (0..=0x10_ffff).filter_map(char::from_u32).filter(|letter| is_obeyed(*letter)).count();
        assert_eq!(obeyed, 65 + 3 + 7 + 4);
        assert!(!is_obeyed('\u{200d}') && !is_obeyed('\u{200c}') && !is_obeyed('\u{a0}'));
    }
}
