//! What the faces scatter: early diffuse sound, face by face, and what is left to late sound.
//!
//! Before a platform is filled evenly, nothing sounds between its reflections
//! but what its faces scatter. A face struck by the source's power scatters
//! rho sigma of it, by Lambert's cosine, and begins to do so at its own
//! reflection: so the gap after the direct sound follows the seat. The same
//! again with the source or the microphones mirrored in one other face. Later,
//! the field is even and decays with the platform; how strong it is follows from
//! the power that the first two hits return, since a source that plays out of
//! the open front fills the platform less than one that plays at its rear wall.
//!
//! The integral over the faces is taken in directions of departure: rings about
//! the source's axis, each with the mean of the directivity over it.
//!
//! # Source
//! Lambert's law in the form of Kuttruff, Room Acoustics (from memory). Held
//! against traced rays at 24 seats (`tests/data/traced_energy.csv`), octaves 500
//! Hz to 4 kHz: the whole reflected energy within 0.7 dB in nine of ten cells,
//! windows after the direct sound within 2.6 dB.

use std::f64::consts::PI;

use crate::acoustics::microphones::{Capsule, Microphones};
use crate::acoustics::octave::{BANDS, PerBand};
use crate::acoustics::platform::{DECAY_EXPONENT, Face, Platform};
use crate::acoustics::radiation::{Pattern, world_axis};
use crate::acoustics::seat::Source;
use crate::acoustics::vector::Vector;

/// Rings of directions about the axis, and directions in each.
pub(crate) const RINGS: usize = 6;
pub(crate) const AZIMUTHS: usize = 8;
/// Edges of the rings, degrees from the axis: narrower where lobes are steep (our choice; 16 rings of 16 change no window
/// by more than half a dB).
const RING_EDGES_DEG: [f64; RINGS + 1] = [0.0, 22.0, 45.0, 70.0, 95.0, 125.0, 180.0];

/// Places in time at which scattered sound begins.
pub const SCATTERINGS: usize = 11;
/// Index of the floor's scattering, and of what it scatters later: what it sends from far off arrives well after its reflection.
pub(crate) const FLOOR: usize = 0;
pub(crate) const FLOOR_LATER: usize = 1;
/// In what the source is mirrored once more where a scattering begins.
#[derive(Clone, Copy)]
enum Again {
    Nothing,
    In(Face),
    InNearerSide,
}

/// What the source is mirrored in where each scattering begins: a face of its own, then perhaps one more.
const MIRRORED_IN: [(Face, Again); SCATTERINGS] = [
    (Face::Floor, Again::Nothing),
    (Face::Floor, Again::Nothing),
    (Face::Canopy, Again::Nothing),
    (Face::Rear, Again::Nothing),
    (Face::Left, Again::Nothing),
    (Face::Right, Again::Nothing),
    (Face::Rear, Again::In(Face::Floor)),
    (Face::Rear, Again::In(Face::Canopy)),
    (Face::Floor, Again::In(Face::Canopy)),
    (Face::Rear, Again::InNearerSide),
    (Face::Floor, Again::InNearerSide),
];

/// Returns which scattering a face's is, mirrored in another face or not.
///
/// The few that leave corners of side walls and canopy go with the rear wall's and the canopy's.
pub(crate) const fn scattering_of(face: Face, mirrored_in: Option<Face>) -> usize {
    use Face::{Canopy, Floor, Left, Rear, Right};
    match (face, mirrored_in) {
        (Floor, None) => FLOOR,
        (Canopy, None) => 2,
        (Rear, None) => 3,
        (Left, None) => 4,
        (Right, None) => 5,
        (Rear, Some(Floor)) | (Floor, Some(Rear)) => 6,
        (Floor, Some(Canopy)) | (Canopy, Some(Floor)) => 8,
        (Rear, Some(Left | Right)) | (Left | Right, Some(Rear)) => 9,
        (Floor, Some(Left | Right)) | (Left | Right, Some(Floor)) => 10,
        _ => 7,
    }
}

/// Decay of what one face scatters, energy by 1/e, as a share of the time across the platform, V^(1/3)/c.
///
/// Our choice: over the 24 seats of the traced rays a face's scattering comes 3
/// to 9 ms after its reflection on average, in proportion to the platform's size.
const SCATTERED_SHARE: f64 = 0.08;
/// Time constants by which the floor's later scattering follows its first (our choice, from the same rays).
const FLOOR_LATER_BY: f64 = 4.0;

/// Shares of the mixing time between which scattered sound gives way to late sound (our choice).
pub(crate) const GIVES_WAY: (f64, f64) = (0.7, 1.3);

impl Platform {
    /// Returns the time constant of what one face scatters, energy by 1/e, in seconds.
    pub fn scattered_s(&self) -> f64 {
        SCATTERED_SHARE * self.volume_m3().cbrt() / self.air.speed_of_sound_m_s()
    }

    /// Returns where a point is mirrored in a face.
    pub(crate) fn mirrored(&self, point: Vector, face: Face) -> Vector {
        let mut mirrored = point.components();
        let (axis, far) = face.stands_on();
        let (near_m, far_m) = self.ends_m()[axis];
        mirrored[axis] = 2.0 * (if far { far_m } else { near_m }) - mirrored[axis];
        Vector::new(mirrored[0], mirrored[1], mirrored[2])
    }

    /// Returns where the box begins and ends along each axis, m.
    pub(crate) fn ends_m(&self) -> [(f64, f64); 3] {
        [(-self.width_m / 2.0, self.width_m / 2.0), (0.0, self.depth_m), (0.0, self.height_m)]
    }
}

/// Returns the mean of D^2 over each ring about the axis.
///
/// leak + (1 - leak) (b^p - a^p)/(p (b - a)), p = 2n + 1, a and b the values of
/// (1 + cos theta)/2 at the ring's edges (closed form).
pub(crate) fn ring_energies(pattern: &Pattern) -> [f64; RINGS] {
    let power = 2.0 * pattern.exponent + 1.0;
    std::array::from_fn(|ring| {
        let [inner, outer] =
            [ring, ring + 1].map(|edge| f64::midpoint(1.0, RING_EDGES_DEG[edge].to_radians().cos()));
        let lobe = (inner.powf(power) - outer.powf(power)) / (power * (inner - outer));
        pattern.leak + (1.0 - pattern.leak) * lobe
    })
}

/// Returns the share of all directions that one direction of each ring stands for.
pub(crate) fn ring_shares() -> [f64; RINGS] {
    std::array::from_fn(|ring| {
        let [inner, outer] = [ring, ring + 1].map(|edge| RING_EDGES_DEG[edge].to_radians().cos());
        (inner - outer) / 2.0 / AZIMUTHS as f64
    })
}

/// Returns the directions of all rings as (along the axis, two across it), each of length 1; every other ring is turned by
/// half a step.
pub(crate) fn ring_directions() -> [[[f64; 3]; AZIMUTHS]; RINGS] {
    std::array::from_fn(|ring| {
        let [inner, outer] = [ring, ring + 1].map(|edge| RING_EDGES_DEG[edge].to_radians().cos());
        let along = f64::midpoint(inner, outer);
        let across = (1.0 - along * along).sqrt();
        std::array::from_fn(|azimuth| {
            let turn = (azimuth as f64 + 0.25 + 0.5 * (ring % 2) as f64) / AZIMUTHS as f64;
            let (sin, cos) = (2.0 * PI * turn).sin_cos();
            [along, across * cos, across * sin]
        })
    })
}

/// Returns the axis and two directions across it, each of length 1.
pub(crate) fn axis_frame(source: &Source) -> [Vector; 3] {
    let axis = world_axis(source.family, source.forward);
    let up = Vector::new(0.0, 0.0, 1.0);
    // No instrument points straight up, but a hair beside it its player's front is the better hold.
    let hold = if axis.z.abs() < 0.9 { up } else { source.forward };
    let across = axis.cross(hold).unit();
    [axis, across, axis.cross(across)]
}

/// What the faces scatter of a source, and what they leave to late sound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scattered {
    /// Path of the reflection with which each scattering begins, to the microphones' centre, m.
    pub path_m: [f64; SCATTERINGS],
    /// Energy of each scattering per band, both capsules together; 1 is an omnidirectional source at 1 m heard by one omni.
    pub energy: [PerBand; SCATTERINGS],
    /// Energy per band of all reflected sound later than a mixing time after the direct sound at the nearer capsule.
    pub late: PerBand,
}

/// Returns the path of the reflection with which each scattering begins, m.
pub(crate) fn scattering_paths_m(
    position: Vector,
    platform: &Platform,
    microphones: &Microphones,
) -> [f64; SCATTERINGS] {
    let side = if position.x < 0.0 { Face::Left } else { Face::Right };
    let mut paths = MIRRORED_IN.map(|(face, again)| {
        let once = platform.mirrored(position, face);
        let image = match again {
            Again::Nothing => once,
            Again::In(face) => platform.mirrored(once, face),
            Again::InNearerSide => platform.mirrored(once, side),
        };
        (image - microphones.position()).length()
    });
    paths[FLOOR_LATER] += FLOOR_LATER_BY * platform.scattered_s() * platform.air.speed_of_sound_m_s();
    paths
}

/// Returns which share of scattered sound counts that arrives `late_s` after the direct sound: what comes after the mixing
/// time is late sound.
pub(crate) fn share_before_mixing(late_s: f64, mixing_time_s: f64) -> f64 {
    let (from, to) = GIVES_WAY;
    let gone = ((late_s / mixing_time_s - from) / (to - from)).clamp(0.0, 1.0);
    1.0 - gone * gone * (3.0 - 2.0 * gone)
}

/// Works out what the faces scatter of a source towards the microphones, slowly and obviously.
///
/// Each direction of departure carries w D^2 of the source's energy, w its share
/// of all directions. Where it strikes a face it adds
/// 4 w D^2 rho sigma cos(theta)/r2^2 sum M^2: theta the angle at which the
/// microphones see the face, r2 the path to them. The air takes exp(-m r) of a
/// scattering, r its mean path. What the first two hits return has the power P
/// with which late sound begins: of it 4 pi c/(V a) P <sum M^2> exp(-a t) is left
/// at t after the source played, a = 13.82/`T_b`; a path of r counts
/// exp((a/c - m) r), of a ring's paths together exp((a/c - m) mean + (a/c - m)^2 variance/2).
///
/// # Source
/// The module's; late sound after Barron and Lee (1988).
pub(crate) fn scattered(
    source: &Source,
    platform: &Platform,
    microphones: &Microphones,
    capsules: &[Capsule],
    start_m: f64,
) -> Scattered {
    let path_m = scattering_paths_m(source.position, platform, microphones);
    let patterns = source.family.patterns();
    let rings = patterns.map(|pattern| ring_energies(&pattern));
    let shares = ring_shares();
    let recorded = source.recorded.gains(source.family);
    let frame = axis_frame(source);
    let speed_m_s = platform.air.speed_of_sound_m_s();
    let air = platform.air_nepers_per_m();
    let decay_per_m = platform.band_decay_s().map(|decay_s| DECAY_EXPONENT / decay_s / speed_m_s);
    let returned = Face::ALL.map(|face| platform.returned(face));
    let scatters = Face::ALL.map(Face::scattering);
    let mirrors =
        |face: Face, band: usize| returned[face as usize][band] * (1.0 - scatters[face as usize][band]);
    let scattered = |face: Face, band: usize| returned[face as usize][band] * scatters[face as usize][band];
    let mut energy = [[0.0; BANDS]; SCATTERINGS];
    let mut power: PerBand = [0.0; BANDS];
    // Of each scattering, energy and energy times path, in one octave.
    let mut told = [(0.0, 0.0); SCATTERINGS];
    let field = Field { receiver: microphones.position(), capsules, start_m, platform };
    for (ring, directions) in ring_directions().iter().enumerate() {
        let carried: PerBand =
            std::array::from_fn(|band| shares[ring] * rings[band][ring] * recorded[band].powi(2));
        let (mut first, mut second) = (Paths::default(), Paths::default());
        let (mut scattered_once, mut returned_twice): (PerBand, PerBand) = ([0.0; BANDS], [0.0; BANDS]);
        let mut add = |which: usize, gains: PerBand, (geometry, whole_m): (f64, f64)| {
            for band in 0..BANDS {
                energy[which][band] += carried[band] * gains[band] * geometry;
            }
            let told_energy = carried[TOLD_IN] * gains[TOLD_IN] * geometry;
            told[which].0 += told_energy;
            told[which].1 += told_energy * whole_m;
        };
        for direction in directions {
            let towards = frame[0] * direction[0] + frame[1] * direction[1] + frame[2] * direction[2];
            let Some((face, ahead_m)) = platform.struck(source.position, towards) else { continue };
            let place = source.position + towards * ahead_m;
            first.add(ahead_m);
            add(
                scattering_of(face, None),
                std::array::from_fn(|band| scattered(face, band)),
                field.heard_of(place, face, None, ahead_m),
            );
            for mirror in Face::ALL.into_iter().filter(|&mirror| mirror != face) {
                add(
                    scattering_of(face, Some(mirror)),
                    std::array::from_fn(|band| scattered(face, band) * mirrors(mirror, band)),
                    field.heard_of(place, face, Some(mirror), ahead_m),
                );
            }
            for (band, sum) in scattered_once.iter_mut().enumerate() {
                *sum += scattered(face, band);
            }
            let towards = towards.flipped(face.stands_on().0);
            let Some((next, on_m)) = platform.struck(place, towards) else { continue };
            let (place, travelled_m) = (place + towards * on_m, ahead_m + on_m);
            second.add(travelled_m);
            add(
                scattering_of(next, Some(face)),
                std::array::from_fn(|band| mirrors(face, band) * scattered(next, band)),
                field.heard_of(place, next, None, travelled_m),
            );
            // After two hits the field is even, however sound left the face.
            for (band, sum) in returned_twice.iter_mut().enumerate() {
                *sum += mirrors(face, band) * returned[next as usize][band];
            }
        }
        for band in 0..BANDS {
            let gained_per_m = decay_per_m[band] - air[band];
            power[band] += carried[band]
                * (scattered_once[band] * first.mean_of_exp(gained_per_m)
                    + returned_twice[band] * second.mean_of_exp(gained_per_m));
        }
    }
    for (energy, &(told, told_path)) in energy.iter_mut().zip(&told) {
        let mean_m = told_path / told.max(f64::MIN_POSITIVE);
        for (energy, air) in energy.iter_mut().zip(&air) {
            *energy *= (-air * mean_m).exp();
        }
    }
    let later = floor_later_share(told[FLOOR].0, told[FLOOR].1, path_m[FLOOR], platform);
    energy[FLOOR_LATER] = energy[FLOOR].map(|energy| energy * later);
    energy[FLOOR] = energy[FLOOR].map(|energy| energy * (1.0 - later));
    let even: f64 = capsules.iter().map(Capsule::half_space_power).sum();
    let from_m = start_m + platform.mixing_time_s() * speed_m_s;
    let late = std::array::from_fn(|band| {
        4.0 * PI / (platform.volume_m3() * decay_per_m[band])
            * power[band]
            * even
            * (-decay_per_m[band] * from_m).exp()
    });
    Scattered { path_m, energy, late }
}

/// Octave in which the delays of scattered sound are told, 1 kHz: their course hardly depends on the octave.
pub(crate) const TOLD_IN: usize = 3;

/// Returns the share of the floor's scattering that counts as later, so that the mean of its delays is kept.
pub(crate) fn floor_later_share(energy: f64, energy_path_m: f64, begins_m: f64, platform: &Platform) -> f64 {
    let step_m = platform.scattered_s() * platform.air.speed_of_sound_m_s();
    let mean_m = energy_path_m / energy.max(f64::MIN_POSITIVE);
    (((mean_m - begins_m) / step_m - 1.0) / FLOOR_LATER_BY).clamp(0.0, 1.0)
}

/// Who hears what a face scatters, and when.
struct Field<'a> {
    receiver: Vector,
    capsules: &'a [Capsule],
    start_m: f64,
    platform: &'a Platform,
}

impl Field<'_> {
    /// Returns the geometry 4 cos(theta)/r2^2 sum M^2 of what a face scatters at a place `travelled_m` from the source, by way
    /// of a mirror or none, as far as it counts as early, and its whole path, m.
    fn heard_of(&self, place: Vector, face: Face, mirror: Option<Face>, travelled_m: f64) -> (f64, f64) {
        let image = mirror.map_or(self.receiver, |mirror| self.platform.mirrored(self.receiver, mirror));
        let back = place - image;
        let distance_m = back.length();
        let cosine = back.components()[face.stands_on().0].abs() / distance_m;
        let from = back * (1.0 / distance_m);
        let from = mirror.map_or(from, |mirror| from.flipped(mirror.stands_on().0));
        let heard: f64 = self.capsules.iter().map(|capsule| capsule.gain(from).powi(2)).sum();
        let whole_m = travelled_m + distance_m;
        let late_s = (whole_m - self.start_m) / self.platform.air.speed_of_sound_m_s();
        let counts = share_before_mixing(late_s, self.platform.mixing_time_s());
        (4.0 * cosine / (distance_m * distance_m) * heard * counts, whole_m)
    }
}

/// Mean and spread of paths.
#[derive(Default)]
struct Paths {
    count: f64,
    sum_m: f64,
    squares_m2: f64,
}

impl Paths {
    fn add(&mut self, path_m: f64) {
        self.count += 1.0;
        self.sum_m += path_m;
        self.squares_m2 += path_m * path_m;
    }

    /// Returns the mean of exp(g r) over the paths r, as if they were spread normally; 0 where there are none.
    fn mean_of_exp(&self, per_m: f64) -> f64 {
        if self.count == 0.0 {
            return 0.0;
        }
        let mean_m = self.sum_m / self.count;
        let variance_m2 = (self.squares_m2 / self.count - mean_m * mean_m).max(0.0);
        (per_m * mean_m + per_m * per_m * variance_m2 / 2.0).exp()
    }
}

impl Platform {
    /// Returns the face that sound from a place strikes first and how far ahead it lies, m; `None` where it leaves by the open front.
    fn struck(&self, place: Vector, towards: Vector) -> Option<(Face, f64)> {
        const FACES: [(Option<Face>, Option<Face>); 3] = [
            (Some(Face::Left), Some(Face::Right)),
            (None, Some(Face::Rear)),
            (Some(Face::Floor), Some(Face::Canopy)),
        ];
        let (mut nearest_m, mut struck) = (f64::INFINITY, None);
        let along = towards.components().into_iter().zip(place.components());
        for (((towards, place), (near_m, far_m)), faces) in along.zip(self.ends_m()).zip(FACES) {
            let (end_m, face) = if towards > 0.0 { (far_m, faces.1) } else { (near_m, faces.0) };
            let ahead_m = (end_m - place) / towards;
            // What runs along a face never strikes it.
            if towards.abs() > 1e-9 && ahead_m < nearest_m {
                (nearest_m, struck) = (ahead_m, face);
            }
        }
        struck.map(|face| (face, nearest_m))
    }
}
