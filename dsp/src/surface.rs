//! What the faces of the platform are made of: absorption per octave band, and scattering.

use crate::octave::PerBand;

/// A finish of the floor, a wall or the canopy.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Finish {
    /// Boards on joists over a void, as stages are built.
    #[default]
    TimberPlatform,
    /// Timber panelling over an air space.
    Timber,
    /// Plasterboard on studs.
    Plasterboard,
    /// Plaster on brick or block.
    Plaster,
    /// Bare brick, painted or not.
    Brick,
    /// Concrete, sealed.
    Concrete,
    /// Carpet on felt.
    Carpet,
    /// Heavy curtain, gathered.
    Curtain,
    /// Mineral wool behind fabric or perforated board.
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
    pub const fn absorption(self) -> PerBand {
        match self {
            Self::TimberPlatform => [0.40, 0.30, 0.20, 0.17, 0.15, 0.10, 0.10],
            Self::Timber => [0.18, 0.12, 0.10, 0.09, 0.08, 0.07, 0.07],
            Self::Plasterboard => [0.29, 0.10, 0.05, 0.04, 0.07, 0.09, 0.09],
            Self::Plaster => [0.02, 0.02, 0.03, 0.03, 0.04, 0.05, 0.05],
            Self::Brick => [0.02, 0.02, 0.03, 0.04, 0.05, 0.07, 0.07],
            Self::Concrete => [0.01, 0.01, 0.01, 0.02, 0.02, 0.02, 0.02],
            Self::Carpet => [0.08, 0.24, 0.57, 0.69, 0.71, 0.73, 0.73],
            Self::Curtain => [0.14, 0.35, 0.55, 0.72, 0.70, 0.65, 0.65],
            Self::MineralWool => [0.20, 0.65, 0.95, 0.99, 0.95, 0.90, 0.90],
        }
    }
}
