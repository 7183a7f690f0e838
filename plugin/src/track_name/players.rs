//! How many play, as a track's name says it.

use rostra_dsp::acoustics::MOST_PLAYERS;

use super::Instrument;
use super::reader::{Found, Token};
use super::spellings::{DESK, SECTIONS, SOLO, TUTTI};

/// Players of a desk.
const OF_A_DESK: u8 = 2;

/// Returns how many play where a name does not say it in figures, as "a 8" does.
///
/// What is said outright comes first: a solo, a desk, and, of those who play a
/// part each, the parts that are joined, as in "Hn. 3+4". Tutti, a plural
/// and the abbreviation of strings stand for the usual number; everything else is one.
pub(super) fn players(tokens: &[Token], found: &[Found], instrument: Instrument) -> u8 {
    let says = |words: &[&str]| tokens.iter().any(|token| token.is_among(words));
    if says(&SOLO) {
        return 1;
    }
    if says(&DESK) {
        return OF_A_DESK;
    }
    if !instrument.has_desks()
        && let Some(parts) = parts(tokens)
    {
        return parts;
    }
    let is_section = |it: &Found| {
        let words: Vec<&str> = tokens[it.start..it.end].iter().filter_map(Token::word).collect();
        SECTIONS.contains(&words.join(" ").as_str())
            || instrument == Instrument::Choir && !is_one_voice(&words)
    };
    if says(&TUTTI) || found.iter().any(is_section) { instrument.section() } else { 1 }
}

/// Whether a name of the choir is that of a single singer.
fn is_one_voice(words: &[&str]) -> bool {
    matches!(words, ["soprano" | "sopran" | "alto"])
}

/// Returns how many parts are joined to one another: 2 in "3+4", 4 in "1-4".
fn parts(tokens: &[Token]) -> Option<u8> {
    (0..tokens.len()).find_map(|start| {
        let mut last = tokens[start].desk()?;
        let mut count = 1;
        let mut rest = &tokens[start + 1..];
        while let [join, next, after @ ..] = rest
            && let Some(part) = next.desk().filter(|_| !next.is_padded())
        {
            match join {
                Token::And => count += 1,
                Token::Dash if part > last => count += part - last,
                join if join.is("e") => count += 1,
                _ => break,
            }
            (last, rest) = (part, after);
        }
        (count > 1).then(|| count.min(MOST_PLAYERS as u8))
    })
}

#[cfg(test)]
mod tests {
    use crate::track_name::read;

    /// Names and how many they say play.
    #[rustfmt::skip]
    const COUNTED: [(&str, u8); 59] = [
        // Plurals, in four languages.
        ("Violins 1", 14), ("Violini I", 14), ("1. Violinen", 14), ("Premiers violons", 14),
        ("Violins 2", 12), ("Violini secondi", 12), ("Zweite Geigen", 12), ("2\u{e8}mes violons", 12),
        ("Violas", 10), ("Viole", 10), ("Bratschen", 10), ("Altos", 10),
        ("Cellos", 8), ("Violoncelli", 8), ("Celli", 8), ("Violoncelles", 8),
        ("Basses", 6), ("Contrabbassi", 6), ("Kontrab\u{e4}sse", 6), ("Contrebasses", 6),
        ("Horns", 4), ("Corni", 4), ("H\u{f6}rner", 4), ("Cors", 4), ("Horns 2", 4),
        ("Trumpets", 3), ("Trombe", 3), ("Posaunen", 3), ("Trombones", 3),
        ("Flauti", 2), ("Oboen", 2), ("Clarinettes", 2), ("Bassoons", 2),
        // Strings that are abbreviated are a section, winds are one.
        ("Vl. II", 12), ("Vcl", 8), ("Cb pizz", 6), ("Fl.", 1), ("Hn 1", 1),
        // One.
        ("Violin", 1), ("Cello", 1), ("Horn 2", 1), ("Flute", 1), ("Timpani", 1), ("Bratsche", 1),
        ("Violins solo", 1), ("Vc. Solo", 1), ("Violon seul", 1),
        // What is said outright.
        ("Violins 1 a 8", 8), ("Cellos a4", 4), ("Flauti a 2", 2), ("Viola tutti", 10), ("Horn section", 4),
        ("Violins 1 desk 1", 2), ("1st desk Violas", 2), ("Celli first desk", 2), ("1. Pult Violinen", 2),
        ("Violoncelli primo leggio", 2),
        // Parts.
        ("Hn. 3+4", 2), ("H\u{f6}rner 1-4 gestopft", 4),
    ];

    #[test]
    fn plurals_desks_solos_and_parts_say_how_many_play() {
        for (name, players) in COUNTED {
            assert_eq!(read(name).map(|reading| reading.players), Some(players), "{name}");
        }
    }

    #[test]
    fn more_than_a_channel_has_is_not_taken() {
        assert_eq!(read("Violins a 16").map(|reading| reading.players), Some(16));
        assert_eq!(read("Violins a 17").map(|reading| reading.players), Some(14));
        assert_eq!(read("Horns a 0").map(|reading| reading.players), Some(4));
    }
}
