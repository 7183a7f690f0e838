//! What a plan needs of platform, air, family and pair: worked out when one of them changes, not when a seat moves.

use crate::acoustics::arrivals::{ARRIVALS, images};
use crate::acoustics::loudness::{
    FIRST_POINT_HZ, LOW_POINTS, LoudnessWeights, POINT_STEP_HZ, place_between_midbands, point_hz,
};
use crate::acoustics::microphones::{Capsule, Pair};
use crate::acoustics::octave::{BANDS, THIRDS, TOP, exact_midband_hz, third_midband_hz};
use crate::acoustics::platform::{Face, Platform};
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::vector::Vector;
use crate::plan::band_split::FITTED;
use crate::plan::planner::scattering::ScatteringTerms;
use crate::plan::source_acoustics::capsules;
use crate::settings::Settings;

/// Arrivals in whole rows of eight; the last two repeat the last arrival and are not heard.
pub(crate) const SLOTS: usize = ARRIVALS.next_multiple_of(8);
/// Thirds of an octave in whole rows of eight.
pub(crate) const THIRD_SLOTS: usize = THIRDS.next_multiple_of(8);

/// The settings that the seat-independent terms depend on.
#[derive(Clone, Copy, Debug, PartialEq)]
struct DependsOn {
    platform: Platform,
    pair: Pair,
    family: Family,
    recorded: RecordedFrom,
}

/// An image's position is `offset + sign * position` along each axis; by axis, then arrival.
#[derive(Clone, Debug)]
pub(crate) struct Mirrors {
    pub(crate) offset_m: [[f64; SLOTS]; 3],
    pub(crate) sign: [[f64; SLOTS]; 3],
}

/// The seat-independent terms of one engine's plans.
#[derive(Clone, Debug)]
pub(crate) struct SeatIndependentTerms {
    terms: DependsOn,
    pub(crate) capsules: [Capsule; 2],
    /// Speed of sound, m/s.
    pub(crate) speed_m_s: f64,
    pub(crate) mixing_time_s: f64,
    pub(crate) mirrors: Mirrors,
    /// Gain of an arrival's hits, by band, then arrival; 0 for those that are not heard.
    pub(crate) hits: [[f32; SLOTS]; FITTED],
    /// Exponent 2n of the lobe's energy, by band.
    pub(crate) lobe: [f32; FITTED],
    /// Share of the axial energy that every direction gets, by band.
    pub(crate) leak: [f32; FITTED],
    /// Gain of every arrival for the side from which the signal was recorded, by band.
    pub(crate) recorded: [f32; FITTED],
    /// Attenuation of the air, log2 of pressure per metre, by band.
    pub(crate) air_log2_per_m: [f32; FITTED],
    /// The same in thirds.
    pub(crate) air_in_thirds_log2_per_m: [f32; THIRD_SLOTS],
    /// Factor of the family's mid-band power, as recorded.
    pub(crate) family_gain: f32,
    pub(crate) scattering: ScatteringTerms,
    pub(crate) loudness: FastLoudness,
}

/// What the octaves count in the loudness, in single precision.
#[derive(Clone, Debug)]
pub(crate) struct FastLoudness {
    /// Of each frequency below 708 Hz.
    pub(crate) low: [f32; LOW_POINTS],
    /// The octave midband under each.
    pub(crate) band: [usize; LOW_POINTS],
    /// How far each lies on the way to the next midband.
    pub(crate) share: [f32; LOW_POINTS],
    /// Of each octave, for what lies above.
    pub(crate) high: [f32; BANDS],
    /// The first frequency and the step to the next, turns per metre of path.
    pub(crate) first_turns_per_m: f32,
    pub(crate) step_turns_per_m: f32,
}

impl FastLoudness {
    fn new(family: Family, speed_m_s: f64) -> Self {
        let weights = LoudnessWeights::of(family);
        Self {
            low: weights.low.map(|weight| weight as f32),
            band: std::array::from_fn(|point| place_between_midbands(point_hz(point)).0),
            share: std::array::from_fn(|point| place_between_midbands(point_hz(point)).1 as f32),
            high: weights.high.map(|weight| weight as f32),
            first_turns_per_m: (FIRST_POINT_HZ / speed_m_s) as f32,
            step_turns_per_m: (POINT_STEP_HZ / speed_m_s) as f32,
        }
    }
}

impl SeatIndependentTerms {
    /// Says whether the terms still hold for these settings.
    pub(crate) fn hold_for(&self, settings: &Settings) -> bool {
        self.terms == DependsOn::of(settings)
    }

    /// Works everything out anew.
    pub(crate) fn new(settings: &Settings, channels: usize) -> Self {
        let terms = DependsOn::of(settings);
        let DependsOn { platform, family, recorded, .. } = &terms;
        let air = platform.air;
        let capsules = capsules(&settings.microphones, channels);
        let patterns = family.patterns();
        let hit_gain = Face::ALL.map(|face| platform.hit_gain(face));
        let images = images(Vector::default(), platform);
        let slot = |index: usize| index.min(ARRIVALS - 1);
        let hits = std::array::from_fn(|band| {
            std::array::from_fn(|index| {
                if index >= ARRIVALS {
                    return 0.0;
                }
                let gains = images[index].hits.iter().zip(&hit_gain);
                gains.map(|(&n, gain)| gain[band.min(BANDS - 1)].powi(i32::from(n))).product::<f64>() as f32
            })
        });
        let mixing_time_s = platform.mixing_time_s();
        let recorded_gain = recorded.gains(*family);
        // 20 log10 of a pressure ratio over log2 of it.
        let db_per_log2 = 20.0 * std::f64::consts::LOG10_2;
        Self {
            capsules,
            speed_m_s: air.speed_of_sound_m_s(),
            mixing_time_s,
            mirrors: Mirrors {
                offset_m: [0, 1, 2]
                    .map(|axis| std::array::from_fn(|index| images[slot(index)].position.components()[axis])),
                sign: [0, 1, 2].map(|axis| {
                    std::array::from_fn(|index| images[slot(index)].mirrored().components()[axis])
                }),
            },
            hits,
            lobe: std::array::from_fn(|band| (2.0 * patterns[band.min(BANDS - 1)].exponent) as f32),
            leak: std::array::from_fn(|band| patterns[band.min(BANDS - 1)].leak as f32),
            recorded: std::array::from_fn(|band| recorded_gain[band.min(BANDS - 1)] as f32),
            air_log2_per_m: std::array::from_fn(|band| {
                let hz = if band == TOP { exact_midband_hz(TOP) } else { exact_midband_hz(band) };
                (air.attenuation_db_per_m(hz) / db_per_log2) as f32
            }),
            air_in_thirds_log2_per_m: std::array::from_fn(|third| {
                (air.attenuation_db_per_m(third_midband_hz(third.min(THIRDS - 1))) / db_per_log2) as f32
            }),
            family_gain: recorded.mid_power_factor(*family).sqrt() as f32,
            scattering: ScatteringTerms::new(platform, *family, *recorded, capsules, channels),
            loudness: FastLoudness::new(*family, air.speed_of_sound_m_s()),
            terms,
        }
    }
}

impl DependsOn {
    fn of(settings: &Settings) -> Self {
        let seat = &settings.seat;
        Self {
            platform: settings.platform,
            pair: settings.microphones.pair,
            family: seat.family,
            recorded: seat.recorded,
        }
    }
}
