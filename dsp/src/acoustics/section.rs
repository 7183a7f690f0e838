//! Where the players of a section stand, and the few places from which they are heard.

use crate::acoustics::microphones::Microphones;
use crate::acoustics::platform::Platform;
use crate::acoustics::radiation::Family;
use crate::acoustics::seat::{Seat, Source};

/// Most players of a channel.
pub const MOST_PLAYERS: usize = 16;
/// Most places from which a section is heard (the design's bound on work: four).
pub const PLACES: usize = 4;
/// Distance from one rank to the next for which a section's depth is divided, m (common practice, no source).
const RANK_M: f64 = 1.2;
/// Half the distance between the two players of a desk, m (common practice, no source).
const HALF_DESK_M: f64 = 0.35;
/// Most players in one rank of those who have no desks (common practice, no source: eight horns stand in two ranks).
const MOST_ABREAST: usize = 6;

/// A place on a section's footprint, as seen from the main microphones.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spot {
    /// Distance across the sight line from the seat, positive to the right, m.
    pub across_m: f64,
    /// Distance behind the seat along the sight line, m.
    pub behind_m: f64,
}

/// The players of a section on their footprint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    spots: [Spot; MOST_PLAYERS],
    players: usize,
}

impl Section {
    /// Lays a seat's players out, width by depth, around the seat.
    ///
    /// Strings sit two to a desk, in as many ranks as a depth of 1.2 m each has
    /// room for; all others stand in one rank, in two from seven on. Ranks are as
    /// even as they can be, the fuller ones in front; players and desks stand in
    /// the middles of equal parts of their rank.
    ///
    /// # Source
    /// Common practice, no source.
    pub fn of(seat: &Seat) -> Self {
        let players = usize::from(seat.players).clamp(1, MOST_PLAYERS);
        let mut section = Self { spots: [Spot::default(); MOST_PLAYERS], players };
        if players == 1 {
            return section;
        }
        let has_desks = matches!(seat.family, Family::TopPlate | Family::FrontPlate) && players > 2;
        // What stands together: a desk, or a player.
        let together = if has_desks { 2 } else { 1 };
        let groups = players.div_ceil(together);
        let room = (seat.ranks_m / RANK_M).round() as usize + 1;
        let ranks = if seat.ranks_m == 0.0 {
            1
        } else if has_desks {
            room.min(groups)
        } else if players > MOST_ABREAST {
            2
        } else {
            1
        };
        let mut placed = 0;
        for rank in 0..ranks {
            let abreast = groups / ranks + usize::from(rank < groups % ranks);
            let behind_m = seat.ranks_m * part_of(rank, ranks);
            for group in 0..abreast {
                let middle_m = seat.width_m * part_of(group, abreast);
                let half_m = HALF_DESK_M.min(seat.width_m / (4 * abreast) as f64);
                let here = together.min(players - placed);
                for place in 0..here {
                    let aside_m = if here == 2 { [-half_m, half_m][place] } else { 0.0 };
                    section.spots[placed] = Spot { across_m: middle_m + aside_m, behind_m };
                    placed += 1;
                }
            }
        }
        section
    }

    /// Returns where the players stand, rank by rank from the front, each from left to right.
    pub fn spots(&self) -> &[Spot] {
        &self.spots[..self.players]
    }

    /// Returns the places that stand for all, from left to right.
    ///
    /// Up to four players stand for themselves. More fall into four groups from
    /// left to right, of as many players each, give or take one, and each is heard
    /// from the middle of its group: so the places lie as far apart in bearing as
    /// the players do.
    pub fn places(&self) -> ([Spot; PLACES], usize) {
        let mut sorted = self.spots;
        let sorted = &mut sorted[..self.players];
        sorted.sort_by(|a, b| a.across_m.total_cmp(&b.across_m).then(a.behind_m.total_cmp(&b.behind_m)));
        let count = self.players.min(PLACES);
        let mut places = [Spot::default(); PLACES];
        for (place, spot) in places.iter_mut().enumerate().take(count) {
            let group = &sorted[place * self.players / count..(place + 1) * self.players / count];
            for member in group {
                spot.across_m += member.across_m / group.len() as f64;
                spot.behind_m += member.behind_m / group.len() as f64;
            }
        }
        (places, count)
    }
}

/// Returns the middle of one of equal parts of a length of 1 around 0.
fn part_of(index: usize, parts: usize) -> f64 {
    (index as f64 + 0.5) / parts as f64 - 0.5
}

impl Seat {
    /// Returns the source of a player who stands at a spot of the section, brought on the platform as the seat is.
    pub fn source_on(&self, spot: Spot, platform: &Platform, microphones: &Microphones) -> Source {
        if spot == Spot::default() {
            return self.source(platform, microphones);
        }
        self.beside(spot.across_m, spot.behind_m, platform, microphones)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn section(family: Family, players: u8, width_m: f64, ranks_m: f64) -> (Seat, Section) {
        let seat = Seat { family, width_m, players, ranks_m, ..Seat::default() };
        (seat, Section::of(&seat))
    }

    #[test]
    fn all_players_stand_on_the_footprint_around_the_seat_and_no_two_on_one_spot() {
        for family in Family::ALL {
            for players in 1..=16 {
                for (width_m, ranks_m) in [(1.5, 1.5), (8.0, 6.0), (5.0, 0.0)] {
                    let (_, section) = section(family, players, width_m, ranks_m);
                    let spots = section.spots();
                    assert_eq!(spots.len(), usize::from(players));
                    for (index, spot) in spots.iter().enumerate() {
                        assert!(spot.across_m.abs() < width_m / 2.0 && spot.behind_m.abs() <= ranks_m / 2.0);
                        assert!(!spots[..index].contains(spot), "{family:?} {players}: {spots:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn strings_sit_in_desks_and_horns_abreast() {
        let (_, violins) = section(Family::TopPlate, 14, 5.0, 2.4);
        let spots = violins.spots();
        // Seven desks in three ranks: three, two and two.
        let in_rank =
            |behind_m: f64| spots.iter().filter(|spot| (spot.behind_m - behind_m).abs() < 1e-9).count();
        assert_eq!([-0.8, 0.0, 0.8].map(in_rank), [6, 4, 4]);
        assert!((spots[1].across_m - spots[0].across_m - 2.0 * HALF_DESK_M).abs() < 1e-9);
        let (_, horns) = section(Family::RearBell, 4, 3.0, 1.5);
        assert!(horns.spots().iter().all(|spot| spot.behind_m == 0.0));
        assert_eq!(horns.spots()[0].across_m, -1.125);
    }

    #[test]
    fn the_places_are_the_middles_of_groups_around_the_seat_the_left_ones_first() {
        for (family, players, width_m, ranks_m) in [
            (Family::TopPlate, 16, 5.0, 3.0),
            (Family::TopPlate, 12, 5.0, 2.4),
            (Family::RearBell, 8, 6.0, 1.5),
        ] {
            let (_, section) = section(family, players, width_m, ranks_m);
            let (places, count) = section.places();
            assert_eq!(count, PLACES);
            assert!(places.windows(2).all(|pair| pair[0].across_m < pair[1].across_m), "{places:?}");
            for of in [|spot: &Spot| spot.across_m, |spot: &Spot| spot.behind_m] {
                let mean = |spots: &[Spot]| spots.iter().map(of).sum::<f64>() / spots.len() as f64;
                assert!((mean(&places) - mean(section.spots())).abs() < 1e-9, "equal groups: {places:?}");
            }
        }
    }

    #[test]
    fn few_players_are_their_own_places_and_one_is_the_seat() {
        let (platform, microphones) = (Platform::default(), Microphones::default());
        let (seat, alone) = section(Family::TopPlate, 1, 8.0, 6.0);
        assert_eq!(alone.places(), ([Spot::default(); PLACES], 1));
        assert_eq!(
            seat.source_on(alone.spots()[0], &platform, &microphones),
            seat.source(&platform, &microphones)
        );
        let (_, three) = section(Family::ToneHoles, 3, 3.0, 1.5);
        assert_eq!(
            three.places().0[..3].iter().map(|spot| spot.across_m).collect::<Vec<_>>(),
            [-1.0, 0.0, 1.0]
        );
    }
}
