//! Files and folders on their way: each appears whole under its own name, or not at all.
//!
//! What is on its way lies beside the place where it belongs, under a name of
//! its own, and is locked by whoever makes it. What a killed program left is
//! not locked any more, so the next one that writes there takes it away.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::sync::{MutexGuard, PoisonError};

use tempfile::{NamedTempFile, TempDir};

/// How the name of what is on its way begins and ends.
const NAME: (&str, &str) = (".rostra-", ".part");
/// How often a folder is made anew that another program took for left behind: once is rare already.
const TRIES: usize = 10;

/// What this program has on its way, and the folders in which it has looked for what others left.
#[derive(Default)]
struct Pending {
    on_their_way: Vec<PathBuf>,
    looked_into: Vec<PathBuf>,
}

/// Waits for the list of what is on its way; whoever holds it can be sure that nothing comes or goes.
#[allow(clippy::disallowed_types, reason = "nothing here is for an audio thread")]
fn pending() -> MutexGuard<'static, Pending> {
    static DESK: std::sync::Mutex<Pending> =
        std::sync::Mutex::new(Pending { on_their_way: Vec::new(), looked_into: Vec::new() });
    // The list is whole at all times.
    DESK.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A line in the list of what is on its way.
#[derive(Debug)]
struct Listed(PathBuf);

impl Drop for Listed {
    fn drop(&mut self) {
        pending().on_their_way.retain(|path| *path != self.0);
    }
}

/// A file on its way; dropped, it vanishes.
#[derive(Debug)]
pub struct NewFile {
    // Dropped in this order: the file is gone before it leaves the list.
    file: NamedTempFile,
    listed: Listed,
}

/// What a file does with one that has its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Twin {
    /// Takes its place.
    Replaced,
    /// Stays, and the new one is not kept.
    Kept,
}

impl NewFile {
    /// Makes an empty file in a folder, with the rights of any program's new file.
    ///
    /// # Errors
    /// When the folder is not there or cannot be written to.
    pub fn within(folder: &Path) -> io::Result<Self> {
        take_away_what_is_left(folder);
        let mut pending = pending();
        let file = builder().make_in(folder, |path| {
            let file = OpenOptions::new().read(true).write(true).create_new(true).open(path)?;
            hold(&file, path)?;
            Ok(file)
        })?;
        let (file, path) = file.into_parts();
        pending.on_their_way.push(path.to_path_buf());
        drop(pending);
        let listed = Listed(path.to_path_buf());
        Ok(Self { file: NamedTempFile::from_parts(file, path), listed })
    }

    /// Returns the file.
    pub fn as_file(&self) -> &File {
        self.file.as_file()
    }

    /// Gives the file its name, once all of it has reached the disk.
    ///
    /// # Errors
    /// When the disk is full, the name cannot be had, or is taken and the twin is to be kept
    /// ([`ErrorKind::AlreadyExists`]).
    pub fn keep(self, path: &Path, twin: Twin) -> io::Result<()> {
        self.file.as_file().sync_all()?;
        let Self { file, listed } = self;
        {
            // An interruption comes before or after.
            let _desk = pending();
            match twin {
                Twin::Replaced => file.persist(path),
                Twin::Kept => file.persist_noclobber(path),
            }
            .map_err(|error| error.error)?;
        }
        drop(listed);
        sync_folder(&parent(path))
    }
}

impl io::Write for NewFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

/// A folder on its way; dropped, it vanishes with all that is in it.
#[derive(Debug)]
pub struct NewFolder {
    folder: TempDir,
    // Holds the folder for ours; not every system opens folders.
    _held: Option<File>,
    listed: Listed,
}

impl NewFolder {
    /// Makes an empty folder in a folder.
    ///
    /// # Errors
    /// When that folder is not there or cannot be written to.
    pub fn within(folder: &Path) -> io::Result<Self> {
        take_away_what_is_left(folder);
        let mut builder = builder();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            // What the system makes of it is up to the person's own mask; tempfile hides folders from the group.
            builder.permissions(fs::Permissions::from_mode(0o777));
        }
        let mut pending = pending();
        for _ in 0..TRIES {
            let folder = builder.tempdir_in(folder)?;
            let held = File::open(folder.path()).ok();
            if held.as_ref().is_some_and(|file| hold(file, folder.path()).is_err()) {
                continue;
            }
            let path = folder.path().to_path_buf();
            pending.on_their_way.push(path.clone());
            return Ok(Self { folder, _held: held, listed: Listed(path) });
        }
        Err(ErrorKind::AlreadyExists.into())
    }

    /// Returns where it lies meanwhile.
    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Gives the folder a name that nothing has.
    ///
    /// # Errors
    /// When something has the name, or it cannot be had.
    pub fn keep(self, path: &Path) -> io::Result<()> {
        sync_folder(self.path())?;
        {
            let _desk = pending();
            // An empty folder would give way to it.
            if path.symlink_metadata().is_ok() {
                return Err(ErrorKind::AlreadyExists.into());
            }
            fs::rename(self.path(), path)?;
        }
        let Self { folder, listed, .. } = self;
        // It is no temporary one any more.
        let _ = folder.keep();
        drop(listed);
        sync_folder(&parent(path))
    }

    /// Moves files from here to the places that they are to have, in turn, in one go.
    ///
    /// Files that have the places give way, first of all the `last` one: it is
    /// put aside before anything moves and comes last, so where it lies, all of it does.
    ///
    /// # Errors
    /// When one cannot be moved; then all is as it was.
    pub fn hand_out(self, moves: &[(PathBuf, PathBuf)], last: &(PathBuf, PathBuf)) -> io::Result<()> {
        let _desk = pending();
        let mut done: Vec<(PathBuf, PathBuf)> = Vec::new();
        let moved = self.moved(moves, last, &mut done);
        if moved.is_err() {
            for (from, to) in done.iter().rev() {
                // Whatever cannot go back stays where it is.
                let _ = fs::rename(to, from);
            }
            return moved;
        }
        let mut folders: Vec<PathBuf> = moves.iter().chain([last]).map(|(_, to)| parent(to)).collect();
        folders.sort();
        folders.dedup();
        folders.iter().try_for_each(|folder| sync_folder(folder))
    }

    /// Moves files to their places, and what lies there to this folder; `done` says which moves were made.
    fn moved(
        &self,
        moves: &[(PathBuf, PathBuf)],
        last: &(PathBuf, PathBuf),
        done: &mut Vec<(PathBuf, PathBuf)>,
    ) -> io::Result<()> {
        let mut go = |from: &Path, to: &Path| -> io::Result<()> {
            fs::rename(from, to)?;
            done.push((from.to_path_buf(), to.to_path_buf()));
            Ok(())
        };
        let aside = |place: usize| self.path().join(format!("aside {place}"));
        // A folder is nobody's file of ours, and stays.
        let give_way = |to: &Path, place: usize, go: &mut dyn FnMut(&Path, &Path) -> io::Result<()>| {
            match fs::symlink_metadata(to) {
                Ok(there) if there.is_dir() => Err(ErrorKind::IsADirectory.into()),
                Ok(_) => go(to, &aside(place)),
                Err(error) if error.kind() == ErrorKind::NotFound => Ok(()),
                Err(error) => Err(error),
            }
        };
        give_way(&last.1, moves.len(), &mut go)?;
        for (place, (from, to)) in moves.iter().enumerate() {
            give_way(to, place, &mut go)?;
            go(from, to)?;
        }
        go(&last.0, &last.1)
    }
}

/// Takes away all that this program has on its way, and lets nothing new begin: for a program that is about to end.
///
/// Waits for a file that is just getting its name. Afterwards whoever makes or
/// keeps a file waits until the program ends.
pub fn abandon() {
    let pending = pending();
    for path in &pending.on_their_way {
        // Whatever cannot be taken away is left to the next program that writes here.
        let _ = if path.is_dir() { fs::remove_dir_all(path) } else { fs::remove_file(path) };
    }
    std::mem::forget(pending);
}

fn builder() -> tempfile::Builder<'static, 'static> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(NAME.0).suffix(NAME.1);
    builder
}

/// Locks what was just made; [`ErrorKind::AlreadyExists`] where somebody took it for left behind.
fn hold(file: &File, path: &Path) -> io::Result<()> {
    // A file system without locks keeps what is left behind, and so nothing is taken from anybody.
    if matches!(file.try_lock(), Err(TryLockError::WouldBlock)) || !path.exists() {
        return Err(ErrorKind::AlreadyExists.into());
    }
    Ok(())
}

/// Takes away what programs that were killed have left in a folder; looks into each folder once.
fn take_away_what_is_left(folder: &Path) {
    {
        let mut pending = pending();
        if pending.looked_into.iter().any(|seen| seen == folder) {
            return;
        }
        pending.looked_into.push(folder.to_path_buf());
    }
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let (name, path) = (entry.file_name(), entry.path());
        let name = name.to_string_lossy();
        let is_named = name.starts_with(NAME.0) && name.ends_with(NAME.1);
        // Neither a link nor a pipe: we make none.
        let Some(kind) = entry.file_type().ok().filter(|kind| is_named && (kind.is_file() || kind.is_dir()))
        else {
            continue;
        };
        // What is locked or cannot be opened is somebody's.
        let Some(file) = File::open(&path).ok().filter(|file| file.try_lock().is_ok()) else { continue };
        let _ = if kind.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
        drop(file);
    }
}

/// Returns the folder in which a file lies.
fn parent(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

/// Waits until the names in a folder have reached the disk, where the system can tell.
///
/// # Errors
/// When it cannot be opened, or the disk fails.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    match File::open(folder)?.sync_all() {
        // A file system that cannot: nothing more can be done.
        Err(error) if matches!(error.kind(), ErrorKind::InvalidInput | ErrorKind::Unsupported) => {}
        other => other?,
    }
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::io::Write as _;

    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    /// Writing straight to the place would change the file under its other name, too.
    #[test]
    fn a_file_takes_the_place_of_another_and_leaves_that_one_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let [path, other] = ["a.toml", "other name of a"].map(|name| folder.path().join(name));
        fs::write(&path, "before").unwrap();
        fs::hard_link(&path, &other).unwrap();
        let mut file = NewFile::within(folder.path()).unwrap();
        file.write_all(b"after").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"before", "is there before it is kept");
        file.keep(&path, Twin::Replaced).unwrap();
        assert_eq!(
            (fs::read(&path).unwrap(), fs::read(&other).unwrap()),
            (b"after".into(), b"before".into())
        );

        let mut file = NewFile::within(folder.path()).unwrap();
        file.write_all(b"later").unwrap();
        let refused = file.keep(&path, Twin::Kept).unwrap_err();
        assert_eq!(refused.kind(), ErrorKind::AlreadyExists);
        assert_eq!(fs::read(&path).unwrap(), b"after");
        assert_eq!(names(folder.path()), ["a.toml", "other name of a"], "something is left");
    }

    #[test]
    fn what_is_not_kept_vanishes() {
        let folder = tempfile::tempdir().unwrap();
        let file = NewFile::within(folder.path()).unwrap();
        let whole = NewFolder::within(folder.path()).unwrap();
        fs::write(whole.path().join("x"), "x").unwrap();
        assert_eq!(names(folder.path()).len(), 2);
        drop((file, whole));
        assert_eq!(names(folder.path()), [""; 0]);
    }

    #[test]
    fn a_folder_appears_whole_and_never_over_another() {
        let folder = tempfile::tempdir().unwrap();
        let make = || {
            let whole = NewFolder::within(folder.path()).unwrap();
            fs::write(whole.path().join("x"), "x").unwrap();
            whole
        };
        let path = folder.path().join("whole");
        make().keep(&path).unwrap();
        assert_eq!(names(&path), ["x"]);
        fs::create_dir(folder.path().join("empty")).unwrap();
        for taken in ["whole", "empty"] {
            let error = make().keep(&folder.path().join(taken)).unwrap_err();
            assert_eq!(error.kind(), ErrorKind::AlreadyExists, "{taken}");
        }
        assert_eq!(names(folder.path()), ["empty", "whole"]);
    }

    #[test]
    fn all_files_come_or_all_stay_as_they_were() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        for name in ["mix", "report", "a stranger's"] {
            fs::write(at(name), "old").unwrap();
        }
        let moves = |whole: &NewFolder| {
            ["mix", "report"].map(|name| {
                fs::write(whole.path().join(name), "new").unwrap();
                (whole.path().join(name), at(name))
            })
        };
        // A folder stands where the mix belongs: all is as it was.
        fs::create_dir_all(at("in the way/x")).unwrap();
        let whole = NewFolder::within(folder.path()).unwrap();
        let [mut mix, report] = moves(&whole);
        mix.1 = at("in the way");
        assert!(whole.hand_out(&[mix], &report).is_err());
        for name in ["mix", "report"] {
            assert_eq!(fs::read(at(name)).unwrap(), b"old", "{name}");
        }
        assert!(at("in the way/x").is_dir());

        let whole = NewFolder::within(folder.path()).unwrap();
        let [mix, report] = moves(&whole);
        whole.hand_out(&[mix], &report).unwrap();
        let read = |name: &str| fs::read_to_string(at(name)).unwrap();
        assert_eq!([read("mix"), read("report"), read("a stranger's")], ["new", "new", "old"]);
        assert_eq!(names(folder.path()), ["a stranger's", "in the way", "mix", "report"]);
    }

    #[test]
    fn what_a_killed_program_left_is_taken_away_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::write(at(".rostra-dead.part"), "x").unwrap();
        fs::create_dir_all(at(".rostra-gone.part/placed")).unwrap();
        // Somebody's: of another name, or held by a program that lives.
        fs::write(at(".rostra-note.txt"), "x").unwrap();
        fs::write(at("x.part"), "x").unwrap();
        fs::write(at(".rostra-busy.part"), "x").unwrap();
        let busy = File::open(at(".rostra-busy.part")).unwrap();
        busy.lock().unwrap();
        #[cfg(unix)]
        std::os::unix::fs::symlink(at("x.part"), at(".rostra-link.part")).unwrap();
        drop(NewFile::within(folder.path()).unwrap());
        let left = names(folder.path());
        assert!(
            ![".rostra-dead.part", ".rostra-gone.part"].iter().any(|name| left.iter().any(|n| n == name)),
            "{left:?}"
        );
        for kept in [".rostra-busy.part", ".rostra-note.txt", "x.part"] {
            assert!(left.iter().any(|name| name == kept), "{kept} is gone: {left:?}");
        }
        #[cfg(unix)]
        assert!(left.iter().any(|name| name == ".rostra-link.part"), "{left:?}");
    }
}
