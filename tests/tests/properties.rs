//! What has to hold for any sound and any seat: splits, shifts, symmetries, bounds, bad input.
//!
//! The truth is the engine itself under another description of the same thing
//! (one block, a later start, a mirrored stage), so no source stands beside
//! these checks. Each comparison of two sounds asserts that they are louder than
//! -40 dBFS and that one changed parameter breaks it.

use std::f64::consts::TAU;

use rostra_dsp::Settings;
use rostra_dsp::acoustics::{
    ARRIVALS, Arrival, BANDS, Capsule, Family, Finish, Microphones, NOMINAL_HZ, Pair, Platform, RecordedFrom,
    Seat, Source, Vector, arrivals,
};
use rostra_dsp::engine::{Config, DistanceTone, Engine, Layout, PrepareError, TonePlan};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::{InstructionSet, Noise};
use rostra_dsp::measure::octave_energies;
use rostra_dsp::plan::{BRANCHES, Planner, SourcePlan, SplitDesign, Weights};
use rostra_dsp::tail::{BuildAtOnce, TailSpec, TailSpectra, TailSupply, TailVoice, onset_frames, synthesise};

const RATE_HZ: f64 = 48_000.0;
const LAYOUTS: [Layout; 3] = [Layout::MonoToMono, Layout::MonoToStereo, Layout::StereoToStereo];
/// Bound of equal sounds at rest, and while settings change (design, section 8).
const AT_REST: f64 = 1e-6;
const WHILE_CHANGING: f64 = 1e-4;
/// Least rms of a sound that counts as one: -40 dBFS.
const LEAST_RMS: f64 = 0.01;
/// Blocks of convolver in a grid step of plans, as the engine's documentation has it: 4 blocks of at most 3 ms.
const BLOCKS_IN_GRID: usize = 4;

type Sound = Vec<Vec<f32>>;

/// One engine's life: what goes in, under which settings, from which frames on others hold.
struct Run<'a> {
    layout: Layout,
    rate_hz: f64,
    /// Input channels, one or two.
    input: &'a [Vec<f32>],
    /// Settings that hold from a frame on.
    settings_at: &'a dyn Fn(usize) -> Settings,
    /// Frames between frames at which settings change: every call ends there at the latest.
    change_frames: usize,
}

impl Run<'_> {
    /// Renders in blocks of the lengths that `block` hands out.
    fn in_blocks(&self, mut block: impl FnMut() -> usize) -> Sound {
        let config = Config { sample_rate_hz: self.rate_hz, layout: self.layout };
        let mut engine = Engine::prepare(config).expect("the rate is in range");
        engine.reset();
        let mut supply = BuildAtOnce::default();
        let frames = self.input[0].len();
        let mut sound = self.input.to_vec();
        // A mono input's second channel is only written to.
        sound.resize(self.layout.outputs().max(self.input.len()), vec![0.0; frames]);
        let mut at = 0;
        while at < frames {
            let next_change = (at / self.change_frames + 1).saturating_mul(self.change_frames);
            let end = (at + block().max(1)).min(next_change).min(frames);
            let mut channels: Vec<&mut [f32]> =
                sound.iter_mut().map(|channel| &mut channel[at..end]).collect();
            let last_change = at / self.change_frames * self.change_frames;
            engine.process(&(self.settings_at)(last_change), &mut supply, &mut channels);
            at = end;
        }
        sound
    }

    fn whole(&self) -> Sound {
        self.in_blocks(|| usize::MAX / 2)
    }
}

/// Renders an input standing still in one block at 48 kHz.
fn still(layout: Layout, input: &[Vec<f32>], settings: &Settings) -> Sound {
    let settings_at = |_: usize| *settings;
    Run { layout, rate_hz: RATE_HZ, input, settings_at: &settings_at, change_frames: usize::MAX }.whole()
}

fn noise(seed: u64, frames: usize) -> Vec<f32> {
    let mut noise = Noise::new(seed);
    (0..frames).map(|_| (0.2 * noise.gaussian()) as f32).collect()
}

/// Returns independent noise on every input channel of a layout.
fn input_of(layout: Layout, frames: usize) -> Sound {
    let channels = if layout == Layout::StereoToStereo { 2 } else { 1 };
    (0..channels).map(|channel| noise(11 + channel, frames)).collect()
}

fn largest_difference(a: &[Vec<f32>], b: &[Vec<f32>]) -> f64 {
    assert_eq!(a.len(), b.len(), "channels");
    a.iter()
        .zip(b)
        .flat_map(|(a, b)| {
            assert_eq!(a.len(), b.len(), "frames");
            a.iter().zip(b)
        })
        .map(|(x, y)| f64::from((x - y).abs()))
        .fold(0.0, larger)
}

fn rms(sound: &[Vec<f32>]) -> f64 {
    let count = sound.iter().map(Vec::len).sum::<usize>() as f64;
    (sound.iter().flatten().map(|&x| f64::from(x).powi(2)).sum::<f64>() / count).sqrt()
}

fn from_frame(sound: &[Vec<f32>], frame: usize) -> Sound {
    sound.iter().map(|channel| channel[frame..].to_vec()).collect()
}

/// A horn at the back of the platform, everything in use.
fn horn() -> Settings {
    let mut settings = Settings::default();
    settings.seat.depth_m = 9.0;
    settings.seat.bearing_deg = -20.0;
    settings.seat.riser_m = 0.6;
    settings.seat.family = Family::RearBell;
    settings.tone.close_mic_m = Some(0.5);
    settings.tone.low_mid_db = -3.0;
    settings
}

// ---------------------------------------------------------------------------
// Instruction sets

/// Bound of equal sounds of two instruction sets: a fused multiply-add rounds once where two steps round twice.
const BETWEEN_SETS: f64 = 1e-5;

/// Builds tails at once, and lets them run with given instructions.
struct TailsOn(InstructionSet, BuildAtOnce);

impl TailSupply for TailsOn {
    fn ask(&mut self, spec: &TailSpec) {
        self.1.ask(spec);
    }
    fn take(&mut self) -> Option<Box<TailVoice>> {
        self.1.take().map(|voice| Box::new(voice.with_instruction_set(self.0)))
    }
    fn give_back(&mut self, voice: Box<TailVoice>) {
        self.1.give_back(voice);
    }
}

#[test]
fn all_instruction_sets_sound_the_same() {
    for layout in LAYOUTS {
        let input = input_with_a_change_of_sides(layout);
        let render = |set: InstructionSet, settings_at: &dyn Fn(usize) -> Settings| {
            let config = Config { sample_rate_hz: RATE_HZ, layout };
            let mut engine = Engine::prepare_on(config, set).expect("the rate is in range");
            engine.reset();
            let mut supply = TailsOn(set, BuildAtOnce::default());
            let mut sound = input.clone();
            sound.resize(layout.outputs().max(input.len()), vec![0.0; input[0].len()]);
            for at in (0..input[0].len()).step_by(CHANGE_FRAMES) {
                let end = (at + CHANGE_FRAMES).min(input[0].len());
                let mut channels: Vec<&mut [f32]> =
                    sound.iter_mut().map(|channel| &mut channel[at..end]).collect();
                engine.process(&settings_at(at), &mut supply, &mut channels);
            }
            sound
        };
        let settings: [(&str, &dyn Fn(usize) -> Settings); 2] =
            [("at rest", &|_| horn()), ("under way", &under_way)];
        for (name, settings_at) in settings {
            let oracle = render(InstructionSet::portable(), settings_at);
            assert!(rms(&oracle) > LEAST_RMS, "{layout:?}: the sound is not silence");
            for set in InstructionSet::in_use() {
                let difference = largest_difference(&oracle, &render(set, settings_at));
                eprintln!("{layout:?}, {name}, {set:?}: {difference:.1e}");
                assert!(
                    difference <= BETWEEN_SETS,
                    "{layout:?}, {name}, {set:?}: expected at most {BETWEEN_SETS:e}, got {difference:e}"
                );
            }
            // Control: another seat is noticed.
            let elsewhere = |at: usize| {
                let mut settings = settings_at(at);
                settings.seat.depth_m += 0.1;
                settings
            };
            assert!(largest_difference(&oracle, &render(InstructionSet::widest(), &elsewhere)) > LEAST_RMS);
        }
    }
}

// ---------------------------------------------------------------------------
// Splits into blocks

const SPLITS: [usize; 6] = [1, 17, 64, 480, 1024, 8192];

/// Returns the worst difference of every split against one block.
fn worst_of_splits(run: &Run<'_>, whole: &Sound) -> f64 {
    let mut worst = 0.0_f64;
    for split in SPLITS {
        worst = larger(worst, largest_difference(whole, &run.in_blocks(|| split)));
    }
    for seed in [3, 4] {
        let mut random = Noise::new(seed);
        let sound = run.in_blocks(|| 1 + (random.uniform() * 3000.0) as usize);
        worst = larger(worst, largest_difference(whole, &sound));
    }
    worst
}

/// Returns an input whose two sides, where there are two, are alike for a while.
fn input_with_a_change_of_sides(layout: Layout) -> Sound {
    let mut input = input_of(layout, 48_007);
    if let [left, right] = &mut input[..] {
        right[20_000..34_000].copy_from_slice(&left[20_000..34_000]);
    }
    input
}

/// Every layout at the usual rate, and the fullest one at others, where blocks and runs have other lengths.
const LAYOUTS_AND_RATES_HZ: [(Layout, f64); 11] = [
    (Layout::MonoToMono, RATE_HZ),
    (Layout::MonoToStereo, RATE_HZ),
    (Layout::StereoToStereo, RATE_HZ),
    (Layout::StereoToStereo, 44_100.0),
    (Layout::StereoToStereo, 96_000.0),
    (Layout::StereoToStereo, 192_000.0),
    (Layout::StereoToStereo, 8_000.0),
    (Layout::MonoToStereo, 11_025.0),
    (Layout::StereoToStereo, 16_000.0),
    (Layout::MonoToStereo, 384_000.0),
    (Layout::StereoToStereo, 768_000.0),
];

#[test]
fn any_split_into_blocks_sounds_the_same_at_rest() {
    for (layout, rate_hz) in LAYOUTS_AND_RATES_HZ {
        let input = input_with_a_change_of_sides(layout);
        let settings_at = |_: usize| horn();
        let run =
            Run { layout, rate_hz, input: &input, settings_at: &settings_at, change_frames: usize::MAX };
        let whole = run.whole();
        assert!(rms(&whole) > LEAST_RMS, "{layout:?}: the sound is not silence");
        let worst = worst_of_splits(&run, &whole);
        eprintln!("splits at rest, {layout:?}, {rate_hz} Hz: worst {worst:.1e}");
        assert!(worst <= AT_REST, "{layout:?}, {rate_hz} Hz: expected at most {AT_REST:e}, got {worst:e}");

        let mut other = horn();
        other.seat.depth_m = 8.9;
        let other_at = |_: usize| other;
        let changed = largest_difference(&whole, &Run { settings_at: &other_at, ..run }.whole());
        assert!(changed > LEAST_RMS, "{layout:?}: 0.1 m of depth is not noticed: {changed:e}");
    }
}

/// Frames between changes of the settings in [`under_way`]: no divisor of a grid step, so that changes fall anywhere in it.
const CHANGE_FRAMES: usize = 1200;

/// Depth and bearing ramp; on the way everything jumps once that a list, a level or a tail depends on.
fn under_way(at: usize) -> Settings {
    let mut settings = horn();
    let share = (at as f64 / 40_000.0).min(1.0);
    settings.seat.depth_m = 2.0 + 6.0 * share;
    settings.seat.bearing_deg = -20.0 + 50.0 * share;
    if at >= 6 * CHANGE_FRAMES {
        settings.level.balance_pct = 62.0;
    }
    if at >= 11 * CHANGE_FRAMES {
        settings.seat.family = Family::TopPlate;
    }
    if at >= 16 * CHANGE_FRAMES {
        settings.platform.rear = Finish::Curtain;
    }
    if at >= 21 * CHANGE_FRAMES {
        settings.platform.decay_s = 0.8;
    }
    if at >= 26 * CHANGE_FRAMES {
        settings.microphones.pair = Pair::SpacedOmnis;
        settings.microphones.height_m = 3.6;
    }
    settings
}

#[test]
fn any_split_into_blocks_sounds_the_same_under_the_same_changes() {
    let mut failures = Vec::new();
    for (layout, rate_hz) in LAYOUTS_AND_RATES_HZ {
        let input = input_with_a_change_of_sides(layout);
        let run =
            Run { layout, rate_hz, input: &input, settings_at: &under_way, change_frames: CHANGE_FRAMES };
        let whole = run.whole();
        assert!(rms(&whole) > LEAST_RMS, "{layout:?}: the sound is not silence");
        let worst = worst_of_splits(&run, &whole);
        eprintln!("splits while settings change, {layout:?}, {rate_hz} Hz: worst {worst:.1e}");
        if worst > WHILE_CHANGING {
            failures.push(format!(
                "{layout:?}, {rate_hz} Hz: expected at most {WHILE_CHANGING:e}, got {worst:e}"
            ));
        }

        // The same changes, one of them later: one that is heard at once, also where all of this lasts 60 ms.
        let later = |at: usize| {
            let mut settings = under_way(at);
            if at < 24_000 {
                settings.level.balance_pct = horn().level.balance_pct;
            }
            settings
        };
        let changed = largest_difference(&whole, &Run { settings_at: &later, ..run }.whole());
        assert!(changed > LEAST_RMS, "{layout:?}: a later change is not noticed: {changed:e}");
    }
    assert!(failures.is_empty(), "{failures:#?}");
}

/// Sound, more than a second of silence in which the seat jumps, and sound again: what sleeps and wakes does so at the
/// same frames whatever the blocks.
#[test]
fn any_split_into_blocks_sounds_the_same_through_a_silence() {
    let (silence, jump) = (30_000..94_017, 90_000);
    let settings_at = |at: usize| {
        let mut settings = under_way(20 * CHANGE_FRAMES);
        if at >= jump {
            settings.seat.depth_m = 9.0;
            settings.seat.bearing_deg = -30.0;
        }
        settings
    };
    for layout in LAYOUTS {
        let mut input = input_of(layout, 120_000);
        for channel in &mut input {
            channel[silence.clone()].fill(0.0);
        }
        let run = Run {
            layout,
            rate_hz: RATE_HZ,
            input: &input,
            settings_at: &settings_at,
            change_frames: CHANGE_FRAMES,
        };
        let whole = run.whole();
        let awake = |sound: &Sound| from_frame(sound, silence.end);
        assert!(rms(&awake(&whole)) > LEAST_RMS, "{layout:?}: the sound is not silence");
        let worst = worst_of_splits(&run, &whole);
        eprintln!("splits through a silence, {layout:?}: worst {worst:.1e}");
        assert!(worst <= WHILE_CHANGING, "{layout:?}: expected at most {WHILE_CHANGING:e}, got {worst:e}");

        let stays = |_: usize| settings_at(0);
        let changed = largest_difference(&awake(&whole), &awake(&Run { settings_at: &stays, ..run }.whole()));
        assert!(changed > LEAST_RMS, "{layout:?}: the jump is not noticed: {changed:e}");
    }
}

// ---------------------------------------------------------------------------
// Time

#[test]
fn what_comes_later_by_grid_steps_sounds_later_by_as_much() {
    for (layout, rate_hz) in [
        (Layout::MonoToMono, RATE_HZ),
        (Layout::MonoToStereo, RATE_HZ),
        (Layout::StereoToStereo, RATE_HZ),
        (Layout::MonoToStereo, 44_100.0),
    ] {
        let grid = BLOCKS_IN_GRID * onset_frames(rate_hz);
        let frames = 24_000;
        let input = input_of(layout, frames);
        let settings_at = |_: usize| horn();
        let delayed = |by: usize, settings_at: &dyn Fn(usize) -> Settings| {
            let input: Sound = input
                .iter()
                .map(|channel| std::iter::repeat_n(0.0, by).chain(channel.iter().copied()).collect())
                .collect();
            Run { layout, rate_hz, input: &input, settings_at, change_frames: usize::MAX }.whole()
        };
        let at_once = delayed(0, &settings_at);
        assert!(rms(&at_once) > LEAST_RMS, "{layout:?}: the sound is not silence");
        for steps in [1, 3, 37] {
            let later = delayed(steps * grid, &settings_at);
            let difference = largest_difference(&at_once, &from_frame(&later, steps * grid));
            eprintln!("{steps} grid steps later, {layout:?} at {rate_hz} Hz: {difference:.1e}");
            assert!(difference <= AT_REST, "{layout:?}, {steps} steps: got {difference:e}");
            assert!(
                later.iter().all(|channel| channel[..steps * grid].iter().all(|&x| x == 0.0)),
                "{layout:?}: sound before the note"
            );
        }
        // Controls: one frame beside, and another bearing.
        let later = delayed(grid, &settings_at);
        let mut beside = from_frame(&later, grid - 1);
        for channel in &mut beside {
            channel.truncate(frames);
        }
        assert!(largest_difference(&at_once, &beside) > LEAST_RMS, "{layout:?}: one frame is not noticed");
        let elsewhere = |_: usize| {
            let mut settings = horn();
            settings.seat.bearing_deg += 1.0;
            settings
        };
        let moved = from_frame(&delayed(grid, &elsewhere), grid);
        assert!(largest_difference(&at_once, &moved) > 1e-3, "{layout:?}: a degree is not noticed");
    }
}

// ---------------------------------------------------------------------------
// Symmetries of the arrivals

/// Sorts by path, so that arrivals can be compared whatever their order.
fn sorted(mut arrivals: Vec<Arrival>) -> Vec<Arrival> {
    arrivals.sort_by(|a, b| a.path_m.total_cmp(&b.path_m));
    arrivals
}

/// Returns the largest difference of paths in metres and of gains relative to the gain.
fn difference_of(a: &[Arrival], b: &[Arrival]) -> (f64, f64) {
    assert_eq!(a.len(), ARRIVALS);
    assert_eq!(b.len(), ARRIVALS);
    a.iter().zip(b).fold((0.0, 0.0), |worst: (f64, f64), (a, b)| {
        let gains = a.gain.iter().zip(&b.gain).map(|(x, y)| ((x - y) / y).abs()).fold(0.0, larger);
        (larger(worst.0, (a.path_m - b.path_m).abs()), larger(worst.1, gains))
    })
}

/// Rounding alone: metres, and shares of a gain.
const ROUNDING: f64 = 1e-9;

#[test]
fn an_even_source_and_an_omni_may_change_places() {
    let platform = Platform::default();
    let microphones = Microphones::default();
    let heard = |from: Vector, to: Vector, family: Family, omni_share: f64| {
        let source = Source {
            position: from,
            forward: Vector::new(0.0, -1.0, 0.0),
            family,
            recorded: RecordedFrom::Axis,
        };
        let capsule = Capsule { offset: to - microphones.position(), omni_share, ..Capsule::OMNI };
        sorted(arrivals(&source, &platform, &microphones, &capsule).to_vec())
    };
    let mut random = Noise::new(21);
    for _ in 0..50 {
        let mut place = || {
            Vector::new(
                17.0 * (random.uniform() - 0.5),
                11.5 * random.uniform(),
                0.3 + 9.4 * random.uniform(),
            )
        };
        let (a, b) = (place(), place());
        let (there, back) =
            (heard(a, b, Family::Omnidirectional, 1.0), heard(b, a, Family::Omnidirectional, 1.0));
        let (metres, share) = difference_of(&there, &back);
        assert!(metres < ROUNDING && share < ROUNDING, "{a:?}, {b:?}: {metres:e} m, {share:e}");
        // Controls: a moved receiver, a cardioid, a bell.
        let moved = heard(b, a + Vector::new(0.0, 0.0, 0.01), Family::Omnidirectional, 1.0);
        assert!(difference_of(&there, &moved).0 > 1e-5, "{a:?}, {b:?}: a centimetre is not noticed");
        for (family, omni_share) in [(Family::Omnidirectional, 0.5), (Family::RearBell, 1.0)] {
            let back = heard(b, a, family, omni_share);
            let there = heard(a, b, family, omni_share);
            assert!(difference_of(&there, &back).1 > 1e-3, "{family:?}, {omni_share}: is not even");
        }
    }
}

#[test]
fn a_bearing_and_its_mirror_image_swap_left_and_right() {
    let platform = Platform::default();
    let heard = |pair: Pair, seat: &Seat, capsule: usize| {
        let microphones = Microphones { pair, ..Microphones::default() };
        let source = seat.source(&platform, &microphones);
        sorted(arrivals(&source, &platform, &microphones, &pair.capsules()[capsule]).to_vec())
    };
    // Families whose axis lies in the player's plane of symmetry; a rear bell, a top plate, a flute have a hand.
    let symmetric = [
        Family::Omnidirectional,
        Family::ForwardBell,
        Family::UpwardBell,
        Family::FrontPlate,
        Family::ToneHoles,
        Family::Drumhead,
        Family::WideForwardBell,
        Family::Harp,
        Family::Bars,
        Family::Mouth,
    ];
    for pair in Pair::ALL {
        for family in Family::ALL {
            for (bearing_deg, facing_deg) in [(12.0, 0.0), (37.0, -25.0), (58.0, 140.0)] {
                let seat = Seat { bearing_deg, facing_deg, family, depth_m: 6.3, ..Seat::default() };
                let mirrored = Seat { bearing_deg: -bearing_deg, facing_deg: -facing_deg, ..seat };
                for capsule in 0..2 {
                    let (here, there) = (heard(pair, &seat, capsule), heard(pair, &mirrored, 1 - capsule));
                    let (metres, share) = difference_of(&here, &there);
                    assert!(metres < ROUNDING, "{pair:?} {family:?}: {metres:e} m");
                    if symmetric.contains(&family) {
                        assert!(share < ROUNDING, "{pair:?} {family:?} {bearing_deg}: {share:e}");
                    } else {
                        assert!(share > 1e-3, "{family:?} has a hand: {share:e}");
                    }
                    // Control: the same capsule, not its mirror image.
                    let same = heard(pair, &mirrored, capsule);
                    let (metres, share) = difference_of(&here, &same);
                    assert!(metres > 1e-3 || share > 1e-3, "{pair:?} {family:?}: sides are not told apart");
                }
            }
        }
    }
}

// ---------------------------------------------------------------------------
// Stereo input

/// Returns |H| at a frequency.
fn magnitude(response: &[f32], hz: f64) -> f64 {
    let (re, im) = response.iter().enumerate().fold((0.0, 0.0), |sum, (n, &x)| {
        let phase = TAU * hz * n as f64 / RATE_HZ;
        (sum.0 + f64::from(x) * phase.cos(), sum.1 - f64::from(x) * phase.sin())
    });
    f64::hypot(re, im)
}

/// Sixty frequencies from 20 Hz to 20 kHz, evenly spread over octaves.
fn frequencies_hz() -> impl Iterator<Item = f64> {
    (0..60).map(|k| 20.0 * 1000_f64.powf(f64::from(k) / 59.0))
}

/// x, x in the middle without platform stays x on both sides, 3 dB down: as loud as a mono track x in the middle at equal power.
#[test]
fn alike_sides_in_the_middle_without_platform_stay_what_they_are() {
    let mut settings = Settings::default();
    settings.level.balance_pct = 0.0;
    settings.platform.air.loss = 0.0;
    let mut impulse = vec![0.0_f32; 8192];
    impulse[0] = 1.0;
    let worst_db = |settings: &Settings| {
        let sound = still(Layout::StereoToStereo, &[impulse.clone(), impulse.clone()], settings);
        frequencies_hz()
            .flat_map(|hz| {
                sound
                    .iter()
                    .map(move |channel| 20.0 * (std::f64::consts::SQRT_2 * magnitude(channel, hz)).log10())
            })
            .fold(0.0_f64, |worst, db| larger(worst, db.abs()))
    };
    for pair in Pair::ALL {
        settings.microphones.pair = pair;
        let worst = worst_db(&settings);
        eprintln!("x, x in the middle, {pair:?}: {worst:.1e} dB");
        assert!(worst <= 0.01, "{pair:?}: expected 0 dB, off by {worst} dB");
        let mut aside = settings;
        aside.platform.air.loss = 1.0;
        assert!(worst_db(&aside) > 0.01, "{pair:?}: air is not noticed");
    }
    // The two sides are the same sound, and loud enough to say so.
    let x = noise(31, 24_000);
    settings.microphones.pair = Pair::NearCoincident;
    let sound = still(Layout::StereoToStereo, &[x.clone(), x.clone()], &settings);
    assert!(rms(&sound) > LEAST_RMS);
    assert!(largest_difference(&sound[..1], &sound[1..]) <= AT_REST, "left and right differ");
}

#[test]
fn alike_sides_sound_like_a_mono_channel() {
    let x = noise(32, 36_000);
    let stereo = still(Layout::StereoToStereo, &[x.clone(), x.clone()], &horn());
    assert!(rms(&stereo) > LEAST_RMS, "the sound is not silence");
    let mono = still(Layout::MonoToStereo, std::slice::from_ref(&x), &horn());
    let difference = largest_difference(&stereo, &mono);
    eprintln!("x, x against mono: {difference:.1e}");
    assert!(difference <= AT_REST, "expected at most {AT_REST:e}, got {difference:e}");
    // Control: 3 dB up.
    let louder: Vec<f32> = x.iter().map(|x| x * std::f32::consts::SQRT_2).collect();
    let louder = still(Layout::MonoToStereo, &[louder], &horn());
    assert!(largest_difference(&stereo, &louder) > LEAST_RMS, "3 dB are not noticed");
}

/// Frames of noise, and of the pause after which only the tail is left: the longest reflection of the default platform comes after 0.17 s.
const BURST_FRAMES: usize = 48_000;
const PAUSE_FRAMES: usize = 8_160;

/// Returns the tail's energy in each octave after a burst, both channels together.
fn tail_energies(left: &[f32], right: &[f32], settings: &Settings) -> Vec<f64> {
    let padded = |burst: &[f32]| {
        let mut padded = burst.to_vec();
        padded.resize(BURST_FRAMES + 48_000, 0.0);
        padded
    };
    let sound = still(Layout::StereoToStereo, &[padded(left), padded(right)], settings);
    assert!(rms(&sound) > LEAST_RMS, "the sound is not silence");
    let mut sum = vec![0.0; BANDS];
    for channel in from_frame(&sound, BURST_FRAMES + PAUSE_FRAMES) {
        let channel: Vec<f64> = channel.iter().map(|&x| f64::from(x)).collect();
        for (cell, energy) in sum.iter_mut().zip(octave_energies(&channel, RATE_HZ)) {
            *cell += energy;
        }
    }
    sum
}

#[test]
fn opposite_phase_survives_in_the_tail() {
    let mut settings = Settings::default();
    settings.level.balance_pct = 100.0;
    // One burst's tail scatters: the mean of several is compared.
    let (mut opposite, mut independent) = (vec![0.0; BANDS], vec![0.0; BANDS]);
    for seed in 0..6 {
        let (x, y) = (noise(100 + seed, BURST_FRAMES), noise(200 + seed, BURST_FRAMES));
        let negative: Vec<f32> = x.iter().map(|x| -x).collect();
        for (sum, other) in [(&mut opposite, &negative), (&mut independent, &y)] {
            for (cell, energy) in sum.iter_mut().zip(tail_energies(&x, other, &settings)) {
                *cell += energy;
            }
        }
    }
    let mut worst = 0.0_f64;
    for (band, (a, b)) in opposite.iter().zip(&independent).enumerate() {
        let db = 10.0 * (a / b).log10();
        eprintln!("tail of x, -x against x, y at {} Hz: {db:+.2} dB", NOMINAL_HZ[band]);
        worst = larger(worst, db.abs());
    }
    let db = 10.0 * (opposite.iter().sum::<f64>() / independent.iter().sum::<f64>()).log10();
    assert!(db.abs() <= 3.0, "all octaves: expected within 3 dB, got {db}");
    assert!(worst <= 3.0, "an octave: expected within 3 dB, got {worst}");
    // Control: another decay is noticed by the same measure.
    settings.platform.decay_s = 0.3;
    let (x, y) = (noise(100, BURST_FRAMES), noise(200, BURST_FRAMES));
    let shorter: f64 = 6.0 * tail_energies(&x, &y, &settings).iter().sum::<f64>();
    let db = 10.0 * (shorter / independent.iter().sum::<f64>()).log10();
    assert!(db.abs() > 3.0, "a shorter decay is not noticed: {db} dB");
}

// ---------------------------------------------------------------------------
// Bad input, silence, bounds, rates

/// Samples that no host should send, and those of them that are louder than any sound.
const BROKEN: [f32; 6] = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e-42, -1e-39, f32::MIN_POSITIVE / 2.0];
const LOUD: [f32; 4] = [1e6, -1e6, f32::MAX, f32::MIN];

/// Returns noise within +-1 in which bad samples turn up at random.
fn bad_input(seed: u64, frames: usize, bad: &[f32]) -> Vec<f32> {
    let mut random = Noise::new(seed);
    (0..frames)
        .map(|_| {
            // Half of the samples are bad.
            let kind = (2.0 * bad.len() as f64 * random.uniform()) as usize;
            bad.get(kind).copied().unwrap_or((2.0 * random.uniform() - 1.0) as f32)
        })
        .collect()
}

fn faults(sound: &[Vec<f32>]) -> usize {
    sound.iter().flatten().filter(|x| !x.is_finite() || x.is_subnormal()).count()
}

/// Returns how far the sound after bad samples is off a clean run, and for how many frames past the tail's length.
fn marred_by(layout: Layout, bad: &[f32], settings: &Settings) -> (f64, usize) {
    let bad_frames = 12_000;
    let mut engine =
        Engine::prepare(Config { sample_rate_hz: RATE_HZ, layout }).expect("the rate is in range");
    let (mut left, mut right) = (vec![0.0; 1], vec![0.0; 1]);
    engine.process(settings, &mut BuildAtOnce::default(), &mut [&mut left, &mut right]);
    let from = bad_frames + engine.tail_frames();

    let mut broken = input_of(layout, from + 48_000);
    let mut silent = broken.clone();
    for (channel, (broken, silent)) in broken.iter_mut().zip(&mut silent).enumerate() {
        broken[..bad_frames].copy_from_slice(&bad_input(41 + channel as u64, bad_frames, bad));
        silent[..bad_frames].fill(0.0);
    }
    let marred = still(layout, &broken, settings);
    assert_eq!(faults(&marred), 0, "{layout:?}: samples not finite or subnormal");
    let unmarred = still(layout, &silent, settings);
    assert!(rms(&from_frame(&unmarred, from)) > LEAST_RMS, "{layout:?}: the sound is not silence");

    // Controls: before the tail's length the bad samples are heard, and another balance is noticed.
    let early = bad_frames + 100;
    assert!(largest_difference(&from_frame(&marred, early), &from_frame(&unmarred, early)) > LEAST_RMS);
    let mut other = *settings;
    other.level.balance_pct = 49.0;
    let changed = still(layout, &silent, &other);
    assert!(largest_difference(&from_frame(&changed, from), &from_frame(&unmarred, from)) > 1e-3);

    let off =
        |n: &usize| marred.iter().zip(&unmarred).any(|(a, b)| f64::from((a[*n] - b[*n]).abs()) > AT_REST);
    let late_frames = (from..marred[0].len()).rev().find(off).map_or(0, |n| n + 1 - from);
    (largest_difference(&from_frame(&marred, from), &from_frame(&unmarred, from)), late_frames)
}

#[test]
fn bad_samples_never_come_out_and_are_forgotten_after_the_tail() {
    let all: Vec<f32> = BROKEN.into_iter().chain(LOUD).collect();
    let mut failures = Vec::new();
    for layout in LAYOUTS {
        for (name, bad) in [("broken samples", &BROKEN[..]), ("broken and loud samples", &all)] {
            let (difference, late_frames) = marred_by(layout, bad, &horn());
            let late_ms = late_frames as f64 / RATE_HZ * 1e3;
            eprintln!(
                "after {name}, {layout:?}: off by {difference:.1e}, clean {late_ms:.1} ms after the tail"
            );
            if difference > AT_REST {
                failures.push(format!("{name}, {layout:?}: off by {difference:.1e}, {late_ms:.1} ms late"));
            }
        }
    }
    assert!(failures.is_empty(), "{failures:#?}");
}

#[test]
fn silence_stays_silence() {
    for layout in LAYOUTS {
        let input: Sound = input_of(layout, 48_000).iter().map(|channel| vec![0.0; channel.len()]).collect();
        let at_rest = |_: usize| horn();
        for settings_at in [&at_rest as &dyn Fn(usize) -> Settings, &under_way] {
            let run =
                Run { layout, rate_hz: RATE_HZ, input: &input, settings_at, change_frames: CHANGE_FRAMES };
            let loudest = run.whole().iter().flatten().fold(0.0_f32, |most, x| larger(most, x.abs()));
            assert_eq!(loudest, 0.0, "{layout:?}: expected silence, got {loudest:e}");
        }
    }
}

/// What is needed to work out the largest output of a plan.
struct Bound {
    design: SplitDesign,
    /// Sum of the absolute samples of each branch.
    branch_sums: [f64; BRANCHES],
}

/// Largest gain of the direct sound's first-order all-pass for samples within +-1: 1 + 2|a|, a at most 1/3 (delay half a sample).
const DIRECT_ALL_PASS: f64 = 1.0 + 2.0 / 3.0;

impl Bound {
    fn new() -> Self {
        let design = SplitDesign::new(RATE_HZ);
        let frames = rostra_dsp::engine::parts::BranchBank::impulse_responses(&design, 16_384);
        let branch_sums =
            std::array::from_fn(|branch| frames.iter().map(|frame| f64::from(frame[branch].abs())).sum());
        Self { design, branch_sums }
    }

    fn weighed(&self, weights: &Weights) -> f64 {
        weights.iter().zip(&self.branch_sums).map(|(w, sum)| f64::from(w.abs()) * sum).sum()
    }

    /// Returns the most that any input within +-1 can come out as.
    fn of(&self, settings: &Settings, layout: Layout) -> f64 {
        assert!((self.design.branch_responses(100.0)[0].0 - 1.0).abs() < 1e-12);
        let config = Config { sample_rate_hz: RATE_HZ, layout };
        let channels = layout.outputs();
        let spec = Engine::tail_spec(&config, settings);
        let parts = synthesise(&spec);
        let spectra = TailSpectra::build(&spec);
        let sum_of = |samples: &[f32]| samples.iter().map(|x| f64::from(x.abs())).sum::<f64>();
        let mut planner = Planner::new(&self.design, channels, InstructionSet::widest());
        let mut of_source = |index: usize| -> [f64; 2] {
            let mut plan = SourcePlan::SILENCE;
            planner.plan(settings, index, Some(spectra.low()), &mut plan);
            std::array::from_fn(|channel| {
                let weights = &plan.capsules[channel].weights;
                let early = DIRECT_ALL_PASS * self.weighed(&weights[0])
                    + weights[1..].iter().map(|w| self.weighed(w)).sum::<f64>();
                let heard = channel.min(channels - 1);
                let tail = parts.iter().zip(plan.feeds()).map(|(part, feed)| {
                    feed.iter().map(|w| self.weighed(w)).sum::<f64>() * sum_of(&part[heard])
                });
                f64::from(plan.gain()) * (early + f64::from(plan.tail_level) * tail.sum::<f64>())
            })
        };
        let middle = of_source(0);
        let early = if layout == Layout::StereoToStereo {
            let (left, right) = (of_source(1), of_source(2));
            // One source in the middle, both ends, or on the way from one to the other.
            (0..2).fold(0.0_f64, |most, c| larger(larger(most, middle[c]), left[c] + right[c]))
        } else {
            middle[0].max(middle[1])
        };
        early * tone_gain(settings)
    }
}

/// Returns the sum of the absolute samples of the distance tone's response.
fn tone_gain(settings: &Settings) -> f64 {
    let speed_m_s = settings.platform.air.speed_of_sound_m_s();
    let mut response = vec![0.0_f32; 48_000];
    response[0] = 1.0;
    DistanceTone::new(&TonePlan::new(&settings.tone, speed_m_s, RATE_HZ)).process((0.0, 0.0), &mut response);
    response.iter().map(|x| f64::from(x.abs())).sum()
}

fn loudest(sound: &[Vec<f32>]) -> f64 {
    sound.iter().flatten().map(|x| f64::from(x.abs())).fold(0.0, larger)
}

/// Returns full-scale square waves of random sign.
fn squares(seed: u64, frames: usize) -> Vec<f32> {
    let mut random = Noise::new(seed);
    let mut left = 0_usize;
    let mut sign = 1.0;
    (0..frames)
        .map(|_| {
            if left == 0 {
                left = 1 + (200.0 * random.uniform().powi(3)) as usize;
                sign = if random.uniform() < 0.5 { -1.0 } else { 1.0 };
            }
            left -= 1;
            sign
        })
        .collect()
}

fn settings_to_bound() -> Vec<Settings> {
    let mut all = vec![Settings::default(), horn()];
    for (depth_m, pair, family, balance_pct) in [
        (1.0, Pair::Coincident, Family::TopPlate, 50.0),
        (11.7, Pair::SpacedOmnis, Family::ForwardBell, 100.0),
        (4.0, Pair::NearCoincident, Family::Omnidirectional, 0.0),
    ] {
        let mut settings = Settings::default();
        settings.seat.depth_m = depth_m;
        settings.seat.bearing_deg = 33.0;
        settings.seat.family = family;
        settings.microphones.pair = pair;
        settings.level.balance_pct = balance_pct;
        all.push(settings);
    }
    let mut long = Settings::default();
    long.platform.decay_s = 1.5;
    long.platform.sides = Finish::Concrete;
    long.level.trim_db = 12.0;
    all.push(long);
    all
}

#[test]
fn no_input_within_one_comes_out_louder_than_the_sum_of_absolute_gains() {
    let bound = Bound::new();
    for settings in settings_to_bound() {
        for layout in LAYOUTS {
            let most = bound.of(&settings, layout);
            let mut worst = 0.0_f64;
            let mut inputs = vec![[squares(51, 48_000), squares(52, 48_000)]];
            inputs.push([squares(53, 48_000), squares(53, 48_000)]);
            for input in &inputs {
                let channels = if layout == Layout::StereoToStereo { 2 } else { 1 };
                let sound = still(layout, &input[..channels], &settings);
                assert!(rms(&sound) > LEAST_RMS, "{layout:?}: the sound is not silence");
                worst = larger(worst, loudest(&sound) / most);
            }
            // The worst input there is: the signs of the response, turned round.
            if layout != Layout::StereoToStereo {
                let mut impulse = vec![0.0_f32; 48_000];
                impulse[0] = 1.0;
                let response = still(layout, &[impulse], &settings);
                for channel in &response {
                    let input: Vec<f32> = channel.iter().rev().map(|x| x.signum()).collect();
                    let sum: f64 = channel.iter().map(|x| f64::from(x.abs())).sum();
                    let sound = still(layout, &[input], &settings);
                    let got = loudest(&sound);
                    assert!(got > 0.99 * sum, "{layout:?}: expected {sum} at the end, got {got}");
                    worst = larger(worst, got / most);
                }
            }
            eprintln!("largest output against the bound {most:.2}, {layout:?}: {worst:.3}");
            assert!(worst <= 1.0, "{layout:?}: {worst} of the bound {most}");
        }
    }
    // Control: the worst input of a seat near the microphones breaks the bound of the same seat 24 dB lower.
    let mut settings = Settings::default();
    settings.level.balance_pct = 0.0;
    let most = bound.of(&settings, Layout::MonoToStereo);
    settings.level.trim_db = 24.0;
    let sound = still(Layout::MonoToStereo, &[squares(51, 48_000)], &settings);
    assert!(loudest(&sound) > most, "24 dB are not noticed");
}

/// Rates of the whole range, Hz.
const RATES_HZ: [f64; 10] =
    [8_000.0, 11_025.0, 16_000.0, 22_050.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0, 384_000.0, 768_000.0];

#[test]
fn every_rate_in_range_sounds_and_any_other_is_refused() {
    // Below 8 kHz the octaves that fit play, and nothing more is promised.
    for rate_hz in [1_000.0, 1_234.567_8, 2_000.0, 5_000.0].into_iter().chain(RATES_HZ) {
        for layout in LAYOUTS {
            let input = input_of(layout, (0.3 * rate_hz) as usize);
            let settings_at = |_: usize| horn();
            let sound =
                Run { layout, rate_hz, input: &input, settings_at: &settings_at, change_frames: usize::MAX }
                    .in_blocks(|| 333);
            assert_eq!(faults(&sound), 0, "{layout:?} at {rate_hz} Hz: samples not finite or subnormal");
            for channel in sound {
                assert!(rms(&[channel]) > LEAST_RMS, "{layout:?} at {rate_hz} Hz: silence");
            }
        }
    }
    let outside = [0.0, -48_000.0, 300.0, 999.9, 768_000.1, 1e9, f64::NAN, f64::INFINITY];
    for (rate_hz, layout) in outside.into_iter().flat_map(|rate| LAYOUTS.map(|layout| (rate, layout))) {
        let refused = Engine::prepare(Config { sample_rate_hz: rate_hz, layout });
        assert!(
            matches!(refused, Err(PrepareError::SampleRate { got_hz, .. }) if got_hz.to_bits() == rate_hz.to_bits()),
            "{rate_hz} Hz is not refused"
        );
    }
}
