//! Bytes of a good file, damaged.

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::{Index, select};

/// Most changes to a file. Our choice: one or two reach what a reader checks last, more reach what it checks together.
const MOST_CHANGES: usize = 5;
/// Most bytes that one change takes out, repeats or brings in. Our choice.
const MOST_BYTES: usize = 64;

/// Numbers that readers of lengths and counts stumble over: ends of ranges, and their neighbours.
const AWKWARD: [u64; 16] = [
    0,
    1,
    2,
    3,
    7,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0x8000,
    0xFFFF,
    0x7FFF_FFFF,
    0x8000_0000,
    0xFFFF_FFFF,
    0x7FFF_FFFF_FFFF_FFFF,
    u64::MAX,
];

#[derive(Clone, Debug)]
enum Change {
    Flip {
        at: Index,
        bit: u8,
    },
    Set {
        at: Index,
        byte: u8,
    },
    Number {
        at: Index,
        value: u64,
        bytes: usize,
        is_big_endian: bool,
    },
    Insert {
        at: Index,
        bytes: Vec<u8>,
    },
    Remove {
        at: Index,
        count: usize,
    },
    Repeat {
        at: Index,
        count: usize,
    },
    Cut {
        at: Index,
    },
    /// The end of another file in place of the end of this one.
    Graft {
        at: Index,
        other: Index,
        from: Index,
    },
}

/// Makes damaged copies of good files: bits and bytes changed, lengths overwritten, parts taken out, doubled, cut off or
/// taken from another file, and words of the format put in.
///
/// # Panics
/// When there are no good files.
pub fn damaged(good: Vec<Vec<u8>>, words: &[&str]) -> impl Strategy<Value = Vec<u8>> + use<> {
    assert!(!good.is_empty(), "there are no good files to damage");
    let words: Vec<Vec<u8>> = words.iter().map(|word| word.as_bytes().to_vec()).collect();
    (any::<Index>(), vec(change(words), 0..=MOST_CHANGES)).prop_map(move |(which, changes)| {
        let mut bytes = which.get(&good).clone();
        for change in &changes {
            make(&mut bytes, change, &good);
        }
        bytes
    })
}

fn change(words: Vec<Vec<u8>>) -> BoxedStrategy<Change> {
    let at = any::<Index>;
    let brought = if words.is_empty() {
        vec(any::<u8>(), 1..=MOST_BYTES).boxed()
    } else {
        prop_oneof![1 => vec(any::<u8>(), 1..=MOST_BYTES), 3 => select(words)].boxed()
    };
    prop_oneof![
        (at(), 0..8_u8).prop_map(|(at, bit)| Change::Flip { at, bit }),
        (at(), any::<u8>()).prop_map(|(at, byte)| Change::Set { at, byte }),
        (at(), select(&AWKWARD[..]), select(&[1_usize, 2, 4, 8][..]), any::<bool>())
            .prop_map(|(at, value, bytes, is_big_endian)| Change::Number { at, value, bytes, is_big_endian }),
        (at(), brought).prop_map(|(at, bytes)| Change::Insert { at, bytes }),
        (at(), 1..=MOST_BYTES).prop_map(|(at, count)| Change::Remove { at, count }),
        (at(), 1..=MOST_BYTES).prop_map(|(at, count)| Change::Repeat { at, count }),
        at().prop_map(|at| Change::Cut { at }),
        (at(), at(), at()).prop_map(|(at, other, from)| Change::Graft { at, other, from }),
    ]
    .boxed()
}

fn make(bytes: &mut Vec<u8>, change: &Change, good: &[Vec<u8>]) {
    // A place behind the last byte is one, too.
    let place = |at: &Index, length: usize| at.index(length + 1);
    let length = bytes.len();
    match change {
        Change::Flip { at, bit } => {
            if let Some(byte) = bytes.get_mut(place(at, length)) {
                *byte ^= 1 << bit;
            }
        }
        Change::Set { at, byte: wanted } => {
            if let Some(byte) = bytes.get_mut(place(at, length)) {
                *byte = *wanted;
            }
        }
        Change::Number { at, value, bytes: count, is_big_endian } => {
            let at = place(at, length);
            for index in 0..*count {
                let shift = 8 * if *is_big_endian { count - 1 - index } else { index };
                if let Some(byte) = bytes.get_mut(at + index) {
                    *byte = (value >> shift) as u8;
                }
            }
        }
        Change::Insert { at, bytes: brought } => {
            let at = place(at, length);
            bytes.splice(at..at, brought.iter().copied());
        }
        Change::Remove { at, count } => {
            let at = place(at, length);
            bytes.drain(at..(at + count).min(length));
        }
        Change::Repeat { at, count } => {
            let at = place(at, length);
            bytes.extend_from_within(at..(at + count).min(length));
            bytes[at..].rotate_right((at + count).min(length) - at);
        }
        Change::Cut { at } => bytes.truncate(place(at, length)),
        Change::Graft { at, other, from } => {
            bytes.truncate(place(at, length));
            let other = other.get(good);
            bytes.extend_from_slice(&other[place(from, other.len())..]);
        }
    }
}
