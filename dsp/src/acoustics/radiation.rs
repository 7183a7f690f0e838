//! How an instrument throws its sound: axis, directivity factor, leak and height of each family.
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
//!   An octave's mean over many notes is broader than one note's main direction:
//!   string patterns change within a fraction of a semitone (WB).
//! * **M2** J. Meyer, Acoustics and the Performance of Music (Springer, 2009),
//!   section 4.1.1: no instrument radiates spherically above 500 Hz.
//! * **LS** H. Levine and J. Schwinger, Physical Review 73, 383 (1948): the
//!   gain G(theta) of an open pipe without a flange, up to ka = 3.83, a the
//!   mouth's radius. On its axis it is Q = (ka)^2/(1 - |R|^2), |R| the pipe's
//!   reflection coefficient, and behind it G(pi) = |R|^2 G(0). Bells follow it
//!   within 2.5 dB at 60, 90, 120 and 143 degrees from 125 Hz to 1 kHz; where it
//!   lies more than 15 dB under the axis they are 12.5 dB down or more. The radii
//!   are usual sizes of bells, from memory.
//! * **PL** J. Paetynen and T. Lokki, Acta Acustica united with Acustica 96,
//!   138 (2010), abstract: brass radiate constantly along the bell; strings
//!   and woodwinds change with the note; dynamics change nothing.
//! * **WB** L. M. Wang and C. Burroughs, Catgut Acoustical Society Journal
//!   3(7), 7 (1999), abstract: a bowed violin is omnidirectional below 600 Hz;
//!   above, its pattern changes within a fraction of a semitone.
//! * **B** G. Bissinger and J. Keiffer, Acoustics Research Letters Online 4, 7
//!   (2003), abstract: averaged over modes, the directivity of measured violins
//!   rises slowly from about 1 to about 2 at 4 kHz. Read as front against back
//!   half-space, of energy or of pressure, that is 3 to 6 dB (our reading).
//! * **H** P. L. Hoekje, 131st meeting of the Acoustical Society of America
//!   (1996), paper 3aAA4, abstract: below a cutoff frequency tone holes and
//!   bells radiate alike in all directions, above it very directionally.
//! * **R** T. D. Rossing, 131st meeting of the Acoustical Society of America
//!   (1996), paper 3aAA2, popular version: the lowest mode of a drumhead
//!   radiates alike all round in its plane, the next ones in 2, 4, 6 and 8
//!   directions.
//! * **P** two equal sources m half waves apart, in phase for odd m and out of
//!   phase for even m, as at the ends of an open tube: Q = 2 where they add, for
//!   any m (closed form: the mean of cos^2 or sin^2 of (m pi/2) cos phi is 1/2).
//! * **T** W. T. Chu and A. C. C. Warnock, National Research Council of Canada,
//!   IRC-RR-104 (2002), and H. K. Dunn and D. W. Farnsworth, Journal of the
//!   Acoustical Society of America 10, 184 (1939): levels round talkers, from
//!   memory: behind the head some 3 dB down below 500 Hz, 4 to 6 dB at 500 Hz and
//!   1 kHz, over 10 dB from 4 kHz.
//!
//! Neighbouring octaves never differ by more than a factor 2.2 in Q (our
//! choice): a band filter has to follow them.

use crate::acoustics::octave::{BANDS, PerBand};
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
    /// A bell that points where the player looks: trumpet, cornet.
    ///
    /// Axis straight ahead (PL; common practice, no source). Q and leak up to
    /// 1 kHz near the open pipe of radius 61 mm, Q 1.03, 1.10, 1.33 and 2.15 (LS),
    /// on the narrow side of it, as larger bells are. 4 and 8 kHz: below the
    /// pipe, because the wave leaves a flare before its mouth, and above 4^2 (our
    /// choice, from M1).
    ForwardBell,
    /// A bell that points back and to the player's right: horn.
    ///
    /// Axis 143 degrees to the right of straight ahead, a little down (common
    /// practice, no source; the angles are our choice). Q and leak up to 500 Hz
    /// as the open pipe of radius 155 mm, 1.15, 1.51 and 2.80 (LS). At 1 kHz the
    /// pipe's 8.3 is lowered for smoothness; from there lower, because the hand
    /// fills part of the bell, rising to above 4^2 (our choice, from M1).
    RearBell,
    /// A bell that points up: tuba, euphonium.
    ///
    /// Axis up, leaning 17 degrees ahead (common practice, no source; the angle
    /// is our choice). Q and leak up to 500 Hz as the open pipe of radius 220 mm,
    /// 1.28, 1.95 and 4.60 (LS; 500 Hz 0.4 dB lower for smoothness). Above, lower
    /// than the pipe, as for the forward bell, rising to above 4^2 (our choice,
    /// from M1).
    UpwardBell,
    /// A top plate that faces up and to the player's right: violin, viola.
    ///
    /// Axis 54 degrees up, its horizontal part to the right and a little ahead:
    /// held to the player's left, the plate leans to the right (common
    /// practice, no source; the angles are our choice), and the highest octaves
    /// go to the ceiling (M1). Q and leak: 1 at 125 and 250 Hz within 0.3 dB (M1,
    /// WB), 1.25 at 500 Hz, whose octave reaches above WB's 600 Hz, 5.6 dB from
    /// the front half-space to the back one at 4 kHz (B), smooth between. A fit to
    /// these, no table (our choice).
    TopPlate,
    /// A front plate that faces where the player looks: cello, double bass, guitar.
    ///
    /// Axis ahead, 19 degrees up: the body leans back against the player
    /// (common practice, no source; the angle is our choice), and the highest
    /// octaves go up (M1). Q and leak as for the top plate, with more from 250 Hz
    /// to 1 kHz for the larger body and a little less at the top; 5.3 dB from
    /// front to back at 4 kHz (our choice, from B).
    FrontPlate,
    /// Open tone holes and a small bell: oboe, clarinet, saxophone.
    ///
    /// Axis ahead and 21 degrees down, as oboe and clarinet are held (common
    /// practice, no source; the angle is our choice). Q: near 1 below the
    /// cutoff (H, M1), at 4 and 8 kHz a little lower than the strings' (M1), smooth
    /// between; leak as theirs (our choice).
    ToneHoles,
    /// A stretched head: timpani, bass drum, tom.
    ///
    /// Axis up, leaning 11 degrees ahead (our choice, from a head that lies
    /// flat). Its modes radiate in many directions at once (R), so no lobe is
    /// sharp: Q rises from 1.2 to 2, all of the energy in the half-space in
    /// front of the head (closed form; the course is our choice, no source). The
    /// leak falls as slowly: low octaves go round the shell (our choice).
    Drumhead,
    /// A wide bell that points where the player looks: trombone.
    ///
    /// Axis straight ahead (PL; common practice, no source). Q and leak up to
    /// 1 kHz as the open pipe of radius 108 mm, 1.08, 1.27, 1.92 and 4.46 (LS;
    /// 1 kHz 0.3 dB lower for smoothness). Above, lower than the pipe, as for
    /// the forward bell (our choice, from M1).
    WideForwardBell,
    /// Tone holes and a top that points up: bassoon, contrabassoon.
    ///
    /// Axis up, leaning ahead and to the player's left, as it is held: its top
    /// leaves upwards (J. Meyer, from memory; the angles are our choice). Q and
    /// leak as for tone holes, a little more from 250 Hz to 2 kHz for the longer
    /// row of holes, a little less at the top (our choice).
    Bassoon,
    /// A mouth hole and the far open end of a tube: flute, piccolo.
    ///
    /// The two throw most across the tube where an odd number of half waves fits
    /// between them, beside that where an even number does (P; J. Meyer, from
    /// memory). The player's head is behind, so the axis is ahead, a little to the
    /// right, where the tube and the breath's noise go (our choice). Q: near 1
    /// below 500 Hz (M1), under P's 2 to 2 kHz, because overtones cancel where the
    /// lowest tone adds, above it a little more for the head's shadow; leak as a
    /// cardioid's that keeps this Q, for no side is silent (our choice).
    Flute,
    /// A tall soundboard that faces away from the player: harp.
    ///
    /// Axis ahead and 37 degrees up: the board slants up to the player's shoulder
    /// (common practice, no source; the angle is our choice). Q and leak lower
    /// than a front plate's, because the box is open at the back (our choice, no
    /// source).
    Harp,
    /// A lid that throws to the player's right: grand piano.
    ///
    /// Axis to the right, 31 degrees up: half-way from the case's rim to the lid
    /// on its long stick (J. Meyer, from memory; the angle is our choice). The
    /// keyboard is at the audience's left, so the lid opens to them. Q and leak:
    /// near the front plate's, which faces as freely (our choice, no source).
    Lid,
    /// Bars that lie flat: xylophone, marimba, vibraphone, glockenspiel.
    ///
    /// Axis up (common practice, no source). Bars and the tubes below them throw
    /// to both sides, so no lobe is sharp: Q rises from 1.1 to 2.2, leak as a
    /// cardioid's or more (our choice, no source).
    Bars,
    /// A singer's mouth: choir, voice.
    ///
    /// Axis ahead (common practice, no source). Q and leak after talkers (T).
    Mouth,
}

impl Family {
    /// Every family, in the order in which the parameter lists them.
    pub const ALL: [Self; 15] = [
        Self::Omnidirectional,
        Self::ForwardBell,
        Self::RearBell,
        Self::UpwardBell,
        Self::TopPlate,
        Self::FrontPlate,
        Self::ToneHoles,
        Self::Drumhead,
        Self::WideForwardBell,
        Self::Bassoon,
        Self::Flute,
        Self::Harp,
        Self::Lid,
        Self::Bars,
        Self::Mouth,
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
            Self::WideForwardBell => "wide forward bell",
            Self::Bassoon => "bassoon",
            Self::Flute => "flute",
            Self::Harp => "harp",
            Self::Lid => "piano lid",
            Self::Bars => "bars",
            Self::Mouth => "mouth",
        }
    }

    /// Returns the radiation axis as (forward, player's right, up); it need not have length 1.
    ///
    /// # Source
    /// At each family.
    pub const fn axis(self) -> [f64; 3] {
        match self {
            Self::Omnidirectional | Self::ForwardBell | Self::WideForwardBell | Self::Mouth => {
                [1.0, 0.0, 0.0]
            }
            Self::RearBell => [-0.8, 0.6, -0.1],
            Self::UpwardBell => [0.3, 0.0, 1.0],
            Self::TopPlate => [0.3, 0.5, 0.8],
            Self::FrontPlate => [1.0, 0.0, 0.35],
            Self::ToneHoles => [0.8, 0.0, -0.3],
            Self::Drumhead => [0.2, 0.0, 1.0],
            Self::Bassoon => [0.3, -0.3, 1.0],
            Self::Flute => [1.0, 0.3, 0.0],
            Self::Harp => [0.8, 0.0, 0.6],
            Self::Lid => [0.0, 1.0, 0.6],
            Self::Bars => [0.0, 0.0, 1.0],
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
            Self::UpwardBell => [1.28, 1.95, 4.2, 8.5, 12.5, 16.5, 17.5],
            Self::TopPlate => [1.0, 1.05, 1.25, 1.6, 2.2, 3.0, 3.6],
            Self::FrontPlate => [1.0, 1.1, 1.4, 1.8, 2.3, 2.9, 3.4],
            Self::ToneHoles => [1.0, 1.05, 1.25, 1.55, 2.1, 2.8, 3.3],
            Self::Drumhead => [1.2, 1.2, 1.4, 1.6, 2.0, 2.0, 2.0],
            Self::WideForwardBell => [1.08, 1.27, 1.92, 4.2, 8.8, 14.5, 18.5],
            Self::Bassoon => [1.0, 1.1, 1.35, 1.7, 2.2, 2.7, 3.1],
            Self::Flute => [1.0, 1.1, 1.5, 1.6, 1.8, 2.2, 2.6],
            Self::Harp => [1.0, 1.1, 1.3, 1.6, 2.0, 2.4, 2.7],
            Self::Lid => [1.05, 1.15, 1.4, 1.8, 2.4, 3.0, 3.4],
            Self::Bars => [1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2],
            Self::Mouth => [1.15, 1.3, 1.5, 1.7, 2.2, 2.9, 3.8],
        }
    }

    /// Returns the leak per octave band: the share of the axial energy that every direction gets, under 1/Q.
    ///
    /// # Source
    /// At each family.
    pub const fn leak(self) -> PerBand {
        match self {
            Self::Omnidirectional => [LEAST_LEAK; BANDS],
            Self::ForwardBell => [0.93, 0.8, 0.55, 0.205, 0.02, LEAST_LEAK, LEAST_LEAK],
            Self::RearBell => [0.81, 0.55, 0.17, 0.03, LEAST_LEAK, LEAST_LEAK, LEAST_LEAK],
            Self::UpwardBell => [0.7, 0.35, 0.07, 0.012, LEAST_LEAK, LEAST_LEAK, LEAST_LEAK],
            Self::TopPlate | Self::ToneHoles => [0.9, 0.8, 0.4, 0.25, 0.15, 0.12, 0.08],
            Self::FrontPlate => [0.9, 0.75, 0.4, 0.25, 0.17, 0.13, 0.1],
            Self::Drumhead => [0.7, 0.7, 0.5, 0.35, 0.15, 0.1, 0.1],
            Self::WideForwardBell => [0.9, 0.71, 0.36, 0.07, 0.015, LEAST_LEAK, LEAST_LEAK],
            Self::Bassoon => [0.9, 0.8, 0.5, 0.3, 0.17, 0.13, 0.1],
            Self::Flute => [0.9, 0.86, 0.5, 0.44, 0.33, 0.18, 0.1],
            Self::Harp => [0.9, 0.8, 0.55, 0.35, 0.22, 0.17, 0.14],
            Self::Lid => [0.9, 0.8, 0.5, 0.28, 0.16, 0.11, 0.08],
            Self::Bars => [0.86, 0.75, 0.57, 0.44, 0.35, 0.27, 0.2],
            Self::Mouth => [0.75, 0.6, 0.42, 0.3, 0.15, 0.07, 0.03],
        }
    }

    /// Returns the height of the instrument above the riser on which its player sits, m.
    ///
    /// # Source
    /// Common practice, no source: a cello between the knees, a horn at the hip,
    /// drumheads and bars at the waist, the middle of a harp's board, a piano's
    /// strings, a violin at a seated player's chin, the mouth of a singer who
    /// stands.
    pub const fn height_m(self) -> f64 {
        match self {
            Self::FrontPlate => 0.55,
            Self::RearBell => 0.7,
            Self::Drumhead | Self::Bars | Self::Harp => 0.9,
            Self::Lid => 1.0,
            Self::TopPlate => 1.4,
            Self::Mouth => 1.6,
            Self::Omnidirectional
            | Self::ForwardBell
            | Self::UpwardBell
            | Self::ToneHoles
            | Self::WideForwardBell
            | Self::Bassoon
            | Self::Flute => 1.2,
        }
    }

    /// Returns the pattern of each octave band.
    pub fn patterns(self) -> [Pattern; BANDS] {
        let (factors, leaks) = (self.directivity_factor(), self.leak());
        std::array::from_fn(|band| Pattern::with_directivity_factor(factors[band], leaks[band]))
    }
}

/// Least energy that reaches every direction whatever the axis, as a share of the axial level.
///
/// -20 dB: round the player's body and off the music stand; below it a lobe's
/// back would fall without limit (our choice, no source).
const LEAST_LEAK: f64 = 0.01;

/// Largest share of the mean energy over all directions that may be leak (our choice: the exponent stays finite).
const MOST_LEAK_OF_MEAN: f64 = 0.98;

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
    /// n = ((1 - leak)/(1/Q - leak) - 1)/2; Q at least 1, leak at most 0.98/Q,
    /// both brought inside.
    ///
    /// # Source
    /// The mean of ((1 + cos theta)/2)^(2n) over the sphere is 1/(2n + 1); n = 1
    /// gives the cardioid's Q = 3 (closed form).
    pub fn with_directivity_factor(q: f64, leak: f64) -> Self {
        let q = q.max(1.0);
        let leak = leak.clamp(0.0, MOST_LEAK_OF_MEAN / q);
        Self { exponent: ((1.0 - leak) / (1.0 / q - leak) - 1.0) / 2.0, leak }
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
            let (factors, leaks, name) = (family.directivity_factor(), family.leak(), family.name());
            assert!(factors.iter().all(|q| (1.0..=25.0).contains(q)), "{name}: {factors:?}");
            for pair in factors.windows(2) {
                let step = pair[1] / pair[0];
                assert!((1.0..=2.2).contains(&step), "{name}: a step of {step}");
            }
            for (pattern, (q, leak)) in family.patterns().iter().zip(factors.iter().zip(leaks)) {
                assert!((LEAST_LEAK..=MOST_LEAK_OF_MEAN / q).contains(&leak), "{name}: {leaks:?}");
                assert!((pattern.leak - leak).abs() < 1e-15, "{name}: {pattern:?}");
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
