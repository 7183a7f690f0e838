//! Directions and positions on the platform: x to the audience's right, y upstage, z up.

use std::ops::{Add, Mul, Sub};

/// A position in metres or a direction without unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Vector {
    /// Towards the audience's right.
    pub x: f64,
    /// Upstage, away from the audience.
    pub y: f64,
    /// Up.
    pub z: f64,
}

impl Vector {
    /// Makes a vector from its three components.
    pub const fn new(x: f64, y: f64, z: f64) -> Self {
        Self { x, y, z }
    }

    /// Returns x, y and z.
    pub const fn components(self) -> [f64; 3] {
        [self.x, self.y, self.z]
    }

    /// Returns the scalar product.
    pub fn dot(self, other: Self) -> f64 {
        self.x * other.x + self.y * other.y + self.z * other.z
    }

    /// Returns the vector product.
    #[must_use]
    pub fn cross(self, other: Self) -> Self {
        Self::new(
            self.y * other.z - self.z * other.y,
            self.z * other.x - self.x * other.z,
            self.x * other.y - self.y * other.x,
        )
    }

    /// Returns the vector with one of its components, 0 for x, turned round.
    #[must_use]
    pub(crate) fn flipped(self, axis: usize) -> Self {
        let mut components = self.components();
        components[axis] = -components[axis];
        Self::new(components[0], components[1], components[2])
    }

    /// Returns the length.
    pub fn length(self) -> f64 {
        self.dot(self).sqrt()
    }

    /// Returns the direction, or straight upstage where the length is zero.
    #[must_use]
    pub fn unit(self) -> Self {
        let length = self.length();
        if length > 0.0 { self * (1.0 / length) } else { Self::new(0.0, 1.0, 0.0) }
    }
}

impl Add for Vector {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::new(self.x + other.x, self.y + other.y, self.z + other.z)
    }
}

impl Sub for Vector {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::new(self.x - other.x, self.y - other.y, self.z - other.z)
    }
}

impl Mul<f64> for Vector {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self::new(self.x * factor, self.y * factor, self.z * factor)
    }
}
