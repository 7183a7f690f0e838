//! Whether placing a channel keeps its loudness, still and moving.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::{larger, largest};
use rostra_dsp::kernel::Noise;
use rostra_dsp::measure::{Take, impulse_response};
use rostra_dsp::settings::Tone;
use rostra_dsp::tail::BuildAtOnce;

use super::Row;
use crate::cores;
use crate::demo::{self, Player};
use crate::loudness::{centred_lufs, energies_in_steps, integrated_lufs};

const BS_1770: &str = "ITU-R BS.1770-4, by the crate ebur128";
const BALANCES_PCT: [f64; 5] = [0.0, 25.0, 50.0, 75.0, 100.0];
/// Silence after a stem, in which it rings out, s.
const RINGS_S: f64 = 1.0;
const BLOCK_FRAMES: usize = 512;

/// Plays channels through a fresh engine, the settings of each block by its first frame.
fn play(
    input: &[&[f32]],
    layout: Layout,
    rate_hz: u32,
    settings: &dyn Fn(usize) -> Settings,
) -> [Vec<f32>; 2] {
    let config = Config { sample_rate_hz: f64::from(rate_hz), layout };
    let mut engine = Engine::prepare(config).expect("the rate is in range");
    engine.reset();
    let mut supply = BuildAtOnce::default();
    let frames = input[0].len() + (RINGS_S * f64::from(rate_hz)) as usize;
    let mut heard = [vec![0.0_f32; frames], vec![0.0_f32; frames]];
    for (channel, input) in heard.iter_mut().zip(input) {
        channel[..input.len()].copy_from_slice(input);
    }
    let [left, right] = &mut heard;
    let mut at = 0;
    for (left, right) in left.chunks_mut(BLOCK_FRAMES).zip(right.chunks_mut(BLOCK_FRAMES)) {
        let count = left.len();
        engine.process(&settings(at), &mut supply, &mut [left, right]);
        at += count;
    }
    heard
}

fn lufs_of(heard: &[Vec<f32>; 2], rate_hz: u32) -> f64 {
    integrated_lufs([&heard[0], &heard[1]], rate_hz)
}

/// Plays a channel through the response of a fresh engine that stands still.
fn placed(dry: &Spectrum, rate_hz: u32, settings: &Settings) -> [Vec<f32>; 2] {
    let config = Config { sample_rate_hz: f64::from(rate_hz), layout: Layout::MonoToStereo };
    let take = Take::of((RINGS_S * f64::from(rate_hz)) as usize);
    let response = impulse_response(&config, settings, &take).expect("the rate is in range");
    [0, 1].map(|channel: usize| dry.through(&response[channel]))
}

/// The spectrum of a channel, with room for what rings on.
struct Spectrum {
    frames: usize,
    size: usize,
    lines: Vec<Complex<f64>>,
}

impl Spectrum {
    fn of(channel: &[f32], rate_hz: u32) -> Self {
        let frames = channel.len() + (RINGS_S * f64::from(rate_hz)) as usize;
        let size = frames.next_power_of_two();
        Self { frames, size, lines: lines(channel, size) }
    }

    /// Returns the channel through a response.
    fn through(&self, response: &[f32]) -> Vec<f32> {
        let response = lines(response, self.size);
        let mut product: Vec<_> = self.lines.iter().zip(response).map(|(a, b)| a * b).collect();
        let back = RealFftPlanner::<f64>::new().plan_fft_inverse(self.size);
        let mut time = back.make_output_vec();
        // What rounding leaves there is no part of a real sound's spectrum.
        product[0].im = 0.0;
        product[self.size / 2].im = 0.0;
        back.process(&mut product, &mut time).expect("the lengths fit");
        time[..self.frames].iter().map(|x| (x / self.size as f64) as f32).collect()
    }
}

fn lines(channel: &[f32], size: usize) -> Vec<Complex<f64>> {
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(size);
    let mut time: Vec<f64> = channel.iter().map(|&x| f64::from(x)).collect();
    time.resize(size, 0.0);
    let mut lines = transform.make_output_vec();
    transform.process(&mut time, &mut lines).expect("the lengths fit");
    lines
}

/// Length of a noise with a stem's spectrum, s: its thirds from 100 Hz on then scatter by less than 0.2 dB.
const NOISE_S: f64 = 30.0;

/// Returns noise as strong as a channel in every third of an octave: without its notes.
///
/// A note is a few lines, and a room raises or lowers each by up to 6 dB: with
/// the notes of one tune, that is chance.
fn noise_like(channel: &Spectrum, rate_hz: u32, seed: u64) -> Vec<f32> {
    let third_of = |line: usize, size: usize| {
        let hz = line as f64 * f64::from(rate_hz) / size as f64;
        (hz >= 20.0).then(|| (3.0 * (hz / 20.0).log2()) as usize)
    };
    let thirds = |lines: &[Complex<f64>], size: usize| -> Vec<f64> {
        let mut energies = vec![0.0; 3 * 12];
        for (line, value) in lines.iter().enumerate() {
            if let Some(third) = third_of(line, size) {
                energies[third] += value.norm_sqr();
            }
        }
        energies
    };
    let frames = (NOISE_S * f64::from(rate_hz)) as usize;
    let size = frames.next_power_of_two();
    let mut noise = Noise::new(seed);
    let back = RealFftPlanner::<f64>::new().plan_fft_inverse(size);
    let mut drawn = back.make_input_vec();
    for line in &mut drawn[1..size / 2] {
        *line = Complex::new(noise.gaussian(), noise.gaussian());
    }
    let (wanted, got) = (thirds(&channel.lines, channel.size), thirds(&drawn, size));
    for (index, line) in drawn.iter_mut().enumerate() {
        *line *= third_of(index, size).map_or(0.0, |third| (wanted[third] / got[third].max(1e-30)).sqrt());
    }
    let mut time = back.make_output_vec();
    back.process(&mut drawn, &mut time).expect("the lengths fit");
    let rms = (time.iter().map(|x| x * x).sum::<f64>() / size as f64).sqrt();
    time[..frames].iter().map(|x| (0.1 * x / rms) as f32).collect()
}

/// What loudness may be off where it is known to be more than 1 LU, by balance.
///
/// A seat's level is worked out from the usual spectrum of its family. Noise with
/// the stem's own spectrum is off by what the spectra differ; the stem by as much
/// again as its notes meet peaks or dips of one place in one room.
const MOST_OF_NOISE_LU: [f64; BALANCES_PCT.len()] = [1.0, 1.0, 1.0, 1.1, 1.5];
const MOST_OF_STEMS_LU: [f64; BALANCES_PCT.len()] = [1.0, 1.0, 1.7, 2.5, 3.0];

/// The balance as in the room, and what a section may be off there, its stem and noise like it: its copies are unlike in
/// thirds of an octave, not in each note.
const AS_IN_THE_ROOM_PCT: f64 = 50.0;
const MOST_OF_SECTIONS_LU: [f64; 2] = [3.5, 2.0];

/// Players on whom fall-off and copied channels are tried, too: from the front, the middle and the back.
const FURTHER: [&str; 3] = ["violins-1", "bassoon", "horns"];

/// What was measured on one player, LU.
struct Measured {
    name: String,
    /// The stem placed against dry, by balance.
    stem: [f64; BALANCES_PCT.len()],
    /// The same of noise with its spectrum.
    noise: [f64; BALANCES_PCT.len()],
    /// The stem and the noise from all players of the section, as in the room; 0 for one player.
    section: [f64; 2],
    /// The stem with the distance fall-off at 100; 0 where it was not tried.
    falling_off: f64,
    /// One channel copied to both inputs against mono to stereo; 0 where it was not tried.
    copied: f64,
}

fn measure(player: &Player) -> Measured {
    let (dry, rate_hz) = player.stem();
    let mut settings = player.settings;
    // Trim and tone are asked for, and count on top.
    settings.level.trim_db = 0.0;
    settings.level.law_pct = 0.0;
    settings.tone = Tone::default();
    // The seat itself, as one player; the section comes after it.
    let players = std::mem::replace(&mut settings.seat.players, 1);
    let spectrum = Spectrum::of(&dry, rate_hz);
    let change = |dry: &[f32], spectrum: &Spectrum, settings: &Settings| {
        lufs_of(&placed(spectrum, rate_hz, settings), rate_hz) - centred_lufs(dry, rate_hz)
    };
    let at = |balance_pct: f64| {
        let mut settings = settings;
        settings.level.balance_pct = balance_pct;
        settings
    };
    let stem = BALANCES_PCT.map(|balance_pct| change(&dry, &spectrum, &at(balance_pct)));
    let noise = noise_like(&spectrum, rate_hz, 1);
    let noise_spectrum = Spectrum::of(&noise, rate_hz);
    let mut section = at(AS_IN_THE_ROOM_PCT);
    section.seat.players = players;
    let section = match players {
        1 => [0.0; 2],
        _ => [change(&dry, &spectrum, &section), change(&noise, &noise_spectrum, &section)],
    };
    let noise = BALANCES_PCT.map(|balance_pct| change(&noise, &noise_spectrum, &at(balance_pct)));
    let name = player.name.clone();
    if !FURTHER.contains(&name.as_str()) {
        return Measured { name, stem, noise, section, falling_off: 0.0, copied: 0.0 };
    }
    let mut far = settings;
    far.level.law_pct = 100.0;
    let falling_off = change(&dry, &spectrum, &far);
    let both = play(&[&dry, &dry], Layout::StereoToStereo, rate_hz, &|_| settings);
    let one = play(&[&dry], Layout::MonoToStereo, rate_hz, &|_| settings);
    let copied = lufs_of(&both, rate_hz) - lufs_of(&one, rate_hz);
    Measured { name, stem, noise, section, falling_off, copied }
}

/// Loudness of the demo's stems, placed against dry at every balance, and of a channel that moves.
pub fn placed_loudness() -> Vec<Row> {
    let players = demo::players();
    assert_eq!(players.len(), 14, "the demo has fourteen players");
    let all = cores::map(&players, || (), |(), player| measure(player));
    let mut rows = Vec::new();
    let worst = |figure: &dyn Fn(&Measured) -> f64| {
        let by_size = |a: &&Measured, b: &&Measured| figure(a).abs().total_cmp(&figure(b).abs());
        let worst = all.iter().max_by(by_size).expect("there are players");
        (figure(worst), worst.name.clone())
    };
    for (index, balance_pct) in BALANCES_PCT.iter().enumerate() {
        let (figure, name) = worst(&|measured| measured.noise[index]);
        let what = format!(
            "noise like a stem, placed against dry, balance {balance_pct}, worst of 14 ({name} {figure:+.1})"
        );
        rows.push(Row::short(what, figure.abs(), (1.0, MOST_OF_NOISE_LU[index]), "LU", BS_1770));
        let (figure, name) = worst(&|measured| measured.stem[index]);
        let what = format!("the stem itself, balance {balance_pct}, worst of 14 ({name} {figure:+.1})");
        rows.push(Row::short(what, figure.abs(), (1.0, MOST_OF_STEMS_LU[index]), "LU", BS_1770));
    }
    for (index, what) in ["the stem itself", "noise like it"].into_iter().enumerate() {
        let (figure, name) = worst(&|measured| measured.section[index]);
        let what = format!("a section, {what}, as in the room, worst of six ({name} {figure:+.1})");
        rows.push(Row::short(what, figure.abs(), (1.0, MOST_OF_SECTIONS_LU[index]), "LU", BS_1770));
    }
    let (figure, name) = worst(&|measured| measured.falling_off);
    let what = format!("placed against dry, fall-off 100 ({name} {figure:+.1}; the control)");
    rows.push(Row::at_least(what, figure.abs(), 1.0, "LU", BS_1770));
    let (figure, name) = worst(&|measured| measured.copied);
    let what =
        format!("one channel copied to both inputs against mono to stereo, worst ({name} {figure:+.2})");
    rows.push(Row::at_most(what, figure.abs(), 0.1, "LU", BS_1770));
    for name in ["horns", "clarinet"] {
        rows.extend(moving(name));
    }
    rows
}

const RATE_HZ: u32 = 48_000;
/// A player is still for a second, walks for four, and is still for another.
const STILL_S: usize = 1;
const WALK_S: usize = 4;
/// Depths between which it walks, m.
const DEPTHS_M: (f64, f64) = (3.0, 11.0);
/// Steps in which the level is read: 200 ms.
const STEP_FRAMES: usize = RATE_HZ as usize / 5;
/// Noises over which levels are averaged: what one noise does in 200 ms comes down to 0.1 dB.
const SEEDS: u64 = 8;

/// Returns pink noise of rms about 0.1, 20 Hz to 20 kHz.
fn pink(seed: u64, frames: usize) -> Vec<f32> {
    let size = frames.next_power_of_two();
    let mut noise = Noise::new(seed);
    let back = RealFftPlanner::<f64>::new().plan_fft_inverse(size);
    let mut lines = back.make_input_vec();
    for (index, line) in lines.iter_mut().enumerate() {
        let hz = index as f64 * f64::from(RATE_HZ) / size as f64;
        if (20.0..20_000.0).contains(&hz) {
            let level = hz.sqrt().recip();
            (line.re, line.im) = (level * noise.gaussian(), level * noise.gaussian());
        }
    }
    let mut time = back.make_output_vec();
    back.process(&mut lines, &mut time).expect("the lengths fit");
    let rms = (time.iter().map(|x| x * x).sum::<f64>() / size as f64).sqrt();
    time[..frames].iter().map(|x| (0.1 * x / rms) as f32).collect()
}

/// Returns the level in steps of 200 ms while settings follow a course over seconds, against the dry noise, dB.
fn levels_db(settings: &Settings, course: &(dyn Fn(&mut Settings, f64) + Sync)) -> Vec<f64> {
    let frames = (2 * STILL_S + WALK_S) * RATE_HZ as usize;
    let seeds: Vec<u64> = (1..=SEEDS).collect();
    let sums = cores::map(
        &seeds,
        || (),
        |(), &seed| {
            let dry = pink(seed, frames);
            let heard = play(&[&dry], Layout::MonoToStereo, RATE_HZ, &|frame| {
                let mut settings = *settings;
                course(&mut settings, frame as f64 / f64::from(RATE_HZ) - STILL_S as f64);
                settings
            });
            let silence = vec![0.0; dry.len()];
            let placed = energies_in_steps([&heard[0][..frames], &heard[1][..frames]], RATE_HZ, STEP_FRAMES);
            (placed, energies_in_steps([&dry, &silence], RATE_HZ, STEP_FRAMES))
        },
    );
    let walk = STILL_S * 5..(STILL_S + WALK_S) * 5;
    walk.map(|step| {
        let placed: f64 = sums.iter().map(|(placed, _)| placed[step]).sum();
        let dry: f64 = sums.iter().map(|(_, dry)| dry[step]).sum();
        10.0 * (placed / dry).log10()
    })
    .collect()
}

/// Returns how far levels lie from the straight line of least squares, worst, dB, and what the line does from end to end.
fn off_line(levels_db: &[f64]) -> (f64, f64) {
    let middle = (levels_db.len() - 1) as f64 / 2.0;
    let mean = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
    let (up, down) = levels_db.iter().enumerate().fold((0.0, 0.0), |(up, down), (n, level)| {
        let x = n as f64 - middle;
        (up + x * (level - mean), down + x * x)
    });
    let slope = up / down;
    let off =
        levels_db.iter().enumerate().map(|(n, level)| (level - mean - slope * (n as f64 - middle)).abs());
    (largest(off), slope * 2.0 * middle)
}

fn largest_jump(levels_db: &[f64]) -> f64 {
    levels_db.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, larger)
}

/// Pink noise while a player's depth goes from 3 to 11 m in 4 s.
fn moving(name: &str) -> Vec<Row> {
    let settings = demo::player(name).settings;
    let (near_m, far_m) = DEPTHS_M;
    let walk = |settings: &mut Settings, seconds: f64| {
        settings.seat.depth_m = near_m + (far_m - near_m) * (seconds / WALK_S as f64).clamp(0.0, 1.0);
    };
    let levels = levels_db(&settings, &walk);
    let (off_db, change_db) = off_line(&levels);
    let leaps = |settings: &mut Settings, seconds: f64| {
        if seconds > WALK_S as f64 / 2.0 {
            settings.level.trim_db = -3.0;
        }
    };
    let leaps_db = largest_jump(&levels_db(&settings, &leaps));
    let source = "a straight line; level after ITU-R BS.1770-4";
    let what = format!("{name}, pink noise while depth goes from 3 to 11 m in 4 s, steps of 200 ms");
    vec![
        Row::at_most(format!("{what}, off a straight line"), off_db, 1.0, "dB", source),
        Row::at_most(format!("{what}, largest jump"), largest_jump(&levels), 1.0, "dB", source),
        Row::told(format!("{what}, change from end to end"), change_db, "dB", source),
        Row::at_least(
            format!("{name}, trim leaps by 3 dB, largest jump (the control)"),
            leaps_db,
            1.0,
            "dB",
            source,
        ),
    ]
}
