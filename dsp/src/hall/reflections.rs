//! The hall's first reflections: image sources of a shoebox, for a player left and one right on its stage.

use super::{Hall, SPEED_OF_SOUND_M_S};
use crate::acoustics::air::Air;
use crate::acoustics::decibel::gain_of_db;
use crate::acoustics::microphones::{Capsule, Pair};
use crate::acoustics::octave::mid_mean;
use crate::acoustics::platform::DECAY_EXPONENT;
use crate::acoustics::vector::Vector;
use crate::extremes::{least, smaller};

/// Most walls that a reflection meets.
pub(super) const MOST_HITS: usize = 3;
/// Reflections of one to [`MOST_HITS`] hits in a closed box: 6, 18 and 38.
pub(super) const REFLECTIONS: usize = 62;

/// Height and length of the hall against its width: those of a shoebox (common practice, no source).
const HEIGHT_TO_WIDTH: f64 = 0.8;
const LENGTH_TO_WIDTH: f64 = 1.9;
/// Distance of the players from the wall behind them, and of the listener from the far one, against the length (our choice).
const STAGE_DEPTH: f64 = 0.12;
const SEAT_DEPTH: f64 = 0.42;
/// Half the distance between the left and the right player against the width (our choice).
const HALF_STAGE: f64 = 0.18;
/// Heights of players and listener above the stalls, m: a stage of 1 m, a main pair above the seats (our choice).
const SOURCE_HEIGHT_M: f64 = 2.2;
const LISTENER_HEIGHT_M: f64 = 3.0;
/// What of a sound's energy the occupied stalls return, mid-band, beside what all walls take: 1 - 0.8 (common practice, no source).
const STALLS_RETURN: f64 = 0.2;
/// Energy that a wall of balconies, reliefs and niches scatters into the tail (our choice: what rows of chairs with persons
/// scatter at 1 kHz, Vorlaender 2008, as transcribed in pyroomacoustics).
const SCATTERED: f64 = 0.5;
/// Microphones of the reflections: level and time tell their sides, and both channels add up in mono (our choice).
const PAIR: Pair = Pair::NearCoincident;
/// Octave at which the reflections' loss of top is looked at: 4 kHz.
const TOP_BAND: usize = 5;
/// Its frequency, Hz.
pub(super) const TOP_HZ: f64 = 4000.0;

/// One reflection of the left player; that of the right player is its mirror image.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reflection {
    /// Time after the first of all reflections, s.
    pub delay_s: f64,
    /// Walls that it meets, 1 to three.
    pub hits: usize,
    /// Pressure gain in the left and the right channel; 0 where it comes after the mixing time.
    pub gains: [f64; 2],
}

/// The hall's first reflections.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reflections {
    /// Reflections of the left player.
    pub all: [Reflection; REFLECTIONS],
    /// Pressure gain at 4 kHz against mid-band of what has met one, two and three walls.
    pub top_gains: [f64; MOST_HITS],
}

/// An image of the left player.
struct Image {
    position: Vector,
    hits: usize,
    /// Hits of the floor with its stalls.
    floor_hits: usize,
}

/// Width, length and height of the hall, m.
fn size_m(hall: &Hall) -> Vector {
    let width = (hall.volume_m3 / (HEIGHT_TO_WIDTH * LENGTH_TO_WIDTH)).cbrt();
    Vector::new(width, LENGTH_TO_WIDTH * width, HEIGHT_TO_WIDTH * width)
}

/// Returns what a wall leaves of a sound's energy, 1 - a' = exp(-24 ln10 V/(c S T)), for a decay T (Norris and Eyring, 1930).
fn returned(hall: &Hall, decay_s: f64) -> f64 {
    let Vector { x, y, z } = size_m(hall);
    let surface_m2 = 2.0 * (x * y + y * z + z * x);
    // 24 ln 10 = 4 times the energy decay exponent.
    (-4.0 * DECAY_EXPONENT * hall.volume_m3 / (SPEED_OF_SOUND_M_S * surface_m2 * decay_s)).exp()
}

/// Returns the images of the left player after one to [`MOST_HITS`] hits (Allen and Berkley, 1979).
fn images(hall: &Hall) -> impl Iterator<Item = Image> {
    let size = size_m(hall);
    let source =
        Vector::new(-HALF_STAGE * size.x, size.y * (1.0 - STAGE_DEPTH), SOURCE_HEIGHT_M.min(size.z / 2.0));
    let most = MOST_HITS as i32;
    let room = move |x: i32, y: i32, z: i32| {
        let along =
            |n: i32, length: f64, at: f64| f64::from(n) * length + if n % 2 == 0 { at } else { length - at };
        Image {
            // Across, the box reaches as far to the left as to the right.
            position: Vector::new(
                along(x, size.x, source.x + size.x / 2.0) - size.x / 2.0,
                along(y, size.y, source.y),
                along(z, size.z, source.z),
            ),
            hits: (x.abs() + y.abs() + z.abs()) as usize,
            // Counted downwards, every other hit is the floor's, the first one too.
            floor_hits: if z < 0 { (z.unsigned_abs() as usize).div_ceil(2) } else { z as usize / 2 },
        }
    };
    (-most..=most)
        .flat_map(move |x| (-most..=most).flat_map(move |y| (-most..=most).map(move |z| (x, y, z))))
        .filter(move |(x, y, z)| (1..=most).contains(&(x.abs() + y.abs() + z.abs())))
        .map(move |(x, y, z)| room(x, y, z))
}

impl Reflections {
    /// Works out the reflections of a hall: those before the mixing time, with their share of the energy.
    ///
    /// g = M/r sqrt((1-a')^n (1-s)^n f^m), M the capsule's pattern, r the path
    /// in m, n the hits, s the scattered share, m the hits of the stalls and f
    /// what they return; all brought to [`specular_share`] of the energy before
    /// the mixing time.
    pub fn of(hall: &Hall) -> Self {
        let returned_mid = returned(hall, hall.mid_decay_s());
        let mut all = [Reflection::default(); REFLECTIONS];
        let mut earliest_m = f64::INFINITY;
        for (reflection, image) in all.iter_mut().zip(images(hall)) {
            let energy = energy(&image, returned_mid) * (1.0 - SCATTERED).powi(image.hits as i32);
            let paths = capsules(hall).map(|(capsule, position)| {
                let path = image.position - position;
                (path.length(), capsule.gain(path.unit()) * energy.sqrt() / path.length())
            });
            // One time for both channels: a pair's 0.25 ms and its levels both tell sides; levels do it in mono, too.
            let path_m = f64::midpoint(paths[0].0, paths[1].0);
            earliest_m = smaller(earliest_m, path_m);
            *reflection = Reflection {
                delay_s: path_m / SPEED_OF_SOUND_M_S,
                hits: image.hits,
                gains: paths.map(|(_, gain)| gain),
            };
        }
        let mixing_time_s = hall.mixing_time_s();
        let mut sum = 0.0;
        for reflection in &mut all {
            reflection.delay_s -= earliest_m / SPEED_OF_SOUND_M_S;
            if reflection.delay_s >= mixing_time_s {
                reflection.gains = [0.0; 2];
            }
            sum += reflection.gains.iter().map(|gain| gain * gain).sum::<f64>();
        }
        let wished = specular_share(hall) * mid_mean(&hall.energies()[0]);
        let scale = (wished / sum).sqrt();
        for reflection in &mut all {
            reflection.gains = reflection.gains.map(|gain| gain * scale);
        }
        let top = returned(hall, hall.band_decay_s()[TOP_BAND]) / returned_mid;
        let air_db_per_m = Air::default().attenuation_db_per_m(TOP_HZ);
        let top_gains = std::array::from_fn(|order| {
            let of_order = all.iter().filter(|reflection| reflection.hits == order + 1);
            let (count, sum_s) =
                of_order.fold((0.0, 0.0), |(count, sum_s), r| (count + 1.0, sum_s + r.delay_s));
            let path_m = sum_s / count * SPEED_OF_SOUND_M_S;
            // No higher than flat: a hall whose top decays longer does not brighten its walls.
            (top.powf((order + 1) as f64 / 2.0) * gain_of_db(-air_db_per_m * path_m)).min(1.0)
        });
        Self { all, top_gains }
    }
}

/// Returns the capsules and where they stand.
fn capsules(hall: &Hall) -> [(Capsule, Vector); 2] {
    let size = size_m(hall);
    let centre = Vector::new(0.0, SEAT_DEPTH * size.y, LISTENER_HEIGHT_M.min(size.z / 2.0));
    PAIR.capsules().map(|capsule| (capsule, centre + capsule.offset))
}

/// Returns the energy that the walls have left of an image's sound, scattered sound included.
fn energy(image: &Image, returned: f64) -> f64 {
    returned.powi(image.hits as i32) * STALLS_RETURN.powi(image.floor_hits as i32)
}

/// Returns the share of the energy before the mixing time that stays in clear reflections, 0 to 1.
///
/// sum e (1-s)^n / sum e over the images before the mixing time, e the energy
/// with what is scattered: what the walls scatter is in the tail's first part.
pub fn specular_share(hall: &Hall) -> f64 {
    let returned_mid = returned(hall, hall.mid_decay_s());
    let (_, centre) = capsules(hall)[0];
    let path_m = |image: &Image| (image.position - centre).length();
    let first_m = least(images(hall).map(|image| path_m(&image)));
    let latest_m = first_m + hall.mixing_time_s() * SPEED_OF_SOUND_M_S;
    let (mut clear, mut whole) = (0.0, 0.0);
    for image in images(hall).filter(|image| path_m(image) < latest_m) {
        let energy = energy(&image, returned_mid) / (path_m(&image) * path_m(&image));
        clear += energy * (1.0 - SCATTERED).powi(image.hits as i32);
        whole += energy;
    }
    clear / whole
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_are_as_many_images_as_a_closed_box_has() {
        // 4 n^2 + 2 of n hits (the lattice points of an octahedron's shell).
        let mut counts = [0; MOST_HITS];
        images(&Hall::default()).for_each(|image| counts[image.hits - 1] += 1);
        assert_eq!(counts, [6, 18, 38]);
        assert_eq!(counts.iter().sum::<usize>(), REFLECTIONS);
    }

    /// The first hits by hand: mirrored at a side wall, the ceiling, the wall behind.
    #[test]
    fn images_of_one_hit_are_mirror_images() {
        let hall = Hall::default();
        let size = size_m(&hall);
        assert!((size.x * size.y * size.z - hall.volume_m3).abs() < 1e-6);
        let source = Vector::new(-HALF_STAGE * size.x, size.y * (1.0 - STAGE_DEPTH), SOURCE_HEIGHT_M);
        let once: Vec<Image> = images(&hall).filter(|image| image.hits == 1).collect();
        for expected in [
            Vector { x: -size.x - source.x, ..source },
            Vector { x: size.x - source.x, ..source },
            Vector { y: -source.y, ..source },
            Vector { y: 2.0 * size.y - source.y, ..source },
            Vector { z: -source.z, ..source },
            Vector { z: 2.0 * size.z - source.z, ..source },
        ] {
            let found = once.iter().filter(|image| (image.position - expected).length() < 1e-9).count();
            assert_eq!(found, 1, "no image at {expected:?}");
        }
        let floor = once.iter().filter(|image| image.floor_hits == 1).count();
        assert_eq!(floor, 1);
    }

    #[test]
    fn the_first_comes_at_once_and_all_carry_their_share() {
        for hall in [
            Hall::default(),
            Hall { volume_m3: 2000.0, decay_s: 0.8, ..Hall::default() },
            Hall { volume_m3: 30_000.0, decay_s: 8.0, ..Hall::default() },
        ] {
            let Reflections { all, top_gains } = Reflections::of(&hall);
            let first_s = least(all.iter().map(|reflection| reflection.delay_s));
            assert!(first_s.abs() < 1e-12);
            let energy: f64 = all.iter().flat_map(|r| r.gains).map(|gain| gain * gain).sum();
            let share = energy / mid_mean(&hall.energies()[0]);
            assert!((share - specular_share(&hall)).abs() < 1e-9);
            assert!((0.2..0.7).contains(&share), "{share}");
            assert!(top_gains.windows(2).all(|pair| pair[1] < pair[0]), "{top_gains:?}");
        }
    }

    #[test]
    fn the_left_player_is_heard_more_on_the_left() {
        let Reflections { all, .. } = Reflections::of(&Hall::default());
        let side = |side: usize| all.iter().map(|r| r.gains[side] * r.gains[side]).sum::<f64>();
        assert!(side(0) > side(1), "{} and {}", side(0), side(1));
    }
}
