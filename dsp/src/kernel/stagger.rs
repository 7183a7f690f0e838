//! How instances are staggered: those that start together do their long transforms in different blocks.

/// Small blocks in a big one; also the pieces into which the work on a big block is split.
///
/// Of 4, 8 and 16, eight needs the fewest products: the default platform's tail at 48 kHz has
/// 18 small and 22 big partitions; with four it would have 53 in all and one
/// transform more, with sixteen 44, because the second part needs small ones then.
pub(crate) const BLOCKS_IN_BIG: usize = 8;

/// The small block of a big one that the tail of an instance starts with, 0 to 7.
///
/// It follows from the seat alone. Players on one platform sit in different
/// places, so they spread; a saved instance has the same one whenever
/// it is opened again, and sounds the same to the bit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stagger(usize);

impl Stagger {
    /// Returns the stagger that follows from the numbers of a seat.
    pub fn of(numbers: &[f64]) -> Self {
        // Multiplicative hashing: 2^64 by the golden ratio (Knuth, The Art of Computer Programming 3, section 6.4).
        const TIMES: u64 = 0x9e37_79b9_7f4a_7c15;
        // Adding 0 makes one zero of both.
        let hash = numbers
            .iter()
            .fold(0_u64, |hash, x| (hash.rotate_left(29) ^ (x + 0.0).to_bits()).wrapping_mul(TIMES));
        // The highest bits depend on all others.
        Self((hash >> 56) as usize % BLOCKS_IN_BIG)
    }

    /// Returns the n-th, counted round and round.
    pub const fn nth(n: usize) -> Self {
        Self(n % BLOCKS_IN_BIG)
    }

    /// Returns the small block within the big one, 0 to 7.
    pub const fn piece(self) -> usize {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_seats_are_staggered_alike_and_others_spread_over_all() {
        let seat = |n: u32| [2.0 + 0.5 * f64::from(n), 0.0, 0.0, 0.0, 1.5];
        assert_eq!(Stagger::of(&seat(3)), Stagger::of(&seat(3)));
        let mut of_piece = [0; BLOCKS_IN_BIG];
        (0..40).for_each(|n| of_piece[Stagger::of(&seat(n)).piece()] += 1);
        // Five each if they were dealt out; by chance none has over ten in 99 of 100 hashes.
        assert!(of_piece.iter().all(|count| (1..=10).contains(count)), "{of_piece:?}");
    }

    #[test]
    fn a_zero_has_no_sign() {
        assert_eq!(Stagger::of(&[5.0, 0.0]), Stagger::of(&[5.0, -0.0]));
    }
}
