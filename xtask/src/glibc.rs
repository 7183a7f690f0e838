//! The oldest C library on which the bundles load on Linux.
//!
//! A linker takes each symbol in the newest version that the C library of its machine has, so that a library built on
//! a new system loads on no older one. The bundles are therefore linked against stand-ins of that C library, made from
//! it here: the same names, each in its newest version that the oldest system has, and no code. What is built is
//! looked at once more ([`newer`]), whatever it was linked against.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, anyhow, ensure};
use goblin::elf::{Elf, Sym, sym};

/// A version of the C library, major and minor.
type Version = (u32, u32);

/// The oldest version that the bundles load on: that of Debian 11 and Ubuntu 20.04. Our choice.
pub(crate) const OLDEST: Version = (2, 31);

/// The version in which the C library took in the libraries that had been beside it.
///
/// # Source
/// Release notes of glibc 2.34: libpthread, libdl, libutil and libanl are part of libc.
const MERGED: Version = (2, 34);
/// Another one, for a part of libpthread.
///
/// # Source
/// Release notes of glibc 2.32, and `pthread_getattr_np`, which moved in it.
const PARTLY_MERGED: Version = (2, 32);

/// What stands in: the name by which it is linked, and the file that a system loads.
const LIBRARIES: [(&str, &str); 5] = [
    ("m", "libm.so.6"),
    ("c", C),
    ("pthread", "libpthread.so.0"),
    ("dl", "libdl.so.2"),
    // Has what thread-local values are found with.
    ("loader", LOADER),
];
const C: &str = "libc.so.6";
const LOADER: &str =
    if cfg!(target_arch = "aarch64") { "ld-linux-aarch64.so.1" } else { "ld-linux-x86-64.so.2" };

/// What older versions have in no library and link into each program instead (`libc_nonshared.a`).
///
/// # Source
/// Release notes of glibc 2.33: `stat`, `lstat`, `fstat` and their kin are symbols of their own from then on; before,
/// they were calls of `__xstat` and its kin with the number of the structure's layout, which is 1 on x86-64, else 0.
const SHIM: &str = "
#ifdef __x86_64__
#define LAYOUT 1
#else
#define LAYOUT 0
#endif
#define HIDDEN __attribute__((visibility(\"hidden\")))
int __xstat64(int, const char *, void *);
int __lxstat64(int, const char *, void *);
int __fxstat64(int, int, void *);
int __fxstatat64(int, int, const char *, void *, int);
HIDDEN int stat64(const char *path, void *to) { return __xstat64(LAYOUT, path, to); }
HIDDEN int lstat64(const char *path, void *to) { return __lxstat64(LAYOUT, path, to); }
HIDDEN int fstat64(int file, void *to) { return __fxstat64(LAYOUT, file, to); }
HIDDEN int fstatat64(int folder, const char *path, void *to, int flags) {
  return __fxstatat64(LAYOUT, folder, path, to, flags);
}
";

/// Makes the stand-ins in a folder and returns what the linker is to be told; nothing where there is no glibc.
///
/// # Errors
/// When the C compiler, which links all of Rust, cannot be run, or its C library not be read.
pub(crate) fn stand_ins(folder: &Path) -> Result<Vec<String>> {
    if !cfg!(all(target_os = "linux", target_env = "gnu")) {
        return Ok(Vec::new());
    }
    fs::create_dir_all(folder).with_context(|| format!("{} cannot be created", folder.display()))?;
    let mut exports: BTreeMap<&str, Exports> = BTreeMap::new();
    for (_, file) in LIBRARIES {
        let bytes = fs::read(found(file)?).with_context(|| format!("{file} cannot be read"))?;
        for (name, symbol) in exported(&bytes).with_context(|| format!("{file} is not understood"))? {
            if let Some((version, home)) = chosen(&name, &symbol.versions, file) {
                exports
                    .entry(home)
                    .or_default()
                    .entry(version.to_owned())
                    .or_default()
                    .insert(name, symbol.size);
            }
        }
    }
    for (name, file) in LIBRARIES {
        let (assembly, map) = stand_in(exports.get(file).unwrap_or(&Exports::new()))?;
        let [source, versions] = ["s", "map"].map(|ending| folder.join(name).with_extension(ending));
        fs::write(&source, assembly)?;
        fs::write(&versions, map)?;
        let library = folder.join(format!("lib{name}.so"));
        compile(&[
            "-shared".into(),
            "-nostdlib".into(),
            format!("-Wl,-soname,{file}"),
            format!("-Wl,--version-script={}", versions.display()),
            "-o".into(),
            library.display().to_string(),
            source.display().to_string(),
        ])?;
    }
    let (source, object) = (folder.join("shim.c"), folder.join("shim.o"));
    fs::write(&source, SHIM)?;
    compile(&[
        "-c".into(),
        "-O2".into(),
        "-fPIC".into(),
        "-o".into(),
        object.display().to_string(),
        source.display().to_string(),
    ])?;
    let flags = [object.display().to_string(), format!("-L{}", folder.display()), "-lloader".into()];
    Ok(flags.map(|flag| format!("-Clink-arg={flag}")).into())
}

/// Returns what a library asks for that is newer than a version of the C library, or that no library is known to have;
/// what may be missing (a weak symbol) counts as well where it names a version, since that is looked for first.
///
/// # Errors
/// When it is cut short. Of what is no library of Linux nothing is newer.
pub(crate) fn newer(library: &[u8], oldest: Version) -> Result<Vec<String>> {
    if !library.starts_with(b"\x7fELF") {
        return Ok(Vec::new());
    }
    let elf = Elf::parse(library)?;
    let mut needed: BTreeMap<u16, &str> = BTreeMap::new();
    for file in elf.verneed.iter().flatten() {
        for version in &file {
            needed.insert(version.vna_other, elf.dynstrtab.get_at(version.vna_name).unwrap_or_default());
        }
    }
    let mut found = Vec::new();
    for (at, symbol) in elf.dynsyms.iter().enumerate().filter(|(_, symbol)| symbol.is_import()) {
        let name = elf.dynstrtab.get_at(symbol.st_name).unwrap_or_default();
        let version =
            elf.versym.as_ref().and_then(|all| all.get_at(at)).map_or(0, |version| version.version());
        match needed.get(&version) {
            Some(version) if number(version).is_some_and(|number| number > oldest) => {
                found.push(format!("{name} ({version})"));
            }
            None if symbol.st_bind() != sym::STB_WEAK => found.push(format!("{name} (of no version)")),
            _ => {}
        }
    }
    Ok(found)
}

/// Symbols of a library by version: name, and size of what is no function.
type Exports = BTreeMap<String, BTreeMap<String, Option<u64>>>;

/// A symbol that a library has.
#[derive(Default)]
struct Exported {
    versions: Vec<String>,
    /// Size of data, bytes; functions have none.
    size: Option<u64>,
}

/// Returns what a library has, by name.
fn exported(library: &[u8]) -> Result<BTreeMap<String, Exported>> {
    let elf = Elf::parse(library)?;
    let mut named: BTreeMap<u16, &str> = BTreeMap::new();
    for version in elf.verdef.iter().flatten() {
        if let Some(name) = version.iter().next().and_then(|name| elf.dynstrtab.get_at(name.vda_name)) {
            named.insert(version.vd_ndx, name);
        }
    }
    let versions = elf.versym.as_ref().ok_or_else(|| anyhow!("its symbols have no versions"))?;
    let mut found: BTreeMap<String, Exported> = BTreeMap::new();
    let is_public = |symbol: &Sym| !symbol.is_import() && symbol.st_type() != sym::STT_TLS;
    for (at, symbol) in elf.dynsyms.iter().enumerate().filter(|(_, symbol)| is_public(symbol)) {
        let name = elf.dynstrtab.get_at(symbol.st_name).unwrap_or_default();
        let version = versions.get_at(at).and_then(|version| named.get(&version.version()));
        if let Some(version) = version
            && *version != name
        {
            let known = found.entry(name.to_owned()).or_default();
            known.versions.push((*version).to_owned());
            known.size = (symbol.st_type() == sym::STT_OBJECT).then_some(symbol.st_size);
        }
    }
    Ok(found)
}

/// Returns the newest version of a symbol that the oldest C library has, and the file in which it has it.
fn chosen<'a>(name: &str, versions: &'a [String], file: &'static str) -> Option<(&'a str, &'static str)> {
    let old = |version: &&String| number(version).is_some_and(|number| number <= OLDEST);
    let version = versions.iter().filter(old).max_by_key(|version| number(version))?;
    // What moved into the C library has both versions there: the one that it came with, and that of the move.
    let has_moved = versions
        .iter()
        .filter_map(|version| number(version))
        .any(|number| [PARTLY_MERGED, MERGED].contains(&number));
    let home = match file {
        C if has_moved && name.starts_with("dl") => "libdl.so.2",
        C if has_moved && (name.starts_with("pthread_") || name.starts_with("sem_")) => "libpthread.so.0",
        file => file,
    };
    Some((version, home))
}

/// Returns the number of a version; private ones have none.
fn number(version: &str) -> Option<Version> {
    let mut parts = version.strip_prefix("GLIBC_")?.split('.').map(|part| part.parse().ok());
    Some((parts.next()??, parts.next()??))
}

/// Returns the source of a library without code, and which symbol it has in which version.
fn stand_in(exports: &Exports) -> Result<(String, String)> {
    let (mut assembly, mut map) = (String::from(".text\n"), String::new());
    for (version, symbols) in exports {
        writeln!(map, "{version} {{ global:")?;
        for (name, size) in symbols {
            writeln!(map, "  {name};")?;
            let size = size.map_or_else(
                || format!(".text\n.type {name}, %function\n{name}:\n"),
                |size| format!(".data\n.type {name}, %object\n.size {name}, {size}\n{name}: .zero {size}\n"),
            );
            write!(assembly, ".globl {name}\n{size}")?;
        }
        map += "};\n";
    }
    assembly += ".section .note.GNU-stack,\"\",%progbits\n";
    Ok((assembly, map))
}

/// Returns where the C compiler finds a library.
fn found(file: &str) -> Result<PathBuf> {
    let output =
        Command::new("cc").arg(format!("-print-file-name={file}")).output().context("cc cannot be run")?;
    let path = PathBuf::from(String::from_utf8_lossy(&output.stdout).trim());
    ensure!(path.is_absolute(), "cc cannot find {file}; install the C library's development package");
    Ok(path)
}

fn compile(arguments: &[String]) -> Result<()> {
    let output = Command::new("cc").args(arguments).output().context("cc cannot be run")?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "cc {}: {}", arguments.join(" "), said.trim());
    Ok(())
}

#[cfg(test)]
#[cfg(all(target_os = "linux", target_env = "gnu"))]
mod tests {
    use super::*;

    /// Links a library that calls functions, and returns its bytes.
    fn library(calls: &[&str], link: &[String]) -> Vec<u8> {
        let folder = tempfile::tempdir().unwrap();
        let (source, made) = (folder.path().join("x.c"), folder.path().join("x.so"));
        let mut text = String::new();
        for call in calls {
            writeln!(text, "int {call}(void); int use_{call}(void) {{ return {call}(); }}").unwrap();
        }
        fs::write(&source, text).unwrap();
        let mut arguments: Vec<String> =
            ["-shared", "-fPIC", "-fno-builtin", "-w", "-o"].map(Into::into).into();
        arguments.extend([made.display().to_string(), source.display().to_string()]);
        arguments.extend(link.iter().map(|flag| flag.replace("-Clink-arg=", "")));
        arguments.extend(["-lpthread", "-lm", "-ldl", "-lc"].map(Into::into));
        compile(&arguments).unwrap();
        fs::read(made).unwrap()
    }

    const CALLS: [&str; 6] = ["hypot", "dlopen", "pthread_create", "pthread_getattr_np", "stat64", "memcpy"];

    #[test]
    fn linked_against_the_stand_ins_nothing_is_newer() {
        let folder = tempfile::tempdir().unwrap();
        let link = stand_ins(folder.path()).unwrap();
        let bytes = library(&CALLS, &link);
        assert_eq!(newer(&bytes, OLDEST).unwrap(), [""; 0]);
        let elf = Elf::parse(&bytes).unwrap();
        // Where the oldest C library has it.
        for file in ["libpthread.so.0", "libdl.so.2", "libm.so.6", "libc.so.6"] {
            assert!(elf.libraries.contains(&file), "{:?}", elf.libraries);
        }
    }

    #[test]
    fn what_is_newer_is_seen() {
        let bytes = library(&CALLS, &[]);
        let seen = newer(&bytes, (2, 2)).unwrap();
        // `memcpy` has been in its version since 2.14 on x86-64, since 2.17 on others.
        assert!(seen.iter().any(|one| one.starts_with("memcpy (GLIBC_2.1")), "{seen:?}");
        // Of the machine's own library, where that is newer.
        let own = exported(&fs::read(found(C).unwrap()).unwrap()).unwrap();
        if own["dlopen"].versions.iter().any(|version| number(version) == Some(MERGED)) {
            let seen = newer(&bytes, OLDEST).unwrap();
            assert!(seen.contains(&"dlopen (GLIBC_2.34)".to_owned()), "{seen:?}");
        }
        let seen = newer(&library(&["nobody_has_this"], &[]), OLDEST).unwrap();
        assert_eq!(seen, ["nobody_has_this (of no version)"]);
    }

    #[test]
    fn the_newest_version_that_is_old_enough_is_taken_from_its_old_place() {
        let versions = |all: &[&str]| all.iter().map(|&one| one.to_owned()).collect::<Vec<_>>();
        let both = versions(&["GLIBC_2.2.5", "GLIBC_2.34"]);
        assert_eq!(chosen("dlopen", &both, C), Some(("GLIBC_2.2.5", "libdl.so.2")));
        assert_eq!(chosen("pthread_create", &both, C), Some(("GLIBC_2.2.5", "libpthread.so.0")));
        let both = versions(&["GLIBC_2.2.5", "GLIBC_2.14"]);
        assert_eq!(chosen("memcpy", &both, C), Some(("GLIBC_2.14", C)));
        assert_eq!(chosen("stat64", &versions(&["GLIBC_2.33"]), C), None);
        assert_eq!(chosen("inside", &versions(&["GLIBC_PRIVATE"]), C), None);
    }
}
