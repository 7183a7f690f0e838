//! `rostra-live`: the window, the run without one, the render, and the lessons.

// All that is printed goes through `rostra-terminal`, which shows what a terminal would obey.
#![warn(clippy::print_stderr)]

use rostra_dsp::extremes::larger;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, anyhow, ensure};
use clap::Parser;
use rostra::editor::filing::contents_of;
use rostra::file_table::table;
use rostra_files::{HALL, PLATFORM, SEAT, Shelf};
use rostra_live::booth::{Booth, Heard, Setup};
use rostra_live::dummy::Dummy;
use rostra_live::lessons;
use rostra_live::moves::Moves;
use rostra_live::output::Output;
use rostra_live::render::render;
use rostra_live::scene::{Change, Scene};
use rostra_live::sound_loop::{Listed, Origin, at_hand};
use rostra_live::strike::Strike;
use rostra_live::{processor_time, window};
use rostra_recording::{is_same_file, write_whole};
use rostra_terminal::{say, tell};

/// Exit code where something that was given cannot be used.
const REFUSED: u8 = 2;
/// The device that is none.
const DUMMY: &str = "dummy";

#[derive(Parser)]
#[command(name = "cargo xtask", bin_name = "cargo xtask", about = "Hear a change of seat without a host")]
enum Task {
    /// Play a loop through the engine and open the editor beside it: hear placement now.
    Live(Live),
    /// List the lessons, or render one: a recording for each of its seats, and its figures.
    Lesson(Lesson),
}

#[derive(clap::Args)]
struct Live {
    /// Play this recording: WAV, AIFF or FLAC, mono or stereo.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["input", "click"])]
    stem: Option<PathBuf>,
    /// Play a microphone, by the name of its device, or `default`; it starts muted.
    #[arg(long, value_name = "DEVICE", conflicts_with = "click")]
    input: Option<String>,
    /// Play a click every two seconds.
    #[arg(long)]
    click: bool,
    /// The seat at first, a file or the name of one that `files` lists.
    #[arg(long, value_name = "FILE.toml|NAME")]
    seat: Option<PathBuf>,
    /// The platform at first, likewise.
    #[arg(long, value_name = "FILE.toml|NAME")]
    platform: Option<PathBuf>,
    /// The hall behind it, likewise; none where none is named.
    #[arg(long, value_name = "FILE.toml|NAME")]
    hall: Option<PathBuf>,
    /// Set a parameter of the seat at first, as id=value, after the files.
    #[arg(long = "set", value_name = "ID=VALUE")]
    set: Vec<String>,
    /// The sound card to play through; `dummy` is a clock that nobody hears.
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Name the sound cards, and do no more.
    #[arg(long)]
    devices: bool,
    /// Sample rate; the loop's own where the card has it.
    #[arg(long, value_name = "HZ")]
    rate: Option<u32>,
    /// Frames that the card is to ask for at once.
    #[arg(long, value_name = "FRAMES")]
    block: Option<u32>,
    /// Change seats by a script of times.
    #[arg(long, value_name = "FILE.toml")]
    moves: Option<PathBuf>,
    /// Write what would be played into a file instead; needs no sound card and no display.
    #[arg(long, value_name = "FILE.wav", conflicts_with = "input")]
    render: Option<PathBuf>,
    /// Play, or render, this long; without a window.
    #[arg(long, value_name = "SECONDS", allow_negative_numbers = true)]
    seconds: Option<f64>,
}

#[derive(clap::Args)]
struct Lesson {
    /// The lesson; all are listed where none is named.
    name: Option<String>,
    /// Folder for its recordings; the lesson's own name where none is given.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// File for the lesson's title and, a line each, path and seat of the recordings that were made, for whoever draws them.
    #[arg(long, value_name = "FILE", hide = true)]
    made: Option<PathBuf>,
}

fn main() -> ExitCode {
    let outcome = match rostra_terminal::arguments() {
        Task::Live(arguments) => live(&arguments),
        Task::Lesson(arguments) => lesson(&arguments),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            tell!("error: {error:#}");
            ExitCode::from(REFUSED)
        }
    }
}

/// Takes away what is half written when somebody interrupts: a run that only plays ends as any program.
fn abandon_when_interrupted() -> Result<()> {
    ctrlc::set_handler(|| {
        rostra_files::abandon();
        // 128 and the number of the interrupt, as shells count.
        std::process::exit(130);
    })
    .context("interrupts cannot be waited for")
}

/// Returns the folder of the demo in the checkout from which this was built.
fn demo() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    root.canonicalize().unwrap_or(root).join("presets-demo")
}

fn live(arguments: &Live) -> Result<()> {
    let Live { stem, input, click, seat, platform, hall, set, device, devices, rate, block, moves, .. } =
        arguments;
    if *devices {
        cards::devices_text().lines().for_each(|line| say!("{line}"));
        say!("  {DUMMY}  a clock that nobody hears");
        return Ok(());
    }
    let shelf = Shelf::of_user();
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
    change.make(&mut scene, &shelf)?;
    let moves = moves.as_ref().map(|path| Moves::read(path, &scene, &shelf)).transpose()?;
    let (loops, chosen) = loops(stem.as_ref(), *click)?;
    if let Some(out) = &arguments.render {
        return write_render(arguments, &loops[chosen], &scene, moves.as_ref(), out);
    }
    if let Some(rate_hz) = rate {
        in_range(*rate_hz)?;
    }
    if let Some(seconds) = arguments.seconds {
        ensure!(seconds > 0.0 && seconds.is_finite(), "--seconds {seconds}: is no time; give more than 0");
    }
    let output: Box<dyn Output> = match device.as_deref() {
        Some(DUMMY) => Box::new(Dummy::default()),
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
        lessons: lessons::all(&demo())?,
    };
    let mut booth = Booth::new(setup);
    if arguments.seconds.is_none() {
        window::is_possible().context(NO_WINDOW)?;
    }
    booth.start().map_err(|error| advised(&error, input.is_some()))?;
    match arguments.seconds {
        Some(seconds) => run(&mut booth, seconds),
        None => window::open(booth).context(NO_WINDOW),
    }
}

/// Adds what else can be done to what a device said; an option that is wrong says it itself.
fn advised(error: &anyhow::Error, is_microphone: bool) -> anyhow::Error {
    let why = format!("{error:#}");
    if why.starts_with("--rate") || why.starts_with("--block") {
        return anyhow!("{why}");
    }
    let instead = if is_microphone { "" } else { ", --render FILE.wav writes it to a file instead" };
    anyhow!(
        "nothing can be played: {why}; --devices names what there is, --device dummy plays to nobody{instead}"
    )
}

fn in_range(rate_hz: u32) -> Result<()> {
    let rates = rostra_recording::RATES_HZ;
    ensure!(
        rates.contains(&rate_hz),
        "--rate {rate_hz}: is out of range; give {} to {} Hz",
        rates.start(),
        rates.end()
    );
    Ok(())
}

/// What is said where no window opens.
const NO_WINDOW: &str =
    "no window can be opened; add --render FILE.wav for a file, or --seconds 30 to play without one";

/// Returns the loops at hand, and the place of the one that is asked for.
fn loops(stem: Option<&PathBuf>, is_click: bool) -> Result<(Vec<Listed>, usize)> {
    let mut loops = at_hand(&demo())?;
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
    arguments: &Live,
    listed: &Listed,
    scene: &Scene,
    moves: Option<&Moves>,
    out: &Path,
) -> Result<()> {
    let named_wav = out.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("wav"));
    ensure!(named_wav, "--render {}: is written as WAV; let its name end in .wav", out.display());
    abandon_when_interrupted()?;
    let mut sound = listed.load()?;
    if let Some(rate_hz) = arguments.rate {
        in_range(rate_hz)?;
        sound = sound.at_rate(rate_hz)?;
    }
    let rendered = render(sound, scene, moves, arguments.seconds)?;
    if let Origin::File(stem) = &listed.origin {
        ensure!(
            !is_same_file(out, stem),
            "--render {}: is the stem itself; name another file",
            out.display()
        );
    }
    rendered.write(out)?;
    let seat = match &arguments.moves {
        Some(path) => format!("from the seats of {}", path.display()),
        None => format!("from {}", scene.place_text()),
    };
    say!(
        "{}  {:.1} s at {} Hz: {} {seat}; before level and ceiling",
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
fn run(booth: &mut Booth, seconds: f64) -> Result<()> {
    say!("{} Level {:.0} dB.", booth.said.line, booth.level_db());
    if let Some(input) = booth.input() {
        say!("The microphone {input} stays muted: only the window opens it.");
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
            format!("{missed} missed, {woken_late} of them because the system woke up too late")
        }
    };
    say!(
        "{} blocks of {block} frames at {rate_hz} Hz, {:.1} s of sound in {took_s:.1} s, {missed}",
        counted.blocks,
        sound_s
    );
    if sound_s > 2.0 * took_s + QUEUE_S {
        say!("This device keeps no time: it takes all that it can get, and misses nothing.");
    }
    say!(
        "time of a block that making it took: median {median:.1} %, 99.9 % of blocks within {most:.1} %, worst {worst:.1} %{}",
        if worst >= 100.0 { " or more" } else { "" }
    );
    if counted.is_refused_priority {
        say!("The sound's thread runs among all others: the system gives it no real-time priority.");
    }
    say!("peak of the output {:.1} dBFS", 20.0 * loudest.log10());
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

fn lesson(arguments: &Lesson) -> Result<()> {
    let lessons = lessons::all(&demo())?;
    let Some(name) = &arguments.name else {
        for lesson in lessons {
            say!("{:32} {}", lesson.name, lesson.title);
        }
        say!("Render one: cargo xtask lesson NAME --out DIR");
        return Ok(());
    };
    let lesson = lessons::find(lessons, name)?;
    let out = &arguments.out.clone().unwrap_or_else(|| file_name(&lesson.name).into());
    let mut made = vec![lesson.title.clone()];
    abandon_when_interrupted()?;
    fs::create_dir_all(out)
        .map_err(|error| anyhow!("--out {}: cannot be made ({error}); choose another", out.display()))?;
    say!("{}", lesson.title);
    lesson.listen.lines().for_each(|line| say!("{line}"));
    for (place, seat) in lesson.seats.iter().enumerate() {
        let called = format!("{}-{}", place + 1, file_name(&seat.name));
        let recording = out.join(format!("{called}.wav"));
        lesson.render(seat)?.write(&recording)?;
        made.push(format!("{}\t{}", recording.display(), seat.name));
        // So that the plug-in's own menus can take what was heard.
        let values = &seat.scene.values;
        for kind in [SEAT, PLATFORM] {
            let table = table(kind);
            let contents = contents_of(values, &table, seat.name.clone());
            write_whole(&out.join(format!("{called}.{}.toml", kind.word)), contents.text(&table))?;
        }
        if let Some(hall) = &seat.scene.hall {
            let table = table(HALL);
            let contents = contents_of(hall, &table, seat.name.clone());
            write_whole(&out.join(format!("{called}.hall.toml")), contents.text(&table))?;
        }
        say!("{called}.wav  {}", seat.figures_text(&lesson.figures));
    }
    if let Some(list) = &arguments.made {
        write_whole(list, made.join("\n"))?;
    }
    Ok(())
}

/// Returns a name that any system takes for a file.
fn file_name(name: &str) -> String {
    let letters = name.to_lowercase();
    let words: Vec<&str> =
        letters.split(|letter: char| !letter.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
    words.join("-")
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

    const NONE: &str = "this was built without sound cards; add --render FILE.wav, or --device dummy";

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
