//! How an instrument throws its sound: the axis and the directivity factor of eight families.
//!
//! No published table gives the directivity factor of every family per octave
//! under a licence that lets us ship it. The values here are therefore chosen
//! so that they keep these published facts, and each family says which:
//!
//! * **M1** J. Meyer, 131st meeting of the Acoustical Society of America
//!   (1996), paper 3pAA1, abstract: omnidirectional radiation only below
//!   500 Hz; statistical directivity factor in the main directions, at upper
//!   frequencies, of the order of 2 to 3 for strings, a little lower for
//!   woodwinds, above 4 for brass; strings throw their high components at the
//!   ceiling. That factor is a pressure ratio (it multiplies the reverberation
//!   radius), so Q is its square: from memory of his book.
//! * **M2** J. Meyer, Acoustics and the Performance of Music (Springer, 2009),
//!   section 4.1.1: no instrument radiates spherically above 500 Hz.
//! * **LS** H. Levine and J. Schwinger, Physical Review 73, 383 (1948),
//!   abstract: the cross-section of an open pipe for sound from straight ahead
//!   is the area of its mouth, and reciprocity holds; so the pipe's factor on
//!   its axis is Q = (ka)^2/(1 - |R|^2), a the mouth's radius, |R| their
//!   reflection coefficient (its integral from memory). The radii are usual
//!   sizes of bells, from memory.
//! * **PL** J. Paetynen and T. Lokki, Acta Acustica united with Acustica 96,
//!   138 (2010), abstract: brass radiate constantly along the bell; strings
//!   and woodwinds change with the note; dynamics change nothing.
//! * **WB** L. M. Wang and C. Burroughs, Catgut Acoustical Society Journal
//!   3(7), 7 (1999), abstract: a bowed violin is omnidirectional below 600 Hz.
//! * **H** P. L. Hoekje, 131st meeting of the Acoustical Society of America
//!   (1996), paper 3aAA4, abstract: below a cutoff frequency tone holes and
//!   bells radiate alike in all directions, above it very directionally.
//! * **R** T. D. Rossing, 131st meeting of the Acoustical Society of America
//!   (1996), paper 3aAA2, popular version: the lowest mode of a drumhead
//!   radiates alike all round in its plane, the next ones in 2, 4, 6 and 8
//!   directions.
//!
//! Neighbouring octaves never differ by more than a factor 2.2 in Q (our
//! choice): a band filter has to follow them.

use crate::acoustics::octave::{BANDS, PerBand, mid_mean};
use crate::acoustics::vector::Vector;

/// A family of instruments that radiate alike.
///
/// The letters name the sources in the module's documentation.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Family {
    /// The same in every direction: anything whose directivity shall be left alone.
    ///
    /// # Source
    /// Q = 1 by definition.
    #[default]
    Omnidirectional,
    /// A bell that points where the player looks: trumpet, trombone.
    ///
    /// Axis straight ahead (PL; common practice, no source). Q up to 2 kHz
    /// between the open pipes of a trumpet's bell (radius 61 mm) and a
    /// trombone's (108 mm), 1.03 to 1.08, 1.10 to 1.27, 1.33 to 1.92, 2.15 to
    /// 4.47 and 5.45 to 15.7 (LS). 4 and 8 kHz: below the pipe, because the
    /// wave leaves a flare before its mouth, and above 4^2 (our choice, from M1).
    ForwardBell,
    /// A bell that points back and to the player's right: horn.
    ///
    /// Axis 143 degrees to the right of straight ahead, a little down (common
    /// practice, no source; the angles are our choice). Q up to 500 Hz as the
    /// open pipe of radius 155 mm, 1.15, 1.51 and 2.80 (LS). From 1 kHz (LS:
    /// 8.3) lower, because the hand fills part of the bell, rising to above
    /// 4^2 (our choice, from M1).
    RearBell,
    /// A bell that points up: tuba, euphonium.
    ///
    /// Axis up, leaning 17 degrees ahead (common practice, no source; the angle
    /// is our choice). Q up to 500 Hz as the open pipe of radius 220 mm, 1.28,
    /// 1.95 and 4.60 (LS; 500 Hz 0.5 dB lower for smoothness). Above (LS: 16 at
    /// 1 kHz) lower, as for the forward bell, rising to above 4^2 (our choice,
    /// from M1).
    UpwardBell,
    /// A top plate that faces up and to the player's right: violin, viola.
    ///
    /// Axis 54 degrees up, its horizontal part to the right and a little ahead:
    /// held to the player's left, the plate leans to the right (common
    /// practice, no source; the angles are our choice), and the highest octaves
    /// go to the ceiling (M1). Q: 1 at 125 and 250 Hz within 0.3 dB (M1, WB),
    /// 1.3 at 500 Hz, whose octave reaches above WB's 600 Hz, 5.3 and 6.3 at 4
    /// and 8 kHz for a factor of 2.3 and 2.5 (our choice, from M1), smooth
    /// between.
    TopPlate,
    /// A front plate that faces where the player looks: cello, double bass, guitar.
    ///
    /// Axis ahead, 19 degrees up: the body leans back against the player
    /// (common practice, no source; the angle is our choice), and the highest
    /// octaves go up (M1). Q as for the top plate (M1), with more at 250 and
    /// 500 Hz for the larger body and a little less at the top (our choice).
    FrontPlate,
    /// Open tone holes and a small bell: flute, oboe, clarinet, bassoon, saxophone.
    ///
    /// Axis ahead and 21 degrees down, as oboe and clarinet are held (common
    /// practice, no source; the angle is our choice). Q: near 1 below the
    /// cutoff (H, M1), 3.5 and 4.0 at 4 and 8 kHz for a factor of 1.9 and 2.0,
    /// a little lower than the strings' (our choice, from M1), smooth between.
    ToneHoles,
    /// A stretched head: timpani, bass drum, tom.
    ///
    /// Axis up, leaning 11 degrees ahead (our choice, from a head that lies
    /// flat). Its modes radiate in many directions at once (R), so no lobe is
    /// sharp: Q rises from 1.2 to 2, all of the energy in the half-space in
    /// front of the head (closed form; the course is our choice, no source).
    Drumhead,
}

impl Family {
    /// Every family, in the order in which the parameter lists them.
    pub const ALL: [Self; 8] = [
        Self::Omnidirectional,
        Self::ForwardBell,
        Self::RearBell,
        Self::UpwardBell,
        Self::TopPlate,
        Self::FrontPlate,
        Self::ToneHoles,
        Self::Drumhead,
    ];

    /// Returns the name in trade words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Omnidirectional => "omnidirectional",
            Self::ForwardBell => "forward bell",
            Self::RearBell => "rear bell",
            Self::UpwardBell => "upward bell",
            Self::TopPlate => "top plate",
            Self::FrontPlate => "front plate",
            Self::ToneHoles => "tone holes",
            Self::Drumhead => "drumhead",
        }
    }

    /// Returns the radiation axis as (forward, player's right, up); it need not have length 1.
    ///
    /// # Source
    /// At each family.
    pub const fn axis(self) -> [f64; 3] {
        match self {
            Self::Omnidirectional | Self::ForwardBell => [1.0, 0.0, 0.0],
            Self::RearBell => [-0.8, 0.6, -0.1],
            Self::UpwardBell => [0.3, 0.0, 1.0],
            Self::TopPlate => [0.3, 0.5, 0.8],
            Self::FrontPlate => [1.0, 0.0, 0.35],
            Self::ToneHoles => [0.8, 0.0, -0.3],
            Self::Drumhead => [0.2, 0.0, 1.0],
        }
    }

    /// Returns the directivity factor Q per octave band (power ratio on the axis, at least 1).
    ///
    /// # Source
    /// At each family.
    pub const fn directivity_factor(self) -> PerBand {
        match self {
            Self::Omnidirectional => [1.0; BANDS],
            Self::ForwardBell => [1.05, 1.2, 1.6, 3.2, 6.8, 14.0, 20.0],
            Self::RearBell => [1.15, 1.5, 2.8, 6.0, 10.0, 16.0, 18.0],
            Self::UpwardBell => [1.3, 1.95, 4.1, 8.5, 12.5, 16.5, 17.5],
            Self::TopPlate => [1.0, 1.05, 1.3, 2.1, 3.6, 5.3, 6.3],
            Self::FrontPlate => [1.0, 1.1, 1.5, 2.2, 3.5, 5.0, 6.0],
            Self::ToneHoles => [1.0, 1.05, 1.3, 1.8, 2.6, 3.5, 4.0],
            Self::Drumhead => [1.2, 1.2, 1.4, 1.6, 2.0, 2.0, 2.0],
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
/// -20 dB: round the player's body and off the music stand; below it a lobe's
/// back would fall without limit (our choice, no source).
pub const LEAK: f64 = 0.01;

/// The directional pattern of one band: D^2 = leak + (1 - leak) ((1 + cos theta)/2)^(2n).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pattern {
    /// Exponent n, at least 0; 0 is omnidirectional radiation, 1 the cardioid.
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_player_in_the_middle_has_ahead_right_and_up_where_the_conventions_say() {
        // Facing 0 at x = 0: (forward, right, up) is (-y, -x, +z).
        let [ahead, right, up] = Family::TopPlate.axis();
        let length = Vector::new(ahead, right, up).length();
        let expected = Vector::new(-right, -ahead, up) * (1.0 / length);
        let got = world_axis(Family::TopPlate, Vector::new(0.0, -1.0, 0.0));
        assert!((got - expected).length() < 1e-12, "expected {expected:?}, got {got:?}");
    }

    #[test]
    fn every_pattern_is_one_on_its_axis_and_never_more_elsewhere() {
        for family in Family::ALL {
            for pattern in family.patterns() {
                assert!((pattern.gain(1.0) - 1.0).abs() < 1e-12, "{}", family.name());
                for step in 0..=200 {
                    let gain = pattern.gain(f64::from(step) / 100.0 - 1.0);
                    assert!((0.0..=1.0 + 1e-12).contains(&gain), "{}: got {gain}", family.name());
                }
            }
        }
    }

    #[test]
    fn factors_rise_smoothly_and_the_leak_leaves_room_for_them() {
        for family in Family::ALL {
            let factors = family.directivity_factor();
            assert!(factors.iter().all(|&q| (1.0..=25.0).contains(&q) && LEAK * q < 1.0), "{factors:?}");
            for pair in factors.windows(2) {
                let step = pair[1] / pair[0];
                assert!((1.0..=2.2).contains(&step), "{}: a step of {step}", family.name());
            }
        }
    }

    #[test]
    fn a_top_plate_leans_towards_the_audience_from_the_audiences_left_only() {
        // The player's front looks at the microphones in the middle of the front edge.
        let lean = |x: f64| {
            let axis = world_axis(Family::TopPlate, Vector::new(-x, -3.0, 0.0).unit());
            Vector::new(axis.x, axis.y, 0.0).unit().dot(Vector::new(0.0, -1.0, 0.0))
        };
        assert!(lean(-3.0) > 0.9, "left: got {}", lean(-3.0));
        assert!(lean(3.0) < 0.5, "right: got {}", lean(3.0));
    }
}
