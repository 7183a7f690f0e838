//! A share of the platforms that `cargo xtask tails` goes through: every pair of finishes, then any platform.

use rostra_tests::platform_grid::{PAIRS, SIMILAR, try_cases};

/// Cases beyond the pairs of finishes: as many as take some 20 s on two cores.
const OTHERS: usize = 12 * SIMILAR;

#[test]
fn every_platform_has_a_tail_that_sounds_in_every_octave_and_decays_as_asked() {
    let found = try_cases(0..PAIRS + OTHERS);
    eprintln!(
        "{} tails, {} decays measured, worst {:.2} % off; worst energy {:.2} dB off",
        found.tails,
        found.measured,
        100.0 * found.worst_decay.off,
        found.worst_energy.off
    );
    assert_eq!(found.tails, PAIRS + OTHERS);
    assert!(found.measured > found.tails, "{} decays measured", found.measured);
    assert!(found.all_hold(), "{:#?}", found.faults);
}
