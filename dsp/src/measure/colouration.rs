//! How evenly a placed sound carries the thirds of an octave: what stands out of its own trend.

use super::band_energy::{ThirdLevel, band_energies};
use super::passband::Resolution;
use crate::extremes::{larger, smaller};

/// Thirds on either side over which a third's trend is drawn: an octave (our choice: wide enough that a comb of reflections
/// stands out, narrow enough that a roll-off does not).
const TREND_THIRDS: usize = 3;

/// What stands out of the trend of a response, third by third.
#[derive(Clone, Debug, PartialEq)]
pub struct Colouration {
    /// How far each third lies above or below its trend, dB.
    pub thirds: Vec<ThirdLevel>,
}

impl Colouration {
    /// Measures an impulse response of one or more channels, all together, from 100 Hz to 10 kHz; `None` where a third is silent.
    ///
    /// Of third k it is `L_k` - `t_k`, `L_k` = 10 log10 of the energy of all
    /// channels and `t_k` the straight line of least squares through `L_(k-3)` to
    /// `L_(k+3)`, as many of them as there are, at k. So neither level nor a steady
    /// roll-off counts.
    ///
    /// # Source
    /// The measure is our choice; thirds as IEC 61260-1:2014 has them.
    pub fn of(channels: &[Vec<f64>], sample_rate_hz: f64) -> Option<Self> {
        let mut energies: Vec<f64> = Vec::new();
        for channel in channels {
            let thirds = band_energies(channel, sample_rate_hz, Resolution::ThirdOctave);
            energies.resize(thirds.len(), 0.0);
            energies.iter_mut().zip(thirds).for_each(|(sum, (_, energy))| *sum += energy);
        }
        if energies.is_empty() || energies.iter().any(|energy| energy.is_nan() || *energy <= 0.0) {
            return None;
        }
        let levels_db: Vec<f64> = energies.iter().map(|energy| 10.0 * energy.log10()).collect();
        let thirds = (0..levels_db.len())
            .map(|third| {
                let from = third.saturating_sub(TREND_THIRDS);
                let to = (third + TREND_THIRDS).min(levels_db.len() - 1);
                let near: Vec<(f64, f64)> =
                    (from..=to).map(|other| (other as f64 - third as f64, levels_db[other])).collect();
                ThirdLevel { third, level_db: levels_db[third] - line_at_zero(&near) }
            })
            .collect();
        Some(Self { thirds })
    }

    /// Returns the way from the lowest to the highest third about the trend, dB.
    pub fn peak_to_peak_db(&self) -> f64 {
        let levels = self.thirds.iter().map(|third| third.level_db);
        let (least, most) = levels.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), level| {
            (smaller(least, level), larger(most, level))
        });
        most - least
    }

    /// Returns the third that lies furthest from the trend.
    pub fn worst(&self) -> ThirdLevel {
        let furthest = self.thirds.iter().max_by(|a, b| a.level_db.abs().total_cmp(&b.level_db.abs()));
        // PANIC: there is at least one third, or there is no colouration.
        *furthest.expect("thirds")
    }
}

/// Returns the height at x = 0 of the straight line of least squares through points.
fn line_at_zero(points: &[(f64, f64)]) -> f64 {
    let count = points.len() as f64;
    let (x, y) = points.iter().fold((0.0, 0.0), |(x, y), point| (x + point.0, y + point.1));
    let (x, y) = (x / count, y / count);
    let (across, along) = points.iter().fold((0.0, 0.0), |(across, along), point| {
        (across + (point.0 - x) * (point.1 - y), along + (point.0 - x).powi(2))
    });
    if along > 0.0 { y - across / along * x } else { y }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn pulses(at: &[(usize, f64)]) -> Vec<f64> {
        let mut channel = vec![0.0; 4096];
        for &(frame, height) in at {
            channel[frame] += height;
        }
        channel
    }

    #[test]
    fn neither_level_nor_delay_nor_a_second_channel_colours() {
        let channels = [pulses(&[(0, 0.1)]), pulses(&[(77, -3.0)])];
        let got = Colouration::of(&channels, RATE_HZ).expect("it sounds");
        assert_eq!(got.thirds.len(), 21);
        assert!(got.peak_to_peak_db() < 1e-6, "{got:?}");
        assert_eq!(Colouration::of(&[vec![0.0; 16]], RATE_HZ), None);
        assert_eq!(Colouration::of(&[], RATE_HZ), None);
    }

    /// The difference of two neighbouring samples rises by 6 dB an octave far below the Nyquist frequency (|H| = 2 sin(w/2)).
    #[test]
    fn a_steady_slope_does_not_colour() {
        let got = Colouration::of(&[pulses(&[(0, 1.0), (1, -1.0)])], 768_000.0).expect("it sounds");
        assert!(got.peak_to_peak_db() < 0.02, "{got:?}");
    }

    /// A pulse and its echo: |1 + g exp(-j w d)|^2 has its first dip at half a period and stands 20 log10((1 + g)/(1 - g)) out
    /// of it at a whole one; over thirds and about a trend less of it is left.
    #[test]
    fn a_single_reflection_colours_where_its_comb_says() {
        // 1.25 ms: the dip at 400 Hz, the first peak at 800 Hz.
        let got = Colouration::of(&[pulses(&[(0, 1.0), (60, 0.8)])], RATE_HZ).expect("it sounds");
        assert_eq!(got.worst().name(), "400 Hz");
        assert!(got.worst().level_db < -3.0, "{got:?}");
        let at_peak = got.thirds[9];
        assert_eq!(at_peak.name(), "800 Hz");
        assert!(at_peak.level_db > 1.0, "{got:?}");
        let comb_db = 20.0 * (1.8_f64 / 0.2).log10();
        assert!((4.0..comb_db).contains(&got.peak_to_peak_db()), "{}", got.peak_to_peak_db());
    }
}
