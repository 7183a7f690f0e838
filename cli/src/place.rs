//! Places recordings: one output for each input, rendered through the plug-in.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;
use rostra_dsp::Settings;
use rostra_files::safe_name;
use rostra_host::Library;
use rostra_terminal::{printable, say, shown, tell};

use crate::at_hand::{AtHand, PlugIn};
use crate::recording::{MOST_BYTES, Metadata, Recording, decibels, is_same_file, is_same_name, new_file_in};
use crate::seat_file::SeatFiles;
use crate::setting::{Setting, moved_text, of_options, render};

/// What stands after the recording's own name in the name of its output.
const PLACED: &str = " placed";

/// Place recordings on a platform.
#[derive(clap::Args, Debug)]
pub(crate) struct Arguments {
    /// Recordings: WAV, AIFF or FLAC, mono or stereo, 8 to 768 kHz.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// A seat file, or a name that `files` lists: one for all recordings, or one for each in order.
    #[arg(long, value_name = "FILE.toml|NAME")]
    seat: Vec<PathBuf>,
    #[command(flatten)]
    common: Common,
    /// Folder for the outputs.
    #[arg(long, value_name = "DIR", default_value = "placed")]
    out: PathBuf,
    /// Place mono recordings for a single omni: one channel in, one out.
    #[arg(long)]
    mono: bool,
    #[command(flatten)]
    memory: Memory,
}

/// How much memory a recording may take.
#[derive(clap::Args, Clone, Copy, Debug)]
pub(crate) struct Memory {
    /// Most memory that the audio of one recording may use, GiB: 2 hold 90 minutes of stereo at 48 kHz.
    #[arg(long = "memory", value_name = "GIB", default_value_t = MOST_BYTES as f64 / GIB)]
    gib: f64,
}

impl Default for Memory {
    fn default() -> Self {
        Self { gib: MOST_BYTES as f64 / GIB }
    }
}

/// Bytes of a GiB.
const GIB: f64 = (1_u64 << 30) as f64;

impl Memory {
    /// Returns it in bytes.
    ///
    /// # Errors
    /// When it is none.
    pub(crate) fn bytes(self) -> Result<u64> {
        ensure!(self.gib > 0.0, "--memory {}: must be more than 0; give GiB, as in --memory 4", self.gib);
        Ok((self.gib * GIB) as u64)
    }
}

/// Options that `place` and `impulse` share.
#[derive(clap::Args, Clone, Debug, Default)]
pub(crate) struct Common {
    /// A platform file, or a name that `files` lists, for all recordings.
    #[arg(long, value_name = "FILE.toml|NAME")]
    pub(crate) platform: Option<PathBuf>,
    /// A parameter by its id, as in --set depth=8.5 or --set "family=rear bell"; overrides the files.
    #[arg(long, value_name = "ID=VALUE")]
    pub(crate) set: Vec<String>,
}

impl Common {
    /// Reads them: the files at hand, what the platform sets, and what the options set.
    ///
    /// # Errors
    /// When the platform file cannot be read, or an option asks for what cannot be had.
    pub(crate) fn read(&self) -> Result<(SeatFiles, Vec<Setting>, Vec<Setting>)> {
        let options = of_options::<Settings>(&self.set)?;
        let files = SeatFiles::of_user();
        let platform = self.platform.as_deref().map(|written| files.platform(written)).transpose()?;
        Ok((files, platform.unwrap_or_default().settings, options))
    }
}

/// A recording, the seat it is to have, and where the output goes.
#[derive(Clone, Debug)]
pub(crate) struct Task {
    /// The recording.
    pub(crate) input: PathBuf,
    /// Its seat file, if it has one.
    pub(crate) seat: Option<PathBuf>,
    /// The output.
    pub(crate) output: PathBuf,
}

/// What became of a task.
#[derive(Clone, Debug)]
pub(crate) struct Placed {
    /// Where it was written.
    pub(crate) output: PathBuf,
    /// Its length, tail included, in seconds.
    pub(crate) seconds: f64,
    /// Its peak, full scale = 1.
    pub(crate) peak: f32,
    /// Said when the seat lay off the platform, and when something beside the sound was left behind.
    pub(crate) notes: Vec<String>,
}

/// Places recordings and says of each what became of it; returns how many were refused.
///
/// # Errors
/// When nothing can be placed at all: no plug-in, a broken platform file, an
/// unknown option, a folder that cannot be written to.
pub(crate) fn run(arguments: &Arguments, at_hand: &AtHand) -> Result<usize> {
    let seats = &arguments.seat;
    ensure!(
        seats.len() <= 1 || seats.len() == arguments.files.len(),
        "{} recordings, but {} seats: give one seat for all recordings, or one for each",
        arguments.files.len(),
        seats.len()
    );
    let tasks: Vec<Task> = arguments
        .files
        .iter()
        .enumerate()
        .map(|(index, input)| Task {
            input: input.clone(),
            seat: seats.get(index).or(seats.first()).cloned(),
            output: arguments.out.join(output_name(input)),
        })
        .collect();
    let plug_in = at_hand.plug_in()?;
    let outcomes = place_all(&plug_in, &tasks, arguments)?;
    Ok(report(&tasks, &outcomes))
}

/// Places every task, several at a time; the outcomes are in the order of the tasks.
///
/// # Errors
/// When nothing can be placed at all.
fn place_all(plug_in: &PlugIn, tasks: &[Task], arguments: &Arguments) -> Result<Vec<Result<Placed>>> {
    let PlugIn { path: plug_in, library } = plug_in;
    let Arguments { common, mono, out, .. } = arguments;
    let most_bytes = arguments.memory.bytes()?;
    let (files, platform, options) = common.read()?;
    // What holds for all is looked at before anything is rendered.
    let one_seat = tasks.first().and_then(|task| task.seat.as_deref());
    let for_all = one_seat.filter(|_| tasks.iter().all(|task| task.seat.as_deref() == one_seat));
    settings_of(&files, &platform, for_all, &options)?;

    let inputs = inputs(tasks, arguments, plug_in);
    let folder = OutputFolder::open(out)?;
    let progress = progress_bar(tasks);
    let outcomes: Vec<Result<Placed>> = tasks
        .par_iter()
        .enumerate()
        .map(|(index, task)| {
            check_output(tasks, index, &inputs)?;
            let seat = task.seat.as_deref();
            let settings = settings_of(&files, &platform, seat, &options)
                .with_context(|| task.input.display().to_string())?;
            let placed = place(library, task, &settings, (*mono, most_bytes), &progress);
            let name = task.input.file_name().unwrap_or_default().to_string_lossy();
            progress.set_message(printable(&name).into_owned());
            placed
        })
        .collect();
    progress.finish_and_clear();
    folder.close();
    Ok(outcomes)
}

/// Returns the settings of one seat: platform, seat and options, the later ones winning.
///
/// # Errors
/// When the seat file cannot be read, or asks for what cannot be had.
pub(crate) fn settings_of(
    files: &SeatFiles,
    platform: &[Setting],
    seat: Option<&Path>,
    options: &[Setting],
) -> Result<Vec<Setting>> {
    let seat = match seat {
        Some(written) => files.seat(written)?.settings,
        None => Vec::new(),
    };
    Ok([platform, &seat, options].concat())
}

/// Prints a line for each outcome, refusals on stderr, and returns how many were refused.
pub(crate) fn report(tasks: &[Task], outcomes: &[Result<Placed>]) -> usize {
    for (task, outcome) in tasks.iter().zip(outcomes) {
        match outcome {
            Ok(placed) => {
                let name = task.input.file_name().unwrap_or_default().to_string_lossy();
                say!(
                    "{name:24} {:8.2} s   peak {}   {}",
                    placed.seconds,
                    peak_text(placed.peak),
                    shown(&placed.output)
                );
                for note in &placed.notes {
                    say!("{:24} {note}", "");
                }
            }
            Err(error) => tell!("error: {error:#}"),
        }
    }
    let refused = outcomes.iter().filter(|outcome| outcome.is_err()).count();
    if refused > 0 {
        tell!("{} placed, {refused} refused", outcomes.len() - refused);
    }
    refused
}

/// Returns a peak in dBFS, in words where it has none.
fn peak_text(peak: f32) -> String {
    if peak > 0.0 { format!("{:6.1} dBFS", decibels(f64::from(peak))) } else { "    silence".into() }
}

fn place(
    library: &Library,
    task: &Task,
    settings: &[Setting],
    (is_mono, most_bytes): (bool, u64),
    progress: &ProgressBar,
) -> Result<Placed> {
    let recording = Recording::read_within(&task.input, most_bytes)?;
    let inputs = recording.channels.len();
    ensure!(
        !is_mono || inputs == 1,
        "{}: is stereo, and --mono takes only mono recordings; leave --mono out, or mix this one down",
        task.input.display()
    );
    let outputs = if is_mono { 1 } else { 2 };
    let bytes_per_frame = file_bytes(&task.input) as f64 / recording.frames() as f64;
    let placed = render(library.seat()?, settings, &recording, outputs, &|frames| {
        progress.inc((frames as f64 * bytes_per_frame) as u64);
    })
    .with_context(|| task.input.display().to_string())?;
    let metadata = Metadata::of_placed(&task.input, &recording, &placed);
    placed.write_with(&metadata, &task.output)?;
    Ok(Placed {
        output: task.output.clone(),
        seconds: placed.seconds(),
        peak: placed.peak(),
        notes: moved_text(settings).into_iter().chain(metadata.note()).collect(),
    })
}

/// Returns the name of the output of a recording: one that every file system takes.
pub(crate) fn output_name(input: &Path) -> String {
    name_of_placed(&input.file_stem().unwrap_or_default().to_string_lossy())
}

/// Returns the name of the output of what goes by a name.
pub(crate) fn name_of_placed(name: &str) -> String {
    format!("{}{PLACED}.wav", safe_name(name).as_deref().unwrap_or("recording"))
}

/// Says whether two outputs in one folder would be one file, on this disk or another.
pub(crate) fn is_same_output(a: &Path, b: &Path) -> bool {
    let name = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    a.parent() == b.parent() && is_same_name(&name(a), &name(b))
}

/// Returns all that a run reads, refused or not.
fn inputs(tasks: &[Task], arguments: &Arguments, plug_in: &Path) -> Vec<PathBuf> {
    let seats = tasks.iter().filter_map(|task| task.seat.clone());
    let recordings = tasks.iter().map(|task| task.input.clone());
    let common = arguments.common.platform.iter().cloned().chain([plug_in.to_path_buf()]);
    recordings.chain(seats).chain(common).collect()
}

/// Refuses an output that is something which the run reads, or the output of an earlier task.
fn check_output(tasks: &[Task], index: usize, inputs: &[PathBuf]) -> Result<()> {
    let task = &tasks[index];
    if let Some(input) = inputs.iter().find(|input| is_same_file(input, &task.output)) {
        bail!(
            "{}: its output {} would overwrite {}, which is an input; choose another --out",
            task.input.display(),
            task.output.display(),
            input.display()
        );
    }
    if let Some(other) = tasks[..index].iter().find(|other| is_same_output(&other.output, &task.output)) {
        bail!(
            "{}: its output {} would overwrite that of {}; place one of them with another --out",
            task.input.display(),
            task.output.display(),
            other.input.display()
        );
    }
    Ok(())
}

/// The folder of the outputs; taken away again if nothing was put into it.
struct OutputFolder {
    made: Option<PathBuf>,
}

impl OutputFolder {
    /// Makes the folder where it does not exist and tries whether it can be written to.
    fn open(path: &Path) -> Result<Self> {
        let is_new = !path.exists();
        fs::create_dir_all(path).map_err(|error| {
            anyhow!("--out {}: cannot be created ({error}); choose another", path.display())
        })?;
        drop(new_file_in(path)?);
        Ok(Self { made: is_new.then(|| path.to_path_buf()) })
    }

    /// Takes the folder away if it was made for nothing; a folder with anything in it stays.
    fn close(self) {
        if let Some(path) = self.made {
            // Not empty is the ordinary case.
            let _ = fs::remove_dir(path);
        }
    }
}

/// Makes a bar that counts the bytes of the recordings: their lengths are known before they are read.
fn progress_bar(tasks: &[Task]) -> ProgressBar {
    let bar = ProgressBar::new(tasks.iter().map(|task| file_bytes(&task.input)).sum());
    // PANIC: the template is a constant, and the tests run through here.
    let style = ProgressStyle::with_template("{spinner} placing {prefix}  {wide_bar} {percent:>3} %  {msg}")
        .expect("the template is well formed");
    bar.set_style(style);
    bar.set_prefix(match tasks.len() {
        1 => "1 recording".into(),
        count => format!("{count} recordings"),
    });
    bar
}

fn file_bytes(path: &Path) -> u64 {
    fs::metadata(path).map_or(0, |metadata| metadata.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn task(input: &str, output: &str) -> Task {
        Task { input: input.into(), seat: None, output: output.into() }
    }

    #[test]
    fn two_recordings_of_one_name_do_not_share_an_output() {
        let tasks =
            [task("a/flute.wav", "out/flute placed.wav"), task("b/flute.wav", "out/flute placed.wav")];
        assert!(check_output(&tasks, 0, &[]).is_ok());
        let error = check_output(&tasks, 1, &[]).unwrap_err().to_string();
        assert!(error.contains("a/flute.wav"), "got {error}");
        // On a disk that does not tell case apart, or composes letters, they would be one.
        for (a, b) in [("Horn", "horn"), ("H\u{f6}rner", "Ho\u{308}rner")] {
            let tasks = [a, b].map(|name| {
                let input = format!("{name}.wav");
                task(&input, &format!("out/{}", output_name(Path::new(&input))))
            });
            let error = check_output(&tasks, 1, &[]).unwrap_err().to_string();
            assert!(error.contains(&format!("that of {a}.wav")), "got {error}");
        }
        let tasks = [task("a.wav", "out/a placed.wav"), task("b.wav", "out/b placed.wav")];
        assert!(check_output(&tasks, 1, &[]).is_ok());
    }

    #[test]
    fn no_output_overwrites_a_recording() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name).display().to_string();
        fs::write(path("a placed.wav"), "x").unwrap();
        let tasks = [
            task(&path("a.wav"), &path("a placed.wav")),
            task(&path("a placed.wav"), &path("a placed placed.wav")),
        ];
        let inputs = tasks.each_ref().map(|task| task.input.clone());
        assert!(check_output(&tasks, 0, &inputs).is_err());
        assert!(check_output(&tasks, 1, &inputs).is_ok());
        // Nor a seat, nor a recording that goes by another name.
        fs::hard_link(path("a placed.wav"), path("seat.toml")).unwrap();
        assert!(check_output(&tasks, 0, &[path("seat.toml").into()]).is_err());
    }

    #[test]
    fn every_output_has_a_name_that_every_system_takes() {
        for (input, expected) in [
            ("flute.wav", "flute placed.wav"),
            ("take 2.1.wav", "take 2.1 placed.wav"),
            ("in/a:b.aiff", "a-b placed.wav"),
            ("nul.wav", "nul_ placed.wav"),
            ("\u{1b}[2J.wav", "-[2J placed.wav"),
            ("??.wav", "recording placed.wav"),
        ] {
            assert_eq!(output_name(Path::new(input)), expected, "{input:?}");
        }
        assert!(output_name(Path::new(&format!("{}.wav", "x".repeat(250)))).len() < 200);
    }

    #[test]
    fn a_folder_made_for_nothing_is_taken_away() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("placed");
        OutputFolder::open(&out).unwrap().close();
        assert!(!out.exists());
        let kept = OutputFolder::open(&out).unwrap();
        fs::write(out.join("x"), "x").unwrap();
        kept.close();
        assert!(out.exists());
    }

    #[test]
    fn the_progress_bar_can_be_drawn() {
        progress_bar(&[task("a.wav", "b.wav")]).tick();
    }
}
