//! What a lesson tells of a scene in numbers, worked out from the plan when it is shown.

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{BANDS, Face, Section, Vector, images};
use rostra_dsp::extremes::{larger, smaller};
use rostra_dsp::plan::{Acoustics, HallNeeds, acoustics, balance_gains};
use serde::Deserialize;

use crate::scene::Scene;

/// A figure of a scene.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Figure {
    /// Direct sound against all reflected sound of the platform, mean of 500 Hz and 1 kHz, dB.
    DirectToReflected,
    /// First arrival by way of a wall or the canopy, after the direct sound, ms. The floor is left out: it is always first.
    FirstWall,
    /// Placed sound, direct and reflected, at 4 kHz against 1 kHz, dB, for a dry sound that has as much of both.
    RollOff,
    /// Direct sound in the right channel against the left, mean of 500 Hz and 1 kHz, dB.
    RightToLeft,
    /// Time by which the direct sound comes to the right capsule before the left one, ms.
    RightBeforeLeft,
    /// Gap between the direct sound of this seat and the hall's first answer to it, ms: the hall's pre-delay and the later
    /// start of what is farther than 4 m. 0 where there is no hall.
    HallGap,
    /// Angle from the leftmost player to the rightmost as the main microphones see them, degrees; 0 where one plays.
    PlayersSpan,
}

/// Band of 500 Hz; the next one is 1 kHz.
const BAND_500_HZ: usize = 2;
/// Band of 1 kHz.
const BAND_1_KHZ: usize = 3;
/// Band of 4 kHz.
const BAND_4_KHZ: usize = 5;

impl Figure {
    /// Every figure.
    pub const ALL: [Self; 7] = [
        Self::DirectToReflected,
        Self::FirstWall,
        Self::RollOff,
        Self::RightToLeft,
        Self::RightBeforeLeft,
        Self::HallGap,
        Self::PlayersSpan,
    ];

    /// Returns what it is called.
    pub const fn name(self) -> &'static str {
        match self {
            Self::DirectToReflected => "direct-to-platform ratio",
            Self::FirstWall => "first wall reflection after",
            Self::RollOff => "4 kHz relative to 1 kHz",
            Self::RightToLeft => "right relative to left",
            Self::RightBeforeLeft => "right before left",
            Self::HallGap => "hall enters after",
            Self::PlayersSpan => "players span",
        }
    }

    /// Works it out for a scene in stereo, in its unit.
    pub fn of(self, scene: &Scene) -> f64 {
        let settings = scene.values.settings();
        let (platform, microphones) = (&settings.platform, &settings.microphones);
        let source = settings.seat.source(platform, microphones);
        let heard = acoustics(&source, platform, microphones, &settings.level, 2);
        let speed_m_s = platform.air.speed_of_sound_m_s();
        match self {
            Self::DirectToReflected => HallNeeds::of(&settings, 2).direct_to_reflected_db,
            Self::FirstWall => {
                1e3 * (first_wall_m(&heard, source.position, platform) - heard.start_m) / speed_m_s
            }
            Self::RollOff => {
                let (direct_gain, platform_gain) = balance_gains(&settings.level);
                let (direct, [early, late]) = (heard.energies.direct, heard.energies.reflected());
                let whole = |band: usize| {
                    direct_gain * direct_gain * direct[band]
                        + platform_gain * platform_gain * (early[band] + late[band])
                };
                decibels(whole(BAND_4_KHZ) / whole(BAND_1_KHZ))
            }
            Self::RightToLeft => {
                let mid = |side: usize| {
                    let gain = heard.arrivals[side][0].gain;
                    gain[BAND_500_HZ].powi(2) + gain[BAND_1_KHZ].powi(2)
                };
                decibels(mid(1) / mid(0))
            }
            Self::RightBeforeLeft => {
                1e3 * (heard.arrivals[0][0].path_m - heard.arrivals[1][0].path_m) / speed_m_s
            }
            Self::HallGap => match scene.placement().hall {
                Some(send) => 1e3 * (send.hall.pre_delay_s + HallNeeds::of(&settings, 2).later_s),
                None => 0.0,
            },
            Self::PlayersSpan => players_span_deg(&settings),
        }
    }

    /// Returns it in words: the number with its unit.
    pub fn text(self, scene: &Scene) -> String {
        let value = self.of(scene);
        let signed = |value: f64| {
            // No "-0.0".
            let rounded = (value * 10.0).round() / 10.0 + 0.0;
            format!("{rounded:+.1}").replace('-', "\u{2212}")
        };
        match self {
            Self::DirectToReflected | Self::RollOff | Self::RightToLeft => format!("{} dB", signed(value)),
            Self::RightBeforeLeft => {
                format!("{:+.2} ms", (value * 100.0).round() / 100.0 + 0.0).replace('-', "\u{2212}")
            }
            Self::FirstWall | Self::HallGap => format!("{value:.1} ms"),
            Self::PlayersSpan => format!("{value:.0}\u{b0}"),
        }
    }
}

/// Returns the shortest way by a wall or the canopy to either capsule, m.
fn first_wall_m(heard: &Acoustics, place: Vector, platform: &rostra_dsp::acoustics::Platform) -> f64 {
    let floor = Face::ALL.iter().position(|face| *face == Face::Floor);
    let images = images(place, platform);
    let by_wall = images.iter().enumerate().filter(|(_, image)| {
        image.hits.iter().enumerate().any(|(face, hits)| *hits > 0 && Some(face) != floor)
    });
    by_wall
        .flat_map(|(k, _)| heard.arrivals.iter().map(move |arrivals| arrivals[k].path_m))
        .fold(f64::INFINITY, smaller)
}

/// Returns the angle between the outermost players of a section, degrees.
fn players_span_deg(settings: &Settings) -> f64 {
    let Settings { seat, platform, microphones, .. } = settings;
    let section = Section::of(seat);
    let bearings_deg = section.spots().iter().map(|&spot| {
        let place = seat.source_on(spot, platform, microphones).position;
        place.x.atan2(place.y - microphones.depth_m).to_degrees()
    });
    let (least, most) = bearings_deg.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), deg| {
        (smaller(least, deg), larger(most, deg))
    });
    most - least
}

fn decibels(power: f64) -> f64 {
    10.0 * power.log10()
}

// The bands above are those that their names say.
const _: () = assert!(BAND_4_KHZ < BANDS);

#[cfg(test)]
mod tests {
    use rostra::tail_builder::Supply;
    use rostra_dsp::acoustics::NOMINAL_HZ;
    use rostra_dsp::engine::{Config, Layout};
    use rostra_dsp::hall::HallEngine;
    use rostra_dsp::measure::{Take, impulse_response, octave_energies};

    use super::*;
    use crate::scene::Change;

    const RATE_HZ: f64 = 48_000.0;

    fn scene(set: &[(&str, &str)], hall: Option<&str>) -> Scene {
        let mut scene = Scene::default();
        let set = set.iter().map(|(id, value)| ((*id).to_owned(), (*value).to_owned())).collect();
        let change = Change { set, hall: hall.map(Into::into), ..Change::default() };
        change.make(&mut scene, &rostra_files::FileStore::at("no folder of files")).unwrap();
        scene
    }

    /// What the engine itself answers to a unit impulse.
    fn impulse(settings: &Settings) -> Vec<Vec<f64>> {
        let config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
        let response = impulse_response(&config, settings, &Take::of(72_000)).unwrap();
        response.iter().map(|side| side.iter().map(|x| f64::from(*x)).collect()).collect()
    }

    /// Energies per octave of both channels of the direct sound, or of the platform, alone.
    fn octaves(settings: &Settings, balance_pct: f64) -> [Vec<f64>; 2] {
        let mut settings = *settings;
        settings.level.balance_pct = balance_pct;
        let sides = impulse(&settings);
        [octave_energies(&sides[0], RATE_HZ), octave_energies(&sides[1], RATE_HZ)]
    }

    #[test]
    fn the_bands_are_those_of_their_names() {
        let named = [BAND_500_HZ, BAND_1_KHZ, BAND_4_KHZ].map(|band| NOMINAL_HZ[band]);
        assert_eq!(named, [500.0, 1000.0, 4000.0]);
    }

    /// The engine follows its plan within the bounds of the table of truth; these are wider than its own for single seats.
    #[test]
    fn what_is_told_of_the_direct_sound_and_the_platform_is_what_the_engine_plays() {
        for set in [
            &[("depth", "3 m")][..],
            &[("depth", "10.5 m"), ("bearing", "35")],
            &[("depth", "9 m"), ("bearing", "-22"), ("family", "rear bell"), ("riser", "0.9")],
        ] {
            let scene = scene(set, None);
            let settings = scene.values.settings();
            let (direct, platform) = (octaves(&settings, 0.0), octaves(&settings, 100.0));
            let whole = octaves(&settings, 50.0);
            let both = |band: usize| whole[0][band] + whole[1][band];
            let mid = |side: &[f64]| side[BAND_500_HZ] + side[BAND_1_KHZ];
            // Each balance has a level of its own, so that all are equally loud.
            let power = |balance_pct: f64| {
                let level = rostra_dsp::settings::Level { balance_pct, ..settings.level };
                let (platform, microphones) = (&settings.platform, &settings.microphones);
                let source = settings.seat.source(platform, microphones);
                acoustics(&source, platform, microphones, &level, 2).factor_gain.powi(2)
            };
            let ratio = (mid(&direct[0]) + mid(&direct[1]))
                / power(0.0)
                / ((mid(&platform[0]) + mid(&platform[1])) / power(100.0));
            for (figure, measured, within) in [
                (Figure::DirectToReflected, decibels(ratio), 2.5),
                (Figure::RollOff, decibels(both(BAND_4_KHZ) / both(BAND_1_KHZ)), 1.5),
                (Figure::RightToLeft, decibels(mid(&direct[1]) / mid(&direct[0])), 0.2),
            ] {
                let told = figure.of(&scene);
                eprintln!("{set:?}, {}: {told:.2} dB told, {measured:.2} dB played", figure.name());
                assert!(
                    (told - measured).abs() <= within,
                    "{set:?} {figure:?}: told {told}, played {measured}"
                );
            }
        }
    }

    #[test]
    fn the_direct_sound_reaches_the_nearer_side_first_and_the_middle_at_once() {
        let right = Figure::RightBeforeLeft.of(&scene(&[("bearing", "45")], None));
        // 17 cm between the capsules: at most 0.17/343 s = 0.5 ms; at 45 degrees sin(45) of it in plan.
        assert!((0.2..0.36).contains(&right), "got {right} ms");
        assert!(Figure::RightBeforeLeft.of(&scene(&[], None)).abs() < 1e-9);
    }

    /// Worked by hand for a player in the middle of a box that is narrower than deep and high: the side wall is first.
    #[test]
    fn the_first_wall_is_the_nearest_one() {
        let narrow =
            scene(&[("plat_w", "8"), ("plat_d", "25"), ("plat_h", "20"), ("mics", "spaced omnis")], None);
        let settings = narrow.values.settings();
        let source = settings.seat.source(&settings.platform, &settings.microphones).position;
        // The mirror image stands 8 m to the side; the nearer capsule 0.25 m from the middle.
        let (along, up) = (source.y - settings.microphones.depth_m, settings.microphones.height_m - source.z);
        let way = |aside: f64| (aside * aside + along * along + up * up).sqrt();
        let speed = settings.platform.air.speed_of_sound_m_s();
        let expected = 1e3 * (way(8.0 - 0.25) - way(0.25)) / speed;
        let got = Figure::FirstWall.of(&narrow);
        assert!((got - expected).abs() < 0.01, "expected {expected} ms, got {got}");
    }

    /// Worked by hand: four stand in the middles of four metres, the outer ones 1.5 m from the seat.
    #[test]
    fn the_span_is_the_angle_between_the_outer_players() {
        let four = [("players", "4"), ("width", "4"), ("depth", "5"), ("family", "tone holes")];
        let expected = 2.0 * (1.5_f64 / 5.0).atan().to_degrees();
        let got = Figure::PlayersSpan.of(&scene(&four, None));
        assert!((got - expected).abs() < 0.01, "expected {expected} degrees, got {got}");
        assert_eq!(Figure::PlayersSpan.of(&Scene::default()), 0.0, "one player");
    }

    /// The gap as the engine plays it: nothing of the hall comes before it, something right after it.
    #[test]
    fn the_hall_answers_when_it_is_told() {
        let scene = scene(&[("depth", "3.57 m")], Some("long-cue"));
        let hall = scene.placement().hall.unwrap().hall;
        let mut engine = HallEngine::prepare(RATE_HZ).unwrap();
        let mut supply = Supply::offline(&hall.tail_spec(RATE_HZ));
        let mut sides = [vec![0.0_f32; 9600], vec![0.0_f32; 9600]];
        (sides[0][0], sides[1][0]) = (1.0, 1.0);
        let [left, right] = &mut sides;
        engine.process(&hall, &mut supply, [left, right]);
        let first = sides[0].iter().position(|x| x.abs() > 1e-6).unwrap();
        let own_ms = 1e3 * first as f64 / RATE_HZ;
        // 4 m away, the seat's own share of the gap is nothing.
        let told = Figure::HallGap.of(&scene);
        assert!((told - 30.0).abs() < 0.1, "told {told} ms");
        assert!(
            (told..told + 5.0).contains(&(own_ms + 0.1)),
            "told {told} ms, the hall enters after {own_ms} ms"
        );
    }

    #[test]
    fn no_figure_is_nothing_at_all_and_each_has_its_unit() {
        let scene = scene(&[("bearing", "20")], Some("short-cue"));
        for figure in Figure::ALL {
            assert!(figure.of(&scene).is_finite(), "{figure:?}");
            assert!(["dB", "ms", "\u{b0}"].iter().any(|unit| figure.text(&scene).ends_with(unit)));
        }
        assert_eq!(Figure::RightBeforeLeft.text(&Scene::default()), "+0.00 ms");
    }
}
