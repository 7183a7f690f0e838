//! Hear a change of seat without a host: a window, a run without one, or a render into a file.

use rostra_dsp::extremes::larger;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, anyhow, ensure};
use rostra_files::FileStore;
use rostra_live::booth::{Booth, Heard, Setup};
use rostra_live::dummy::Dummy;
use rostra_live::lessons;
use rostra_live::moves::Moves;
use rostra_live::output::Output;
use rostra_live::render::render;
use rostra_live::scene::{Change, Scene};
use rostra_live::sound_loop::{Listed, Origin, of_demo, strikes};
use rostra_live::strike::Strike;
use rostra_live::{processor_time, window};
use rostra_terminal::say;

use crate::at_hand::AtHand;
use crate::interrupts::abandon_half_written;
use crate::recording::{RATES_HZ, is_same_file};

/// The device without a sound card behind it.
const SILENT: &str = "silent";

/// What is played, from which seat, and through what.
#[derive(clap::Args)]
pub(crate) struct Arguments {
    /// Play this recording: WAV, AIFF or FLAC, mono or stereo.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["input", "click"])]
    stem: Option<PathBuf>,
    /// Play a microphone, by the name of its device or `default`; it starts muted.
    #[arg(long, value_name = "DEVICE", conflicts_with = "click")]
    input: Option<String>,
    /// Play a click every two seconds.
    #[arg(long)]
    click: bool,
    /// The seat to start from: a file, or a name that `files` lists.
    #[arg(long, value_name = "FILE.toml|NAME")]
    seat: Option<PathBuf>,
    /// The platform to start from, likewise.
    #[arg(long, value_name = "FILE.toml|NAME")]
    platform: Option<PathBuf>,
    /// The hall behind it, likewise; no hall if left out.
    #[arg(long, value_name = "FILE.toml|NAME")]
    hall: Option<PathBuf>,
    /// Set a parameter of the starting seat, as id=value, after the files.
    #[arg(long = "set", value_name = "ID=VALUE")]
    set: Vec<String>,
    /// The sound card to play through; `silent` runs on a clock and plays nothing.
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// List the sound cards and exit.
    #[arg(long)]
    devices: bool,
    /// Sample rate; by default the loop's own if the card has it.
    #[arg(long, value_name = "HZ")]
    rate: Option<u32>,
    /// Block size to ask the card for.
    #[arg(long, value_name = "FRAMES")]
    block: Option<u32>,
    /// Change seats by a timed script.
    #[arg(long, value_name = "FILE.toml")]
    moves: Option<PathBuf>,
    /// Render to a file instead of playing; needs no sound card and no display.
    #[arg(long, value_name = "FILE.wav", conflicts_with = "input")]
    render: Option<PathBuf>,
    /// Play or render for this long, without a window.
    #[arg(long, value_name = "SECONDS", allow_negative_numbers = true)]
    seconds: Option<f64>,
}

/// Plays, or renders.
///
/// # Errors
/// When the demo or a file is not found, an option asks for what cannot be had, or nothing can be played, shown or written.
pub(crate) fn run(arguments: &Arguments, at_hand: &AtHand) -> Result<()> {
    let Arguments {
        stem, input, click, seat, platform, hall, set, device, devices, rate, block, moves, ..
    } = arguments;
    if *devices {
        cards::devices_text().lines().for_each(|line| say!("{line}"));
        say!("  {SILENT}  plays nothing; runs on a clock");
        return Ok(());
    }
    // A recording and a click need no demo.
    let presets = match at_hand.presets() {
        Err(_) if stem.is_some() || *click => None,
        presets => Some(presets?),
    };
    let store = FileStore::of_user();
    let mut scene = Scene::default();
    let words = |text: &String| {
        let (id, value) = text.split_once('=')?;
        Some((id.trim().to_owned(), value.trim().to_owned()))
    };
    let set = set
        .iter()
        .map(|text| {
            words(text).with_context(|| format!("--set {text}: has no \"=\"; write it as in depth=8.5"))
        })
        .collect::<Result<_>>()?;
    let change = Change {
        seat: seat.clone(),
        platform: platform.clone(),
        hall: hall.clone(),
        set,
        hall_set: Vec::new(),
    };
    change.make(&mut scene, &store)?;
    let moves = moves.as_ref().map(|path| Moves::read(path, &scene, &store)).transpose()?;
    let (loops, chosen) = loops(presets.as_deref(), stem.as_ref(), *click)?;
    if let Some(out) = &arguments.render {
        return write_render(arguments, &loops[chosen], &scene, moves.as_ref(), out);
    }
    if let Some(rate_hz) = rate {
        in_range(*rate_hz)?;
    }
    if let Some(seconds) = arguments.seconds {
        ensure!(
            seconds > 0.0 && seconds.is_finite(),
            "--seconds {seconds}: is not a duration; give more than 0"
        );
    }
    let output: Box<dyn Output> = match device.as_deref() {
        Some(SILENT) => Box::new(Dummy::default()),
        named => cards::output(named.map(str::to_owned))?,
    };
    let setup = Setup {
        loops,
        chosen,
        input: input.clone(),
        listen: cards::listen,
        output,
        rate_hz: *rate,
        block_frames: *block,
        scene,
        moves,
        lessons: presets.as_deref().map(lessons::all).transpose()?.unwrap_or_default(),
    };
    let mut booth = Booth::new(setup);
    if arguments.seconds.is_none() {
        window::is_possible().context(NO_WINDOW)?;
    }
    booth.start().map_err(|error| advised(&error, input.is_some()))?;
    match arguments.seconds {
        Some(seconds) => play(&mut booth, seconds),
        None => window::open(booth).context(NO_WINDOW),
    }
}

/// Adds what else can be done to what a device said; an option that is wrong says it itself.
fn advised(error: &anyhow::Error, is_microphone: bool) -> anyhow::Error {
    let why = format!("{error:#}");
    if why.starts_with("--rate") || why.starts_with("--block") {
        return anyhow!("{why}");
    }
    let instead = if is_microphone { "" } else { "; --render FILE.wav writes to a file instead" };
    anyhow!(
        "nothing can be played: {why}; --devices lists the sound cards, --device silent runs without one{instead}"
    )
}

fn in_range(rate_hz: u32) -> Result<()> {
    let rates = RATES_HZ;
    ensure!(
        rates.contains(&rate_hz),
        "--rate {rate_hz}: is out of range; give {} to {} Hz",
        rates.start(),
        rates.end()
    );
    Ok(())
}

/// What is said where no window opens.
const NO_WINDOW: &str = "no window can be opened; add --render FILE.wav to write a file, or --seconds 30 to play without a window";

/// Returns the loops at hand, and the place of the one that is asked for.
fn loops(presets: Option<&Path>, stem: Option<&PathBuf>, is_click: bool) -> Result<(Vec<Listed>, usize)> {
    let mut loops = match presets {
        Some(presets) => of_demo(presets)?,
        None => strikes(),
    };
    if let Some(stem) = stem {
        loops.insert(0, Listed::of_file(stem.clone()));
        // Read once before anything is opened, so that what is wrong with it is said first.
        loops[0].load()?;
        return Ok((loops, 0));
    }
    let first = if is_click { Listed::of_strikes(Strike::Click).name } else { FIRST_LOOP.to_owned() };
    let chosen = loops.iter().position(|listed| listed.name == first).unwrap_or(0);
    Ok((loops, chosen))
}

/// The loop of the demo that plays first: short notes, which tell most of a place (our choice).
const FIRST_LOOP: &str = "clarinet";

fn write_render(
    arguments: &Arguments,
    listed: &Listed,
    scene: &Scene,
    moves: Option<&Moves>,
    out: &Path,
) -> Result<()> {
    let named_wav = out.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("wav"));
    ensure!(named_wav, "--render {}: is written as WAV; end its name in .wav", out.display());
    abandon_half_written()?;
    let mut sound = listed.load()?;
    if let Some(rate_hz) = arguments.rate {
        in_range(rate_hz)?;
        sound = sound.at_rate(rate_hz)?;
    }
    let rendered = render(sound, scene, moves, arguments.seconds)?;
    if let Origin::File(stem) = &listed.origin {
        ensure!(
            !is_same_file(out, stem),
            "--render {}: is the stem itself; give another file",
            out.display()
        );
    }
    rendered.write(out)?;
    let seat = match &arguments.moves {
        Some(path) => format!("from the seats of {}", path.display()),
        None => format!("from {}", scene.place_text()),
    };
    say!(
        "{}  {:.1} s at {} Hz: {} {seat}; before the level control and the limiter",
        out.display(),
        rendered.seconds(),
        rendered.rate_hz,
        listed.name
    );
    if let Origin::File(dry) = &listed.origin {
        say!("dry: {}", dry.display());
    }
    Ok(())
}

/// Sound that a device may queue and still keeps time, s (our choice: sound servers hold two seconds at most).
const QUEUE_S: f64 = 3.0;

/// Plays without a window, and says how well it went.
#[allow(clippy::disallowed_methods, reason = "the thread of the terminal, not of the sound")]
fn play(booth: &mut Booth, seconds: f64) -> Result<()> {
    say!("{} Level {:.0} dB.", booth.said.line, booth.level_db());
    if let Some(input) = booth.input() {
        say!("The microphone {input} stays muted: it can only be unmuted in the window.");
    }
    let start = Instant::now();
    let before = processor_time::of_threads();
    let mut loudest = 0.0_f32;
    while start.elapsed().as_secs_f64() < seconds && booth.is_open() {
        std::thread::sleep(Duration::from_millis(20));
        booth.look();
        let (peaks, _) = booth.peaks();
        loudest = peaks.iter().fold(loudest, |most, peak| larger(most, *peak));
    }
    let took_s = start.elapsed().as_secs_f64();
    let Some((counted, rate_hz)) = booth.counted() else { return Err(anyhow!("{}", booth.said.line)) };
    let sound_s = counted.frames as f64 / f64::from(rate_hz);
    let [median, most, worst] = counted.shares.map(|share| 100.0 * share);
    let block = match counted.range_frames {
        (least, most) if least == most => most.to_string(),
        (least, most) => format!("{least} to {most}"),
    };
    let missed = match (counted.missed, counted.woken_late) {
        (missed, 0) => format!("{missed} missed"),
        (missed, woken_late) => {
            format!("{missed} missed, {woken_late} of them because the system woke the thread too late")
        }
    };
    say!(
        "{} blocks of {block} frames at {rate_hz} Hz, {:.1} s of sound in {took_s:.1} s, {missed}",
        counted.blocks,
        sound_s
    );
    if sound_s > 2.0 * took_s + QUEUE_S {
        say!(
            "This device does not run in real time: it takes blocks as fast as it gets them, and misses none."
        );
    }
    say!(
        "share of a block's time spent on computing it: median {median:.1} %, 99.9 % of blocks within {most:.1} %, worst {worst:.1} %{}",
        if worst >= 100.0 { " or more" } else { "" }
    );
    if counted.is_refused_priority {
        say!("The audio thread runs without real-time priority: the system did not grant it.");
    }
    say!("output peak {:.1} dBFS", 20.0 * loudest.log10());
    if let (Some(before), Some(after)) = (before, processor_time::of_threads()) {
        let used = |name: Option<&str>| {
            let sum = |times: &[(String, f64)]| -> f64 {
                times.iter().filter(|(own, _)| name.is_none_or(|name| name == own)).map(|(_, s)| s).sum()
            };
            100.0 * (sum(&after) - sum(&before)) / took_s
        };
        say!("processor: {:.1} % of one core in all", used(None));
        let mut names: Vec<&str> = after.iter().map(|(name, _)| name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        for name in names {
            say!("  thread \"{name}\": {:.1} %", used(Some(name)));
        }
    }
    Ok(())
}

/// Sound cards, where this was built with them.
#[cfg(feature = "sound-card")]
mod cards {
    use super::{Heard, Output, Result};
    use rostra_live::sound_card::{self, SoundCard};

    pub(super) use rostra_live::sound_card::devices_text;

    // As its sister without sound cards, which refuses.
    #[allow(clippy::unnecessary_wraps)]
    pub(super) fn output(name: Option<String>) -> Result<Box<dyn Output>> {
        Ok(Box::new(SoundCard::new(name)))
    }

    pub(super) fn listen(name: &str, rate_hz: u32) -> Result<Heard> {
        sound_card::listen(name, rate_hz)
    }
}

/// What stands in where this was built without sound cards.
#[cfg(not(feature = "sound-card"))]
mod cards {
    use super::{Heard, Output, Result};
    use anyhow::bail;

    const NONE: &str = "this program was built without sound-card support; add --render FILE.wav or --device silent, or build it with that support (in a checkout: cargo build --release -p rostra-cli; on Linux that needs ALSA's headers, on Debian-based systems libasound2-dev and pkg-config)";

    pub(super) fn devices_text() -> String {
        NONE.to_owned()
    }

    pub(super) fn output(_name: Option<String>) -> Result<Box<dyn Output>> {
        bail!("{NONE}")
    }

    pub(super) fn listen(_name: &str, _rate_hz: u32) -> Result<Heard> {
        bail!("{NONE}")
    }
}
