//! What a mistyped word was meant to be.

/// Similarity from which a mistyped word is taken for another, 0 to 1.
///
/// Jaro-Winkler; our choice: "deph" and "bering" are found, "tempo" is not taken for "depth".
const ALIKE: f64 = 0.8;

/// Returns the word most like `typed`, if any is alike.
pub fn nearest<'a>(typed: &str, words: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let typed = typed.to_lowercase();
    words
        .map(|word| (strsim::jaro_winkler(&typed, &word.to_lowercase()), word))
        .filter(|(likeness, _)| *likeness >= ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, word)| word)
}

/// Returns a word without what people write differently: case, hyphens, underscores, spaces.
pub fn loose(word: &str) -> String {
    word.trim().to_lowercase().replace(['-', '_', ' '], "")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mistyped_word_is_found_and_a_foreign_one_is_not() {
        let words = || ["depth", "bearing", "riser"].into_iter();
        assert_eq!(nearest("deph", words()), Some("depth"));
        assert_eq!(nearest("BERING", words()), Some("bearing"));
        assert_eq!(nearest("tempo", words()), None);
        assert_eq!(loose(" Rear-Bell"), loose("rear_bell"));
    }
}
