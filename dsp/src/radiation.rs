//! How an instrument throws its sound: the axis and the directivity factor of eight families.

use crate::octave::{BANDS, PerBand, mid_mean};
use crate::vector::Vector;

/// A family of instruments that radiate alike.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Family {
    /// The same in every direction.
    #[default]
    Even,
    /// A bell that points where the player looks.
    ForwardBell,
    /// A bell that points back and to the player's right.
    RearBell,
    /// A bell that points up.
    UpwardBell,
    /// A top plate that faces up and to the player's right.
    TopPlate,
    /// A front plate that faces where the player looks.
    FrontPlate,
    /// Open tone holes and a small bell.
    ToneHoles,
    /// A stretched skin.
    Skin,
}

impl Family {
    /// Every family, in the order in which the parameter lists them.
    pub const ALL: [Self; 8] = [
        Self::Even,
        Self::ForwardBell,
        Self::RearBell,
        Self::UpwardBell,
        Self::TopPlate,
        Self::FrontPlate,
        Self::ToneHoles,
        Self::Skin,
    ];

    /// Returns the name in trade words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Even => "even",
            Self::ForwardBell => "forward bell",
            Self::RearBell => "rear bell",
            Self::UpwardBell => "upward bell",
            Self::TopPlate => "top plate",
            Self::FrontPlate => "front plate",
            Self::ToneHoles => "tone holes",
            Self::Skin => "skin",
        }
    }

    /// Returns the radiation axis as (forward, player's right, up); it need not have length 1.
    pub const fn axis(self) -> [f64; 3] {
        match self {
            Self::Even | Self::ForwardBell | Self::FrontPlate => [1.0, 0.0, 0.0],
            Self::RearBell => [-0.8, 0.6, -0.1],
            Self::UpwardBell => [0.3, 0.0, 1.0],
            Self::TopPlate => [0.3, 0.5, 0.8],
            Self::ToneHoles => [0.8, 0.0, -0.3],
            Self::Skin => [0.2, 0.0, 1.0],
        }
    }

    /// Returns the directivity factor Q per octave band (power ratio on the axis, at least 1).
    pub const fn directivity_factor(self) -> PerBand {
        match self {
            Self::Even => [1.0; BANDS],
            Self::ForwardBell => [1.2, 1.6, 2.5, 5.0, 9.0, 16.0, 20.0],
            Self::RearBell => [1.2, 1.6, 2.5, 5.0, 9.0, 14.0, 16.0],
            Self::UpwardBell => [1.2, 1.6, 2.5, 4.0, 6.0, 8.0, 8.0],
            Self::TopPlate => [1.0, 1.1, 1.5, 2.0, 3.0, 4.0, 5.0],
            Self::FrontPlate => [1.0, 1.2, 1.7, 2.2, 3.0, 4.0, 5.0],
            Self::ToneHoles => [1.0, 1.1, 1.5, 2.0, 3.0, 4.0, 5.0],
            Self::Skin => [1.2, 1.2, 1.4, 1.6, 2.0, 2.0, 2.0],
        }
    }

    /// Returns the pattern of each octave band.
    pub fn patterns(self) -> [Pattern; BANDS] {
        self.directivity_factor().map(Pattern::with_directivity_factor)
    }

    /// Returns the mean directivity factor of 500 Hz and 1 kHz.
    pub fn mid_directivity_factor(self) -> f64 {
        mid_mean(&self.directivity_factor())
    }
}

/// Energy that reaches every direction whatever the axis, as a share of the axial level.
///
/// -26 dB: round the player's body and off the music stand; below it a lobe's
/// back would fall without limit (our choice, no source).
pub const LEAK: f64 = 0.0025;

/// The directional pattern of one band: D^2 = leak + (1 - leak) ((1 + cos theta)/2)^(2n).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pattern {
    /// Exponent n, at least 0; 0 is even radiation, 1 the cardioid.
    pub exponent: f64,
    /// Share of the axial energy that every direction gets.
    pub leak: f64,
}

impl Pattern {
    /// Makes the pattern whose directivity factor is Q exactly.
    ///
    /// n = ((1 - leak)/(1/Q - leak) - 1)/2; Q in 1 to 1/leak, brought inside.
    ///
    /// # Source
    /// The mean of ((1 + cos theta)/2)^(2n) over the sphere is 1/(2n + 1); n = 1
    /// gives the cardioid's Q = 3 (closed form).
    pub fn with_directivity_factor(q: f64) -> Self {
        let q = q.clamp(1.0, 0.5 / LEAK);
        Self { exponent: ((1.0 - LEAK) / (1.0 / q - LEAK) - 1.0) / 2.0, leak: LEAK }
    }

    /// Returns the pressure gain D in the direction whose angle to the axis has this cosine; 1 on axis.
    pub fn gain(&self, cosine: f64) -> f64 {
        let lobe = f64::midpoint(1.0, cosine.clamp(-1.0, 1.0)).powf(2.0 * self.exponent);
        (self.leak + (1.0 - self.leak) * lobe).sqrt()
    }
}

/// Returns the axis of a family on the platform, of length 1.
///
/// `forward` is the horizontal direction in which the player looks; the
/// player's right is (`forward.y`, -`forward.x`).
pub fn world_axis(family: Family, forward: Vector) -> Vector {
    let [ahead, right, up] = family.axis();
    let right_of_player = Vector::new(forward.y, -forward.x, 0.0);
    (forward * ahead + right_of_player * right + Vector::new(0.0, 0.0, up)).unit()
}
