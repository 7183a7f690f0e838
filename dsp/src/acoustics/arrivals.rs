//! Direct sound and reflections up to third order: image sources of the platform.

#[cfg(test)]
mod oracle;

use crate::acoustics::microphones::{Capsule, Microphones};
use crate::acoustics::octave::{BANDS, PerBand, THIRDS, TOP, exact_midband_hz, third_midband_hz};
use crate::acoustics::platform::{Face, Platform};
use crate::acoustics::radiation::world_axis;
use crate::acoustics::seat::Source;
use crate::acoustics::vector::Vector;

/// Highest number of reflections on a path.
pub(crate) const HIGHEST_ORDER: i32 = 3;
/// Number of arrivals: the direct sound and 37 reflections.
///
/// Along y the open front allows no or one hit of the rear wall; along x and z
/// there are one path without a hit and two with n hits, n = 1 to 3.
pub const ARRIVALS: usize = 38;
/// Shortest path that counts, m: nearer than this a source is no point any more.
const SHORTEST_PATH_M: f64 = 0.1;

/// What an arrival was thrown back by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Surface {
    /// The floor alone.
    Floor,
    /// The canopy alone.
    Canopy,
    /// The rear wall alone.
    Rear,
    /// One or both side walls, nothing else.
    Sides,
    /// Several of them.
    Several,
}

impl Surface {
    /// Every surface, in the order of a legend.
    pub const ALL: [Self; 5] = [Self::Floor, Self::Canopy, Self::Rear, Self::Sides, Self::Several];

    /// Returns the name in a legend.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Floor => "floor",
            Self::Canopy => "canopy",
            Self::Rear => "rear wall",
            Self::Sides => "side walls",
            Self::Several => "several",
        }
    }
}

/// One mirrored source: where it stands and which faces made it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Image {
    /// Position of the mirrored source, m.
    pub position: Vector,
    /// Number of hits of each face, in the order of [`Face::ALL`].
    pub hits: [u8; Face::ALL.len()],
    /// -1 for each axis along which the number of hits is odd, else 1.
    mirrored: Vector,
}

impl Image {
    /// Returns the number of reflections.
    pub fn order(&self) -> u8 {
        self.hits.iter().sum()
    }

    /// Returns -1 for each axis along which the number of hits is odd, else 1.
    pub(crate) const fn mirrored(&self) -> Vector {
        self.mirrored
    }

    /// Returns the direction in which the sound leaves the real source towards `receiver`, of length 1.
    pub fn departure(&self, receiver: Vector) -> Vector {
        let mirrored = (receiver - self.position).unit();
        Vector::new(mirrored.x * self.mirrored.x, mirrored.y * self.mirrored.y, mirrored.z * self.mirrored.z)
    }

    /// Returns what threw the sound back; `None` for the direct sound.
    pub fn surface(&self) -> Option<Surface> {
        let mut found = None;
        for (face, &hits) in Face::ALL.iter().zip(&self.hits) {
            if hits == 0 {
                continue;
            }
            let surface = match face {
                Face::Floor => Surface::Floor,
                Face::Canopy => Surface::Canopy,
                Face::Rear => Surface::Rear,
                Face::Left | Face::Right => Surface::Sides,
            };
            match found {
                None => found = Some(surface),
                Some(other) if other != surface => return Some(Surface::Several),
                Some(_) => {}
            }
        }
        found
    }

    /// Returns the path in words: `direct`, or the faces with their number of hits.
    pub fn path_name(&self) -> String {
        const NAMES: [&str; Face::ALL.len()] = ["floor", "canopy", "rear wall", "left wall", "right wall"];
        let hit = |(name, &hits): (&&str, &u8)| match hits {
            0 => None,
            1 => Some((*name).to_owned()),
            _ => Some(format!("{name} x{hits}")),
        };
        let faces: Vec<String> = NAMES.iter().zip(&self.hits).filter_map(hit).collect();
        if faces.is_empty() { "direct".to_owned() } else { faces.join(" + ") }
    }
}

/// Returns the images of a source, the direct sound first.
///
/// `x_n` = nW + (-1)^n x and `z_n` = nH + (z or H - z) for n from -3 to 3; y or 2D - y.
///
/// # Source
/// Allen and Berkley (1979), for a box whose front is open.
pub fn images(position: Vector, platform: &Platform) -> [Image; ARRIVALS] {
    let direct = Image { position, hits: [0; Face::ALL.len()], mirrored: Vector::new(1.0, 1.0, 1.0) };
    let mut images = [direct; ARRIVALS];
    let mut filled = 1;
    for rear in 0..=1 {
        for nx in -HIGHEST_ORDER..=HIGHEST_ORDER {
            for nz in -HIGHEST_ORDER..=HIGHEST_ORDER {
                let order = nx.abs() + nz.abs() + rear;
                if order == 0 || order > HIGHEST_ORDER {
                    continue;
                }
                images[filled] = image(position, platform, nx, rear, nz);
                filled += 1;
            }
        }
    }
    debug_assert_eq!(filled, ARRIVALS);
    images
}

/// Mirrors a position |nx| times sideways, `rear` times at the rear wall and |nz| times at floor and canopy.
fn image(position: Vector, platform: &Platform, nx: i32, rear: i32, nz: i32) -> Image {
    let sign = |n: i32| if n % 2 == 0 { 1.0 } else { -1.0 };
    let x = f64::from(nx) * platform.width_m + sign(nx) * position.x;
    let y = if rear == 0 { position.y } else { 2.0 * platform.depth_m - position.y };
    let z = f64::from(nz) * platform.height_m
        + if nz % 2 == 0 { position.z } else { platform.height_m - position.z };
    // The face on the side of the image is hit first and last, so it has the odd hit.
    let nearer = |n: i32| ((n.abs() + 1) / 2) as u8;
    let farther = |n: i32| (n.abs() / 2) as u8;
    let split = |n: i32| if n < 0 { (nearer(n), farther(n)) } else { (farther(n), nearer(n)) };
    let (floor, canopy) = split(nz);
    let (left, right) = split(nx);
    Image {
        position: Vector::new(x, y, z),
        hits: [floor, canopy, rear as u8, left, right],
        mirrored: Vector::new(sign(nx), sign(rear), sign(nz)),
    }
}

/// What one capsule hears of one path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrival {
    /// Length of the path, m.
    pub path_m: f64,
    /// Pressure gain per octave band; 1 is an omnidirectional source at 1 m heard by an omni.
    pub gain: PerBand,
    /// Pressure gain above the octave bands: walls and directivity as in the highest octave, air as at 16 kHz.
    pub top_gain: f64,
}

/// What every arrival of one source needs of source and platform, worked out once.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stage {
    axis: Vector,
    exponents: PerBand,
    leak: PerBand,
    recorded: PerBand,
    air_nepers_per_m: PerBand,
    top_air_nepers_per_m: f64,
    air_in_thirds_nepers_per_m: [f64; THIRDS],
    /// ln of the gain of one hit, by face and band.
    ln_hit: [PerBand; Face::ALL.len()],
}

impl Stage {
    /// Works out the parts of the gains that all arrivals share.
    pub(crate) fn new(source: &Source, platform: &Platform) -> Self {
        let patterns = source.family.patterns();
        Self {
            axis: world_axis(source.family, source.forward),
            exponents: patterns.map(|pattern| pattern.exponent),
            leak: patterns.map(|pattern| pattern.leak),
            recorded: source.recorded.gains(source.family),
            air_nepers_per_m: platform.air_db_per_m().map(|db| db / NEPER_DB),
            air_in_thirds_nepers_per_m: std::array::from_fn(|third| {
                platform.air.attenuation_db_per_m(third_midband_hz(third)) / NEPER_DB
            }),
            top_air_nepers_per_m: platform.air.attenuation_db_per_m(exact_midband_hz(TOP)) / NEPER_DB,
            // A face that returns nothing at all counts as -200 dB, so that its logarithm exists.
            ln_hit: Face::ALL.map(|face| platform.hit_gain(face).map(|gain| gain.max(1e-10).ln())),
        }
    }

    /// Returns what a capsule at `capsule_position` hears by way of an image.
    ///
    /// `gain_b` = 1/r `prod_s` `hit_sb^n_s` `D_b(departure)/D_b(recording)` M(incidence) 10^(-air `a_b` r / 20).
    pub(crate) fn arrival(&self, image: &Image, capsule: &Capsule, capsule_position: Vector) -> Arrival {
        let towards = image.position - capsule_position;
        let path_m = towards.length().max(SHORTEST_PATH_M);
        let cosine = image.departure(capsule_position).dot(self.axis);
        let ln_lobe = f64::midpoint(1.0, cosine.clamp(-1.0, 1.0)).max(1e-12).ln();
        let common = capsule.gain(towards.unit()) / path_m;
        let gain: PerBand = std::array::from_fn(|band| {
            let lobe = (2.0 * self.exponents[band] * ln_lobe).exp();
            let leak = self.leak[band];
            let directivity = (leak + (1.0 - leak) * lobe).sqrt() * self.recorded[band];
            let hits: f64 = image.hits.iter().zip(&self.ln_hit).map(|(&n, ln)| f64::from(n) * ln[band]).sum();
            common * directivity * (hits - self.air_nepers_per_m[band] * path_m).exp()
        });
        let more_air = self.top_air_nepers_per_m - self.air_nepers_per_m[BANDS - 1];
        Arrival { path_m, gain, top_gain: gain[BANDS - 1] * (-more_air * path_m).exp() }
    }
}

impl Stage {
    /// Returns the gains of a direct sound in thirds of an octave: directivity between the octaves, air as it is.
    ///
    /// Directivity is a straight line in dB over octaves from one midband to the
    /// next, and as in the outermost octaves beyond them; its corners are placed so
    /// that the three thirds of each octave have the octave's energy together.
    pub(crate) fn direct_in_thirds(&self, direct: &Arrival) -> [f64; THIRDS] {
        // ln of the gain without air.
        let wanted: PerBand = std::array::from_fn(|band| {
            direct.gain[band].max(1e-12).ln() + self.air_nepers_per_m[band] * direct.path_m
        });
        let mut corners = wanted;
        let mut thirds = between_octaves(&corners);
        for _ in 0..CORNER_ROUNDS {
            for band in 0..BANDS {
                let of_octave = 3 * band..3 * band + 3;
                let width: f64 = of_octave.clone().map(third_midband_hz).sum();
                let energy: f64 =
                    of_octave.map(|third| third_midband_hz(third) * (2.0 * thirds[third]).exp()).sum();
                corners[band] += wanted[band] - (energy / width).ln() / 2.0;
            }
            thirds = between_octaves(&corners);
        }
        std::array::from_fn(|third| {
            (thirds[third] - self.air_in_thirds_nepers_per_m[third] * direct.path_m).exp()
        })
    }
}

/// Rounds in which the corners of a directivity over frequency are placed; neighbours pull little.
const CORNER_ROUNDS: usize = 3;

/// Returns the value of each third of an octave on straight lines from octave to octave.
fn between_octaves(octaves: &PerBand) -> [f64; THIRDS] {
    std::array::from_fn(|third| {
        let position = ((third as f64 - 10.0) / 3.0 + 3.0).clamp(0.0, (BANDS - 1) as f64);
        let (below, share) = (position as usize, position.fract());
        octaves[below] * (1.0 - share) + octaves[(below + 1).min(BANDS - 1)] * share
    })
}

/// dB per neper of pressure, 20 log10 e (definition).
const NEPER_DB: f64 = 20.0 * std::f64::consts::LOG10_E;

/// Returns every arrival of a source at one capsule, the direct sound first.
pub fn arrivals(
    source: &Source,
    platform: &Platform,
    microphones: &Microphones,
    capsule: &Capsule,
) -> [Arrival; ARRIVALS] {
    let stage = Stage::new(source, platform);
    let position = microphones.position() + capsule.offset;
    images(source.position, platform).map(|image| stage.arrival(&image, capsule, position))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::microphones::Pair;
    use crate::acoustics::radiation::Family;
    use crate::acoustics::recorded_from::RecordedFrom;
    use crate::acoustics::seat::Seat;

    /// The fast way and the oracle list the same arrivals, up to rounding.
    #[test]
    fn mirrored_images_agree_with_paths_walked_back() {
        for (depth_m, bearing_deg, facing_deg, family) in [
            (5.0, 0.0, 0.0, Family::Omnidirectional),
            (3.0, -40.0, 30.0, Family::TopPlate),
            (10.5, 12.0, 180.0, Family::RearBell),
        ] {
            let recorded = RecordedFrom::Front;
            let seat =
                Seat { depth_m, bearing_deg, facing_deg, family, recorded, riser_m: 0.4, ..Seat::default() };
            let (platform, microphones) = (Platform::default(), Microphones::default());
            let source = seat.source(&platform, &microphones);
            for capsule in Pair::NearCoincident.capsules() {
                let mut fast = arrivals(&source, &platform, &microphones, &capsule).to_vec();
                let mut slow: Vec<Arrival> = oracle::paths(&source, &platform, &microphones, &capsule)
                    .iter()
                    .map(|p| p.arrival)
                    .collect();
                // Sequences that visit the same corners in another order (an
                // edge) do not occur off the symmetry planes of the box.
                fast.sort_by(|a, b| a.path_m.total_cmp(&b.path_m));
                slow.sort_by(|a, b| a.path_m.total_cmp(&b.path_m));
                assert_eq!(fast.len(), slow.len(), "number of arrivals");
                for (f, s) in fast.iter().zip(&slow) {
                    assert!((f.path_m - s.path_m).abs() < 1e-9, "expected {s:?}, got {f:?}");
                    for (a, b) in f.gain.iter().chain([&f.top_gain]).zip(s.gain.iter().chain([&s.top_gain])) {
                        assert!((a - b).abs() <= 1e-9 * b.abs(), "expected {s:?}, got {f:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn the_floor_reflection_leaves_downwards() {
        let platform = Platform::default();
        let position = Vector::new(0.0, 5.0, 1.2);
        let microphones = Vector::new(0.0, 0.0, 3.0);
        let all = images(position, &platform);
        let floor = all.iter().find(|image| image.hits == [1, 0, 0, 0, 0]);
        let departure = floor.map(|image| image.departure(microphones));
        // 4.2 m down over 5 m along: worked by hand from the mirrored source at z = -1.2.
        let length = (5.0_f64 * 5.0 + 4.2 * 4.2).sqrt();
        let expected = Vector::new(0.0, -5.0 / length, -4.2 / length);
        assert!(departure.is_some_and(|d| (d - expected).length() < 1e-12), "got {departure:?}");
    }
}
