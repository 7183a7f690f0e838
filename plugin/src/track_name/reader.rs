//! Takes a track's name apart into words and numbers, and finds what they mean.

use rostra_dsp::acoustics::MOST_PLAYERS;

use super::spellings::{
    BASS, BASS_OF, BETWEEN, DESK, DOUBTFUL, ENDINGS, NAMES, NOTHING, NUMBERED, Names, ORDINALS, ROMAN, SIZE,
    SUNG, VOICES,
};
use super::{Instrument, Reading, players};

/// The most tokens of a name that are read; the rest of a longer one is ignored.
const MOST_TOKENS: usize = 64;

/// The most characters of a name that are read: far more than a host shows.
const MOST_CHARACTERS: usize = 256;

/// A piece of a name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Token {
    /// Letters, folded.
    Word(String),
    /// Figures: the number if it is 1 to 9, whether it is an ordinal, and whether it has a leading 0.
    Number { value: Option<u8>, ordinal: bool, padded: bool },
    /// A sign or a word that joins: plus, ampersand, slash, comma, "and".
    And,
    /// A dash that is not within a word.
    Dash,
    /// How many play one part, as in "a 2", if it is 1 to 16.
    Together(Option<u8>),
}

impl Token {
    /// Whether it is this word.
    pub(super) fn is(&self, word: &str) -> bool {
        matches!(self, Self::Word(text) if text == word)
    }

    /// Returns the word that it is.
    pub(super) fn word(&self) -> Option<&str> {
        if let Self::Word(text) = self { Some(text) } else { None }
    }

    /// Returns how many play one part, where it says so.
    pub(super) fn together(&self) -> Option<u8> {
        if let Self::Together(players) = self { *players } else { None }
    }

    /// Whether it is a number with a leading 0.
    pub(super) fn is_padded(&self) -> bool {
        matches!(self, Self::Number { padded: true, .. })
    }

    /// Whether it is one of these words.
    pub(super) fn is_among(&self, words: &[&str]) -> bool {
        matches!(self, Self::Word(text) if words.contains(&text.as_str()))
    }

    /// Whether it is a number of any kind and size.
    fn is_number(&self) -> bool {
        matches!(self, Self::Number { .. }) || self.desk().is_some()
    }

    /// Returns the number from 1 to 9 that it is, in figures, Roman ones or words.
    pub(super) fn desk(&self) -> Option<u8> {
        match self {
            Self::Number { value, .. } => *value,
            Self::Word(text) => {
                let is_it = |word: &&str| word == text;
                let index = ROMAN
                    .iter()
                    .position(is_it)
                    .or_else(|| ORDINALS.iter().position(|words| words.iter().any(is_it)));
                index.and_then(|index| u8::try_from(index + 1).ok())
            }
            Self::And | Self::Dash | Self::Together(_) => None,
        }
    }
}

/// A name found among the tokens from `start` to before `end`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) start: usize,
    pub(super) end: usize,
    /// None if the name means no instrument.
    instrument: Option<Instrument>,
    is_sure: bool,
}

/// Reads a track's name.
///
/// None when nothing is recognised or two different instruments are named
/// equally well, such as both sections of violins. Violins without a number
/// are first violins.
#[must_use]
pub fn read(name: &str) -> Option<Reading> {
    let mut tokens = tokens(name);
    // It stands between a name and its number, and parts them no more than a sign does.
    let together = tokens.iter().find_map(Token::together);
    tokens.retain(|token| !matches!(token, Token::Together(_)));
    let mut found = find(&tokens);
    take_sizes(&tokens, &mut found);
    let is_sung = found.iter().any(|it| it.instrument == Some(Instrument::Choir))
        || tokens.iter().enumerate().any(|(at, token)| {
            token.is_among(&SUNG) && !found.iter().any(|it| (it.start..it.end).contains(&at))
        });
    if is_sung {
        let is_sure = found.iter().any(|it| it.instrument == Some(Instrument::Choir) && it.is_sure);
        for it in &mut found {
            if it.end == it.start + 1 && tokens[it.start].is_among(&VOICES) {
                (it.instrument, it.is_sure) = (Some(Instrument::Choir), is_sure);
            }
        }
    }
    found.retain(|it| it.instrument.is_some());
    // What is joined is named as well as what it is joined to.
    let is_joined = tokens.iter().enumerate().any(|(at, token)| {
        let is_number = |at: Option<usize>| at.and_then(|at| tokens.get(at)).is_some_and(Token::is_number);
        *token == Token::And && !(is_number(at.checked_sub(1)) && is_number(Some(at + 1)))
    });
    if !is_joined && found.iter().any(|it| it.is_sure) {
        found.retain(|it| it.is_sure);
    }

    let instrument = found.first()?.instrument?;
    if found.iter().any(|it| it.instrument != Some(instrument)) {
        return None;
    }
    let are_violins = instrument == Instrument::Violins1;
    let reading = |instrument, desk| {
        let players = together.unwrap_or_else(|| players::players(&tokens, &found, instrument));
        Some(Reading { instrument, desk, players })
    };
    let parts = if are_violins { without_desks(&tokens) } else { tokens.clone() };
    let mut desks = found.iter().flat_map(|it| desks(&parts, it, are_violins)).flatten();
    let desk = desks.next();
    if !are_violins {
        return reading(instrument, desk);
    }
    let is_second = desk == Some(2);
    if desks.any(|other| (other == 2) != is_second) {
        return None;
    }
    reading(if is_second { Instrument::Violins2 } else { Instrument::Violins1 }, desk)
}

/// Returns the names found from left to right, the longest at each place.
fn find(tokens: &[Token]) -> Vec<Found> {
    let mut found = Vec::new();
    let mut start = 0;
    while start < tokens.len() {
        let mut longest: Option<Found> = None;
        for (instrument, is_sure, phrase) in phrases() {
            let count = phrase.split(' ').count();
            let is_longer = longest.is_none_or(|it| start + count > it.end);
            let mut pairs = phrase.split(' ').zip(&tokens[start..]);
            if is_longer && start + count <= tokens.len() && pairs.all(|(word, token)| token.is(word)) {
                longest = Some(Found { start, end: start + count, instrument, is_sure });
            }
        }
        start = longest.map_or(start + 1, |it| it.end);
        found.extend(longest);
    }
    found
}

/// Returns all names: what each means, whether that is sure, and how it is written.
fn phrases() -> impl Iterator<Item = (Option<Instrument>, bool, &'static str)> {
    let of = |names: &'static [Names], is_sure| {
        names.iter().flat_map(move |&(instrument, phrases)| {
            phrases.iter().map(move |&phrase| (Some(instrument), is_sure, phrase))
        })
    };
    of(&NAMES, true).chain(of(&DOUBTFUL, false)).chain(NOTHING.iter().map(|&phrase| (None, true, phrase)))
}

/// Gives the wind instruments their sizes, and takes what named a size out of what was found.
fn take_sizes(tokens: &[Token], found: &mut Vec<Found>) {
    let mut sizes = Vec::new();
    for it in found.iter_mut() {
        let Some(&(_, bass)) = BASS_OF.iter().find(|(instrument, _)| it.instrument == Some(*instrument))
        else {
            continue;
        };
        // A number may stand before a size that follows: "Trombone 3 (bass)".
        let after = (it.end..tokens.len()).find(|&at| !tokens[at].is_number());
        for at in [it.start.checked_sub(1), after].into_iter().flatten() {
            let is_bass = tokens[at].is_among(&BASS);
            if is_bass {
                it.instrument = Some(bass);
            }
            if is_bass || tokens[at].is_among(&SIZE) {
                sizes.push(at);
            }
        }
    }
    found.retain(|it| it.end != it.start + 1 || !sizes.contains(&it.start));
}

/// Returns the tokens with a plain word for the number of each desk, which is not that of the section: "1. Pult", "desk 2".
fn without_desks(tokens: &[Token]) -> Vec<Token> {
    let is_desk = |at: Option<usize>| at.and_then(|at| tokens.get(at)).is_some_and(|it| it.is_among(&DESK));
    let is_ordinal = |token: &Token| match token {
        Token::Number { ordinal, .. } => *ordinal,
        Token::Word(_) => true,
        _ => false,
    };
    let of = |(at, token): (usize, &Token)| {
        let is_of_desk = is_desk(at.checked_sub(1)) || is_ordinal(token) && is_desk(Some(at + 1));
        if token.desk().is_some() && is_of_desk { Token::Word(DESK[0].to_owned()) } else { token.clone() }
    };
    tokens.iter().enumerate().map(of).collect()
}

/// Returns the number of a name and the one joined to it, in the order they are written.
///
/// It is next after the name, or else before it. One before must be an
/// ordinal, as in "1st violins", because "4 Horns" says how many and "04
/// Horns" on which track; only with violins 1 and 2 are taken as the section.
fn desks(tokens: &[Token], name: &Found, are_violins: bool) -> [Option<u8>; 2] {
    let joins = |token: &Token| matches!(token, Token::And | Token::Dash) || token.is("e");
    let joined = |at: Option<usize>, beyond: Option<usize>| {
        let (at, beyond) = (tokens.get(at?)?, tokens.get(beyond?)?);
        let is_padded = beyond.is_padded();
        if joins(at) && !is_padded { beyond.desk() } else { None }
    };
    let is_between = |token: &Token| token.is_among(&BETWEEN);

    let after = (name.end..tokens.len()).find(|&at| tokens[at].is_number() || !is_after_name(&tokens[at]));
    if let Some(at) = after
        && let Some(desk) = tokens[at].desk()
    {
        return [Some(desk), joined(Some(at + 1), Some(at + 2))];
    }

    let before = (0..name.start).rev().find(|&at| tokens[at].is_number() || !is_between(&tokens[at]));
    if let Some(at) = before
        && let Some(desk) = tokens[at].desk()
    {
        let is_ordinal = match tokens[at] {
            Token::Number { ordinal, padded, .. } => !padded && (ordinal || are_violins && desk <= 2),
            _ => true,
        };
        let is_of_other = at.checked_sub(1).is_some_and(|at| tokens[at].is_among(&NUMBERED));
        if is_ordinal && !is_of_other {
            return joined(at.checked_sub(1), at.checked_sub(2))
                .map_or([Some(desk), None], |first| [Some(first), Some(desk)]);
        }
    }
    [None, None]
}

/// Whether a token may stand between a name and its number after it.
fn is_after_name(token: &Token) -> bool {
    *token == Token::Dash || token.is_among(&BETWEEN)
}

/// Returns the tokens of a name, the first [`MOST_TOKENS`] at most.
fn tokens(name: &str) -> Vec<Token> {
    let chars: Vec<char> = name.chars().take(MOST_CHARACTERS).collect();
    let is_at =
        |at: Option<usize>, is: fn(char) -> bool| at.and_then(|at| chars.get(at)).is_some_and(|&c| is(c));
    let end_of =
        |at: usize, is: fn(char) -> bool| (at..chars.len()).find(|&at| !is(chars[at])).unwrap_or(chars.len());
    let mut tokens = Vec::new();
    let mut at = 0;
    // Whether a small "a" came last, as in "Hn. a 2", where two play one part; not in "in a".
    let mut is_unison = false;
    let together = |figures: &[char]| {
        let players = figures.iter().collect::<String>().parse().ok();
        Token::Together(players.filter(|players| (1..=MOST_PLAYERS as u8).contains(players)))
    };
    while at < chars.len() && tokens.len() < MOST_TOKENS {
        let before = at.checked_sub(1);
        if is_letter(chars[at]) {
            let end = end_of(at, is_letter);
            let letters = &chars[at..end];
            let was_in = tokens.last().is_some_and(|token: &Token| token.is("in"));
            is_unison = matches!(letters, ['a' | 'à']) && !was_in;
            let mut pieces = pieces(letters);
            if is_at(before, is_figure) {
                // The figures may be glued to a word before: "Vlns1stacc".
                let figures = (0..at).rev().find(|&at| !chars[at].is_ascii_digit());
                end_number(&mut tokens, &mut pieces, is_at(figures, is_letter));
            }
            if letters == ['d', 'B'] {
                // Decibels, with their number.
                pieces.clear();
                tokens.pop_if(|token| matches!(token, Token::Number { .. }));
            }
            at = end;
            // A version or a note: "v2", "x4", "C4", "a2".
            if is_at(Some(end), is_figure) && pieces.last().is_some_and(|piece| piece.chars().count() == 1) {
                pieces.pop();
                at = end_of(end, is_figure);
                if is_unison {
                    tokens.push(together(&chars[end..at]));
                    is_unison = false;
                }
            }
            tokens.extend(pieces.into_iter().map(|piece| match piece.as_str() {
                "and" | "und" | "et" => Token::And,
                _ => Token::Word(piece),
            }));
        } else if chars[at].is_ascii_digit() {
            let end = end_of(at, is_figure);
            if is_unison {
                tokens.pop();
                tokens.push(together(&chars[at..end]));
            } else {
                let value = chars[at..end]
                    .iter()
                    .collect::<String>()
                    .parse()
                    .ok()
                    .filter(|value| (1..=9).contains(value));
                let ordinal = chars.get(end) == Some(&'.') && !is_at(Some(end + 1), is_figure);
                tokens.push(Token::Number { value, ordinal, padded: chars[at] == '0' });
            }
            is_unison = false;
            at = end;
        } else {
            match chars[at] {
                '+' | '&' | '/' | ',' => tokens.push(Token::And),
                '-' | '\u{2010}'..='\u{2015}'
                    if !(is_at(before, is_letter) && is_at(Some(at + 1), is_letter)) =>
                {
                    tokens.push(Token::Dash);
                }
                _ => {}
            }
            at += 1;
        }
    }
    // One word may be cut into many.
    tokens.truncate(MOST_TOKENS);
    tokens
}

/// Sees to a number with letters glued to it: an ordinal, or none of an instrument, as in "24bit".
fn end_number(tokens: &mut Vec<Token>, pieces: &mut Vec<String>, is_after_word: bool) {
    let Some(piece) = pieces.first() else { return };
    if ENDINGS.contains(&piece.as_str()) {
        if let Some(Token::Number { ordinal, .. }) = tokens.last_mut() {
            *ordinal = true;
        }
        pieces.remove(0);
    } else if piece == "x" || !is_after_word && !is_known(piece) {
        tokens.pop_if(|token| matches!(token, Token::Number { .. }));
    }
}

/// Returns a run of letters folded: whole if it is known, or else cut where small letters meet capitals.
fn pieces(letters: &[char]) -> Vec<String> {
    let whole = fold(letters);
    if is_known(&whole) {
        return vec![whole];
    }
    let mut pieces = Vec::new();
    let mut start = 0;
    for at in 1..letters.len() {
        let is_small_after = letters.get(at + 1).is_some_and(|letter| letter.is_lowercase());
        if letters[at].is_uppercase() && (!letters[at - 1].is_uppercase() || is_small_after) {
            pieces.push(fold(&letters[start..at]));
            start = at;
        }
    }
    pieces.push(fold(&letters[start..]));
    pieces.retain(|piece| !piece.is_empty());
    pieces
}

/// Whether a folded word is an instrument's whole name or may stand between one and its number.
fn is_known(word: &str) -> bool {
    BETWEEN.contains(&word) || phrases().any(|(_, _, phrase)| phrase == word)
}

/// Whether a character is one of the figures 0 to 9.
const fn is_figure(c: char) -> bool {
    c.is_ascii_digit()
}

/// Whether a character belongs to a word: a letter or an accent that stands by itself.
fn is_letter(c: char) -> bool {
    c.is_alphabetic() || matches!(c, '\u{300}'..='\u{36f}')
}

/// Returns letters in lower case and without accents; an umlaut is written with an e.
fn fold(letters: &[char]) -> String {
    let mut folded = String::new();
    for c in letters.iter().flat_map(|letter| letter.to_lowercase()) {
        match c {
            'ä' | 'æ' => folded.push_str("ae"),
            'ö' | 'œ' | 'ø' => folded.push_str("oe"),
            'ü' => folded.push_str("ue"),
            'ß' => folded.push_str("ss"),
            'à' | 'á' | 'â' | 'ã' | 'å' | 'ª' => folded.push('a'),
            'è' | 'é' | 'ê' | 'ë' => folded.push('e'),
            'ì' | 'í' | 'î' | 'ï' => folded.push('i'),
            'ò' | 'ó' | 'ô' | 'õ' | 'º' => folded.push('o'),
            'ù' | 'ú' | 'û' => folded.push('u'),
            'ç' => folded.push('c'),
            'ñ' => folded.push('n'),
            // One character for a Roman number.
            'ⅰ'..='ⅸ' => folded.push_str(ROMAN[c as usize - 'ⅰ' as usize]),
            '\u{308}' if folded.ends_with(['a', 'o', 'u']) => folded.push('e'),
            '\u{300}'..='\u{36f}' => {}
            _ => folded.push(c),
        }
    }
    folded
}

#[cfg(test)]
mod tests {
    use super::Instrument::*;
    use super::*;
    use crate::track_name::Row;
    use crate::track_name::spellings::SECTIONS;
    use rostra_dsp::acoustics::{Family, Microphones, Platform, Section, Spot, Vector};
    use rostra_dsp::settings::{BEARING, RANKS, WIDTH};
    use std::collections::HashSet;

    /// Names of each instrument without a number, the first four in English, Italian, German and French.
    #[rustfmt::skip]
    const PLAIN: [(Instrument, &[&str]); 37] = [
        (
            Violins1,
            &[
                "Violins", "Violini", "Geigen", "Violons", "Vln.", "vl", "Violin", "Violine", "VLNS", "Vni",
                "V.ni",
            ],
        ),
        (
            Violins2,
            &[
                "2nd Violins", "Violini II", "2. Geigen", "Seconds violons", "Vl. II", "Vln 2",
                "Violini secondi", "VlII",
            ],
        ),
        (
            Violas,
            &[
                "Violas", "Viole", "Bratschen", "Altos", "Vla.", "Vlas", "viola", "Bratsche", "Alto",
                "V.le",
            ],
        ),
        (
            Cellos,
            &[
                "Cellos", "Violoncelli", "Violoncelli", "Violoncelles", "Vc.", "Vcl", "Celli", "Cello",
                "Violoncello", "VCs",
            ],
        ),
        (
            DoubleBasses,
            &[
                "Double Basses", "Contrabbassi", "Kontrabass", "Contrebasses", "Kontrab\u{e4}sse",
                "B\u{e4}sse", "Basses", "Bassi", "contrabass", "Kb.", "Cb.", "D.B.", "DB", "Contrebasse",
                "DoubleBass", "String Bass",
            ],
        ),
        (Harp, &["Harp", "Arpa", "Harfe", "Harpe", "Hfe.", "Harfen", "Harps", "Arpe", "Harpes", "Hp."]),
        (
            Flute,
            &[
                "Flutes", "Flauti", "Fl\u{f6}ten", "Fl\u{fb}tes", "Floete", "Querfloete", "Querfl\u{f6}te",
                "Fl.", "Flauto", "Flute", "FLUTES", "Alto Flute", "Fl\u{fb}te alto", "Bass flute",
                "Flu\u{302}te", "Flo\u{308}te",
            ],
        ),
        (
            Piccolo,
            &[
                "Piccolo", "Ottavino", "Kleine Floete", "Petite fl\u{fb}te", "Picc.", "Kleine Fl\u{f6}te",
                "Kl. Fl.", "Flauto piccolo", "petite flute", "Fl. picc.", "Piccoli", "Pikkolo",
            ],
        ),
        (Oboe, &["Oboes", "Oboi", "Oboen", "Hautbois", "Ob.", "oboe", "Oboe d'amore"]),
        (
            CorAnglais,
            &[
                "Cor anglais", "Corno inglese", "Englischhorn", "Cors anglais", "English Horn", "E.H.",
                "Eng. Hn.", "CorAnglais", "Corni inglesi", "C.A.", "English Horns",
            ],
        ),
        (
            Clarinet,
            &[
                "Clarinets", "Clarinetti", "Klarinetten", "Clarinettes", "Cl.", "Kl.", "Klar", "Clarinetto",
                "Klarinette", "Bb Clarinet", "Es-Klarinette", "B-Klarinette", "Clarinet in A",
                "Basset horn", "Corno di bassetto",
            ],
        ),
        (
            BassClarinet,
            &[
                "Bass Clarinet", "Clarinetto basso", "Bassklarinette", "Clarinette basse", "Cl. basse",
                "B. Cl.", "BCl", "Bass Cl", "Clarinettes basses", "Clarinet (bass)", "Bass-Klarinette",
                "Contrabass Clarinet", "Clarinetti bassi",
            ],
        ),
        (
            Bassoon,
            &[
                "Bassoons", "Fagotti", "Fagott", "Bassons", "Bsn.", "Bn", "Fg.", "Fag", "Fagotte", "Basson",
                "Fagotto",
            ],
        ),
        (
            Contrabassoon,
            &[
                "Contrabassoon", "Controfagotto", "Kontrafagott", "Contrebasson", "Cbsn", "Cfg.",
                "Double Bassoon", "Contra Bassoon", "Kfg", "C. Bn.", "Contrafagotto",
            ],
        ),
        (
            Saxophone,
            &[
                "Saxophones", "Sassofoni", "Saxophon", "Saxophones altos", "Alto Sax", "Sax", "Tenor Sax",
                "Altsaxophon", "Soprano sax + Alto sax", "Sax alto", "Bari Sax", "AltoSax",
            ],
        ),
        (
            Horn,
            &[
                "Horns", "Corni", "H\u{f6}rner", "Cors", "Hoerner", "Cor", "Corno", "Hn.", "Hr.", "Hrn",
                "Waldhorn", "FrenchHorns", "F Horn", "Ho\u{308}rner", "H\u{d6}RNER", "Horns in F",
                "Brass/Horns",
            ],
        ),
        (
            Trumpet,
            &[
                "Trumpets", "Trombe", "Trompeten", "Trompettes", "Tr.", "Trp", "Tpt.", "Tromba", "Trompete",
                "Trompette", "Cornet", "Kornett", "Piccolo Trumpet", "Fl\u{fc}gelhorn",
                "Cornet \u{e0} pistons",
            ],
        ),
        (
            Trombone,
            &[
                "Trombones", "Tromboni", "Posaunen", "Trombones", "Trb.", "Tbn", "Pos.", "Posaune",
                "Alto Trombone",
            ],
        ),
        (
            BassTrombone,
            &[
                "Bass Trombone", "Trombone basso", "Bassposaune", "Trombone basse", "B. Tbn.", "Bass Tbn",
                "Trombones basses", "Tromboni bassi", "Trombone Bass", "Contrabass Trombone",
                "Ba\u{df}posaune",
            ],
        ),
        (
            Tuba,
            &[
                "Tuba", "Tuba bassa", "Basstuba", "Tubas", "Tuben", "Tba.", "Contrabass tuba",
                "Tuba contrebasse",
            ],
        ),
        (
            Euphonium,
            &[
                "Euphonium", "Eufonio", "Tenorhorn", "Euphoniums", "Euph.", "Tenor Tuba", "Baritone Horn",
            ],
        ),
        (Timpani, &["Timpani", "Timpano", "Pauken", "Timbales", "Timp", "Pk.", "Pauke", "Kettle drums"]),
        (
            BassDrum,
            &[
                "Bass Drum", "Gran cassa", "Grosse Trommel", "Grosse caisse", "Gro\u{df}e Trommel",
                "BassDrum", "Gr. Tr.", "G.C.",
            ],
        ),
        (
            SnareDrum,
            &[
                "Snare Drum", "Tamburo", "Kleine Trommel", "Caisse claire", "Snare", "Side Drum", "Kl. Tr.",
                "S.D.",
            ],
        ),
        (Cymbals, &["Cymbals", "Piatti", "Becken", "Cymbales", "Cym.", "Crash cymbal", "Piatto"]),
        (TamTam, &["Tam-tam", "Tamtam", "Gong", "Tam-tams", "TamTam", "TAM TAM"]),
        (
            Glockenspiel,
            &[
                "Glockenspiel", "Campanelli", "Glockenspiele", "Jeu de timbres", "Gl.", "Glsp.", "Glock",
            ],
        ),
        (Xylophone, &["Xylophone", "Xilofono", "Xylophon", "Xylophones", "Xyl.", "Silofono"]),
        (Marimba, &["Marimba", "Marimba", "Marimbaphon", "Marimbas"]),
        (Vibraphone, &["Vibraphone", "Vibrafono", "Vibraphon", "Vibraphones", "Vibes", "Vib."]),
        (
            TubularBells,
            &[
                "Tubular Bells", "Campane", "R\u{f6}hrenglocken", "Cloches tubulaires", "Chimes",
                "Roehrenglocken", "Cloches",
            ],
        ),
        (Triangle, &["Triangle", "Triangolo", "Triangel", "Triangles", "Trgl."]),
        (Piano, &["Piano", "Pianoforte", "Klavier", "Pianos", "Pno.", "Fl\u{fc}gel", "Grand Piano"]),
        (Celesta, &["Celesta", "Celeste", "Celesta", "C\u{e9}lesta"]),
        (Organ, &["Organ", "Organo", "Orgel", "Orgue", "Pipe organ", "Org."]),
        (
            Choir,
            &[
                "Choir", "Coro", "Chor", "Ch\u{153}ur", "SATB", "Sopranos & Altos", "Choeurs",
                "Choir Basses", "Choir Alto", "Tenors + Basses", "SATB Altos", "Sopranos",
            ],
        ),
        (Guitar, &["Guitar", "Chitarra", "Gitarre", "Guitare", "Gtr.", "Acoustic Guitar"]),
    ];

    /// Names with a number.
    #[rustfmt::skip]
    const NUMBERED_NAMES: [(&str, Instrument, u8); 63] = [
        ("Horns 2", Horn, 2),
        ("Cor II", Horn, 2),
        ("Vl. II", Violins2, 2),
        ("Vlns 1 Stacc", Violins1, 1),
        ("1st Violins", Violins1, 1),
        ("Hn. 3+4", Horn, 3),
        ("Hn 3 & 4", Horn, 3),
        ("3rd & 4th Horns", Horn, 3),
        ("Violins I", Violins1, 1),
        ("VIOLINS II", Violins2, 2),
        ("Violini I. Legato", Violins1, 1),
        ("First Violins", Violins1, 1),
        ("Second violins (close)", Violins2, 2),
        ("Erste Geige", Violins1, 1),
        ("Zweite Geigen", Violins2, 2),
        ("2. Violine", Violins2, 2),
        ("Premiers violons", Violins1, 1),
        ("2\u{e8}mes violons", Violins2, 2),
        ("1ers Violons", Violins1, 1),
        ("Violini primi", Violins1, 1),
        ("Violini secondi", Violins2, 2),
        ("2 Vln", Violins2, 2),
        ("01 Violins 2", Violins2, 2),
        ("02_Violins_1_dry", Violins1, 1),
        ("Violins2Stacc", Violins2, 2),
        ("Vlns2stacc", Violins2, 2),
        ("VlnsIIStacc", Violins2, 2),
        ("1stViolinsLegato", Violins1, 1),
        ("Violins - Vln 2", Violins2, 2),
        ("Violins Legato II", Violins2, 2),
        ("Vlns Stacc 2", Violins2, 2),
        ("Vl. \u{2161}", Violins2, 2),
        ("Violins 3", Violins1, 3),
        ("Violins 1_02", Violins1, 1),
        ("Violins 1.2", Violins1, 1),
        ("HornsIV", Horn, 4),
        ("Horn V", Horn, 5),
        ("Horn in F 3", Horn, 3),
        ("Hn (F) 1", Horn, 1),
        ("1. Horn", Horn, 1),
        ("Clarinet in Bb 2", Clarinet, 2),
        ("Clarinet in A 2", Clarinet, 2),
        ("Cl. (A) 1", Clarinet, 1),
        ("Cl.2 main", Clarinet, 2),
        ("Horns 2 v3", Horn, 2),
        ("Horns 2 -3dB", Horn, 2),
        ("Tpt 2 [mic 4]", Trumpet, 2),
        ("Trombone 3 (bass)", BassTrombone, 3),
        ("Bass Trombone 3", BassTrombone, 3),
        ("Hn 02", Horn, 2),
        ("Flauto I", Flute, 1),
        ("Fl\u{f6}te 2", Flute, 2),
        ("Fl. 1.2.", Flute, 1),
        ("Oboe-2", Oboe, 2),
        ("Fagotti 1/2", Bassoon, 1),
        ("Altos 2", Violas, 2),
        ("Choir Altos 2", Choir, 2),
        ("Vla desk 3", Violas, 3),
        ("Tr. 1", Trumpet, 1),
        ("Cor anglais 1", CorAnglais, 1),
        ("Cl. basse 2", BassClarinet, 2),
        ("Bass Clarinet II", BassClarinet, 2),
        ("5 Horn 2", Horn, 2),
    ];

    /// Names with other words and numbers that say nothing of a desk.
    #[rustfmt::skip]
    const CLUTTERED: [(&str, Instrument); 34] = [
        ("Horns stacc", Horn),
        ("Horns_legato_sus", Horn),
        ("[12] Horns (close) dry", Horn),
        ("12 Horns", Horn),
        ("04 Horns", Horn),
        ("4 Horns", Horn),
        ("Horns a2", Horn),
        ("Hn. a 2", Horn),
        ("Horns v2", Horn),
        ("Horns x4", Horn),
        ("Horns 24bit", Horn),
        ("Horns mic 2", Horn),
        ("2m1 Violins", Violins1),
        ("02 Violins", Violins1),
        ("2 - Violins", Violins1),
        ("Track 2 Violins", Violins1),
        ("Act II Violins", Violins1),
        ("Harp C4", Harp),
        ("Track 5: Flute", Flute),
        ("Tr 5 Horn", Horn),
        ("Flute non vib", Flute),
        ("Cellos vib", Cellos),
        ("Piccolo in Db", Piccolo),
        ("HornsClose", Horn),
        ("hornsClose_MAIN", Horn),
        ("Brass - Horns - Stacc", Horn),
        ("\u{1f3bb} Violas \u{1f3bb}", Violas),
        ("  Timp.  ", Timpani),
        ("Timp (dry) 100%", Timpani),
        ("Perc: Bass Drum hits", BassDrum),
        ("Horn Horns Hn", Horn),
        ("Guitar chorus", Guitar),
        ("Violins 1999", Violins1),
        ("Strings | Celli | spicc", Cellos),
    ];

    /// Names that must not be read as an instrument.
    #[rustfmt::skip]
    const NONE: [&str; 67] = [
        "", " ", "...", "1", "II", "Bass", "bass 2", "Corner", "Flair", "Violence", "Observe", "Clarity",
        "Score", "Organic pad", "Drum loop", "Synth bass", "Synth basses", "Trailer hit", "Vox", "Chorus",
        "Strings", "Brass", "Woodwinds", "Perc", "Kick", "Pad", "Master", "Click", "Drums", "Tenor", "Cel",
        "Tb", "Br.", "Harpsichord", "Arp", "Horned", "Hornet", "Flutter", "Obo", "Coral", "Core",
        "Pianissimo", "Celestial", "Choirboy?s", "Tubes", "Posh", "Trombonist", "Basset", "Bassline",
        "Vocal", "Electric Guitar", "Bass Guitar", "E-Piano", "Car horn", "Mouth organ", "Triangle wave",
        "Wind chimes", "Hn + Tpt", "Horns & Trombones", "Flute/Piccolo", "Vc. + Cb.", "Violins & Violas",
        "Violins 1 & 2", "Violini I e II", "1st Violins + 2nd Violins", "Hn + Tr", "Choir & Organ",
    ];

    /// Reads instrument and number.
    fn named(name: &str) -> Option<(Instrument, Option<u8>)> {
        read(name).map(|reading| (reading.instrument, reading.desk))
    }

    #[test]
    fn each_instrument_is_read_in_four_languages() {
        for (index, (instrument, names)) in PLAIN.into_iter().enumerate() {
            assert_eq!(instrument, Instrument::ALL[index]);
            assert!(names.len() >= 4);
            let desk = (instrument == Violins2).then_some(2);
            for name in names {
                assert_eq!(named(name), Some((instrument, desk)), "{name}");
            }
        }
    }

    #[test]
    fn case_and_dots_do_not_matter() {
        for (instrument, names) in PLAIN {
            let desk = (instrument == Violins2).then_some(2);
            for name in names.iter().filter(|name| **name != "VlII") {
                let expected = Some((instrument, desk));
                // A word in capitals has no places to cut it at.
                if !name.chars().zip(name.chars().skip(1)).any(|(a, b)| a.is_lowercase() && b.is_uppercase())
                {
                    assert_eq!(named(&name.to_uppercase()), expected, "{name}");
                    assert_eq!(named(&name.to_lowercase()), expected, "{name}");
                }
                assert_eq!(named(&name.replace(' ', "_")), expected, "{name}");
                assert_eq!(named(&format!("[{name}] (stacc)")), expected, "{name}");
                assert_eq!(named(&format!("07 {name} close dry main 48k")), expected, "{name}");
            }
        }
    }

    #[test]
    fn the_instruments_own_names_are_read() {
        for instrument in Instrument::ALL {
            assert_eq!(read(instrument.name()).map(|reading| reading.instrument), Some(instrument));
        }
    }

    #[test]
    fn numbers_next_to_a_name_are_desks() {
        for (name, instrument, desk) in NUMBERED_NAMES {
            assert_eq!(named(name), Some((instrument, Some(desk))), "{name}");
        }
    }

    #[test]
    fn clutter_is_ignored() {
        for (name, instrument) in CLUTTERED {
            assert_eq!(named(name), Some((instrument, None)), "{name}");
        }
    }

    #[test]
    fn other_words_and_two_instruments_are_not_read() {
        for name in NONE {
            assert_eq!(read(name), None, "{name}");
        }
    }

    #[test]
    fn every_name_of_the_tables_means_what_it_stands_for() {
        for (instrument, _, phrase) in phrases() {
            assert_eq!(read(phrase).map(|reading| reading.instrument), instrument, "{phrase}");
        }
    }

    #[test]
    fn the_tables_are_folded_and_hold_each_name_once() {
        let mut seen = HashSet::new();
        for (_, _, phrase) in phrases() {
            assert!(seen.insert(phrase), "{phrase}");
            assert!(
                phrase
                    .split(' ')
                    .all(|word| !word.is_empty() && word.chars().all(|c| c.is_ascii_lowercase()))
            );
        }
        let words: HashSet<&str> = NAMES.iter().map(|(instrument, _)| instrument.name()).collect();
        assert_eq!(words.len(), Instrument::ALL.len() - 1);
    }

    #[test]
    fn the_number_of_a_desk_is_not_that_of_the_violins() {
        for (name, instrument, desk) in [
            ("Violins desk 2", Violins1, None),
            ("Violins 2nd desk", Violins1, None),
            ("Violins 2 desk 1", Violins2, Some(2)),
            ("2. Violinen 1. Pult", Violins2, Some(2)),
        ] {
            assert_eq!(named(name), Some((instrument, desk)), "{name}");
        }
    }

    #[test]
    fn names_of_sections_are_names() {
        for (index, section) in SECTIONS.iter().enumerate() {
            let instrument = phrases().find(|(_, _, phrase)| phrase == section).and_then(|(of, ..)| of);
            assert!(instrument.is_some_and(|of| of.section() > 1), "{section}");
            assert!(!SECTIONS[..index].contains(section), "{section} twice");
        }
    }

    #[test]
    fn a_usual_section_has_its_room_and_stays_on_its_footprint() {
        for instrument in Instrument::ALL {
            for players in 2..=MOST_PLAYERS as u8 {
                let seat = instrument.seat_of(players);
                let (_, width) = WIDTH.range();
                assert!(seat.width_m <= width && seat.ranks_m <= RANKS.range().1, "{instrument:?} {players}");
                let spots = Section::of(&seat);
                let apart = |a: &Spot, b: &Spot| (a.across_m - b.across_m).hypot(a.behind_m - b.behind_m);
                for (index, spot) in spots.spots().iter().enumerate() {
                    // Nobody sits on another's lap: 0.5 m from the middle of one to that of the next (our choice).
                    let is_near = |other: &Spot| apart(spot, other) < 0.5;
                    assert!(!spots.spots()[..index].iter().any(is_near), "{instrument:?} {players}");
                }
            }
        }
    }

    #[test]
    fn no_string_panics() {
        let pieces = [
            "",
            "Horn",
            "1",
            "a",
            "\u{308}",
            "\u{1f3ba}",
            "+",
            "-",
            "\u{130}",
            "\u{2168}",
            "\u{df}",
            "dB",
            ".",
            " ",
            "i",
            "\u{0}",
            "\u{664}",
            "x",
            "st",
            "99999999999999999999",
            "e",
            "\u{1e9e}",
            "\u{5d0}",
            "in",
        ];
        for first in pieces {
            for second in pieces {
                for third in pieces.into_iter().step_by(3) {
                    let _ = read(&[first, second, third].concat());
                }
            }
        }
        for piece in pieces {
            let _ = read(&piece.repeat(10_240));
            let _ = read(&format!("{piece}7").repeat(5_120));
            let _ = read(&format!("{piece}aB").repeat(3_072));
            let _ = read(&format!("{piece} ").repeat(5_120));
        }
        assert_eq!(named(&"Horn ".repeat(2_048)), Some((Horn, None)));
        assert_eq!(read(&"horn".repeat(2_560)), None);
    }

    #[test]
    fn every_seat_is_on_the_platform() {
        for instrument in Instrument::ALL {
            let seat = instrument.seat();
            assert!((2.0..=11.0).contains(&seat.depth_m), "{instrument:?}");
            assert!(seat.bearing_deg.abs() <= BEARING.range().1, "{instrument:?}");
            assert!((0.0..=1.0).contains(&seat.riser_m), "{instrument:?}");
            let turned_deg = if instrument == Piano { 90.0 } else { 0.0 };
            assert!((seat.facing_deg - turned_deg).abs() < f64::EPSILON, "{instrument:?}");
            assert!((seat.depth_m * seat.bearing_deg.to_radians().tan()).abs() <= 8.5, "{instrument:?}");
        }
    }

    #[test]
    fn the_usual_sections_of_an_orchestra_sit_beside_each_other() {
        let (platform, microphones) = (Platform::default(), Microphones::default());
        // A choir stands where the percussion is otherwise.
        let mut players: Vec<(Instrument, Vector)> = Vec::new();
        for instrument in Instrument::ALL.into_iter().filter(|instrument| *instrument != Choir) {
            let seat = instrument.seat_of(instrument.section());
            for &spot in Section::of(&seat).spots() {
                let place = seat.source_on(spot, &platform, &microphones).position;
                assert!(
                    place.x.abs() < platform.width_m / 2.0 - 0.8 && place.y > 0.5,
                    "{instrument:?} {place:?}"
                );
                for (other, at) in &players {
                    let apart_m = (place.x - at.x).hypot(place.y - at.y);
                    // Half of the 0.6 m that a chair takes up; percussion stands closer, one player for several.
                    assert!(
                        *other == instrument || apart_m > 0.3,
                        "{instrument:?} and {other:?} sit {apart_m:.2} m apart"
                    );
                }
                players.push((instrument, place));
            }
        }
    }

    #[test]
    fn no_two_sit_in_one_place() {
        for (index, one) in Instrument::ALL.into_iter().enumerate() {
            let place = |instrument: Instrument| {
                let seat = instrument.seat();
                (seat.depth_m * seat.bearing_deg.to_radians().tan(), seat.depth_m)
            };
            for other in Instrument::ALL.into_iter().skip(index + 1) {
                let ((x, y), (other_x, other_y)) = (place(one), place(other));
                assert!((x - other_x).hypot(y - other_y) > 0.3, "{one:?} {other:?}");
            }
        }
    }

    #[test]
    fn every_row_is_where_it_should_be() {
        for instrument in Instrument::ALL {
            let depths = match instrument.row() {
                Row::Front => 2.5..=5.0,
                Row::Strings => 2.5..=6.5,
                Row::Woodwinds => 6.0..=7.0,
                Row::Brass => 9.0..=10.0,
                Row::Percussion => 10.5..=11.0,
            };
            assert!(depths.contains(&instrument.seat().depth_m), "{instrument:?}");
        }
    }

    #[test]
    fn every_radiation_is_used() {
        let used: Vec<Family> =
            Instrument::ALL.into_iter().map(|instrument| instrument.seat().family).collect();
        assert!(Family::ALL.iter().all(|family| used.contains(family)), "{used:?}");
    }

    #[test]
    fn names_are_unique_and_in_lower_case() {
        let names: HashSet<&str> = Instrument::ALL.into_iter().map(Instrument::name).collect();
        assert_eq!(names.len(), Instrument::ALL.len());
        assert!(names.iter().all(|name| name.to_lowercase() == **name && !name.is_empty()));
    }

    #[test]
    fn the_list_of_all_is_in_order() {
        assert!(
            Instrument::ALL.into_iter().enumerate().all(|(index, instrument)| instrument as usize == index)
        );
    }
}
