//! What the faces of the platform are made of: absorption per octave band.
//!
//! # Source
//! M. Vorlaender, Auralization (Springer, 2008), appendix on material data,
//! as transcribed in pyroomacoustics 0.10.1, `data/materials.json`; each
//! finish names its row there. Rows that end at 4 kHz are marked, and repeat
//! their 4 kHz value at 8 kHz (our choice: so do 44 of the 47 absorption rows
//! of that table that go on to 8 kHz).

use crate::acoustics::octave::PerBand;

/// A finish of the floor, a wall or the canopy.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Finish {
    /// Stage floor: two layers of boards, 27 mm, over an air space.
    ///
    /// # Source
    /// Row `stage_floor`; published to 4 kHz, 8 kHz repeats it.
    #[default]
    TimberPlatform,
    /// Timber panelling, 16 mm on 40 mm studs.
    ///
    /// # Source
    /// Row `wood_16mm`; published to 8 kHz.
    Timber,
    /// Plasterboard on battens under a large air space.
    ///
    /// # Source
    /// Row `ceiling_plasterboard`; published to 4 kHz, 8 kHz repeats it.
    Plasterboard,
    /// Plaster: render on brickwork.
    ///
    /// # Source
    /// Row `brickwork` (walls, rendered brickwork); published to 8 kHz.
    Plaster,
    /// Bare smooth brick, its joints raked 10 mm deep, pit sand mortar.
    ///
    /// # Source
    /// Row `smooth_brickwork_10mm_pointing`; published to 8 kHz.
    Brick,
    /// Smooth concrete, unpainted.
    ///
    /// # Source
    /// Row `unpainted_concrete`; published to 8 kHz.
    Concrete,
    /// Carpet, 9 mm tufted pile, on felt underlay.
    ///
    /// # Source
    /// Row `carpet_tufted_9m`; published to 8 kHz.
    Carpet,
    /// Cotton curtain, 0.5 kg/m2, draped to three quarters of its area, some 130 mm off the wall.
    ///
    /// # Source
    /// Row `curtains_cotton_0.5`; published to 8 kHz.
    Curtain,
    /// Mineral wool, 50 mm, 40 kg/m3, glued to the wall, untreated surface.
    ///
    /// # Source
    /// Row `mineral_wool_50mm_40kgm3`; published to 8 kHz.
    MineralWool,
}

impl Finish {
    /// Every finish, in the order in which parameters list them.
    pub const ALL: [Self; 9] = [
        Self::TimberPlatform,
        Self::Timber,
        Self::Plasterboard,
        Self::Plaster,
        Self::Brick,
        Self::Concrete,
        Self::Carpet,
        Self::Curtain,
        Self::MineralWool,
    ];

    /// Returns the name in trade words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::TimberPlatform => "timber platform",
            Self::Timber => "timber",
            Self::Plasterboard => "plasterboard",
            Self::Plaster => "plaster",
            Self::Brick => "brick",
            Self::Concrete => "concrete",
            Self::Carpet => "carpet",
            Self::Curtain => "curtain",
            Self::MineralWool => "mineral wool",
        }
    }

    /// Returns the random-incidence absorption coefficient per octave band, 0 to 1.
    ///
    /// # Source
    /// Vorlaender (2008) as transcribed in pyroomacoustics 0.10.1; the row
    /// stands at each variant and beside each array.
    pub const fn absorption(self) -> PerBand {
        match self {
            // Row stage_floor; 8 kHz repeats 4 kHz.
            Self::TimberPlatform => [0.10, 0.07, 0.06, 0.06, 0.06, 0.06, 0.06],
            // Row wood_16mm.
            Self::Timber => [0.18, 0.12, 0.10, 0.09, 0.08, 0.07, 0.07],
            // Row ceiling_plasterboard; 8 kHz repeats 4 kHz.
            Self::Plasterboard => [0.20, 0.15, 0.10, 0.08, 0.04, 0.02, 0.02],
            // Row brickwork.
            Self::Plaster => [0.01, 0.02, 0.02, 0.03, 0.03, 0.04, 0.04],
            // Row smooth_brickwork_10mm_pointing.
            Self::Brick => [0.08, 0.09, 0.12, 0.16, 0.22, 0.24, 0.24],
            // Row unpainted_concrete.
            Self::Concrete => [0.01, 0.01, 0.02, 0.02, 0.02, 0.05, 0.05],
            // Row carpet_tufted_9m.
            Self::Carpet => [0.08, 0.08, 0.30, 0.60, 0.75, 0.80, 0.80],
            // Row curtains_cotton_0.5.
            Self::Curtain => [0.30, 0.45, 0.65, 0.56, 0.59, 0.71, 0.71],
            // Row mineral_wool_50mm_40kgm3.
            Self::MineralWool => [0.15, 0.70, 0.60, 0.60, 0.85, 0.90, 0.90],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_finish_reflects_something_and_swallows_something() {
        for finish in Finish::ALL {
            for alpha in finish.absorption() {
                assert!(alpha > 0.0 && alpha < 1.0, "{}: expected 0 to 1, got {alpha}", finish.name());
            }
        }
    }

    #[test]
    fn no_two_finishes_share_a_name_or_a_row() {
        for (index, one) in Finish::ALL.iter().enumerate() {
            for other in &Finish::ALL[index + 1..] {
                assert_ne!(one.name(), other.name());
                assert_ne!(one.absorption(), other.absorption(), "{} and {}", one.name(), other.name());
            }
        }
    }
}
