//! The main microphone pair over the front edge.

use crate::acoustics::vector::Vector;

/// How the two capsules are arranged.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Pair {
    /// X-Y: two cardioids in one spot, 90 degrees between their axes.
    Coincident,
    /// Two cardioids 17 cm apart, 110 degrees between their axes (the ORTF values).
    #[default]
    NearCoincident,
    /// A-B: two omnis 50 cm apart.
    SpacedOmnis,
}

impl Pair {
    /// Every pair, in the order in which the parameter lists them.
    pub const ALL: [Self; 3] = [Self::Coincident, Self::NearCoincident, Self::SpacedOmnis];

    /// Returns the name in trade words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Coincident => "coincident",
            Self::NearCoincident => "near-coincident",
            Self::SpacedOmnis => "spaced omnis",
        }
    }

    /// Returns the two capsules, left then right.
    pub fn capsules(self) -> [Capsule; 2] {
        let (spacing_m, half_angle_deg, omni_share): (f64, f64, f64) = match self {
            Self::Coincident => (0.0, 45.0, 0.5),
            Self::NearCoincident => (0.17, 55.0, 0.5),
            Self::SpacedOmnis => (0.5, 0.0, 1.0),
        };
        [-1.0, 1.0].map(|side| {
            let angle = side * half_angle_deg.to_radians();
            Capsule {
                offset: Vector::new(side * spacing_m / 2.0, 0.0, 0.0),
                axis: Vector::new(angle.sin(), angle.cos(), 0.0),
                omni_share,
            }
        })
    }
}

/// One capsule: where it stands from the microphones' centre, where it looks, what it hears.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capsule {
    /// Position relative to the microphones' centre, m.
    pub offset: Vector,
    /// Axis, of length 1.
    pub axis: Vector,
    /// Omni part A of the pattern A + (1 - A) cos theta: 1 omni, 0.5 cardioid.
    pub omni_share: f64,
}

impl Capsule {
    /// The single omni at the microphones' centre, for a mono output.
    pub const OMNI: Self =
        Self { offset: Vector::new(0.0, 0.0, 0.0), axis: Vector::new(0.0, 1.0, 0.0), omni_share: 1.0 };

    /// Returns the gain M for sound that comes from `towards_source`, a direction of length 1.
    pub fn gain(&self, towards_source: Vector) -> f64 {
        self.omni_share + (1.0 - self.omni_share) * self.axis.dot(towards_source)
    }

    /// Returns the mean of M^2 over the front half-space, for a horizontal axis.
    ///
    /// A^2 + A (1 - A) cos(phi) + (1 - A)^2/3, phi the angle of the axis to
    /// straight upstage: over that half of the sphere <`u_y`> = 1/2 and the mean
    /// square of any component is 1/3 (closed form).
    pub fn half_space_power(&self) -> f64 {
        let (omni, rest) = (self.omni_share, 1.0 - self.omni_share);
        omni * omni + omni * rest * self.axis.y + rest * rest / 3.0
    }
}

/// The main microphones: their pair and where they stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Microphones {
    /// The arrangement of the capsules.
    pub pair: Pair,
    /// Distance upstage of the front edge, 0 to 4 m.
    pub depth_m: f64,
    /// Height above the floor, 1.5 to 5 m.
    pub height_m: f64,
}

impl Default for Microphones {
    fn default() -> Self {
        Self { pair: Pair::default(), depth_m: 0.0, height_m: 3.0 }
    }
}

impl Microphones {
    /// Returns the position of the microphones' centre.
    pub fn position(&self) -> Vector {
        Vector::new(0.0, self.depth_m, self.height_m)
    }
}
