//! A sine while the player moves: nothing but the Doppler shift of the paths may be heard of it.
//!
//! A path that changes at v shifts a sine of f Hz by f v/c. What lies outside f
//! (1 +- `v_max`/c) +- 15 Hz, with `v_max` the fastest path of the run, is pitch
//! wobble, zipper noise or interpolation noise.

use realfft::RealFftPlanner;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{ARRIVALS, images};
use rostra_dsp::engine::parts::Glide;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::extremes::larger;
use rostra_dsp::kernel::InstructionSet;
use rostra_dsp::plan::{Planner, SourcePlan, SplitDesign, acoustics, capsules};
use rostra_dsp::tail::{BuildAtOnce, TailSpec, TailSupply, TailVoice};

use super::{Row, energy_db, to_f64};
use crate::alone;

const RATE_HZ: f64 = 48_000.0;
const CONFIG: Config = Config { sample_rate_hz: RATE_HZ, layout: Layout::MonoToStereo };
/// Frames between two settings of a host that automates to the sample (our choice: a short block).
const AUTOMATION_FRAMES: usize = 64;
/// Rest before the player moves: longer than the tail of the default platform.
const REST_FRAMES: usize = 48_000;
/// Left out at both ends of a movement: four grid steps, in which the engine gathers and loses speed.
const ENDS_FRAMES: usize = 2048;
/// Peak of the sine, linear.
const PEAK: f64 = 0.5;
/// Least rms of a sound that counts as one: -40 dBFS.
const LEAST_RMS: f64 = 0.01;
/// What may lie beside the shifted sine, Hz (design, section 8): the movement also changes its level.
const BESIDE_HZ: f64 = 15.0;
/// Frequencies of the sines and the most that may lie outside, dB (design, section 8).
const SINES: [(f64, f64); 3] = [(250.0, -70.0), (1000.0, -70.0), (6000.0, -55.0)];
/// Most that the measure itself may read of an exact chirp, dB: 20 dB under the strictest bound.
const FLOOR_DB: f64 = -90.0;

const SOURCE: &str = "Doppler shift of the plan's paths";
const CONTROL: &str = "the measure itself";

/// A movement of the player.
struct Movement {
    name: &'static str,
    frames: usize,
    /// Whether the direct sound must not shift at all: it comes at once from any depth, but a sweep passes the capsules one after the other.
    keeps_pitch: bool,
    /// Settings after a share of the movement, 0 to 1.
    at: fn(f64) -> Settings,
}

/// Depth at 2 m/s, and bearing at 60 degrees/s at a depth of 5 m.
const MOVEMENTS: [Movement; 2] = [
    Movement { name: "depth 2 to 11 m at 2 m/s", frames: 216_000, keeps_pitch: true, at: going_back },
    Movement {
        name: "bearing -60 to 60 deg in 2 s at 5 m",
        frames: 96_000,
        keeps_pitch: false,
        at: going_across,
    },
];

/// A seat off the middle, so that both capsules and both side walls differ.
fn going_back(share: f64) -> Settings {
    let mut settings = Settings::default();
    settings.seat.bearing_deg = 20.0;
    settings.seat.depth_m = 2.0 + 9.0 * share;
    settings
}

fn going_across(share: f64) -> Settings {
    let mut settings = Settings::default();
    settings.seat.bearing_deg = -60.0 + 120.0 * share;
    settings
}

impl Movement {
    /// Returns the settings as they are asked for at a frame from the start of the rest on.
    fn settings_at(&self, frame: usize) -> Settings {
        (self.at)(self.share(frame as f64))
    }

    fn share(&self, frame: f64) -> f64 {
        ((frame - REST_FRAMES as f64) / self.frames as f64).clamp(0.0, 1.0)
    }

    fn all_frames(&self) -> usize {
        REST_FRAMES + self.frames
    }

    /// Returns the steady part of a sound.
    fn steady<'a>(&self, sound: &'a [f64]) -> &'a [f64] {
        &sound[REST_FRAMES + ENDS_FRAMES..self.all_frames() - ENDS_FRAMES]
    }

    /// Returns the delays in samples that the geometry has at a frame, by capsule, then arrival.
    ///
    /// They count from the microphones' centre: the nearer capsule, from which the
    /// plan counts, changes in the middle of a sweep, and the measure's floor
    /// is to be that of a path without a kink.
    fn delays_at(&self, frame: f64) -> [[f64; ARRIVALS]; 2] {
        let settings = (self.at)(self.share(frame));
        let Settings { seat, platform, microphones, .. } = &settings;
        let position = seat.source(platform, microphones).position;
        let images = images(position, platform);
        let paths_m = capsules(microphones, 2).map(|capsule| {
            images.map(|image| (image.position - (microphones.position() + capsule.offset)).length())
        });
        let start_m = (position - microphones.position()).length();
        let samples_per_m = RATE_HZ / platform.air.speed_of_sound_m_s();
        paths_m.map(|paths| paths.map(|path_m| (path_m - start_m) * samples_per_m))
    }

    /// Returns `v_max`/c: the fastest change of a path of the plan, in samples per sample.
    fn fastest(&self) -> f64 {
        let step = grid_frames() as f64;
        let delays = |grid: usize| {
            let settings = self.settings_at(REST_FRAMES + grid * grid_frames());
            let source = settings.seat.source(&settings.platform, &settings.microphones);
            let seat = acoustics(&source, &settings.platform, &settings.microphones, &settings.level, 2);
            let samples_per_m = RATE_HZ / settings.platform.air.speed_of_sound_m_s();
            seat.arrivals.map(|arrivals| arrivals.map(|one| (one.path_m - seat.start_m) * samples_per_m))
        };
        let mut fastest = 0.0_f64;
        for grid in 1..self.frames / grid_frames() {
            let (before, now) = (delays(grid - 1), delays(grid));
            for (a, b) in before.iter().flatten().zip(now.iter().flatten()) {
                fastest = larger(fastest, (b - a).abs() / step);
            }
        }
        fastest
    }
}

fn grid_frames() -> usize {
    alone::grid_frames(RATE_HZ)
}

fn sine(hz: f64, frames: usize) -> Vec<f32> {
    (0..frames).map(|n| sine_at(hz, n as f64) as f32).collect()
}

fn sine_at(hz: f64, frame: f64) -> f64 {
    PEAK * (std::f64::consts::TAU * hz * frame / RATE_HZ).sin()
}

/// Returns the energy outside `lowest_hz` to `highest_hz` against all energy, in dB.
///
/// The window is Hann's squared: its side lobes fall by 30 dB an octave and
/// are under -150 dB from 15 Hz beside a sine on, for runs of a second or more.
fn outside_db(sound: &[f64], lowest_hz: f64, highest_hz: f64) -> f64 {
    let frames = sound.len();
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(frames);
    let mut windowed: Vec<f64> = sound
        .iter()
        .enumerate()
        .map(|(n, x)| x * (std::f64::consts::PI * (n as f64 + 0.5) / frames as f64).sin().powi(4))
        .collect();
    let mut spectrum = transform.make_output_vec();
    let mut scratch = transform.make_scratch_vec();
    // PANIC: all three buffers were made for this transform.
    transform.process_with_scratch(&mut windowed, &mut spectrum, &mut scratch).expect("the buffers fit");
    let (mut outside, mut all) = (0.0, 0.0);
    for (k, bin) in spectrum.iter().enumerate() {
        let hz = k as f64 * RATE_HZ / frames as f64;
        all += bin.norm_sqr();
        if hz < lowest_hz || hz > highest_hz {
            outside += bin.norm_sqr();
        }
    }
    // Silence has no figure; a row without one does not hold.
    if all > 0.0 { energy_db(outside / all) } else { f64::NAN }
}

fn rms(sound: &[f64]) -> f64 {
    (sound.iter().map(|x| x * x).sum::<f64>() / sound.len() as f64).sqrt()
}

/// The band in which a sine of `hz` may be heard while paths change at up to `speed` of the speed of sound.
fn band_hz(hz: f64, speed: f64) -> (f64, f64) {
    (hz * (1.0 - speed) - BESIDE_HZ, hz * (1.0 + speed) + BESIDE_HZ)
}

/// Renders a whole engine; returns both channels.
fn render(
    input: &[f32],
    movement: &Movement,
    change: fn(&mut Settings),
    supply: &mut dyn TailSupply,
) -> [Vec<f64>; 2] {
    // PANIC: the rate is in range.
    let mut engine = Engine::prepare(CONFIG).expect("an ordinary rate");
    engine.reset();
    let (mut left, mut right) = (input.to_vec(), vec![0.0; input.len()]);
    for (block, (left, right)) in
        left.chunks_mut(AUTOMATION_FRAMES).zip(right.chunks_mut(AUTOMATION_FRAMES)).enumerate()
    {
        let mut settings = movement.settings_at(block * AUTOMATION_FRAMES);
        change(&mut settings);
        engine.process(&settings, supply, &mut [left, right]);
    }
    [to_f64(&left), to_f64(&right)]
}

/// Hands out no tail, so that direct sound and reflections are heard alone.
struct NoTail;

impl TailSupply for NoTail {
    fn ask(&mut self, _spec: &TailSpec) {}
    fn take(&mut self) -> Option<Box<TailVoice>> {
        None
    }
    fn give_back(&mut self, voice: Box<TailVoice>) {
        drop(voice);
    }
}

/// Makes the plans of a movement as the engine does, one a grid step, from snapped settings.
fn plans(movement: &Movement) -> Vec<SourcePlan> {
    let mut planner = Planner::new(&SplitDesign::new(RATE_HZ), 2, InstructionSet::widest());
    let grids = movement.all_frames().div_ceil(grid_frames());
    let plan = |grid: usize| {
        let settings = movement.settings_at(grid * grid_frames()).snapped();
        let mut plan = SourcePlan::SILENCE;
        planner.plan(&settings, 0, None, &mut plan);
        plan
    };
    (0..grids).map(plan).collect()
}

/// Renders one arrival alone at one capsule by the engine's early part: all that these rows know of it.
fn arrival_alone(input: &[f32], plans: &[SourcePlan], arrival: usize, capsule: usize) -> Vec<f64> {
    let plans: Vec<SourcePlan> = plans.iter().map(|plan| alone::only(plan, arrival, capsule)).collect();
    to_f64(&alone::play(input, &plans, RATE_HZ)[capsule])
}

/// Returns a sine read at an arrival's delays on the curve from plan to plan, without any interpolation.
///
/// What is outside here no interpolation can mend: it lies in the plans.
fn exactly_read(hz: f64, plans: &[SourcePlan], arrival: usize, capsule: usize) -> Vec<f64> {
    let grid = grid_frames();
    let mut delay = Glide::at(plans[0].capsules[capsule].delay_samples[arrival]);
    let mut heard = Vec::with_capacity(plans.len() * grid);
    for (step, plan) in plans.iter().enumerate() {
        if step > 0 {
            delay.glide_to(plan.capsules[capsule].delay_samples[arrival]);
        }
        let start = step * grid;
        heard.extend((0..grid).map(|n| {
            let frame = (start + n) as f64;
            sine_at(hz, frame - delay.value(n as f64 / grid as f64))
        }));
    }
    heard
}

/// The worst of several figures, and where it was found.
struct Worst {
    db: f64,
    arrival: usize,
    capsule: usize,
}

/// Returns the worst figure over all arrivals at both capsules.
fn worst_of_arrivals(mut db_of: impl FnMut(usize, usize) -> f64) -> Worst {
    let mut worst = Worst { db: f64::NEG_INFINITY, arrival: 0, capsule: 0 };
    for arrival in 0..ARRIVALS {
        for capsule in 0..2 {
            let db = db_of(arrival, capsule);
            if db > worst.db || db.is_nan() {
                worst = Worst { db, arrival, capsule };
            }
        }
    }
    worst
}

/// Names an arrival by the faces that it hits.
fn named(movement: &Movement, worst: &Worst) -> String {
    let Settings { seat, platform, microphones, .. } = movement.settings_at(0);
    let image = images(seat.source(&platform, &microphones).position, &platform)[worst.arrival];
    format!("{} at the {} capsule", image.path_name(), ["left", "right"][worst.capsule])
}

/// Sines while depth and bearing move: each arrival alone, all arrivals, the whole output, the direct sound.
pub fn movement() -> Vec<Row> {
    let mut rows = Vec::new();
    for movement in &MOVEMENTS {
        let speed = movement.fastest();
        rows.push(Row::told(
            format!("{}: fastest path against the speed of sound", movement.name),
            speed,
            "",
            SOURCE,
        ));
        let plans = plans(movement);
        let delays: Vec<_> = (0..movement.all_frames()).map(|n| movement.delays_at(n as f64)).collect();
        for (hz, bound_db) in SINES {
            let name = format!("{}, {hz} Hz", movement.name);
            rows.extend(controls(movement, &name, hz, bound_db, speed, &delays));
            let input = sine(hz, movement.all_frames());
            let (low, high) = band_hz(hz, speed);
            let of_channels = |channels: &[Vec<f64>; 2], (low, high): (f64, f64)| {
                assert!(
                    channels.iter().any(|channel| rms(channel) > LEAST_RMS),
                    "{name}: the sound is not silence"
                );
                channels
                    .iter()
                    .map(|channel| outside_db(movement.steady(channel), low, high))
                    .fold(f64::NEG_INFINITY, larger)
            };
            let worst = worst_of_arrivals(|arrival, capsule| {
                outside_db(movement.steady(&arrival_alone(&input, &plans, arrival, capsule)), low, high)
            });
            let row =
                |what: String, db: f64| Row::at_most(format!("{name}: {what}"), db, bound_db, "dB", SOURCE);
            rows.push(row(format!("worst arrival alone ({})", named(movement, &worst)), worst.db));
            let exact = worst_of_arrivals(|arrival, capsule| {
                outside_db(movement.steady(&exactly_read(hz, &plans, arrival, capsule)), low, high)
            });
            rows.push(Row::told(
                format!(
                    "{name}: the same, were every delay of the plans read exactly ({})",
                    named(movement, &exact)
                ),
                exact.db,
                "dB",
                SOURCE,
            ));
            let early = render(&input, movement, |_| (), &mut NoTail);
            rows.push(row("all arrivals".to_owned(), of_channels(&early, (low, high))));
            let whole = render(&input, movement, |_| (), &mut BuildAtOnce::default());
            rows.push(row("whole output, tail included".to_owned(), of_channels(&whole, (low, high))));
            if !movement.keeps_pitch {
                continue;
            }
            let direct_only = |settings: &mut Settings| settings.level.balance_pct = 0.0;
            let direct = render(&input, movement, direct_only, &mut BuildAtOnce::default());
            rows.push(row(
                "direct sound alone keeps its pitch".to_owned(),
                of_channels(&direct, band_hz(hz, 0.0)),
            ));
        }
    }
    rows
}

/// Shows that the measure reads nothing of an exact chirp, and that taps which step from sample to sample break the bound.
fn controls(
    movement: &Movement,
    name: &str,
    hz: f64,
    bound_db: f64,
    speed: f64,
    delays: &[[[f64; ARRIVALS]; 2]],
) -> [Row; 2] {
    let (low, high) = band_hz(hz, speed);
    let heard = |arrival: usize, capsule: usize, round: fn(f64) -> f64| -> Vec<f64> {
        delays.iter().enumerate().map(|(n, d)| sine_at(hz, n as f64 - round(d[capsule][arrival]))).collect()
    };
    let exact = worst_of_arrivals(|arrival, capsule| {
        outside_db(movement.steady(&heard(arrival, capsule, |delay| delay)), low, high)
    });
    let stepping = heard(ARRIVALS - 1, 0, f64::round);
    let stepping = outside_db(movement.steady(&stepping), low, high);
    [
        Row::at_most(
            format!("{name}: an exact chirp (the measure's floor)"),
            exact.db,
            FLOOR_DB,
            "dB",
            CONTROL,
        ),
        Row::at_least(
            format!("{name}: a tap of whole samples (the control)"),
            stepping,
            bound_db,
            "dB",
            CONTROL,
        ),
    ]
}
