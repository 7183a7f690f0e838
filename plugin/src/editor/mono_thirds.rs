//! What each third of an octave of a seat loses in mono, worked out from the plan alone.

use std::f64::consts::TAU;

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{BANDS, OCTAVE_RATIO, PerBand, third_midband_hz};
use rostra_dsp::measure::ThirdLevel;
use rostra_dsp::plan::{Acoustics, balance_gains};
use rostra_dsp::tail::DiffuseField;

/// Thirds that are told: 100 Hz to 10 kHz.
const TOLD: usize = 21;
/// Edges of these thirds.
const EDGES: usize = TOLD + 1;
/// Difference of delays below which two paths count as one, s: at 10 kHz a phase of 1e-7 (rounding of the differences of sines).
const TOGETHER_S: f64 = 1e-12;

/// One way to one capsule.
struct Way {
    capsule: usize,
    delay_s: f64,
    gain: [f64; TOLD],
    /// Sine and cosine of its phase at each edge.
    sines: [f64; EDGES],
    cosines: [f64; EDGES],
}

/// Returns the level of the mono sum against the stereo sound in each third of an octave, dB.
///
/// 10 log10(E(l + r)/2 / (E(l) + E(r))). Of direct sound and reflections the
/// energy is exact for the gains at the midband: for each pair of paths, delays
/// `tau_i` and `tau_j`, it holds `g_i` `g_j` times the mean of cos(2 pi f (`tau_i` -
/// `tau_j`)) over the third, (sin(`w_2` d) - sin(`w_1` d))/((`w_2` - `w_1`) d), each sine
/// from those of its two paths (sin(a - b)). The tail has
/// E (1 + c)/2 of its energy E in the sum, c the coherence of the diffuse field.
///
/// # Source
/// The definition of `rostra_dsp::measure::mono_thirds`, here in closed form.
pub(super) fn mono_thirds(plan: &Acoustics, settings: &Settings) -> [ThirdLevel; TOLD] {
    let (platform, microphones) = (&settings.platform, &settings.microphones);
    let speed_m_s = platform.air.speed_of_sound_m_s();
    let (_, platform_gain) = balance_gains(&settings.level);
    let edges: [f64; EDGES] =
        std::array::from_fn(|edge| TAU * third_midband_hz(edge) / OCTAVE_RATIO.powf(1.0 / 6.0));
    let ways = ways(plan, settings, speed_m_s, &edges);
    let [early, late] = plan.energies.tail();
    let tail: PerBand =
        std::array::from_fn(|band| (early[band] + late[band]) * platform_gain * platform_gain);
    let tail = in_thirds(&tail);
    let field = DiffuseField::new(microphones.pair, speed_m_s);

    let widths: [f64; TOLD] = std::array::from_fn(|third| edges[third + 1] - edges[third]);
    // Each way for itself, then all pairs.
    let mut same: [f64; TOLD] = std::array::from_fn(|third| {
        tail[third] + ways.iter().map(|way| way.gain[third].powi(2)).sum::<f64>()
    });
    let mut across = [0.0; TOLD];
    for (place, one) in ways.iter().enumerate() {
        for other in &ways[..place] {
            let apart_s = one.delay_s - other.delay_s;
            let sums = if one.capsule == other.capsule { &mut same } else { &mut across };
            if apart_s.abs() < TOGETHER_S {
                for third in 0..TOLD {
                    sums[third] += 2.0 * one.gain[third] * other.gain[third];
                }
                continue;
            }
            let sines: [f64; EDGES] = std::array::from_fn(|edge| {
                one.sines[edge] * other.cosines[edge] - one.cosines[edge] * other.sines[edge]
            });
            let twice = 2.0 / apart_s;
            for third in 0..TOLD {
                let mean = (sines[third + 1] - sines[third]) / widths[third];
                sums[third] += twice * one.gain[third] * other.gain[third] * mean;
            }
        }
    }
    std::array::from_fn(|third| {
        let in_common = across[third] + tail[third] * field.coherence(third_midband_hz(third));
        let kept = f64::midpoint(1.0, in_common / same[third]);
        ThirdLevel { third, level_db: 10.0 * kept.max(1e-12).log10() }
    })
}

/// Returns the third that loses most.
pub(super) fn worst(thirds: &[ThirdLevel; TOLD]) -> ThirdLevel {
    thirds.iter().fold(thirds[0], |worst, third| if third.level_db < worst.level_db { *third } else { worst })
}

/// Returns every way to both capsules, with the platform balance.
fn ways(plan: &Acoustics, settings: &Settings, speed_m_s: f64, edges: &[f64; EDGES]) -> Vec<Way> {
    let (direct_gain, platform_gain) = balance_gains(&settings.level);
    let mut ways = Vec::new();
    for (capsule, arrivals) in plan.arrivals.iter().enumerate() {
        for (index, arrival) in arrivals.iter().enumerate() {
            let gain = if index == 0 {
                let thirds = &plan.direct_in_thirds[capsule];
                std::array::from_fn(|third| thirds[third] * direct_gain * plan.factor_gain)
            } else {
                in_thirds(&arrival.gain.map(f64::abs)).map(|gain| gain * platform_gain * plan.factor_gain)
            };
            let delay_s = (arrival.path_m - plan.start_m) / speed_m_s;
            let (sines, cosines) =
                (edges.map(|edge| (edge * delay_s).sin()), edges.map(|edge| (edge * delay_s).cos()));
            ways.push(Way { capsule, delay_s, gain, sines, cosines });
        }
    }
    ways
}

/// Returns octaves in thirds: straight lines in dB over the logarithm of frequency, level beyond the outermost midbands.
fn in_thirds(octaves: &PerBand) -> [f64; TOLD] {
    let logs = octaves.map(|value| value.max(1e-12).ln());
    std::array::from_fn(|third| {
        let place = ((third as f64 - 1.0) / 3.0).clamp(0.0, (BANDS - 1) as f64);
        let below = (place as usize).min(BANDS - 2);
        (logs[below] + (logs[below + 1] - logs[below]) * (place - below as f64)).exp()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::acoustics::{DECAY_EXPONENT, Family, Pair, energy_of_db};
    use rostra_dsp::engine::{Config, Layout};
    use rostra_dsp::extremes::larger;
    use rostra_dsp::measure::{
        MOST_THIRD_LOSS_DB, Take, impulse_response, mono_thirds as measured_thirds, worst_in_mono,
    };
    use rostra_dsp::plan::acoustics;

    fn planned(settings: &Settings) -> Acoustics {
        let source = settings.seat.source(&settings.platform, &settings.microphones);
        acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2)
    }

    fn told(settings: &Settings) -> [ThirdLevel; TOLD] {
        mono_thirds(&planned(settings), settings)
    }

    /// Energies of direct sound and tail in thirds, with the balance.
    fn parts(settings: &Settings) -> [[f64; TOLD]; 2] {
        let plan = planned(settings);
        let (direct_gain, platform_gain) = balance_gains(&settings.level);
        let [early, late] = plan.energies.tail();
        let tail = std::array::from_fn(|band| (early[band] + late[band]) * platform_gain * platform_gain);
        [plan.energies.direct.map(|energy| energy * direct_gain * direct_gain), tail]
            .map(|parts| in_thirds(&parts))
    }

    fn seat(depth_m: f64, bearing_deg: f64, family: Family, pair: Pair) -> Settings {
        let mut settings = Settings::default();
        settings.seat.depth_m = depth_m;
        settings.seat.bearing_deg = bearing_deg;
        settings.seat.family = family;
        settings.microphones.pair = pair;
        settings.snapped()
    }

    /// A player 7.24 m aside, 11 m upstage and 1.8 m below is 13.3 m away, so that omnis 50 cm apart hear it 0.5 m x 7.24/13.3
    /// = 0.272 m apart: half a wave of 343.2/0.545 = 630 Hz.
    ///
    /// The mean of the cosine from 2^(-1/6) pi to 2^(1/6) pi is -0.978, and 10 log10((1 - 0.978)/2) = -19.6 dB.
    #[test]
    fn omnis_apart_cancel_where_half_a_wave_lies_between_them() {
        let mut settings = seat(11.0, 33.35, Family::Omnidirectional, Pair::SpacedOmnis);
        settings.level.balance_pct = 0.0;
        let worst = worst(&told(&settings));
        assert_eq!(worst.name(), "630 Hz");
        // 1 % of that half wave makes 0.3 dB; the source's height is the model's to choose.
        assert!((worst.level_db + 19.6).abs() < 1.0, "{worst:?}");
    }

    #[test]
    fn a_player_in_the_middle_loses_nothing_of_the_direct_sound() {
        for pair in Pair::ALL {
            let mut settings = seat(5.0, 0.0, Family::Omnidirectional, pair);
            settings.level.balance_pct = 0.0;
            assert!(told(&settings).iter().all(|third| third.level_db.abs() < 1e-6), "{pair:?}");
        }
    }

    /// Two gains g and h without any delay keep (g + h)^2/(2 (g^2 + h^2)) in every third.
    #[test]
    fn coincident_capsules_lose_as_much_in_every_third() {
        let mut settings = seat(5.0, 47.0, Family::Omnidirectional, Pair::Coincident);
        settings.level.balance_pct = 0.0;
        let source = settings.seat.source(&settings.platform, &settings.microphones);
        let towards = (source.position - settings.microphones.position()).unit();
        let [g, h] = Pair::Coincident.capsules().map(|capsule| capsule.gain(towards));
        let expected_db = 10.0 * ((g + h).powi(2) / (2.0 * (g * g + h * h))).log10();
        for third in told(&settings) {
            assert!((third.level_db - expected_db).abs() < 1e-6, "expected {expected_db} dB, got {third:?}");
        }
    }

    /// The plan against what the engine plays, as the share of energy that is kept in mono.
    ///
    /// The tail is one noise, the plan its mean. An exponential decay of T has as
    /// many independent values over a third of width B as steady noise of
    /// 2 T/13.82, N = 0.072 s B for 0.5 s. The real part of two unrelated channels'
    /// coherence scatters by 1/sqrt(2 N); a part p of the energy takes sqrt(p) of
    /// that with what it meets of the rest, and half of it is the share's. Held
    /// are three times that; what the engine's time difference of the pair may be
    /// off, 1 us up to 8 kHz (half of it again); and 0.01 for the gains of an
    /// octave between its midbands.
    #[test]
    fn what_is_told_is_what_the_engine_plays() {
        /// Thirds up to 8 kHz.
        const HELD: usize = 20;
        const LATE_S: f64 = 1e-6;
        let config = Config { sample_rate_hz: 48_000.0, layout: Layout::MonoToStereo };
        for (depth_m, bearing_deg, family, pair) in [
            (3.6, -24.0, Family::TopPlate, Pair::NearCoincident),
            (5.6, -12.0, Family::ToneHoles, Pair::NearCoincident),
            (3.0, 47.0, Family::FrontPlate, Pair::SpacedOmnis),
            (10.5, -22.0, Family::RearBell, Pair::NearCoincident),
            (9.4, 6.0, Family::ForwardBell, Pair::Coincident),
        ] {
            let mut settings = seat(depth_m, bearing_deg, family, pair);
            settings.level.balance_pct = 30.0;
            let told = told(&settings);
            let [direct, tail] = parts(&settings);
            let response =
                impulse_response(&config, &settings, &Take::of(48_000)).expect("48 kHz is in range");
            let [left, right] =
                [0, 1].map(|side: usize| response[side].iter().map(|x| f64::from(*x)).collect::<Vec<f64>>());
            let played = measured_thirds(&left, &right, config.sample_rate_hz);
            let kept = |level: &ThirdLevel| energy_of_db(level.level_db);
            let mut nearest = 0.0_f64;
            let mut scatter = [0.0_f64; TOLD];
            for third in 0..HELD {
                let hz = third_midband_hz(third);
                let width_hz = hz * (2.0_f64.powf(1.0 / 6.0) - 2.0_f64.powf(-1.0 / 6.0));
                let values = 2.0 * settings.platform.decay_s / DECAY_EXPONENT * width_hz;
                let part = tail[third] / (tail[third] + direct[third]);
                let within = 1.5 * (part / (2.0 * values)).sqrt() + TAU * hz * LATE_S / 2.0 + 0.01;
                scatter[third] = within;
                let apart = (kept(&told[third]) - kept(&played[third])).abs();
                nearest = larger(nearest, apart / within);
                assert!(
                    apart < within,
                    "{family:?}, {pair:?}: {:?}, played {:?}, within {within}",
                    told[third],
                    played[third]
                );
            }
            let (worst_told, worst_played) = (worst(&told), worst_in_mono(&played).expect("thirds"));
            eprintln!(
                "{family:?}, {pair:?}: told {:.1} dB at {}, played {:.1} dB at {}; at most {nearest:.2} of the bound; 10 kHz {:.1}, played {:.1} dB",
                worst_told.level_db,
                worst_told.name(),
                worst_played.level_db,
                worst_played.name(),
                told[HELD].level_db,
                played[HELD].level_db
            );
            // Which third is worst is told as well as the noise of one tail lets it be.
            if worst_played.level_db < -MOST_THIRD_LOSS_DB && worst_played.third < HELD {
                let (worst, there) = (worst_told, told[worst_played.third]);
                let apart = kept(&there) - kept(&worst);
                let within = scatter[worst.third] + scatter[there.third];
                assert!(
                    apart < within,
                    "{family:?}, {pair:?}: told {there:?} and {worst:?}, within {within}"
                );
            }
        }
    }
}
