//! What the ear is told, as the sheet shows it: arrivals, tail, tone and figures of one seat.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{
    ARRIVALS, BANDS, DECAY_EXPONENT, Image, MID, PerBand, Platform, Source, Surface, THIRDS, Vector,
    exact_midband_hz, images, mid_mean, third_midband_hz,
};
use rostra_dsp::engine::tone_gain;
use rostra_dsp::measure::ThirdLevel;
use rostra_dsp::plan::{Acoustics, HallNeeds, acoustics, balance_gains};

use super::mono_thirds::{mono_thirds, worst};
use super::players::{ends, players};

/// One arrival.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stem {
    /// The path in words.
    pub(super) name: String,
    /// What threw it back; `None` for the direct sound.
    pub(super) surface: Option<Surface>,
    /// Number of reflections.
    pub(super) order: u8,
    /// Time after the direct sound, ms.
    pub(super) late_ms: f64,
    /// Level against the direct sound of an even balance, dB, mid-band, both channels.
    pub(super) level_db: f64,
    /// Length of the path, m.
    pub(super) path_m: f64,
    /// The path from the player to the microphones, with its reflections.
    pub(super) corners: Vec<Vector>,
}

/// Everything that the sheet draws.
#[derive(Clone, Debug)]
pub(super) struct SeatView {
    /// The settings, in range and snapped.
    pub(super) settings: Settings,
    /// The player in the middle of the seat.
    pub(super) source: Source,
    /// All players of the section, each where it stands; the seat's own where it is one.
    pub(super) players: Vec<Source>,
    /// The two ends of the section's width, and of a stereo channel.
    pub(super) ends: [Source; 2],
    /// The direct sound, then the reflections, in the order of the images.
    pub(super) stems: Vec<Stem>,
    /// Energy that diffuse sound carries in 10 ms, every [`DIFFUSE_STEP_MS`] from the direct sound on, dB against the direct sound.
    pub(super) diffuse_db: Vec<f64>,
    /// Mixing time, ms.
    pub(super) mixing_ms: f64,
    /// Direct sound per third of an octave against the dry input, dB.
    pub(super) direct_db: [f64; THIRDS],
    /// Direct sound, reflections and tail together per third of an octave against the dry input, dB.
    pub(super) placed_db: [f64; THIRDS],
    /// The third of an octave that loses most in mono, and its change, dB.
    pub(super) in_mono: ThirdLevel,
    /// What the hall wants.
    pub(super) hall: HallNeeds,
    /// What is brought inside or reached, in words.
    pub(super) notices: Vec<String>,
}

/// Output channels that the sheet shows: a pair.
const CHANNELS: usize = 2;
/// Time over which diffuse sound's energy is drawn as one level, s.
const DIFFUSE_WINDOW_S: f64 = 0.01;
/// How far apart its levels lie, ms, and for how long they are worked out.
pub(super) const DIFFUSE_STEP_MS: f64 = 1.0;
const DIFFUSE_STEPS: usize = 151;
/// Share of the mixing time from which late sound is drawn: its kernel begins there.
const LATE_FROM: f64 = 0.8;
/// Lowest level that is worked out, dB.
const FLOOR_DB: f64 = -120.0;

impl SeatView {
    /// Works out what is shown at these settings.
    pub(super) fn of(settings: &Settings) -> Self {
        let settings = settings.snapped();
        let Settings { seat, platform, microphones, tone, level } = &settings;
        let source = seat.source(platform, microphones);
        let plan = acoustics(&source, platform, microphones, level, CHANNELS);
        let (direct_gain, platform_gain) = balance_gains(level);
        // In the middle of the balance, where both are as in the room, the direct sound stands at 0 dB.
        let as_in_the_room = std::f64::consts::SQRT_2;
        let speed_m_s = platform.air.speed_of_sound_m_s();
        let direct = mid_power(&plan.arrivals[0][0].gain) + mid_power(&plan.arrivals[1][0].gain);
        let stems = images(source.position, platform)
            .iter()
            .enumerate()
            .map(|(index, image)| {
                let [left, right] = [&plan.arrivals[0][index], &plan.arrivals[1][index]];
                let gain = as_in_the_room * if index == 0 { direct_gain } else { platform_gain };
                let path_m = left.path_m.min(right.path_m);
                Stem {
                    name: image.path_name(),
                    surface: image.surface(),
                    order: image.order(),
                    late_ms: (path_m - plan.start_m) / speed_m_s * 1e3,
                    level_db: decibels(
                        gain * gain * (mid_power(&left.gain) + mid_power(&right.gain)) / direct,
                    ),
                    path_m,
                    corners: corners(image, source.position, microphones.position(), platform),
                }
            })
            .collect();
        let energies = &plan.energies;
        let platform_power = platform_gain * platform_gain;
        let [early, late] = energies.reflected();
        let reflected: PerBand = std::array::from_fn(|band| (early[band] + late[band]) * platform_power);
        let mut direct_db = [0.0; THIRDS];
        let mut placed_db = [0.0; THIRDS];
        for third in 0..THIRDS {
            let hz = third_midband_hz(third);
            let tone = tone_gain(tone, speed_m_s, hz).powi(2);
            let direct: f64 = plan.direct_in_thirds.iter().map(|gains| gains[third].powi(2)).sum::<f64>()
                * (plan.factor_gain * direct_gain).powi(2);
            direct_db[third] = decibels(tone * direct);
            placed_db[third] = decibels(tone * (direct + at_frequency(&reflected, hz)));
        }
        Self {
            source,
            players: players(&settings),
            ends: ends(&settings),
            stems,
            diffuse_db: diffuse_powers(&plan, platform)
                .map(|power| decibels(2.0 * platform_power * power / mid_mean(&energies.direct)))
                .collect(),
            mixing_ms: platform.mixing_time_s() * 1e3,
            direct_db,
            placed_db,
            in_mono: worst(&mono_thirds(&plan, &settings)),
            hall: HallNeeds::of(&settings, CHANNELS),
            notices: notices(&settings, &source),
            settings,
        }
    }

    /// Returns the strongest reflections, at most `count`, by their place among the stems.
    pub(super) fn strongest(&self, count: usize) -> Vec<usize> {
        let mut order: Vec<usize> = (1..self.stems.len().min(ARRIVALS)).collect();
        order.sort_by(|&a, &b| self.stems[b].level_db.total_cmp(&self.stems[a].level_db));
        order.truncate(count);
        order
    }
}

/// Returns the mid-band energy that diffuse sound carries in 10 ms, step by step from the direct sound on.
///
/// What a face scatters begins with its reflection at `t_k` and falls as exp(-(t - `t_k)/tau`); late sound falls with the
/// platform.
fn diffuse_powers(plan: &Acoustics, platform: &Platform) -> impl Iterator<Item = f64> {
    let speed_m_s = platform.air.speed_of_sound_m_s();
    let factor = plan.factor_gain * plan.factor_gain;
    let (scattered, start_m) = (plan.scattered, plan.start_m);
    let (scattered_s, mixing_s) = (platform.scattered_s(), platform.mixing_time_s());
    let late = mid_mean(&plan.energies.tail()[1]);
    let late_per_s = DECAY_EXPONENT / platform.decay_s;
    (0..DIFFUSE_STEPS).map(move |step| {
        let at_s = step as f64 * DIFFUSE_STEP_MS * 1e-3;
        let early: f64 = scattered
            .path_m
            .iter()
            .zip(&scattered.energy)
            .map(|(path_m, energy)| {
                let later_s = at_s - (path_m - start_m) / speed_m_s;
                let begun = if later_s >= 0.0 { (-later_s / scattered_s).exp() / scattered_s } else { 0.0 };
                factor * mid_mean(energy) * begun
            })
            .sum();
        let is_late = at_s >= LATE_FROM * mixing_s;
        let late = if is_late { late * late_per_s * (-late_per_s * (at_s - mixing_s)).exp() } else { 0.0 };
        DIFFUSE_WINDOW_S * (early + late)
    })
}

/// Says what is brought inside or reached.
fn notices(settings: &Settings, source: &Source) -> Vec<String> {
    let Settings { seat, platform, microphones, .. } = settings;
    let mut notices = Vec::new();
    if seat.was_moved(platform, microphones) {
        notices.push(format!(
            "Seat lies off the platform: moved inside, to {:.2} m depth, {:.2} m {}",
            source.position.y,
            source.position.x.abs(),
            if source.position.x < 0.0 { "left" } else { "right" }
        ));
    }
    let natural_s = platform.natural_decay_s();
    if platform.decay_s > natural_s {
        notices
            .push(format!("Decay is above the bare platform's {natural_s:.2} s: only the tail gets longer"));
    }
    notices
}

/// Returns the corners of a path in the box: the straight line from the image, folded at each face.
fn corners(image: &Image, place: Vector, receiver: Vector, platform: &Platform) -> Vec<Vector> {
    let way = image.position - receiver;
    let mut shares = vec![0.0, 1.0];
    let half_m = platform.width_m / 2.0;
    let planes = |offset: f64, step: f64, from: f64, along: f64, shares: &mut Vec<f64>| {
        if along.abs() > 1e-9 {
            for n in -4..=4 {
                let share = (offset + f64::from(n) * step - from) / along;
                if share > 1e-9 && share < 1.0 - 1e-9 {
                    shares.push(share);
                }
            }
        }
    };
    planes(half_m, platform.width_m, receiver.x, way.x, &mut shares);
    planes(0.0, platform.height_m, receiver.z, way.z, &mut shares);
    if image.position.y > platform.depth_m && way.y.abs() > 1e-9 {
        shares.push((platform.depth_m - receiver.y) / way.y);
    }
    shares.sort_by(f64::total_cmp);
    let mut corners: Vec<Vector> = shares
        .iter()
        .rev()
        .map(|&share| {
            let point = receiver + way * share;
            Vector::new(
                folded(point.x + half_m, platform.width_m) - half_m,
                if point.y > platform.depth_m { 2.0 * platform.depth_m - point.y } else { point.y },
                folded(point.z, platform.height_m),
            )
        })
        .collect();
    if let Some(first) = corners.first_mut() {
        *first = place;
    }
    corners
}

/// Folds a length back and forth into 0 to `span`.
fn folded(length: f64, span: f64) -> f64 {
    let within = length.rem_euclid(2.0 * span);
    if within > span { 2.0 * span - within } else { within }
}

/// Returns an energy between the octaves, straight in dB over the logarithm of frequency.
fn at_frequency(energy: &PerBand, hz: f64) -> f64 {
    let place = (hz / exact_midband_hz(0)).log2().clamp(0.0, (BANDS - 1) as f64);
    let below = (place as usize).min(BANDS - 2);
    let share = place - below as f64;
    let log = |band: usize| energy[band].max(1e-12).ln();
    (log(below) + (log(below + 1) - log(below)) * share).exp()
}

fn mid_power(gain: &PerBand) -> f64 {
    MID.iter().map(|&band| gain[band] * gain[band]).sum::<f64>() / MID.len() as f64
}

fn decibels(power: f64) -> f64 {
    (10.0 * power.log10()).max(FLOOR_DB)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_folded_path_is_as_long_as_the_straight_one_and_has_a_corner_for_each_hit() {
        let mut settings = Settings::default();
        settings.seat.bearing_deg = 25.0;
        settings.seat.depth_m = 7.3;
        let view = SeatView::of(&settings);
        let (source, platform, receiver) =
            (view.source.position, &view.settings.platform, view.settings.microphones.position());
        for (stem, image) in view.stems.iter().zip(images(source, platform)) {
            assert_eq!(stem.corners.len(), 2 + usize::from(image.order()), "{}", stem.name);
            let length: f64 = stem.corners.windows(2).map(|leg| (leg[1] - leg[0]).length()).sum();
            let straight = (image.position - receiver).length();
            assert!((length - straight).abs() < 1e-9, "{}: {length} m, not {straight} m", stem.name);
            assert!((stem.corners[0] - source).length() < 1e-9);
            for corner in &stem.corners {
                assert!(corner.x.abs() <= platform.width_m / 2.0 + 1e-9, "{}: {corner:?}", stem.name);
                assert!((-1e-9..=platform.height_m + 1e-9).contains(&corner.z), "{}: {corner:?}", stem.name);
            }
        }
    }

    #[test]
    fn the_direct_sound_is_at_nought_and_reflections_come_later() {
        let view = SeatView::of(&Settings::default());
        assert!(view.stems[0].level_db.abs() < 1e-9 && view.stems[0].late_ms.abs() < 1e-9);
        assert!(view.stems[1..].iter().all(|stem| stem.late_ms > 0.0));
        assert!(view.placed_db.iter().zip(&view.direct_db).all(|(placed, direct)| placed > direct));
    }

    #[test]
    fn a_seat_off_the_platform_and_a_long_decay_are_said() {
        assert!(SeatView::of(&Settings::default()).notices.is_empty());
        let mut settings = Settings::default();
        settings.seat.depth_m = 25.0;
        settings.platform.decay_s = 2.0;
        assert_eq!(SeatView::of(&settings).notices.len(), 2);
    }
}
