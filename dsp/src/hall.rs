//! The hall on the shared bus: what all players of a session are sent to, after a gap.
//!
//! A hall is a shoebox that answers with its first reflections, and with a tail
//! of the same making as the platform's: noise that decays octave by octave,
//! as coherent as a diffuse field. Where a seat asks how much, the hall has one
//! answer for all: as much energy comes back as is sent, so that another hall
//! is another sound and not another balance.

mod decorrelator;
mod diffuser;
mod early;
mod engine;
mod pre_delay;
mod ramp;
mod reflections;
mod table;

pub use engine::HallEngine;
pub use reflections::{Reflection, Reflections, specular_share};

use crate::acoustics::air::Air;
use crate::acoustics::microphones::Pair;
use crate::acoustics::octave::{BANDS, PerBand, TOP, WithTop, exact_midband_hz, mid_mean};
use crate::acoustics::platform::share_after;
use crate::acoustics::walls_and_air::WallsAndAir;
use crate::extremes::largest;
use crate::settings::Tabled;
use crate::tail::{TailSpec, hall_onset_frames};

pub use table::{HALL_PARAMETERS, OCTAVE_DECAYS, PRE_DELAY};

/// A hall, and how it is heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hall {
    /// Gap between a sound and the hall's first answer, 0 to 0.12 s.
    pub pre_delay_s: f64,
    /// Mid-band decay T, the mean of 500 Hz and 1 kHz, 0.3 to 8 s.
    pub decay_s: f64,
    /// Mean decay of 125 and 250 Hz against mid-band, 0.7 to 1.5.
    pub bass_ratio: f64,
    /// Mean decay of 2 and 4 kHz against mid-band, 0.6 to 1.2.
    pub treble_ratio: f64,
    /// Volume V, 2000 to 30 000 cubic metres.
    pub volume_m3: f64,
    /// Level of all that comes before the mixing time, -24 to 6 dB.
    pub early_db: f64,
    /// Width, 0 (both channels alike) to 100 % (as a spaced pair hears it).
    pub width_pct: f64,
    /// Dry/wet, the share of the hall in the output, 0 to 100 %.
    pub wet_pct: f64,
    /// Output level, -24 to 24 dB.
    pub trim_db: f64,
    /// Decay of each octave against what decay and ratios make of it, 0.5 to 2.
    pub octaves: PerBand,
}

impl Default for Hall {
    /// A concert hall for slow cues: 30 ms and 3.5 s are common practice, no source; the rest is our choice.
    fn default() -> Self {
        Self {
            pre_delay_s: 0.03,
            decay_s: 3.5,
            bass_ratio: 1.1,
            treble_ratio: 0.8,
            volume_m3: 12_000.0,
            early_db: 0.0,
            width_pct: 100.0,
            wet_pct: 100.0,
            trim_db: 0.0,
            octaves: [1.0; BANDS],
        }
    }
}

/// Microphones of the hall's diffuse sound: as little alike in the bass as a pair can be, which is what sounds wide (our choice).
const PAIR: Pair = Pair::SpacedOmnis;
/// Speed of sound at 20 degrees Celsius, m/s (ISO 9613-1:1993).
const SPEED_OF_SOUND_M_S: f64 = 343.2;

/// Air of the hall: 20 degrees, 50 per cent, real loss.
const AIR: Air = Air { temperature_c: 20.0, humidity_pct: 50.0, loss: 1.0 };
/// Least and greatest step of the walls' decay from octave to octave (our choice: past what any ratio asks for, but where
/// air does not allow it).
const STEPS: (f64, f64) = (0.25, 4.0);

/// Returns the step from octave to octave at which a sum of decays is as wished, or the nearest within [`STEPS`].
fn step_for(sum_s: impl Fn(f64) -> f64, wished_s: f64) -> f64 {
    let (mut low, mut high) = STEPS;
    // A longer decay of the walls is a longer one in air. 50 halvings leave 1e-15 of the step.
    for _ in 0..50 {
        let middle = (low * high).sqrt();
        if sum_s(middle) < wished_s { low = middle } else { high = middle }
    }
    (low * high).sqrt()
}

/// Longest time over which diffuse sound grows to its full level after the first reflection, s, and the most of the mixing
/// time that it takes in small halls.
///
/// Our choice: with it, and with reflections that are bursts, echo density
/// reaches 0.9 when it does in measured halls.
const LONGEST_BUILD_UP_S: f64 = 0.04;
const BUILD_UP_OF_MIXING: f64 = 0.4;

/// Seed of the hall's noise: another one than the platform's, or both tails would have something in common.
const SEED: u64 = 0x526f_7374_7261_0001;

impl Hall {
    /// Returns the hall in range and on the grid of the table; what is not a number becomes the default.
    #[must_use]
    pub fn snapped(&self) -> Self {
        Tabled::snapped(self)
    }

    /// Returns this hall with the decay of each octave as it was measured in one, 125 Hz to 8 kHz, s.
    ///
    /// Decay and ratios are those of the measured hall, and what they leave is the
    /// octaves' own: as far as the ranges, the grid and air allow.
    #[must_use]
    pub fn decaying_as(&self, measured_s: &PerBand) -> Self {
        let mid_s = mid_mean(measured_s);
        let pair = |band: usize| f64::midpoint(measured_s[band], measured_s[band + 1]) / mid_s;
        let plain = Self {
            decay_s: mid_s,
            bass_ratio: pair(0),
            treble_ratio: pair(4),
            octaves: [1.0; BANDS],
            ..*self
        }
        .snapped();
        let plain_s = plain.band_decay_s();
        Self { octaves: std::array::from_fn(|band| measured_s[band] / plain_s[band]), ..plain }.snapped()
    }

    /// Returns the decay of each octave band, s; see [`Self::octave_decay_s`].
    pub fn band_decay_s(&self) -> PerBand {
        let decay_s = self.octave_decay_s();
        std::array::from_fn(|band| decay_s[band])
    }

    /// Returns the mean decay of 500 Hz and 1 kHz, s: T, but for what the octaves have of their own.
    pub fn mid_decay_s(&self) -> f64 {
        mid_mean(&self.octave_decay_s())
    }

    /// Returns the decay of each octave band and of the top, s.
    ///
    /// 1/`T_b` = 1/`T_walls,b` + a c/60 dB, a the air's attenuation in dB per
    /// metre. The walls' decay is one at 500 Hz and 1 kHz, b and b^2 of it
    /// downwards, t, t^2, t^3 and t^4 of it upwards: b and t such that T125 + T250
    /// and T2000 + T4000 are the ratios asked for, air included, as far as air
    /// allows. Times the octave's own factor, and no longer than air allows; the
    /// top has walls as the 8 kHz octave has them, one step t on.
    ///
    /// # Source
    /// Bass ratio (T125 + T250)/(T500 + T1000) after Beranek (1996), the treble
    /// ratio in its likeness (both from memory); air after Knudsen (1931). The
    /// geometric course of the walls from octave to octave is our choice.
    pub fn octave_decay_s(&self) -> WithTop {
        let course = |b: f64, t: f64| {
            let both = WallsAndAir::new(&[b * b, b, 1.0, 1.0, t, t * t, t.powi(3), t.powi(4)], &AIR);
            both.decays_s(both.walls_for_mid(self.decay_s))
        };
        let pair_s = |ratio: f64| 2.0 * ratio * self.decay_s;
        let b = step_for(|b| course(b, 1.0)[..2].iter().sum(), pair_s(self.bass_ratio));
        let t = step_for(|t| course(1.0, t)[4..6].iter().sum(), pair_s(self.treble_ratio));
        let ceiling_s = |octave: usize| AIR.longest_decay_s(exact_midband_hz(octave));
        let mut decay_s = course(b, t);
        for (octave, (decay_s, own)) in decay_s.iter_mut().zip(self.octaves).enumerate() {
            *decay_s = (*decay_s * own).min(ceiling_s(octave));
        }
        let walls_per_s = (1.0 / decay_s[TOP - 1] - 1.0 / ceiling_s(TOP - 1)).max(0.0) / t;
        decay_s[TOP] = 1.0 / (walls_per_s + 1.0 / ceiling_s(TOP));
        decay_s
    }

    /// Returns the mixing time, about sqrt(V) milliseconds, in seconds.
    ///
    /// # Source
    /// Polack (1988), as cited in room-acoustics textbooks (from memory).
    pub fn mixing_time_s(&self) -> f64 {
        self.volume_m3.sqrt() * 1e-3
    }

    /// Returns the energy that comes before and after the mixing time for a unit impulse, per octave and at the top.
    ///
    /// E = `T_b/T` (1 - exp(-13.82 `t_m/T_b`)) before and `T_b/T` exp(-13.82
    /// `t_m/T_b`) after: a steady sound in a hall stands the louder the longer
    /// it decays (Sabine), and mid-band all of it is what was sent.
    pub fn energies(&self) -> [WithTop; 2] {
        let decay_s = self.octave_decay_s();
        let after = share_after(&decay_s, self.mixing_time_s());
        let mid_s = mid_mean(&decay_s);
        let part = |share: fn(f64) -> f64| {
            std::array::from_fn(|octave| decay_s[octave] / mid_s * share(after[octave]))
        };
        [part(|after| 1.0 - after), part(|after| after)]
    }

    /// Returns the hall's tail at a sample rate.
    pub fn tail_spec(&self, sample_rate_hz: f64) -> TailSpec {
        let [before, after] = self.energies();
        let diffuse = 1.0 - reflections::specular_share(self);
        let decay_s = self.octave_decay_s();
        let longest_s = largest(decay_s);
        TailSpec {
            sample_rate_hz,
            pair: Some(PAIR),
            decay_s,
            mixing_time_s: self.mixing_time_s(),
            burst_s: None,
            speed_of_sound_m_s: SPEED_OF_SOUND_M_S,
            onset_frames: hall_onset_frames(sample_rate_hz),
            build_up_s: LONGEST_BUILD_UP_S.min(BUILD_UP_OF_MIXING * self.mixing_time_s()),
            // Where it repeats it has fallen by 30 dB, as a platform's longest does.
            least_period_s: longest_s / 2.0,
            levels: [before.map(|energy| diffuse * energy), after],
            seed: SEED,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ratios_are_ratios_of_means() {
        for (bass_ratio, treble_ratio) in [(1.1, 0.8), (0.7, 0.6), (1.5, 1.2), (1.0, 1.0)] {
            let hall = Hall { bass_ratio, treble_ratio, ..Hall::default() };
            let t = hall.band_decay_s();
            let mid = t[2] + t[3];
            assert!(((t[0] + t[1]) / mid - bass_ratio).abs() < 1e-9);
            assert!(((t[4] + t[5]) / mid - treble_ratio).abs() < 1e-9);
            assert!((mid_mean(&t) - hall.decay_s).abs() < 1e-9);
        }
    }

    /// Whatever is asked for. At 20 degrees and 50 % air takes 103.91 dB/km at 8 kHz and 358.76 at 16 kHz (ISO 9613-1:1993, exact
    /// midbands): 60 dB at 343.2 m/s in 1.682 and 0.487 s.
    #[test]
    fn no_octave_outlasts_the_air() {
        for decay_s in [0.8, 3.5, 8.0] {
            for treble_ratio in [0.6, 0.8, 1.2] {
                for own in [0.5, 1.0, 2.0] {
                    let hall = Hall { decay_s, treble_ratio, octaves: [own; BANDS], ..Hall::default() };
                    let decay_s = hall.octave_decay_s();
                    assert!(decay_s[6] < 1.683 && decay_s[7] < 0.488, "{decay_s:?}");
                }
            }
        }
    }

    /// York's Jack Lyons hall (`j_halls.csv`), whose octaves follow no curve: the grid is a hundredth.
    #[test]
    fn a_measured_halls_octaves_are_its_own() {
        let measured_s = [1.99, 1.76, 1.79, 1.79, 1.72, 1.25, 0.94];
        let hall = Hall::default().decaying_as(&measured_s);
        for (got_s, expected_s) in hall.band_decay_s().into_iter().zip(measured_s) {
            assert!((got_s / expected_s - 1.0).abs() < 0.006, "expected {expected_s} s, got {got_s} s");
        }
        assert_eq!(hall.volume_m3, Hall::default().volume_m3);
        assert_eq!(hall, hall.snapped());
    }

    #[test]
    fn mid_band_as_much_comes_back_as_is_sent() {
        for hall in [Hall::default(), Hall { decay_s: 0.8, volume_m3: 30_000.0, ..Hall::default() }] {
            let [before, after] = hall.energies();
            assert!((mid_mean(&before) + mid_mean(&after) - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn the_defaults_lie_on_the_grid_and_what_is_no_number_becomes_them() {
        assert_eq!(Hall::default().snapped(), Hall::default());
        let lost = Hall { decay_s: f64::NAN, volume_m3: f64::INFINITY, ..Hall::default() }.snapped();
        assert_eq!((lost.decay_s, lost.volume_m3), (3.5, 30_000.0));
    }

    #[test]
    fn the_defaults_of_the_table_are_those_of_the_hall() {
        for row in &HALL_PARAMETERS {
            if let Some(field) = &row.field {
                assert_eq!(row.parameter.default(), (field.get)(&Hall::default()), "{}", row.parameter.id);
            }
        }
    }

    #[test]
    fn a_pre_delay_comes_out_of_milliseconds_as_it_is_typed() {
        let [pre_delay, ..] = &HALL_PARAMETERS;
        let set = pre_delay.field.as_ref().expect("a setting").set;
        for tenths in 0..=1200_u32 {
            let mut hall = Hall::default();
            // As a host hands it over.
            set(&mut hall, pre_delay.parameter.snap(f64::from(tenths as f32 / 10.0)));
            assert_eq!(hall.pre_delay_s, f64::from(tenths) / 10_000.0);
            assert_eq!(hall.snapped(), hall);
        }
    }
}
