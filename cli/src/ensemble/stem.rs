//! A stem on its way from the plan to its seat: looked at, then placed and measured.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, ensure};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::gain_of_db;
use rostra_dsp::measure::MonoSum;
use rostra_host::Library;

use super::excerpt::{Compared, Room};
use super::hall::Hall;
use super::mix::{CENTRED, Sum};
use super::plan_file::StemEntry;
use super::seat_figures::{SeatFigures, mid_clarity_db};
use crate::place::{name_of_placed, output_name, settings_of};
use crate::recording::{Loudness, Metadata, Recording};
use crate::seat_file::SeatFiles;
use crate::setting::{Override, Setting, moved_text, plain, render};

/// Most that a placed stem is changed to keep its loudness, dB: the range of the trim.
const MOST_DB: f64 = 24.0;

/// What all stems of a plan have in common.
pub(crate) struct Common<'a> {
    /// The seat plug-in.
    pub(crate) plug_ins: &'a Library,
    /// The files at hand.
    pub(crate) files: &'a SeatFiles,
    /// What the platform file asks for.
    pub(crate) platform: &'a [Setting],
    /// Folder that the placed stems are to have.
    pub(crate) folder: &'a Path,
    /// Most memory that the sound of a stem may take, bytes.
    pub(crate) most_bytes: u64,
}

/// Where stems are placed, and how.
pub(crate) struct Placing<'a> {
    /// Folder in which they are made.
    pub(crate) into: &'a Path,
    /// The hall, whose clarity is worked out for each.
    pub(crate) hall: Option<&'a Hall<'a>>,
    /// How much of each the report plays.
    pub(crate) room: Room,
    /// Whether each is brought to the loudness of its dry stem, its trim on top.
    pub(crate) keeps_loudness: bool,
}

/// A stem that can be placed.
#[derive(Clone, Debug)]
pub(crate) struct Stem {
    /// As the plan has it.
    pub(crate) entry: StemEntry,
    /// What it is called: by the plan, else by its seat file, else by its own file.
    pub(crate) name: String,
    /// Its seat and platform, as the plug-in counts them.
    settings: Vec<Setting>,
    /// The same in plain values.
    pub(crate) plain: Settings,
    /// Its sample rate, Hz.
    pub(crate) rate_hz: u32,
    /// Where it goes.
    pub(crate) output: PathBuf,
}

impl Stem {
    /// Looks at a stem: reads its recording whole, and its seat.
    ///
    /// # Errors
    /// In one line that names the plan and the line: when the recording or the
    /// seat cannot be read, or the seat asks for what cannot be had.
    pub(crate) fn look_at(entry: &StemEntry, common: &Common) -> Result<Self> {
        let stem = || -> Result<Self> {
            let recording = Recording::read_within(&entry.file, common.most_bytes)?;
            let settings = entry
                .set
                .iter()
                .map(Override::setting::<Settings>)
                .collect::<Result<Vec<_>>>()
                .and_then(|own| settings_of(common.files, common.platform, entry.seat.as_deref(), &own))
                .with_context(|| entry.file.display().to_string())?;
            let seat = entry.seat.as_deref().map(|seat| common.files.seat(seat)).transpose()?;
            let of_seat = seat.and_then(|file| file.name);
            let of_file = || entry.file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
            Ok(Self {
                name: entry.name.clone().or(of_seat).unwrap_or_else(of_file),
                plain: plain(&settings),
                settings,
                rate_hz: recording.rate_hz,
                output: common.folder.join(match &entry.name {
                    // A dot stays what it was here from the start.
                    Some(name) => name_of_placed(&name.replace('.', "_")),
                    None => output_name(&entry.file),
                }),
                entry: entry.clone(),
            })
        };
        stem().with_context(|| entry.from.clone())
    }

    /// Returns the dry stem with its gain, as it goes into the plug-in; one whose two sides are the same is a mono stem.
    ///
    /// # Errors
    /// When it cannot be read any more.
    fn dry(&self, most_bytes: u64) -> Result<Recording> {
        let mut dry = Recording::read_within(&self.entry.file, most_bytes)?;
        dry.scale(gain_of_db(self.entry.gain_db));
        if matches!(&dry.channels[..], [left, right] if left == right) {
            dry.channels.truncate(1);
        }
        Ok(dry)
    }

    /// Places the stem, writes it, and measures what came out.
    ///
    /// # Errors
    /// When the plug-in fails or the output cannot be written.
    pub(crate) fn place(self, letter: String, common: &Common, placing: &Placing) -> Result<Placed> {
        let from = self.entry.from.clone();
        self.placed(letter, common, placing).context(from)
    }

    fn placed(self, letter: String, common: &Common, placing: &Placing) -> Result<Placed> {
        let dry = self.dry(common.most_bytes)?;
        let render = |input: &Recording| {
            render(common.plug_ins.seat()?, &self.settings, input, 2, &|_| ())
                .with_context(|| self.entry.file.display().to_string())
        };
        let mut placed = render(&dry)?;
        let before = as_mixed(&dry)?;
        let levelled_db = if placing.keeps_loudness {
            to_dry_db(before, Loudness::of(&placed)?, self.plain.level.trim_db)
        } else {
            0.0
        };
        placed.scale(gain_of_db(levelled_db));
        let metadata = Metadata::of_placed(&self.entry.file, &dry, &placed);
        let written = placing.into.join(self.output.file_name().unwrap_or_default());
        placed.write_with(&metadata, &written)?;

        let unit = Recording { rate_hz: self.rate_hz, channels: vec![vec![1.0]] };
        let mut impulse = render(&unit)?;
        // The hall answers the player, not the gain: the send makes up for it.
        impulse.scale(gain_of_db(levelled_db));
        ensure!(
            impulse.peak() > 0.0,
            "{}: its seat gives no output; check balance, trim and bypass",
            self.entry.file.display()
        );
        let figures = SeatFigures::of(&self.plain, &impulse)?;
        let send_db = figures.needs.send_db + self.entry.send_db;
        let hall_clarity_db = placing.hall.map(|hall| with_hall(&impulse, hall, send_db)).transpose()?;
        Ok(Placed {
            is_mono: dry.channels.len() == 1,
            before,
            levelled_db,
            after: Loudness::of(&placed)?,
            dry_mono: mono(&dry),
            mono: mono(&placed),
            figures,
            send_db,
            hall_clarity_db,
            compared: Compared::of(&dry, &placed, &placing.room)?,
            notes: moved_text(&self.settings).into_iter().chain(metadata.note()).collect(),
            letter,
            name: self.name,
            entry: self.entry,
            output: self.output,
            written,
            plain: self.plain,
        })
    }
}

/// A stem in its seat, and what was measured.
#[derive(Clone, Debug)]
pub(crate) struct Placed {
    /// Its letter on the seating plan.
    pub(crate) letter: String,
    /// See [`Stem::name`].
    pub(crate) name: String,
    /// As the plan has it.
    pub(crate) entry: StemEntry,
    /// Where it is to lie.
    pub(crate) output: PathBuf,
    /// Where it lies until then.
    pub(crate) written: PathBuf,
    /// Its seat and platform.
    pub(crate) plain: Settings,
    /// Whether the dry stem has one channel.
    pub(crate) is_mono: bool,
    /// Loudness of the dry stem with its gain, as it sits in the dry mix.
    pub(crate) before: Loudness,
    /// Loudness of the placed stem.
    pub(crate) after: Loudness,
    /// Gain that brought the placed stem to the dry one's loudness, dB; 0 where the plan does not ask for it.
    pub(crate) levelled_db: f64,
    /// Mono sum of a dry stem of two channels.
    pub(crate) dry_mono: Option<MonoSum>,
    /// Mono sum of the placed stem; `None` where it is silent.
    pub(crate) mono: Option<MonoSum>,
    /// Figures of the seat.
    pub(crate) figures: SeatFigures,
    /// Send to the hall, the plan's own part included, dB.
    pub(crate) send_db: f64,
    /// Clarity C80 with the hall, dB.
    pub(crate) hall_clarity_db: Option<f64>,
    /// What the report plays; `None` for silence.
    pub(crate) compared: Option<Compared>,
    /// Said when the seat lay off the platform, and when something beside the sound was left behind.
    pub(crate) notes: Vec<String>,
}

impl Placed {
    /// Returns whether the stem goes by a name: its own, or that of its file.
    pub(crate) fn is_called(&self, name: &str) -> bool {
        let of_file = self.entry.file.file_stem().unwrap_or_default().to_string_lossy();
        self.name.eq_ignore_ascii_case(name) || of_file.eq_ignore_ascii_case(name)
    }

    /// Returns the change of loudness, placed against dry, LU; `None` where one of them cannot be measured.
    pub(crate) fn change_lu(&self) -> Option<f64> {
        Some(self.after.integrated_lufs? - self.before.integrated_lufs?)
    }

    /// Returns the distance to another stem's seat, m.
    pub(crate) fn distance_m(&self, other: &Self) -> f64 {
        let [a, b] = [self, other]
            .map(|stem| stem.plain.seat.source(&stem.plain.platform, &stem.plain.microphones).position);
        (a - b).length()
    }
}

/// Returns the mono sum of a recording of two channels; `None` for silence and for one channel.
pub(crate) fn mono(recording: &Recording) -> Option<MonoSum> {
    match &recording.channels[..] {
        [left, right] => MonoSum::of(left, right),
        _ => None,
    }
}

/// Returns the clarity of a placed impulse and the hall's answer to it, dB.
fn with_hall(impulse: &Recording, hall: &Hall, send_db: f64) -> Result<f64> {
    let mut sent = impulse.clone();
    sent.scale(gain_of_db(send_db));
    let mut both = Sum::new(impulse.rate_hz);
    both.add(impulse, 1.0)?;
    both.add(&hall.render(&sent)?, 1.0)?;
    mid_clarity_db(&both.recording)
}

/// Measures a dry stem as it sits in the dry mix.
fn as_mixed(dry: &Recording) -> Result<Loudness> {
    let loudness = Loudness::of(dry)?;
    Ok(if dry.channels.len() == 1 { loudness.scaled(CENTRED) } else { loudness })
}

/// Returns the gain that brings what was placed to the dry loudness with the trim on top, dB, no more than the trim's range.
fn to_dry_db(before: Loudness, after: Loudness, trim_db: f64) -> f64 {
    let loudness = before.integrated_lufs.zip(after.integrated_lufs);
    loudness.map_or(0.0, |(dry, placed)| (dry + trim_db - placed).clamp(-MOST_DB, MOST_DB))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gain_to_the_dry_loudness_leaves_the_trim_and_silence_alone() {
        let loudness = |lufs| Loudness { integrated_lufs: lufs, true_peak: 0.5 };
        let gain_db = |dry, placed, trim_db| to_dry_db(loudness(Some(dry)), loudness(Some(placed)), trim_db);
        assert!((gain_db(-30.0, -28.0, 0.0) + 2.0).abs() < 1e-12);
        assert!((gain_db(-30.0, -28.0, 6.0) - 4.0).abs() < 1e-12, "trim counts on top");
        assert!((gain_db(-10.0, -60.0, 0.0) - MOST_DB).abs() < 1e-12);
        assert_eq!(to_dry_db(loudness(Some(-30.0)), loudness(None), 0.0), 0.0);
    }

    #[test]
    fn one_channel_has_no_mono_sum() {
        let one = Recording { rate_hz: 48_000, channels: vec![vec![1.0; 10]] };
        assert_eq!(mono(&one), None);
        let two = Recording { rate_hz: 48_000, channels: vec![vec![1.0; 10]; 2] };
        assert!(mono(&two).unwrap().change_db.abs() < 1e-9);
    }
}
