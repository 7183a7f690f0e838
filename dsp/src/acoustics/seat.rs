//! Where a player sits and looks.

use crate::acoustics::microphones::Microphones;
use crate::acoustics::platform::Platform;
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::vector::Vector;

/// A player's seat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seat {
    /// Distance upstage of the front edge, 0.5 to 25 m.
    pub depth_m: f64,
    /// Bearing from the microphones, -60 to 60 degrees, positive to the audience's right.
    pub bearing_deg: f64,
    /// Height of the riser, 0 to 2 m; the instrument stands its family's height above it.
    pub riser_m: f64,
    /// Turn of the player, -180 to 180 degrees; 0 looks at the microphones, positive
    /// turns the player's front towards the audience's right.
    pub facing_deg: f64,
    /// How the instrument radiates.
    pub family: Family,
    /// From which side the dry signal was recorded.
    pub recorded: RecordedFrom,
    /// Width of the section, and distance between the two sources of a stereo channel, 0 to 8 m.
    pub width_m: f64,
    /// Players of the section, 1 to 16.
    pub players: u8,
    /// Depth of the section, over which its ranks are spread evenly, 0 to 6 m.
    pub ranks_m: f64,
    /// How much stronger the right side of a stereo channel is than its left one as recorded, -12 to 12 dB; taken out.
    pub lean_db: f64,
}

impl Default for Seat {
    fn default() -> Self {
        Self {
            depth_m: 5.0,
            bearing_deg: 0.0,
            riser_m: 0.0,
            facing_deg: 0.0,
            family: Family::Omnidirectional,
            recorded: RecordedFrom::Axis,
            width_m: 1.5,
            players: 1,
            ranks_m: 1.5,
            lean_db: 0.0,
        }
    }
}

/// Clearance that a seat keeps from every wall, m (our choice: a player's elbow room).
pub const CLEARANCE_M: f64 = 0.3;
/// Stretch before the limit over which a sideways position bends softly, m (our choice).
const SOFT_M: f64 = 0.5;
/// Least distance upstage of the microphones, m: nearer, or in front of them, a bearing says nothing.
const UPSTAGE_OF_MICROPHONES_M: f64 = 0.5;

/// A source as the physics sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Source {
    /// Position, m.
    pub position: Vector,
    /// Horizontal direction in which the player looks, of length 1.
    pub forward: Vector,
    /// How it radiates.
    pub family: Family,
    /// From which side its signal was recorded.
    pub recorded: RecordedFrom,
}

/// Bends x softly so that |x| stays below `limit_m`; untouched up to half a metre before it.
fn softly_within(x_m: f64, limit_m: f64) -> f64 {
    let soft_m = SOFT_M.min(limit_m);
    let over_m = x_m.abs() - (limit_m - soft_m);
    if over_m <= 0.0 {
        return x_m;
    }
    (limit_m - soft_m * (-over_m / soft_m).exp()).copysign(x_m)
}

impl Seat {
    /// Returns the depth after it was brought on the platform, in metres.
    ///
    /// At most D - 0.3 m, and at least 0.5 m upstage of the microphones.
    pub fn depth_inside_m(&self, platform: &Platform, microphones: &Microphones) -> f64 {
        self.depth_m.max(microphones.depth_m + UPSTAGE_OF_MICROPHONES_M).min(platform.depth_m - CLEARANCE_M)
    }

    /// Returns the source in the middle of the seat.
    pub fn source(&self, platform: &Platform, microphones: &Microphones) -> Source {
        let y = self.depth_inside_m(platform, microphones);
        let wanted_x = (y - microphones.depth_m) * self.bearing_deg.to_radians().tan();
        self.source_at(wanted_x, y, platform, microphones)
    }

    /// Returns the two sources of a stereo channel, left then right, `width_m` apart across the sight line.
    pub fn sources(&self, platform: &Platform, microphones: &Microphones) -> [Source; 2] {
        [-0.5, 0.5].map(|side| self.beside(side * self.width_m, 0.0, platform, microphones))
    }

    /// Returns a source so far across the sight line, to the right, and behind the seat along it, brought on the platform.
    pub(crate) fn beside(
        &self,
        across_m: f64,
        behind_m: f64,
        platform: &Platform,
        microphones: &Microphones,
    ) -> Source {
        let middle = self.source(platform, microphones).position;
        let sight = Vector::new(middle.x, middle.y - microphones.depth_m, 0.0).unit();
        let across = Vector::new(sight.y, -sight.x, 0.0);
        let position = middle + across * across_m + sight * behind_m;
        let y = position
            .y
            .max(microphones.depth_m + UPSTAGE_OF_MICROPHONES_M)
            .min(platform.depth_m - CLEARANCE_M);
        self.source_at(position.x, y, platform, microphones)
    }

    fn source_at(&self, wanted_x: f64, y: f64, platform: &Platform, microphones: &Microphones) -> Source {
        let x = softly_within(wanted_x, platform.width_m / 2.0 - CLEARANCE_M);
        let z = (self.riser_m + self.family.height_m()).min(platform.height_m - CLEARANCE_M);
        let to_microphones = Vector::new(-x, microphones.depth_m - y, 0.0).unit();
        let right_of_player = Vector::new(to_microphones.y, -to_microphones.x, 0.0);
        let turn = self.facing_deg.to_radians();
        let forward = to_microphones * turn.cos() - right_of_player * turn.sin();
        Source { position: Vector::new(x, y, z), forward, family: self.family, recorded: self.recorded }
    }

    /// Says whether the seat as asked lies off the platform and was brought inside.
    pub fn was_moved(&self, platform: &Platform, microphones: &Microphones) -> bool {
        let y = self.depth_inside_m(platform, microphones);
        let wanted_x = (y - microphones.depth_m) * self.bearing_deg.to_radians().tan();
        let limit_m = platform.width_m / 2.0 - CLEARANCE_M;
        (y - self.depth_m).abs() > 1e-9 || wanted_x.abs() > limit_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_player_in_the_middle_looks_downstage_and_turns_to_the_audiences_right() {
        let platform = Platform::default();
        let microphones = Microphones::default();
        let straight = Seat::default().source(&platform, &microphones).forward;
        assert!((straight - Vector::new(0.0, -1.0, 0.0)).length() < 1e-12, "got {straight:?}");
        let turned = Seat { facing_deg: 90.0, ..Seat::default() }.source(&platform, &microphones).forward;
        assert!((turned - Vector::new(1.0, 0.0, 0.0)).length() < 1e-12, "got {turned:?}");
    }

    #[test]
    fn no_seat_comes_nearer_to_a_wall_than_its_clearance() {
        let platform = Platform::default();
        let microphones = Microphones::default();
        for bearing_deg in [-60.0, -45.0, 45.0, 60.0] {
            let seat = Seat { depth_m: 25.0, bearing_deg, width_m: 8.0, ..Seat::default() };
            for source in seat.sources(&platform, &microphones) {
                assert!(source.position.x.abs() <= 9.0 - CLEARANCE_M, "got {:?}", source.position);
                assert!(source.position.y <= 12.0 - CLEARANCE_M, "got {:?}", source.position);
            }
            assert!(seat.was_moved(&platform, &microphones));
        }
    }
}
