//! Track names as people write them, in English, Italian, German and French: instrument, row and radiation.
//!
//! The names were written for this test by somebody who had not seen the tables
//! of `track_name`. Which row an instrument sits in is common practice, no source.

use rostra::track_name::Instrument::{
    BassClarinet, BassDrum, BassTrombone, Bassoon, Celesta, Cellos, Choir, Clarinet, Contrabassoon,
    CorAnglais, Cymbals, DoubleBasses, Flute, Glockenspiel, Harp, Horn, Oboe, Piano, Piccolo, SnareDrum,
    TamTam, Timpani, Trombone, Trumpet, Tuba, Violas, Violins1, Violins2,
};
use rostra::track_name::{Instrument, Row, read};
use rostra_dsp::acoustics::Family;

/// A name, and the instrument that it means.
const NAMES: [(&str, Instrument); 60] = [
    ("Horns 2", Horn),
    ("Vl. II", Violins2),
    ("Cor", Horn),
    ("Fagotti", Bassoon),
    ("Pauken", Timpani),
    ("04 Hn 1+3 (sus)", Horn),
    ("1st Vlns - legato", Violins1),
    ("VLN2_SPICC", Violins2),
    ("Violini primi", Violins1),
    ("Violons II", Violins2),
    ("2. Violinen", Violins2),
    ("Zweite Geigen pizz", Violins2),
    ("Vla. div.", Violas),
    ("Bratschen con sord.", Violas),
    ("Altos", Violas),
    ("Viole tremolo", Violas),
    ("Vcl", Cellos),
    ("Celli marc.", Cellos),
    ("Violoncelles soli", Cellos),
    ("Vc solo", Cellos),
    ("Kontrab\u{e4}sse", DoubleBasses),
    ("Cb pizz", DoubleBasses),
    ("Contrebasses arco", DoubleBasses),
    ("String Basses", DoubleBasses),
    ("Fl. 1/2", Flute),
    ("Gro\u{df}e Fl\u{f6}te", Flute),
    ("Fl\u{fb}te solo", Flute),
    ("Flauti a 2", Flute),
    ("Ottavino", Piccolo),
    ("Picc", Piccolo),
    ("Hautbois 2", Oboe),
    ("Oboi", Oboe),
    ("Engl. Horn", CorAnglais),
    ("Corno ingl.", CorAnglais),
    ("Klarinette in B", Clarinet),
    ("Cl. 2 (A)", Clarinet),
    ("Clarinettes", Clarinet),
    ("B.Cl.", BassClarinet),
    ("Clarinetto basso", BassClarinet),
    ("Fag. 1", Bassoon),
    ("Bassons", Bassoon),
    ("K-Fag", Contrabassoon),
    ("Contrebasson", Contrabassoon),
    ("Hörner 1-4 gestopft", Horn),
    ("Corni in Fa", Horn),
    ("Tpt 1 (straight mute)", Trumpet),
    ("Trombe", Trumpet),
    ("Trompeten Do", Trumpet),
    ("Trbn. 1-2", Trombone),
    ("Posaunen", Trombone),
    ("Bassposaune", BassTrombone),
    ("Tuba + Cimbasso", Tuba),
    ("Timbales", Timpani),
    ("Gran Cassa", BassDrum),
    ("Kl. Trommel", SnareDrum),
    ("Piatti sosp.", Cymbals),
    ("Tam-Tam", TamTam),
    ("Jeu de timbres", Glockenspiel),
    ("Arpa I", Harp),
    ("Frauenchor", Choir),
];

/// Names on which there is nothing to seat, or not one thing.
const NOTHING: [&str; 10] = [
    "Corner reverb",
    "Synth bass",
    "Drum loop 04",
    "Strings (all)",
    "Click",
    "Ambience LR",
    "Horns + Trombones",
    "Violence cue 3m2",
    "Stem 12",
    "\u{1f3bb}\u{1f3bb}",
];

/// Least share of names that are read right: a suggestion that is wrong more often than once in ten is no help (our choice).
const LEAST: usize = 54;

#[test]
fn most_names_are_read_right_and_none_that_says_nothing_is_read() {
    let right_row = |instrument: Instrument, wanted: Instrument| {
        (instrument.row(), instrument.seat().family) == (wanted.row(), wanted.seat().family)
    };
    let (mut instruments, mut rows) = (0, 0);
    for (name, wanted) in NAMES {
        let found = read(name).map(|reading| reading.instrument);
        instruments += usize::from(found == Some(wanted));
        rows += usize::from(found.is_some_and(|found| right_row(found, wanted)));
        if found != Some(wanted) {
            eprintln!("'{name}': wanted {wanted:?}, got {found:?}");
        }
    }
    eprintln!("{instruments} of {} instruments, {rows} of {} rows and radiations", NAMES.len(), NAMES.len());
    assert!(instruments >= LEAST && rows >= LEAST, "{instruments} instruments, {rows} rows");
    for name in NOTHING {
        assert_eq!(read(name), None, "{name}");
    }
}

/// The control: shifted by one, hardly a name is right.
#[test]
fn a_wrong_list_is_noticed() {
    let shifted = NAMES.iter().zip(NAMES.iter().cycle().skip(7));
    let right = shifted
        .filter(|((name, _), (_, wanted))| read(name).map(|reading| reading.instrument) == Some(*wanted));
    assert!(right.count() < LEAST / 2);
}

#[test]
fn horns_sit_behind_woodwinds_and_strings_and_fire_backwards() {
    let horn = Horn.seat();
    assert_eq!((horn.family, Horn.row()), (Family::RearBell, Row::Brass));
    for front in [Violins1, Violins2, Violas, Cellos, Celesta, Piano, Flute, Clarinet] {
        assert!(front.seat().depth_m < horn.depth_m, "{front:?}");
    }
    assert!(horn.depth_m < Timpani.seat().depth_m);
}
