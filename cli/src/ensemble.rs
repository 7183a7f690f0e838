//! An ensemble from its plan: every stem in its seat, the hall on the bus, two mixes, a seating plan, a report.

mod figure;
mod phases;
mod plan_file;

mod excerpt;
mod mix;
mod seat_figures;

mod hall;

mod stem;

mod practice;

mod findings;

mod warnings;

mod figures_table;
mod report;

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::gain_of_db;
use rostra_files::{NewFolder, sync_folder};
use rostra_host::Library;
use rostra_terminal::{say, shown, tell};

use self::excerpt::{Compared, Room, rooms};
use self::findings::{Findings, HallFindings, MixFindings};
use self::hall::Hall;
use self::mix::{Levelled, Sum};
use self::phases::Phases;
use self::plan_file::PlanFile;
use self::practice::expectations;
use self::stem::{Common, Placed, Placing, Stem, mono};
use self::warnings::warnings;
use crate::at_hand::{AtHand, PlugIn};
use crate::place::{Memory, is_same_output};
use crate::recording::{Loudness, Recording, is_same_file};
use crate::seat_file::{SeatFile, SeatFiles};
use crate::seats_picture::{self, Seated, letter};
use crate::setting::plain;

pub(crate) use self::plan_file::PlanFile as Plan;

/// Place the stems of a plan, mix them, and report on every seat.
#[derive(clap::Args, Clone, Debug)]
pub(crate) struct Arguments {
    /// The plan: stems with seats, a platform, a hall.
    #[arg(value_name = "PLAN.toml")]
    pub(crate) plan: PathBuf,
    /// Folder for placed stems, mixes, seating plan and report.
    #[arg(long, value_name = "DIR", default_value = "ensemble")]
    pub(crate) out: PathBuf,
    #[command(flatten)]
    pub(crate) memory: Memory,
}

/// Where everything goes.
struct Files {
    folder: PathBuf,
    placed: PathBuf,
    hall: PathBuf,
    dry_mix: PathBuf,
    placed_mix: PathBuf,
    seats: PathBuf,
    report: PathBuf,
}

impl Files {
    fn within(folder: &Path) -> Self {
        Self {
            folder: folder.to_path_buf(),
            placed: folder.join("placed"),
            hall: folder.join("hall.wav"),
            dry_mix: folder.join("dry mix.wav"),
            placed_mix: folder.join("placed mix.wav"),
            seats: folder.join("seats.png"),
            report: folder.join("report.html"),
        }
    }

    /// Returns the files that every ensemble has, and the hall's; the report last.
    fn all(&self) -> [&PathBuf; 5] {
        [&self.hall, &self.dry_mix, &self.placed_mix, &self.seats, &self.report]
    }

    /// Refuses to write over what the plan reads, and where something else than a file has the name of an output.
    fn check(&self, inputs: &[PathBuf], stems: &[Stem]) -> Result<()> {
        for output in self.all() {
            if let Some(input) = inputs.iter().find(|input| is_same_file(input, output)) {
                bail!(
                    "{} would overwrite {}, which the plan reads; choose another --out",
                    output.display(),
                    input.display()
                );
            }
        }
        for output in self.all().into_iter().chain(stems.iter().map(|stem| &stem.output)) {
            ensure!(
                !output.is_dir(),
                "{}: is a folder, and a file of that name has to be written; choose another --out",
                output.display()
            );
        }
        for folder in [&self.folder, &self.placed] {
            ensure!(
                folder.is_dir() || folder.symlink_metadata().is_err(),
                "--out {}: {} exists and is not a folder; choose another",
                self.folder.display(),
                folder.display()
            );
        }
        Ok(())
    }

    /// Says what was written and how large it is.
    fn print(&self, findings: &Findings) {
        say!("{}  {} placed stems", shown(&self.placed), findings.stems.len());
        let hall = findings.hall.as_ref().map(|_| (&self.hall, "hall return"));
        let others = [
            (&self.dry_mix, "dry mix"),
            (&self.placed_mix, "placed mix"),
            (&self.seats, "seating plan"),
            (&self.report, "report"),
        ];
        for (path, what) in hall.into_iter().chain(others) {
            let bytes = fs::metadata(path).map_or(0, |metadata| metadata.len());
            say!("{}  {what}, {:.1} MB", shown(path), bytes as f64 / 1e6);
        }
    }
}

/// An ensemble that is being made: in a folder of its own, until all of it is there.
struct Making {
    folder: NewFolder,
    files: Files,
    /// Folders that were made for it, the outermost first.
    made: Made,
}

/// Folders that were made, taken away again where nothing came into them.
struct Made(Vec<PathBuf>);

impl Drop for Made {
    fn drop(&mut self) {
        for folder in self.0.iter().rev() {
            // Not empty is the ordinary case.
            let _ = fs::remove_dir(folder);
        }
    }
}

impl Making {
    /// Makes the folder: beside the one that is to come, or within one that is there.
    fn start(out: &Files) -> Result<Self> {
        let cannot =
            |error| anyhow!("--out {}: cannot be created ({error}); choose another", out.folder.display());
        let above = match out.folder.parent() {
            _ if out.folder.is_dir() => out.folder.as_path(),
            Some(above) if !above.as_os_str().is_empty() => above,
            _ => Path::new("."),
        };
        let missing =
            above.ancestors().take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists());
        let made = Made(missing.map(Path::to_path_buf).collect::<Vec<_>>().into_iter().rev().collect());
        fs::create_dir_all(above).map_err(cannot)?;
        let folder = NewFolder::within(above).map_err(cannot)?;
        let files = Files::within(folder.path());
        fs::create_dir(&files.placed).map_err(cannot)?;
        Ok(Self { folder, files, made })
    }

    /// Lets the ensemble appear, all of it at once.
    ///
    /// Where the folder was not there, it gets its name. Where it was, the old
    /// report is taken away first and the new one comes last, so that none tells
    /// of other files than those beside it; whatever else lies there stays.
    fn finish(self, out: &Files, stems: &[Placed]) -> Result<()> {
        let cannot =
            |error| anyhow!("--out {}: cannot be written ({error}); choose another", out.folder.display());
        let Self { folder, files, made } = self;
        if out.folder.symlink_metadata().is_err() {
            // The names of the stems; those of all else follow with the folder's own.
            sync_folder(&files.placed).map_err(cannot)?;
            folder.keep(&out.folder).map_err(cannot)?;
        } else {
            fs::create_dir_all(&out.placed).map_err(cannot)?;
            let mut moves: Vec<(PathBuf, PathBuf)> =
                stems.iter().map(|stem| (stem.written.clone(), stem.output.clone())).collect();
            let mut pairs: Vec<(PathBuf, PathBuf)> =
                files.all().into_iter().cloned().zip(out.all().into_iter().cloned()).collect();
            let report = pairs.pop();
            moves.extend(pairs.into_iter().filter(|(from, _)| from.exists()));
            // PANIC: the report is the last of all.
            folder.hand_out(&moves, &report.expect("there is a report")).map_err(cannot)?;
        }
        drop(made);
        Ok(())
    }
}

/// Renders a plan and says what became of it; returns how many faults it has.
///
/// # Errors
/// When the plan or its platform cannot be read, nothing in it can be
/// rendered, or nothing can be written.
pub(crate) fn run(arguments: &Arguments, at_hand: &AtHand) -> Result<usize> {
    let mut phases = Phases::start();
    let plan = PlanFile::read(&arguments.plan)?;
    let most_bytes = arguments.memory.bytes()?;
    let PlugIn { path: plug_in, library } = at_hand.plug_in()?;
    phases.end("plug-in");

    let files = Files::within(&arguments.out);
    let at_hand = SeatFiles::of_user();
    let platform_file = match &plan.platform {
        Some(written) => at_hand.platform(written)?,
        None => SeatFile::default(),
    };
    let platform: Settings = plain(&platform_file.settings);
    let common = Common {
        plug_ins: &library,
        files: &at_hand,
        platform: &platform_file.settings,
        folder: &files.placed,
        most_bytes,
    };
    let mut faults = plan.faults.clone();
    let hall = open_hall(&library, &at_hand, &plan, &platform, &mut faults);
    let inputs = inputs(&plan, arguments, &plug_in);
    let (stems, rate_hz) = readable(&plan, &inputs, &common, &mut faults);
    some(&stems, arguments, &faults)?;
    phases.end("reading");

    files.check(&inputs, &stems)?;
    let making = Making::start(&files)?;
    let (mix_room, room) = rooms(stems.len(), rate_hz);
    let placing = Placing {
        into: &making.files.placed,
        hall: hall.as_ref(),
        room,
        keeps_loudness: plan.keeps_loudness,
    };
    let stems = place_all(stems, &common, &placing, &mut faults);
    some(&stems, arguments, &faults)?;
    phases.end("placing");

    let (mixes, hall) = mix(&stems, rate_hz, hall.as_ref(), (mix_room, most_bytes), &making.files)?;
    phases.end("hall and mixes");

    let seats: Vec<Seated> = stems
        .iter()
        .map(|stem| Seated { letter: stem.letter.clone(), name: stem.name.clone(), settings: stem.plain })
        .collect();
    seats_picture::draw(&making.files.seats, &format!("{}: seats", plan.name), &seats)?;
    phases.end("seating plan");

    let (expectations, unknown) = expectations(&plan.practice, &stems);
    faults.extend(unknown);
    let findings = Findings {
        platform_name: match &plan.platform {
            Some(path) => platform_file.name.unwrap_or_else(|| stem_of(path)),
            None => "the plug-in's own".into(),
        },
        plan_path: shown(&arguments.plan),
        warnings: warnings(&stems, &platform, &mixes, hall.as_ref()),
        picture: fs::read(&making.files.seats).context("the seating plan")?,
        plan,
        rate_hz,
        platform,
        stems,
        mixes,
        hall,
        faults,
        expectations,
    };
    report::write(&making.files.report, &findings, &phases)?;
    making.finish(&files, &findings.stems)?;
    phases.end("report");

    figures_table::print(&findings);
    say!();
    files.print(&findings);
    say!("{phases}");
    for warning in &findings.warnings {
        tell!("warning: {warning}");
    }
    tell(&findings.faults);
    if !findings.faults.is_empty() {
        tell!(
            "{} placed, {} not rendered or in doubt",
            counted(findings.stems.len(), "stem"),
            counted(findings.faults.len(), "fault")
        );
    }
    Ok(findings.faults.len())
}

/// Refuses a plan of which nothing is left.
fn some<T>(stems: &[T], arguments: &Arguments, faults: &[String]) -> Result<()> {
    if stems.is_empty() {
        tell(faults);
        bail!("{}: has no stem that can be rendered; correct the errors above", arguments.plan.display());
    }
    Ok(())
}

fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

fn tell(faults: &[String]) {
    for fault in faults {
        tell!("error: {fault}");
    }
}

/// Returns all that the plan and the command name, refused or not: nothing is written over any of it.
fn inputs(plan: &PlanFile, arguments: &Arguments, plug_in: &Path) -> Vec<PathBuf> {
    let others = [Some(&arguments.plan), plan.platform.as_ref(), plan.hall.as_ref().map(|(path, _)| path)];
    let named = others.into_iter().flatten().cloned().chain([plug_in.to_path_buf()]);
    plan.named.iter().cloned().chain(named).collect()
}

/// Looks at every stem and keeps those that can be placed and mixed, with their common rate, Hz.
fn readable(
    plan: &PlanFile,
    inputs: &[PathBuf],
    common: &Common,
    faults: &mut Vec<String>,
) -> (Vec<Stem>, u32) {
    let looked_at: Vec<Result<Stem>> =
        plan.stems.par_iter().map(|entry| Stem::look_at(entry, common)).collect();
    let stems = kept(looked_at, faults);
    let (stems, rate_hz) = of_one_rate(stems, faults);
    (without_clashes(stems, inputs, faults), rate_hz)
}

/// Places every stem, several at a time.
fn place_all(stems: Vec<Stem>, common: &Common, placing: &Placing, faults: &mut Vec<String>) -> Vec<Placed> {
    let progress = progress_bar(stems.len());
    let outcomes: Vec<Result<Placed>> = stems
        .into_par_iter()
        .enumerate()
        .map(|(index, stem)| {
            let outcome = stem.place(letter(index), common, placing);
            progress.inc(1);
            outcome
        })
        .collect();
    progress.finish_and_clear();
    kept(outcomes, faults)
}

/// Opens the plan's hall; a fault leaves it out.
fn open_hall<'a>(
    library: &'a Library,
    files: &SeatFiles,
    plan: &PlanFile,
    platform: &Settings,
    faults: &mut Vec<String>,
) -> Option<Hall<'a>> {
    let (path, from) = plan.hall.as_ref()?;
    match Hall::open(library, files, path, plan.hall_level_db, platform) {
        Ok(hall) => Some(hall),
        Err(error) => {
            faults.push(format!("{from}: the hall is not rendered: {error:#}"));
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
            "{}: {}: has a sample rate of {} Hz, the other stems {rate_hz} Hz; convert it to {rate_hz} Hz so that they can be mixed",
            stem.entry.from,
            stem.entry.file.display(),
            stem.rate_hz
        )
    }));
    (kept, rate_hz)
}

/// Keeps the stems whose output overwrites neither what the plan reads nor another output.
fn without_clashes(stems: Vec<Stem>, inputs: &[PathBuf], faults: &mut Vec<String>) -> Vec<Stem> {
    let mut kept: Vec<Stem> = Vec::new();
    for stem in stems {
        let (from, file, output) = (&stem.entry.from, stem.entry.file.display(), stem.output.display());
        if let Some(input) = inputs.iter().find(|input| is_same_file(input, &stem.output)) {
            faults.push(format!(
                "{from}: {file}: its output {output} would overwrite {}, which the plan reads; choose another --out",
                input.display()
            ));
        } else if let Some(other) = kept.iter().find(|other| is_same_output(&other.output, &stem.output)) {
            faults.push(format!(
                "{from}: {file}: its output {output} would overwrite that of {} ({}); give it a different name: name = \"...\"",
                other.entry.file.display(),
                other.entry.from
            ));
        } else {
            kept.push(stem);
        }
    }
    kept
}

fn stem_of(path: &Path) -> String {
    path.file_stem().unwrap_or_default().to_string_lossy().into_owned()
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
    (room, most_bytes): (Room, u64),
    files: &Files,
) -> Result<(MixFindings, Option<HallFindings>)> {
    let (mut dry, mut placed, mut bus) = (Sum::new(rate_hz), Sum::new(rate_hz), Sum::new(rate_hz));
    // In the order of the plan and not as they are done: so the same plan gives the same bits.
    for stem in stems {
        let mut add = || -> Result<()> {
            dry.add(&Recording::read_within(&stem.entry.file, most_bytes)?, gain_of_db(stem.entry.gain_db))?;
            // As long as it was written, and so in memory before.
            let seated = Recording::read_within(&stem.written, u64::MAX)?;
            placed.add(&seated, 1.0)?;
            if hall.is_some() {
                bus.add(&seated, gain_of_db(stem.send_db))?;
            }
            Ok(())
        };
        add().with_context(|| stem.name.clone())?;
    }
    let hall = hall
        .map(|hall| -> Result<HallFindings> {
            let answer = hall.render(&bus.recording)?;
            placed.add(&answer, 1.0)?;
            answer.write(&files.hall)?;
            let unit = Recording { rate_hz, channels: vec![vec![1.0]; 2] };
            Ok(HallFindings {
                name: hall.name.clone(),
                words: hall.words.clone(),
                level_db: hall.level_db,
                natural_db: hall.natural_db,
                lets_through: hall.lets_through,
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
    dry.write(&files.dry_mix)?;
    placed.write(&files.placed_mix)?;
    let mixes =
        MixFindings { levelled, dry_mono, placed_mono, compared: Compared::of(&dry, &placed, &room)? };
    Ok((mixes, hall))
}
