//! Prints the platform's energy of every traced seat, source, pair, window and octave: traced, got, error, as CSV.
#![allow(clippy::print_stdout, reason = "printing is what this program is for")]

fn main() {
    print!("{}", rostra_tests::truth::traced_energy_in_full());
}
