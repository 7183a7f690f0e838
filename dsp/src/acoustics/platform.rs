//! The box on which everyone sits: size, finishes, decay, and what follows from them.

use crate::acoustics::air::Air;
use crate::acoustics::octave::{BANDS, PerBand, WithTop, exact_midbands_hz, mid_mean};
use crate::acoustics::surface::Finish;
use crate::acoustics::walls_and_air::WallsAndAir;

/// A platform open to the hall at its front edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platform {
    /// Width W, side wall to side wall, 8 to 30 m.
    pub width_m: f64,
    /// Depth D, front edge to rear wall, 5 to 25 m.
    pub depth_m: f64,
    /// Height H, floor to canopy, 4 to 20 m.
    pub height_m: f64,
    /// Finish of the floor.
    pub floor: Finish,
    /// Finish of the rear wall.
    pub rear: Finish,
    /// Finish of both side walls.
    pub sides: Finish,
    /// Finish of the canopy.
    pub canopy: Finish,
    /// Decay T, mean of 500 Hz and 1 kHz, 0.2 to 2.0 s.
    pub decay_s: f64,
    /// The air.
    pub air: Air,
}

impl Default for Platform {
    fn default() -> Self {
        Self {
            width_m: 18.0,
            depth_m: 12.0,
            height_m: 10.0,
            floor: Finish::TimberPlatform,
            rear: Finish::Timber,
            sides: Finish::Timber,
            canopy: Finish::Plasterboard,
            decay_s: 0.5,
            air: Air::default(),
        }
    }
}

/// A face of the platform that returns sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Face {
    /// z = 0.
    Floor,
    /// z = H.
    Canopy,
    /// y = D.
    Rear,
    /// x = -W/2, at the audience's left.
    Left,
    /// x = W/2, at the audience's right.
    Right,
}

impl Face {
    /// The five faces that return sound; the front returns nothing.
    pub const ALL: [Self; 5] = [Self::Floor, Self::Canopy, Self::Rear, Self::Left, Self::Right];

    /// Returns the share of reflected energy that a face scatters per octave band, 0 to 1.
    ///
    /// # Source
    /// The floor with players and chairs: M. Vorlaender, Auralization (Springer,
    /// 2008), as transcribed in pyroomacoustics 0.10.1, row `classroom_tables`.
    /// Walls and canopy: our choice, the slight relief of panels and frames.
    pub const fn scattering(self) -> PerBand {
        match self {
            Self::Floor => [0.2, 0.3, 0.4, 0.5, 0.5, 0.6, 0.6],
            Self::Canopy | Self::Rear | Self::Left | Self::Right => [0.1, 0.1, 0.15, 0.2, 0.25, 0.3, 0.3],
        }
    }

    /// Returns the axis on which the face stands, 0 for x, 1 for y, 2 for z, and whether it is at that axis' far end.
    pub(crate) const fn stands_on(self) -> (usize, bool) {
        match self {
            Self::Left => (0, false),
            Self::Right => (0, true),
            Self::Rear => (1, true),
            Self::Floor => (2, false),
            Self::Canopy => (2, true),
        }
    }
}

/// Variance of the free paths in a box against the square of their mean.
///
/// # Source
/// Kuttruff, Room Acoustics (from memory): 0.34 for a cube, 0.36 for 1:1:2.
const FREE_PATH_VARIANCE: f64 = 0.35;

/// Returns the energy exponent of a mean free path, L (1 - g L/2) with L = -ln(1 - a): Eyring's with Kuttruff's
/// allowance for unequal free paths.
///
/// Paths longer than the mean outlast it: the decay is a little longer than
/// Eyring's. Beyond L = 1/g the allowance says nothing any more, and stays.
fn exponent_of_absorption(absorption: f64) -> f64 {
    let own = -(1.0 - absorption).ln();
    let most = 1.0 / FREE_PATH_VARIANCE;
    if own < most { own * (1.0 - FREE_PATH_VARIANCE * own / 2.0) } else { most / 2.0 }
}

/// Returns L of [`exponent_of_absorption`]'s L (1 - g L/2), -ln(1 - a) of the mean absorption.
fn log_absorption_of_exponent(exponent: f64) -> f64 {
    (1.0 - (1.0 - 2.0 * FREE_PATH_VARIANCE * exponent).max(0.0).sqrt()) / FREE_PATH_VARIANCE
}

/// 24 ln 10: with it, T = 24 ln10 V / (c A) is Sabine's formula (60 dB, mean free path 4V/S).
const SABINE: f64 = 24.0 * std::f64::consts::LN_10;
/// Returns the decay of a diffuse field by 60 dB, T = 24 ln10 V / (c (-S ln(1 - a) + 4 m V)), in seconds.
///
/// V volume, S surface of every face, a their mean absorption (0 to below 1),
/// m the energy attenuation of the air in nepers per metre (0 leaves it out),
/// c the speed of sound.
///
/// # Source
/// Norris and Eyring (1930); air term after Knudsen (1931).
pub fn norris_eyring_decay_s(
    volume_m3: f64,
    surface_m2: f64,
    mean_absorption: f64,
    air_nepers_per_m: f64,
    speed_m_s: f64,
) -> f64 {
    let walls_m2 = -surface_m2 * (1.0 - mean_absorption).ln();
    let air_m2 = 4.0 * air_nepers_per_m * volume_m3;
    SABINE * volume_m3 / (speed_m_s * (walls_m2 + air_m2))
}

impl Platform {
    /// Returns the volume V = W D H, in cubic metres.
    pub fn volume_m3(&self) -> f64 {
        self.width_m * self.depth_m * self.height_m
    }

    /// Returns the surface S of all six faces, open front included, in square metres.
    pub fn surface_m2(&self) -> f64 {
        2.0 * (self.width_m * self.depth_m + self.width_m * self.height_m + self.depth_m * self.height_m)
    }

    /// Returns the finish of a face.
    pub const fn finish(&self, face: Face) -> Finish {
        match face {
            Face::Floor => self.floor,
            Face::Canopy => self.canopy,
            Face::Rear => self.rear,
            Face::Left | Face::Right => self.sides,
        }
    }

    /// Returns the area of a face, in square metres.
    pub fn area_m2(&self, face: Face) -> f64 {
        match face {
            Face::Floor | Face::Canopy => self.width_m * self.depth_m,
            Face::Rear => self.width_m * self.height_m,
            Face::Left | Face::Right => self.depth_m * self.height_m,
        }
    }

    /// Returns the mean absorption of the bare platform per band; the open front counts as 1.
    pub fn bare_absorption(&self) -> PerBand {
        let front_m2 = self.width_m * self.height_m;
        std::array::from_fn(|band| {
            let closed: f64 =
                Face::ALL.iter().map(|&face| self.area_m2(face) * self.finish(face).absorption()[band]).sum();
            (closed + front_m2) / self.surface_m2()
        })
    }

    /// Returns 24 ln10 V/(c S T), the energy exponent per mean free path of a decay T in seconds.
    fn exponent_of_decay(&self, decay_s: f64) -> f64 {
        SABINE * self.volume_m3() / (self.air.speed_of_sound_m_s() * self.surface_m2() * decay_s)
    }

    /// Returns the decay of the bare platform, mid-band, in seconds: the longest that furnishing can shape.
    ///
    /// T = 24 ln10 V / (c S L (1 - g L/2)), L = -ln(1 - a), a the mean of 500 Hz and 1 kHz, g = 0.35.
    ///
    /// # Source
    /// Norris and Eyring (1930), without air, with Kuttruff's allowance for
    /// unequal free paths (Room Acoustics, from memory).
    pub fn natural_decay_s(&self) -> f64 {
        self.decay_of_exponent(exponent_of_absorption(mid_mean(&self.bare_absorption())))
    }

    /// Returns 24 ln10 V/(c S L'), the decay of an energy exponent L' per mean free path without air, in seconds.
    fn decay_of_exponent(&self, exponent: f64) -> f64 {
        // Norris and Eyring's formula, at the absorption that has this exponent.
        let absorption = -(-exponent).exp_m1();
        let speed_m_s = self.air.speed_of_sound_m_s();
        norris_eyring_decay_s(self.volume_m3(), self.surface_m2(), absorption, 0.0, speed_m_s)
    }

    /// Returns the absorption of players, chairs and drapes, spread evenly over the faces, 0 to 1.
    ///
    /// 1 - furnishing = exp(-L) / (1 - a), mid-band, where L solves
    /// T = 24 ln10 V/(c S L (1 - g L/2)), g = 0.35; 0 where the asked decay is
    /// longer than the bare platform's.
    ///
    /// # Source
    /// Kuttruff's allowance for unequal free paths (Room Acoustics, from
    /// memory). Plain Eyring's furnishing lets rays ring 0.57 s where 0.5 is asked.
    pub fn furnishing(&self) -> f64 {
        let reflected = 1.0 - mid_mean(&self.bare_absorption());
        let kept = (-log_absorption_of_exponent(self.exponent_of_decay(self.decay_s))).exp();
        (1.0 - kept / reflected).max(0.0)
    }

    /// Returns the share of a player's power that leaves the platform by its open front, mid-band, up to 1.
    ///
    /// `S_front/(S a')`: a diffuse field's power goes where the absorption is, and
    /// the front takes all that meets it. 1 - a' = exp(-L), L as in [`Self::furnishing`].
    pub fn front_share(&self) -> f64 {
        let absorption = -(-log_absorption_of_exponent(self.exponent_of_decay(self.decay_s))).exp_m1();
        (self.width_m * self.height_m / (self.surface_m2() * absorption)).min(1.0)
    }

    /// Returns the share of energy that a face returns in any direction per band, (1 - alpha)(1 - furnishing).
    pub fn returned(&self, face: Face) -> PerBand {
        let kept = 1.0 - self.furnishing();
        self.finish(face).absorption().map(|alpha| (1.0 - alpha) * kept)
    }

    /// Returns the pressure gain of one hit per band, sqrt((1 - alpha)(1 - sigma)(1 - furnishing)).
    pub fn hit_gain(&self, face: Face) -> PerBand {
        let (returned, scattered) = (self.returned(face), face.scattering());
        std::array::from_fn(|band| (returned[band] * (1.0 - scattered[band])).sqrt())
    }

    /// Returns the attenuation of the air per band, with the user's multiplier, in dB per metre.
    pub fn air_db_per_m(&self) -> PerBand {
        exact_midbands_hz().map(|hz| self.air.attenuation_db_per_m(hz))
    }

    /// Returns the attenuation of the air per band, with the user's multiplier, in nepers of energy per metre.
    pub(crate) fn air_nepers_per_m(&self) -> PerBand {
        self.air_db_per_m().map(|db| db * std::f64::consts::LN_10 / 10.0)
    }

    /// Returns the decay of each octave band, in seconds; see [`Self::octave_decay_s`].
    pub fn band_decay_s(&self) -> PerBand {
        let decay_s = self.octave_decay_s();
        std::array::from_fn(|band| decay_s[band])
    }

    /// Returns the decay of each octave band and of the top, in seconds.
    ///
    /// 1/`T_b` = w/`T_walls,b` + a c/60 dB: `T_walls,b` the decay of finishes and
    /// furnishing alone, 24 ln10 V/(c S L (1 - g L/2)), L = -ln((1 - `a_b)(1` -
    /// furnishing)), g = 0.35, a the air's attenuation in dB per metre, and w the
    /// factor with which the mean of 500 Hz and 1 kHz is T: what is asked for is
    /// asked of the walls, and no octave outlasts what air allows. The finishes
    /// count at the top as at 8 kHz.
    ///
    /// # Source
    /// Norris and Eyring (1930) with Kuttruff's allowance for unequal free paths
    /// (from memory); air term after Knudsen (1931).
    pub fn octave_decay_s(&self) -> WithTop {
        let bare = self.bare_absorption();
        let kept = 1.0 - self.furnishing();
        let walls_s: WithTop = std::array::from_fn(|octave| {
            let absorption = 1.0 - (1.0 - bare[octave.min(BANDS - 1)]) * kept;
            self.decay_of_exponent(exponent_of_absorption(absorption))
        });
        let both = WallsAndAir::new(&walls_s, &self.air);
        both.decays_s(both.walls_for_mid(self.decay_s))
    }

    /// Returns the mixing time, about sqrt(V) milliseconds, in seconds.
    ///
    /// # Source
    /// Polack (1988), as cited in room-acoustics textbooks (from memory).
    pub fn mixing_time_s(&self) -> f64 {
        self.volume_m3().sqrt() * 1e-3
    }
}

/// Energy decay exponent of a 60 dB decay, 6 ln 10 = 13.82 per decay time.
pub const DECAY_EXPONENT: f64 = 6.0 * std::f64::consts::LN_10;

/// Parts of the tail: before and after the mixing time.
pub const PARTS: usize = 2;

/// Returns the share of a decay's energy that comes after `time_s`, per band: exp(-13.82 `t/T_b`).
pub fn share_after<const N: usize>(decay_s: &[f64; N], time_s: f64) -> [f64; N] {
    decay_s.map(|decay| (-DECAY_EXPONENT * time_s / decay).exp())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::octave::exact_midband_hz;
    use crate::kernel::noise::Noise;

    /// Any platform in range: mid-band decays as asked wherever real air allows it, and no octave longer than air allows.
    #[test]
    fn no_octave_outlasts_the_air_and_mid_band_is_what_is_asked_for() {
        let mut noise = Noise::new(3);
        let mut between = |low: f64, high: f64| low + (high - low) * noise.uniform();
        for case in 0..2000 {
            let loss = if case % 2 == 0 { 1.0 } else { between(0.0, 8.0) };
            let air = Air { temperature_c: between(0.0, 40.0), humidity_pct: between(10.0, 100.0), loss };
            let mut finish = || Finish::ALL[(between(0.0, 1.0) * Finish::ALL.len() as f64) as usize];
            let [floor, rear, sides, canopy] = std::array::from_fn(|_| finish());
            let platform = Platform {
                width_m: between(8.0, 30.0),
                depth_m: between(5.0, 25.0),
                height_m: between(4.0, 20.0),
                floor,
                rear,
                sides,
                canopy,
                decay_s: between(0.2, 2.0),
                air,
            };
            let decay_s = platform.octave_decay_s();
            for (octave, decay_s) in decay_s.into_iter().enumerate() {
                let ceiling_s = air.longest_decay_s(exact_midband_hz(octave));
                assert!(decay_s > 0.0 && decay_s < ceiling_s, "{platform:?}, octave {octave}: {decay_s} s");
            }
            let off = (mid_mean(&decay_s) / platform.decay_s - 1.0).abs();
            assert!(loss > 1.0 || off < 1e-9, "{platform:?}: {decay_s:?}");
        }
    }
}
