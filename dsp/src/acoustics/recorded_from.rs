//! From which side the dry signal was recorded: what an instrument's directivity has done to it already.

use crate::acoustics::octave::{BANDS, PerBand, mid_mean};
use crate::acoustics::radiation::Family;
use crate::acoustics::vector::Vector;

/// Where the microphone of the dry recording stood, as the player sees it.
///
/// D, the directivity relative to the axis, is told relative to that side:
/// `D_rel` = `D_b(departure)`/`D_b(microphone)`, and the source's power is that of
/// 1/(`Q_b` `D_b(microphone)^2`). So a recording made in front of a horn comes out
/// in front as it was recorded, and is darkened once, not twice.
///
/// # Source
/// D. Ackermann, F. Brinkmann and S. Weinzierl, Journal of the Audio Engineering
/// Society 72 (2024), abstract: recordings radiated by a directional source
/// without coloration. The four sides are our choice.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum RecordedFrom {
    /// On the axis of the instrument: before the bell, over the top plate.
    #[default]
    Axis,
    /// In front of the player.
    Front,
    /// Above the player.
    Above,
    /// At the player's right, the side of a horn's bell.
    Side,
}

/// Largest gain of one band over the axis, dB.
///
/// Off a lobe a recording holds more room and noise than instrument, and a
/// lobe's back is the leak, which we chose: what is more than 15 dB down is not
/// brought up further (our choice).
const MOST_DB: f64 = 15.0;

impl RecordedFrom {
    /// Every side, in the order in which the parameter lists them.
    pub const ALL: [Self; 4] = [Self::Axis, Self::Front, Self::Above, Self::Side];

    /// Returns the name in trade words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Axis => "on the axis",
            Self::Front => "in front",
            Self::Above => "above",
            Self::Side => "at the side",
        }
    }

    /// Returns the direction of the microphone as (forward, player's right, up); `None` is the family's axis.
    const fn direction(self) -> Option<Vector> {
        match self {
            Self::Axis => None,
            Self::Front => Some(Vector::new(1.0, 0.0, 0.0)),
            Self::Above => Some(Vector::new(0.0, 0.0, 1.0)),
            Self::Side => Some(Vector::new(0.0, 1.0, 0.0)),
        }
    }

    /// Returns the pressure gain of every arrival per octave band: 1/`D_b(microphone)`, at most 15 dB.
    pub fn gains(self, family: Family) -> PerBand {
        let [ahead, right, up] = family.axis();
        let axis = Vector::new(ahead, right, up).unit();
        let cosine = self.direction().map_or(1.0, |direction| direction.dot(axis));
        let most = 10.0_f64.powf(MOST_DB / 20.0);
        family.patterns().map(|pattern| pattern.gain(cosine).recip().min(most))
    }

    /// Returns the factor on the power that keeps the family's mid-band power: the mean of `Q_b` `D_b(microphone)^2`.
    pub fn mid_power_factor(self, family: Family) -> f64 {
        let (factors, gains) = (family.directivity_factor(), self.gains(family));
        mid_mean::<BANDS>(&std::array::from_fn(|band| factors[band] / (gains[band] * gains[band])))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::radiation::world_axis;

    /// What leaves towards the recording's microphone leaves as it was recorded, unless that is over 15 dB under the axis.
    #[test]
    fn towards_the_recording_microphone_nothing_is_coloured() {
        // The player looks along x: forward, right and up are x, -y and z.
        let sides = [
            (RecordedFrom::Front, Vector::new(1.0, 0.0, 0.0)),
            (RecordedFrom::Above, Vector::new(0.0, 0.0, 1.0)),
            (RecordedFrom::Side, Vector::new(0.0, -1.0, 0.0)),
        ];
        for family in Family::ALL {
            let axis = world_axis(family, Vector::new(1.0, 0.0, 0.0));
            assert!(RecordedFrom::Axis.gains(family).iter().all(|gain| (gain - 1.0).abs() < 1e-12));
            for (recorded, microphone) in sides {
                for (pattern, gain) in family.patterns().iter().zip(recorded.gains(family)) {
                    let directivity = pattern.gain(microphone.dot(axis));
                    let expected = if directivity < 10.0_f64.powf(-0.75) {
                        directivity * 10.0_f64.powf(0.75)
                    } else {
                        1.0
                    };
                    let got = directivity * gain;
                    assert!((got - expected).abs() < 1e-9, "{}, {recorded:?}: {got}", family.name());
                }
            }
        }
    }

    #[test]
    fn a_horn_recorded_in_front_is_brighter_than_on_its_axis() {
        let gains = RecordedFrom::Front.gains(Family::RearBell);
        assert!(gains.windows(2).all(|pair| pair[1] >= pair[0]), "{gains:?}");
        let [low, high] = [gains[0], gains[3]].map(|gain| 20.0 * gain.log10());
        assert!(low < 1.5 && high > 12.0, "{low} and {high} dB");
    }
}
