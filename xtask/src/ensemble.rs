//! An ensemble from its plan: every stem in its seat, the hall on the bus, two mixes, a sheet of seats, a report.

mod excerpt;
mod hall;
mod mix;
mod phases;
mod plan_file;
mod practice;
mod report;
mod seat_figures;
mod stem;

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail};
use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;
use rostra_dsp::Settings;
use rostra_dsp::measure::MonoSum;

use self::excerpt::{Compared, excerpt_lengths_s};
use self::hall::Hall;
use self::mix::{Levelled, Sum};
use self::phases::Phases;
use self::plan_file::PlanFile;
use self::practice::{Expectation, expectations};
use self::stem::{Common, Placed, Stem, mono};
use crate::loudness::Loudness;
use crate::offline_host::Library;
use crate::place;
use crate::recording::{Recording, decibels, new_file_in};
use crate::seat_file::SeatFile;
use crate::seats_picture::{self, Seated, letter};
use crate::sitting::plain_settings;
use crate::workspace::shown;

pub(crate) use self::plan_file::PlanFile as Plan;

/// Place the stems of a plan, mix them, and report on every seat.
#[derive(clap::Args, Clone, Debug)]
pub(crate) struct Arguments {
    /// The plan: stems with seats, a platform, a hall.
    #[arg(value_name = "PLAN.toml")]
    pub(crate) plan: PathBuf,
    /// Folder for placed stems, mixes, sheet of seats and report.
    #[arg(long, value_name = "DIR", default_value = "ensemble")]
    pub(crate) out: PathBuf,
    /// Another build of the plug-in than this checkout's bundle.
    #[arg(long, value_name = "FILE.clap")]
    pub(crate) plugin: Option<PathBuf>,
}

/// Distance under which two seats count as one spot, m.
///
/// Half of what one seated player takes up: chairs of a section stand some 0.6 m
/// apart at the least (from memory). Nearer than that the two hear one room, and
/// the plan most likely names one seat twice.
const ONE_SPOT_M: f64 = 0.3;

/// Loss of level in mono from which a warning is given, dB, after rounding to a tenth.
///
/// Two unrelated channels lose 3.01 dB by definition ([`MonoSum`]); more means
/// that they cancel. The rounding keeps a tail, whose channels are unrelated but
/// for chance, from being warned of.
const MONO_LOSS_DB: f64 = 3.0;

/// What is known of the hall.
struct HallFindings {
    name: String,
    words: Vec<(String, String)>,
    level_db: f64,
    pre_delay_s: f64,
    decay_s: Option<f64>,
    loudness: Loudness,
    mono: Option<MonoSum>,
}

/// What is known of the mixes.
struct MixFindings {
    levelled: Levelled,
    seconds: f64,
    dry_mono: Option<MonoSum>,
    placed_mono: Option<MonoSum>,
    compared: Option<Compared>,
}

/// All that the report tells.
struct Findings {
    plan: PlanFile,
    plan_path: String,
    rate_hz: u32,
    platform_name: String,
    platform: Settings,
    stems: Vec<Placed>,
    mixes: MixFindings,
    hall: Option<HallFindings>,
    faults: Vec<String>,
    warnings: Vec<String>,
    expectations: Vec<Expectation>,
    picture: Vec<u8>,
}

/// Renders a plan and says what became of it; returns how many faults it has.
///
/// # Errors
/// When the plan or its platform cannot be read, nothing in it can be
/// rendered, or nothing can be written.
pub(crate) fn run(arguments: &Arguments) -> Result<usize> {
    let mut phases = Phases::start();
    let plan = PlanFile::read(&arguments.plan)?;
    let common = place::Common { plugin: arguments.plugin.clone(), ..place::Common::default() };
    let library = common.plug_in()?;
    phases.end("plug-in");

    let out = &arguments.out;
    let (placed_folder, [hall_path, dry_path, placed_path, picture_path, report_path]) = (
        out.join("placed"),
        ["hall.wav", "dry mix.wav", "placed mix.wav", "seats.png", "report.html"].map(|name| out.join(name)),
    );
    let platform_file = plan.platform.as_deref().map(SeatFile::read).transpose()?.unwrap_or_default();
    let mut instance = library.instance()?;
    let parameters = instance.parameters()?;
    let platform = plain_settings(&instance.settings(&parameters, &platform_file.wishes)?);
    drop(instance);
    let common = Common {
        library: &library,
        parameters: &parameters,
        platform: &platform_file.wishes,
        folder: &placed_folder,
    };
    let mut faults = plan.faults.clone();
    let hall = open_hall(&library, &plan, &mut faults);
    let looked_at: Vec<Result<Stem>> =
        plan.stems.par_iter().map(|entry| Stem::look_at(entry, &common)).collect();
    let stems = kept(looked_at, &mut faults);
    let (stems, rate_hz) = of_one_rate(stems, &mut faults);
    let stems = without_clashes(stems, &mut faults);
    if stems.is_empty() {
        tell(&faults, &[]);
        bail!("{}: holds no stem that can be rendered", arguments.plan.display());
    }
    phases.end("reading");

    make_folder(&placed_folder, out)?;
    let inputs: Vec<PathBuf> = plan.stems.iter().map(|stem| stem.file.clone()).collect();
    for output in [&hall_path, &dry_path, &placed_path] {
        if let Some(input) = inputs.iter().find(|input| is_same_file(input, output)) {
            bail!("{} would overwrite the stem {}; choose another --out", output.display(), input.display());
        }
    }
    let (mix_excerpt_s, stem_excerpt_s) = excerpt_lengths_s(stems.len(), rate_hz);
    let progress = progress_bar(stems.len());
    let outcomes: Vec<Result<Placed>> = stems
        .into_par_iter()
        .enumerate()
        .map(|(index, stem)| {
            let outcome = stem.place(letter(index), &common, hall.as_ref(), stem_excerpt_s);
            progress.inc(1);
            outcome
        })
        .collect();
    progress.finish_and_clear();
    let stems = kept(outcomes, &mut faults);
    if stems.is_empty() {
        tell(&faults, &[]);
        bail!("{}: holds no stem that can be rendered", arguments.plan.display());
    }
    phases.end("placing");

    let (mixes, hall) = mix(&stems, rate_hz, hall.as_ref(), plan.hall_level_db, mix_excerpt_s, [
        &hall_path,
        &dry_path,
        &placed_path,
    ])?;
    phases.end("hall and mixes");

    let seats: Vec<Seated> = stems
        .iter()
        .map(|stem| Seated { letter: stem.letter.clone(), name: stem.name.clone(), settings: stem.plain })
        .collect();
    seats_picture::draw(&picture_path, &format!("{}: seats", plan.name), &seats)?;
    phases.end("sheet of seats");

    let (expectations, unknown) = expectations(&plan.practice, &stems);
    faults.extend(unknown);
    let findings = Findings {
        platform_name: plan
            .platform
            .as_deref()
            .map_or_else(|| "the plug-in's own".into(), |path| platform_file.name.unwrap_or_else(|| stem_of(path))),
        plan_path: arguments.plan.display().to_string(),
        warnings: warnings(&stems, &platform, &mixes, hall.as_ref()),
        picture: fs::read(&picture_path).with_context(|| picture_path.display().to_string())?,
        plan,
        rate_hz,
        platform,
        stems,
        mixes,
        hall,
        faults,
        expectations,
    };
    report::write(&report_path, &findings, &phases)?;
    phases.end("report");

    print(&findings);
    println!();
    let hall_stem = findings.hall.as_ref().map(|_| (&hall_path, "what the hall answers"));
    let files = [
        (&dry_path, "dry mix"),
        (&placed_path, "placed mix"),
        (&picture_path, "sheet of seats"),
        (&report_path, "report"),
    ];
    println!("{}  {} placed stems", shown(&placed_folder), findings.stems.len());
    for (path, what) in hall_stem.into_iter().chain(files) {
        let bytes = fs::metadata(path).map_or(0, |metadata| metadata.len());
        println!("{}  {what}, {:.1} MB", shown(path), bytes as f64 / 1e6);
    }
    println!("{phases}");
    tell(&findings.faults, &findings.warnings);
    if !findings.faults.is_empty() {
        eprintln!("{} stems placed, {} faults", findings.stems.len(), findings.faults.len());
    }
    Ok(findings.faults.len())
}

/// Opens the plan's hall; a fault leaves it out.
fn open_hall(library: &Library, plan: &PlanFile, faults: &mut Vec<String>) -> Option<Hall> {
    let (path, from) = plan.hall.as_ref()?;
    match Hall::open(library, path, plan.hall_level_db) {
        Ok(hall) => Some(hall),
        Err(error) => {
            faults.push(format!("{from}: the hall is left out: {error:#}"));
            None
        }
    }
}

/// Takes out what went well and writes down what did not.
fn kept<T>(outcomes: Vec<Result<T>>, faults: &mut Vec<String>) -> Vec<T> {
    let mut kept = Vec::new();
    for outcome in outcomes {
        match outcome {
            Ok(thing) => kept.push(thing),
            Err(error) => faults.push(format!("{error:#}")),
        }
    }
    kept
}

/// Keeps the stems of the most common rate, of two equally common ones that of the earlier stem.
fn of_one_rate(stems: Vec<Stem>, faults: &mut Vec<String>) -> (Vec<Stem>, u32) {
    let count = |rate_hz: u32| stems.iter().filter(|stem| stem.rate_hz == rate_hz).count();
    let most = stems.iter().map(|stem| count(stem.rate_hz)).max().unwrap_or(0);
    let rate_hz = stems.iter().map(|stem| stem.rate_hz).find(|&rate_hz| count(rate_hz) == most).unwrap_or(0);
    let (kept, others): (Vec<Stem>, Vec<Stem>) = stems.into_iter().partition(|stem| stem.rate_hz == rate_hz);
    faults.extend(others.iter().map(|stem| {
        format!(
            "{}: {}: has {} Hz, the other stems {rate_hz} Hz; convert it to {rate_hz} Hz, so that they can be mixed",
            stem.entry.from,
            stem.entry.file.display(),
            stem.rate_hz
        )
    }));
    (kept, rate_hz)
}

/// Keeps the stems whose output overwrites neither a stem nor another output.
fn without_clashes(stems: Vec<Stem>, faults: &mut Vec<String>) -> Vec<Stem> {
    let inputs: Vec<PathBuf> = stems.iter().map(|stem| stem.entry.file.clone()).collect();
    let mut kept: Vec<Stem> = Vec::new();
    for stem in stems {
        let (from, file, output) = (&stem.entry.from, stem.entry.file.display(), stem.output.display());
        if let Some(input) = inputs.iter().find(|input| is_same_file(input, &stem.output)) {
            faults.push(format!(
                "{from}: {file}: its output {output} would overwrite the stem {}; choose another --out",
                input.display()
            ));
        } else if let Some(other) = kept.iter().find(|other| other.output == stem.output) {
            faults.push(format!(
                "{from}: {file}: its output {output} would overwrite that of {} ({}); give it a name of its own: name = \"...\"",
                other.entry.file.display(),
                other.entry.from
            ));
        } else {
            kept.push(stem);
        }
    }
    kept
}

fn is_same_file(a: &Path, b: &Path) -> bool {
    a.canonicalize().is_ok_and(|a| b.canonicalize().is_ok_and(|b| a == b))
}

fn stem_of(path: &Path) -> String {
    path.file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

/// Makes the folders and tries whether they can be written to.
fn make_folder(placed: &Path, out: &Path) -> Result<()> {
    fs::create_dir_all(placed)
        .map_err(|error| anyhow!("--out {}: cannot be made ({error}); choose another", out.display()))?;
    drop(new_file_in(out)?);
    drop(new_file_in(placed)?);
    Ok(())
}

fn progress_bar(stems: usize) -> ProgressBar {
    // PANIC: the template is a constant, and every ensemble runs through here.
    let style = ProgressStyle::with_template("{spinner} placing {len} stems  {wide_bar} {pos}")
        .expect("the template is well formed");
    ProgressBar::new(stems as u64).with_style(style)
}

/// Sums the stems dry, placed, and as the hall hears them; renders the hall; writes both mixes and the hall.
fn mix(
    stems: &[Placed],
    rate_hz: u32,
    hall: Option<&Hall>,
    hall_level_db: f64,
    excerpt_s: f64,
    [hall_path, dry_path, placed_path]: [&Path; 3],
) -> Result<(MixFindings, Option<HallFindings>)> {
    let (mut dry, mut placed, mut bus) = (Sum::new(rate_hz), Sum::new(rate_hz), Sum::new(rate_hz));
    // In the order of the plan and not as they are done: so the same plan gives the same bits.
    for stem in stems {
        let add = || -> Result<()> {
            dry.add(&Recording::read(&stem.entry.file)?, 10_f64.powf(stem.entry.gain_db / 20.0))?;
            let seated = Recording::read(&stem.output)?;
            placed.add(&seated, 1.0)?;
            if hall.is_some() {
                bus.add(&seated, 10_f64.powf(stem.send_db / 20.0))?;
            }
            Ok(())
        };
        let mut add = add;
        add().with_context(|| stem.name.clone())?;
    }
    let hall = hall
        .map(|hall| -> Result<HallFindings> {
            let answer = hall.render(&bus.recording)?;
            placed.add(&answer, 1.0)?;
            answer.write(hall_path)?;
            let unit = Recording { rate_hz, channels: vec![vec![1.0]; 2] };
            Ok(HallFindings {
                name: hall.name.clone(),
                words: hall.words.clone(),
                level_db: hall_level_db,
                pre_delay_s: hall.pre_delay_s,
                decay_s: hall.decay_s(&unit)?,
                loudness: Loudness::of(&answer)?,
                mono: mono(&answer),
            })
        })
        .transpose()?;
    // As long as each other, so that both can be looped and compared.
    let frames = placed.recording.frames().max(dry.recording.frames());
    dry.pad(frames);
    placed.pad(frames);
    let (mut dry, mut placed) = (dry.recording, placed.recording);
    let (dry_mono, placed_mono) = (mono(&dry), mono(&placed));
    let levelled = Levelled::of(&mut dry, &mut placed)?;
    dry.write(dry_path)?;
    placed.write(placed_path)?;
    let mixes = MixFindings {
        levelled,
        seconds: placed.seconds(),
        dry_mono,
        placed_mono,
        compared: Compared::of(&dry, &placed, excerpt_s)?,
    };
    Ok((mixes, hall))
}

/// Says what is allowed and yet worth a look.
fn warnings(
    stems: &[Placed],
    platform: &Settings,
    mixes: &MixFindings,
    hall: Option<&HallFindings>,
) -> Vec<String> {
    let mut warnings = Vec::new();
    for (index, stem) in stems.iter().enumerate() {
        let called = format!("{} ({}, {})", stem.name, stem.letter, stem.entry.from);
        if let Some(moved) = &stem.moved {
            warnings.push(format!("{called}: {}", moved.trim_start_matches("note: ")));
        }
        for other in &stems[..index] {
            let apart_m = stem.distance_m(other);
            if apart_m < ONE_SPOT_M {
                warnings.push(format!(
                    "{called} and {} ({}, {}) sit {apart_m:.2} m apart, which is one spot: do both name one seat? Both are placed; move one by more than {ONE_SPOT_M} m",
                    other.name, other.letter, other.entry.from
                ));
            }
        }
        if (stem.plain.platform, stem.plain.pickup) != (platform.platform, platform.pickup) {
            warnings.push(format!(
                "{called} stands on another platform or hears another pickup than the plan's; leave those values out of its seat"
            ));
        }
        if stem.dry.integrated_lufs.is_none() {
            let what = if stem.dry.true_peak > 0.0 { "is too short or too soft to be measured" } else { "is silent" };
            warnings.push(format!("{called} {what}; is it the right file?"));
        }
        warnings.extend(mono_warning(&called, stem.mono));
    }
    warnings.extend(hall.and_then(|hall| mono_warning(&format!("the hall, {}", hall.name), hall.mono)));
    warnings.extend(mono_warning("the placed mix", mixes.placed_mono));
    if mixes.levelled.ended_lufs().is_none() {
        warnings.push("the mixes are too short or too soft to be measured; their levels stay as summed".into());
    }
    warnings
}

/// Warns where a sound loses too much in mono.
fn mono_warning(called: &str, sum: Option<MonoSum>) -> Option<String> {
    let change_db = sum?.change_db;
    is_lost(change_db).then(|| {
        format!(
            "{called} loses {:.1} dB in mono, more than the 3.0 dB of two unrelated channels: its channels cancel; look at width, bearing and pickup",
            -change_db
        )
    })
}

/// Returns whether a change in mono is a loss to be warned of.
fn is_lost(change_db: f64) -> bool {
    (-change_db * 10.0).round() / 10.0 > MONO_LOSS_DB
}

/// Prints a line for each stem, then the mixes.
fn print(findings: &Findings) {
    println!(
        "{}{}",
        findings.plan.name,
        findings.plan.cue.as_ref().map_or_else(String::new, |cue| format!(": {cue}"))
    );
    println!(
        "   {:18} {:>9} {:>6} {:>6} {:>6} {:>6} {:>7} {:>7} {:>7} {:>7} {:>6} {:>6}",
        "", "D/R dB", "send", "gap ms", "T s", "C80", "C80+h", "bright", "dry LU", "placed", "mono", "corr"
    );
    for stem in &findings.stems {
        let (figures, needs) = (&stem.figures, &stem.figures.needs);
        println!(
            "{:>2} {:18.18} {:+9.1} {:+6.1} {:>6} {:>6} {:+6.1} {:>7} {:>7} {:>7} {:>7} {:>6} {:>6}",
            stem.letter,
            stem.name,
            needs.direct_to_reflected_db,
            stem.send_db,
            or_dash(findings.hall.as_ref().map(|hall| (hall.pre_delay_s + needs.later_s) * 1e3), 1),
            or_dash(figures.decay_s, 2),
            figures.clarity_db,
            or_dash(stem.hall_clarity_db, 1),
            or_dash(figures.brightness_db, 1),
            or_dash(stem.dry.integrated_lufs, 1),
            or_dash(stem.placed.integrated_lufs, 1),
            or_dash(stem.mono.map(|sum| sum.change_db), 1),
            or_dash(stem.mono.map(|sum| sum.correlation), 2),
        );
    }
    let levelled = &findings.mixes.levelled;
    println!();
    if let Some(hall) = &findings.hall {
        println!(
            "hall        {}: pre-delay {:.0} ms, decay {} s, level {:+.1} dB, {} LUFS, mono {} dB",
            hall.name,
            hall.pre_delay_s * 1e3,
            or_dash(hall.decay_s, 2),
            hall.level_db,
            or_dash(hall.loudness.integrated_lufs, 1),
            or_dash(hall.mono.map(|sum| sum.change_db), 1)
        );
    } else {
        println!("hall        none: the plan names none, or it could not be had");
    }
    for (name, loudness, gain_db, sum) in [
        ("dry mix", levelled.dry, levelled.dry_gain_db, findings.mixes.dry_mono),
        ("placed mix", levelled.placed, levelled.placed_gain_db, findings.mixes.placed_mono),
    ] {
        println!(
            "{name:11} {} LUFS, {:.1} dBTP as summed, moved by {gain_db:+.2} dB; mono {} dB, correlation {}",
            or_dash(loudness.integrated_lufs, 1),
            decibels(loudness.true_peak),
            or_dash(sum.map(|sum| sum.change_db), 1),
            or_dash(sum.map(|sum| sum.correlation), 2)
        );
    }
    if let Some(lufs) = levelled.ended_lufs() {
        println!("both mixes  {lufs:.1} LUFS (EBU R 128)");
    }
    for expectation in &findings.expectations {
        println!(
            "{:11} {}: {}",
            if expectation.holds { "holds" } else { "DOES NOT" },
            expectation.what,
            expectation.figures
        );
    }
}

/// Returns a figure, or a dash where there is none.
fn or_dash(figure: Option<f64>, decimals: usize) -> String {
    figure.map_or_else(|| "-".into(), |figure| format!("{figure:.decimals$}"))
}

fn tell(faults: &[String], warnings: &[String]) {
    for warning in warnings {
        eprintln!("warning: {warning}");
    }
    for fault in faults {
        eprintln!("error: {fault}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_decibels_are_no_loss_and_a_tenth_more_is() {
        assert!(!is_lost(0.0) && !is_lost(-3.0) && !is_lost(-10.0 * 2.0_f64.log10()));
        assert!(is_lost(-3.06) && is_lost(-20.0) && is_lost(f64::NEG_INFINITY));
        let warned = mono_warning("Harp", Some(MonoSum { change_db: -7.04, correlation: -0.6 })).unwrap();
        assert!(warned.contains("Harp loses 7.0 dB"), "{warned}");
        assert_eq!(mono_warning("Harp", None), None);
    }
}
