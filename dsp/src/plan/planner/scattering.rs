//! What the faces scatter, eight directions of departure at a time: [`crate::acoustics::scattering`] has the equation and is
//! the oracle.

use crate::acoustics::microphones::{Capsule, Microphones};
use crate::acoustics::octave::{BANDS, exact_midband_hz};
use crate::acoustics::platform::{DECAY_EXPONENT, Face, Platform};
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::scattering::{
    AZIMUTHS, FLOOR, FLOOR_LATER, GIVES_WAY, RINGS, SCATTERINGS, TOLD_IN, axis_frame, floor_later_share,
    ring_directions, ring_energies, ring_shares, scattering_of,
};
use crate::acoustics::seat::Source;
use crate::kernel::instruction_set::{SIMD_WIDTH, multiply_add};
use crate::kernel::polynomial::exp2;
use crate::plan::step_energies::total;

const _: () = assert!(AZIMUTHS == SIMD_WIDTH && BANDS < SIMD_WIDTH);

/// One number for each band, and for the top above them.
type Bands = [f32; SIMD_WIDTH];
/// One number for each direction of a ring.
type Ring = [f32; AZIMUTHS];
const FACES: usize = Face::ALL.len();

/// Returns the band that stands for one of eight: above the octaves walls are as in the highest.
fn band_of(lane: usize) -> usize {
    lane.min(BANDS - 1)
}

/// What scattering needs of platform, pair and family.
#[derive(Clone, Debug)]
pub(crate) struct ScatteringTerms {
    /// Directions of the rings, along the axis and across it.
    directions: [[Ring; 3]; RINGS],
    /// Energy that one direction of a ring carries.
    carried: [Bands; RINGS],
    /// What a face returns without and with scattering, and what it scatters, by face.
    mirrors: [Bands; FACES],
    returned: [Bands; FACES],
    scattered: [Bands; FACES],
    /// Ends of the box along each axis, m.
    ends_m: [[f32; 2]; 3],
    /// Attenuation of the air, log2 of energy per metre.
    air_log2_per_m: Bands,
    /// Growth of what a path counts in late sound, a/c - m, and a/c itself, in nepers per metre.
    gained_per_m: Bands,
    decay_per_m: Bands,
    /// Late sound of a power of 1 a mixing time after time 0.
    late: Bands,
    pub(super) capsules: [Capsule; 2],
    channels: usize,
    mixing_m: f32,
    platform: Platform,
}

impl ScatteringTerms {
    pub(crate) fn new(
        platform: &Platform,
        family: Family,
        recorded: RecordedFrom,
        capsules: [Capsule; 2],
        channels: usize,
    ) -> Self {
        let speed_m_s = platform.air.speed_of_sound_m_s();
        let patterns = family.patterns();
        let rings = patterns.map(|pattern| ring_energies(&pattern));
        let shares = ring_shares();
        let recorded = recorded.gains(family);
        let single = |at: &dyn Fn(usize) -> f64| -> Bands { std::array::from_fn(|lane| at(lane) as f32) };
        let returned = Face::ALL.map(|face| platform.returned(face));
        let scatters = Face::ALL.map(Face::scattering);
        let decays_s = platform.band_decay_s();
        let air = platform.air_nepers_per_m();
        let decay_per_m = single(&|lane| DECAY_EXPONENT / decays_s[band_of(lane)] / speed_m_s);
        let even: f64 = capsules[..channels].iter().map(Capsule::half_space_power).sum();
        let mixing_m = platform.mixing_time_s() * speed_m_s;
        Self {
            directions: ring_directions()
                .map(|ring| std::array::from_fn(|along| ring.map(|direction| direction[along] as f32))),
            carried: std::array::from_fn(|ring| {
                single(&|lane| shares[ring] * rings[band_of(lane)][ring] * recorded[band_of(lane)].powi(2))
            }),
            mirrors: std::array::from_fn(|face| {
                single(&|lane| returned[face][band_of(lane)] * (1.0 - scatters[face][band_of(lane)]))
            }),
            returned: std::array::from_fn(|face| single(&|lane| returned[face][band_of(lane)])),
            scattered: std::array::from_fn(|face| {
                single(&|lane| returned[face][band_of(lane)] * scatters[face][band_of(lane)])
            }),
            ends_m: platform.ends_m().map(|(near, far)| [near as f32, far as f32]),
            air_log2_per_m: single(&|lane| {
                let hz = exact_midband_hz(lane);
                platform.air.attenuation_db_per_m(hz) / (10.0 * std::f64::consts::LOG10_2)
            }),
            gained_per_m: single(&|lane| {
                DECAY_EXPONENT / decays_s[band_of(lane)] / speed_m_s - air[band_of(lane)]
            }),
            decay_per_m,
            late: single(&|lane| {
                let per_m = DECAY_EXPONENT / decays_s[band_of(lane)] / speed_m_s;
                4.0 * std::f64::consts::PI / (platform.volume_m3() * per_m) * even * (-per_m * mixing_m).exp()
            }),
            capsules,
            channels,
            mixing_m: mixing_m as f32,
            platform: *platform,
        }
    }

    /// Returns the decay of late sound, a/c, in nepers of energy per metre of path.
    pub(super) const fn decay_per_m(&self) -> &Bands {
        &self.decay_per_m
    }

    /// Returns the path of sound in a mixing time, m.
    pub(super) const fn mixing_m(&self) -> f32 {
        self.mixing_m
    }
}

/// What the faces scatter of a source.
#[derive(Clone, Debug)]
pub(super) struct FastScattered {
    pub(super) energy: [Bands; SCATTERINGS],
    pub(super) late: Bands,
}

impl FastScattered {
    pub(super) const NOTHING: Self =
        Self { energy: [[0.0; SIMD_WIDTH]; SCATTERINGS], late: [0.0; SIMD_WIDTH] };
}

/// Where the directions of a ring strike.
struct Struck {
    place: [Ring; 3],
    towards: [Ring; 3],
    /// Path so far, m.
    travelled_m: Ring,
    /// 1 where a face is struck, 0 where the sound has left by the open front.
    alive: Ring,
    face: [u8; AZIMUTHS],
    /// 1 for the axis on which the face struck stands, else 0.
    on_axis: [Ring; 3],
}

impl Struck {
    /// Follows a ring to the faces that it strikes.
    #[inline(always)]
    fn ahead(ends_m: &[[f32; 2]; 3], place: &[Ring; 3], towards: &[Ring; 3], before: &Self) -> Self {
        let mut ahead = [[0.0_f32; AZIMUTHS]; 3];
        for axis in 0..3 {
            let [near, far] = ends_m[axis];
            for i in 0..AZIMUTHS {
                let end = if towards[axis][i] > 0.0 { far } else { near };
                let runs_along = towards[axis][i].abs() <= 1e-9;
                let distance = (end - place[axis][i]) / if runs_along { 1.0 } else { towards[axis][i] };
                ahead[axis][i] = if runs_along { f32::MAX } else { distance };
            }
        }
        let mut struck = Self {
            place: *place,
            towards: *towards,
            travelled_m: before.travelled_m,
            alive: before.alive,
            face: [0; AZIMUTHS],
            on_axis: [[0.0; AZIMUTHS]; 3],
        };
        for i in 0..AZIMUTHS {
            let [x, y, z] = [ahead[0][i], ahead[1][i], ahead[2][i]];
            let nearest = x.min(y).min(z);
            let (on_x, on_y) = (x <= nearest, x > nearest && y <= nearest);
            let on_z = !on_x && !on_y;
            for axis in 0..3 {
                struck.place[axis][i] = multiply_add::<false>(towards[axis][i], nearest, place[axis][i]);
            }
            struck.travelled_m[i] += nearest;
            for (axis, on) in [on_x, on_y, on_z].into_iter().enumerate() {
                struck.on_axis[axis][i] = if on { 1.0 } else { 0.0 };
                struck.towards[axis][i] = if on { -towards[axis][i] } else { towards[axis][i] };
            }
            let leaves = on_y && towards[1][i] <= 0.0;
            struck.alive[i] = if leaves { 0.0 } else { before.alive[i] };
            let at_x = if towards[0][i] > 0.0 { Face::Right as u8 } else { Face::Left as u8 };
            let at_z = if towards[2][i] > 0.0 { Face::Canopy as u8 } else { Face::Floor as u8 };
            struck.face[i] = if on_x {
                at_x
            } else if on_y {
                Face::Rear as u8
            } else {
                at_z
            };
        }
        struck
    }
}

/// Which scattering belongs to a face and a mirror; the last column is no mirror.
const WHICH: [[usize; FACES + 1]; FACES] = {
    let mut which = [[0; FACES + 1]; FACES];
    let mut face = 0;
    while face < FACES {
        which[face][FACES] = scattering_of(Face::ALL[face], None);
        let mut mirror = 0;
        while mirror < FACES {
            which[face][mirror] = scattering_of(Face::ALL[face], Some(Face::ALL[mirror]));
            mirror += 1;
        }
        face += 1;
    }
    which
};

/// Energies and paths on their way to a sum.
#[derive(Clone, Copy, Default)]
struct Told {
    energy: f32,
    energy_path: f32,
}

impl ScatteringTerms {
    /// Works out what the faces scatter; `path_m` says where each scattering begins, `start_m` when the direct sound is there.
    #[allow(
        clippy::too_many_lines,
        reason = "the steps of `acoustics::scattering` in their order, eight directions at a time"
    )]
    #[inline(always)]
    pub(super) fn scattered<const FUSED: bool>(
        &self,
        source: &Source,
        microphones: &Microphones,
        floor_begins_m: f64,
        start_m: f64,
        scattered: &mut FastScattered,
    ) {
        let frame = axis_frame(source).map(|direction| direction.components().map(|x| x as f32));
        let position = source.position.components().map(|x| x as f32);
        let receiver = microphones.position();
        let images: [[f32; 3]; FACES] =
            Face::ALL.map(|face| self.platform.mirrored(receiver, face).components().map(|x| x as f32));
        let receiver = receiver.components().map(|x| x as f32);
        let start = start_m as f32;
        let mut energy = [[0.0_f32; SIMD_WIDTH]; SCATTERINGS];
        let mut told = [Told::default(); SCATTERINGS];
        let mut power = [0.0_f32; SIMD_WIDTH];
        for ring in 0..RINGS {
            let carried = &self.carried[ring];
            let mut towards = [[0.0_f32; AZIMUTHS]; 3];
            for axis in 0..3 {
                for part in 0..3 {
                    let along = &self.directions[ring][part];
                    for i in 0..AZIMUTHS {
                        towards[axis][i] =
                            multiply_add::<FUSED>(frame[part][axis], along[i], towards[axis][i]);
                    }
                }
            }
            let departs = Struck {
                place: position.map(|x| [x; AZIMUTHS]),
                towards,
                travelled_m: [0.0; AZIMUTHS],
                alive: [1.0; AZIMUTHS],
                face: [0; AZIMUTHS],
                on_axis: [[0.0; AZIMUTHS]; 3],
            };
            let first = Struck::ahead(&self.ends_m, &departs.place, &departs.towards, &departs);
            // By face struck, then mirror; the last is none.
            let mut sums = [[Told::default(); FACES + 1]; FACES];
            for mirror in 0..=FACES {
                let image = if mirror == FACES { &receiver } else { &images[mirror] };
                let heard = self.heard::<FUSED>(&first, image, mirror, start);
                for i in 0..AZIMUTHS {
                    let sum = &mut sums[usize::from(first.face[i])][mirror];
                    sum.energy += heard.energy[i];
                    sum.energy_path += heard.energy_path[i];
                }
            }
            for face in 0..FACES {
                let mut scattered = [0.0_f32; SIMD_WIDTH];
                for lane in 0..SIMD_WIDTH {
                    scattered[lane] = carried[lane] * self.scattered[face][lane];
                }
                for mirror in 0..=FACES {
                    if mirror == face {
                        continue;
                    }
                    let mut gains = scattered;
                    if mirror < FACES {
                        for lane in 0..SIMD_WIDTH {
                            gains[lane] *= self.mirrors[mirror][lane];
                        }
                    }
                    add::<FUSED>(&mut energy, &mut told, WHICH[face][mirror], &gains, sums[face][mirror]);
                }
            }
            let second = Struck::ahead(&self.ends_m, &first.place, &first.towards, &first);
            let heard = self.heard::<FUSED>(&second, &receiver, FACES, start);
            // By the faces struck first and second.
            let mut sums = [[Told::default(); FACES]; FACES];
            let mut counts = [[0.0_f32; FACES]; FACES];
            let mut first_counts = [0.0_f32; FACES];
            for i in 0..AZIMUTHS {
                let (face, next) = (usize::from(first.face[i]), usize::from(second.face[i]));
                sums[face][next].energy += heard.energy[i];
                sums[face][next].energy_path += heard.energy_path[i];
                counts[face][next] += second.alive[i];
                first_counts[face] += first.alive[i];
            }
            let (mut once, mut twice) = ([0.0_f32; SIMD_WIDTH], [0.0_f32; SIMD_WIDTH]);
            for face in 0..FACES {
                let mut mirrored = [0.0_f32; SIMD_WIDTH];
                for lane in 0..SIMD_WIDTH {
                    mirrored[lane] = carried[lane] * self.mirrors[face][lane];
                    once[lane] += first_counts[face] * carried[lane] * self.scattered[face][lane];
                }
                for next in 0..FACES {
                    if counts[face][next] == 0.0 {
                        continue;
                    }
                    let mut gains = mirrored;
                    for lane in 0..SIMD_WIDTH {
                        gains[lane] *= self.scattered[next][lane];
                        twice[lane] += counts[face][next] * mirrored[lane] * self.returned[next][lane];
                    }
                    add::<FUSED>(&mut energy, &mut told, WHICH[next][face], &gains, sums[face][next]);
                }
            }
            let (of_first, of_second) = (self.gained::<FUSED>(&first), self.gained::<FUSED>(&second));
            for lane in 0..SIMD_WIDTH {
                power[lane] += once[lane] * of_first[lane] + twice[lane] * of_second[lane];
            }
        }
        for which in 0..SCATTERINGS {
            let mean_m = told[which].energy_path / told[which].energy.max(f32::MIN_POSITIVE);
            for lane in 0..SIMD_WIDTH {
                energy[which][lane] *= exp2::<FUSED>(-self.air_log2_per_m[lane] * mean_m);
            }
        }
        let Told { energy: of_floor, energy_path } = told[FLOOR];
        let later =
            floor_later_share(of_floor.into(), energy_path.into(), floor_begins_m, &self.platform) as f32;
        for lane in 0..SIMD_WIDTH {
            energy[FLOOR_LATER][lane] = energy[FLOOR][lane] * later;
            energy[FLOOR][lane] *= 1.0 - later;
        }
        scattered.energy = energy;
        for lane in 0..SIMD_WIDTH {
            let begins = exp2::<FUSED>(-std::f32::consts::LOG2_E * self.decay_per_m[lane] * start);
            scattered.late[lane] = self.late[lane] * power[lane] * begins;
        }
    }

    /// Returns the geometry of what a ring's faces scatter to a receiver or its image, and that times the whole path.
    #[inline(always)]
    fn heard<const FUSED: bool>(
        &self,
        struck: &Struck,
        image: &[f32; 3],
        mirror: usize,
        start: f32,
    ) -> Heard {
        let mut back = [[0.0_f32; AZIMUTHS]; 3];
        let mut square = [0.0_f32; AZIMUTHS];
        let mut across = [0.0_f32; AZIMUTHS];
        for axis in 0..3 {
            for i in 0..AZIMUTHS {
                back[axis][i] = struck.place[axis][i] - image[axis];
                square[i] = multiply_add::<FUSED>(back[axis][i], back[axis][i], square[i]);
                across[i] += back[axis][i].abs() * struck.on_axis[axis][i];
            }
        }
        if mirror < FACES {
            let (axis, _) = Face::ALL[mirror].stands_on();
            back[axis] = back[axis].map(|x| -x);
        }
        let mut inverse = [0.0_f32; AZIMUTHS];
        let mut patterns = [0.0_f32; AZIMUTHS];
        for i in 0..AZIMUTHS {
            inverse[i] = 1.0 / square[i].sqrt();
        }
        for capsule in &self.capsules[..self.channels] {
            let omni = capsule.omni_share as f32;
            let axis = capsule.axis.components().map(|x| (1.0 - capsule.omni_share) as f32 * x as f32);
            for i in 0..AZIMUTHS {
                let along = axis[0] * back[0][i] + axis[1] * back[1][i] + axis[2] * back[2][i];
                let gain = multiply_add::<FUSED>(along, inverse[i], omni);
                patterns[i] = multiply_add::<FUSED>(gain, gain, patterns[i]);
            }
        }
        let (from, to) = (GIVES_WAY.0 as f32, GIVES_WAY.1 as f32);
        let mut heard = Heard { energy: [0.0; AZIMUTHS], energy_path: [0.0; AZIMUTHS] };
        for i in 0..AZIMUTHS {
            let whole = multiply_add::<FUSED>(square[i], inverse[i], struck.travelled_m[i]);
            let gone = (((whole - start) / self.mixing_m - from) / (to - from)).clamp(0.0, 1.0);
            let counts = 1.0 - gone * gone * (3.0 - 2.0 * gone);
            let geometry = 4.0 * across[i] * inverse[i] * inverse[i] * inverse[i] * patterns[i];
            heard.energy[i] = geometry * counts * struck.alive[i];
            heard.energy_path[i] = heard.energy[i] * whole;
        }
        heard
    }

    /// Returns the mean of exp((a/c - m) r) over the paths of a ring that are alive.
    #[inline(always)]
    fn gained<const FUSED: bool>(&self, struck: &Struck) -> Bands {
        let (mut sums, mut squares) = ([0.0_f32; AZIMUTHS], [0.0_f32; AZIMUTHS]);
        for i in 0..AZIMUTHS {
            sums[i] = struck.travelled_m[i] * struck.alive[i];
            squares[i] = sums[i] * struck.travelled_m[i];
        }
        let count = total(&struck.alive);
        let inverse = if count > 0.0 { 1.0 / count } else { 0.0 };
        let mean = total(&sums) * inverse;
        let variance = (total(&squares) * inverse - mean * mean).max(0.0);
        let mut gained = [0.0_f32; SIMD_WIDTH];
        for lane in 0..SIMD_WIDTH {
            let per_m = self.gained_per_m[lane];
            let nepers = multiply_add::<FUSED>(0.5 * per_m * per_m, variance, per_m * mean);
            gained[lane] = exp2::<FUSED>(std::f32::consts::LOG2_E * nepers);
        }
        gained
    }
}

/// What is heard of a ring, and that times its path.
struct Heard {
    energy: Ring,
    energy_path: Ring,
}

/// Adds what one face sends, by way of one mirror or none.
#[inline(always)]
fn add<const FUSED: bool>(
    energy: &mut [Bands; SCATTERINGS],
    told: &mut [Told; SCATTERINGS],
    which: usize,
    gains: &Bands,
    sum: Told,
) {
    for lane in 0..SIMD_WIDTH {
        energy[which][lane] = multiply_add::<FUSED>(gains[lane], sum.energy, energy[which][lane]);
    }
    told[which].energy += gains[TOLD_IN] * sum.energy;
    told[which].energy_path += gains[TOLD_IN] * sum.energy_path;
}
