//! The players of a section, as the sheet draws and tells them.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Seat, Section, Source, Spot};
use rostra_dsp::extremes::largest;

/// Returns every player of a section as a source of its own, rank by rank from the front.
pub(super) fn players(settings: &Settings) -> Vec<Source> {
    let Settings { seat, platform, microphones, .. } = settings;
    Section::of(seat).spots().iter().map(|&spot| seat.source_on(spot, platform, microphones)).collect()
}

/// Returns how far in front of the seat the first rank stands, m.
pub(super) fn front_m(seat: &Seat) -> f64 {
    largest(Section::of(seat).spots().iter().map(|spot| -spot.behind_m))
}

/// Returns the two ends of the first rank's footprint, left then right: what a listener sees as the section's width.
pub(super) fn ends(settings: &Settings) -> [Source; 2] {
    let Settings { seat, platform, microphones, .. } = settings;
    let behind_m = -front_m(seat);
    [-0.5, 0.5]
        .map(|side| seat.source_on(Spot { across_m: side * seat.width_m, behind_m }, platform, microphones))
}

/// Says how many play, in how many ranks, on what footprint; `None` for one player.
pub(super) fn words(seat: &Seat) -> Option<String> {
    let section = Section::of(seat);
    let spots = section.spots();
    if spots.len() == 1 {
        return None;
    }
    let count = spots.len();
    // Spots come rank by rank.
    let ranks = 1 + spots.windows(2).filter(|pair| pair[0].behind_m != pair[1].behind_m).count();
    Some(if ranks == 1 {
        format!("{count} players in one rank, {:.2} m wide", seat.width_m)
    } else {
        format!("{count} players in {ranks} ranks, {:.2} x {:.2} m", seat.width_m, seat.ranks_m)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::acoustics::Family;

    fn violins() -> Settings {
        let seat =
            Seat { family: Family::TopPlate, players: 14, width_m: 5.0, ranks_m: 2.4, ..Seat::default() };
        Settings { seat, ..Settings::default() }
    }

    #[test]
    fn a_section_is_told_with_its_ranks_and_one_player_not_at_all() {
        let Settings { seat, .. } = violins();
        assert_eq!(words(&seat).as_deref(), Some("14 players in 3 ranks, 5.00 x 2.40 m"));
        let horns = Seat { family: Family::RearBell, players: 4, width_m: 4.0, ..seat };
        assert_eq!(words(&horns).as_deref(), Some("4 players in one rank, 4.00 m wide"));
        assert_eq!(words(&Seat::default()), None);
    }

    #[test]
    fn the_ends_lie_beside_the_first_rank_and_hold_all_players_between_them() {
        let settings = violins();
        let [left, right] = ends(&settings).map(|end| end.position);
        // Three ranks stand in the middles of three parts of 2.4 m.
        assert!((left.y - (5.0 - 0.8)).abs() < 1e-9 && (right.x - left.x - 5.0).abs() < 1e-9, "{left:?}");
        let players = players(&settings);
        assert_eq!(players.len(), 14);
        let bearing = |x: f64, y: f64| x.atan2(y);
        for player in players {
            let got = bearing(player.position.x, player.position.y);
            assert!((bearing(left.x, left.y)..=bearing(right.x, right.y)).contains(&got), "{player:?}");
        }
        let alone = Settings::default();
        assert_eq!(ends(&alone), alone.seat.sources(&alone.platform, &alone.microphones));
    }
}
