//! A session's folder: its name, its `session.toml`, its parts, and what a crash left of them.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::edge::clock::{KeptClock, Labels, Utc};
use crate::edge::rows::{Rows, RowsError};
use crate::engine::record::{HEADER, LINE_END};

/// The version of the folder's format that this program writes and reads.
pub const FORMAT: u32 = 1;

/// The name of the file that says what the session is.
pub const SESSION_FILE: &str = "session.toml";

/// What stands in place of a key.
pub const KEY_WITHHELD: &str = "key withheld";

/// Why a folder is no session, or could not be made or read.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// There is no such folder.
    #[error("{0} is not a folder; give the folder of a session")]
    NoFolder(PathBuf),
    /// There is no `session.toml`.
    #[error(
        "{0} has no {SESSION_FILE}; it is not the folder of a session, or its making was cut off: \
         copy the {SESSION_FILE} of another visit to the same unit into it to read its record"
    )]
    NoSession(PathBuf),
    /// `session.toml` is of another format.
    #[error(
        "{path} is of format {found} and this program reads format {FORMAT}; use the version of \
         settled that wrote it: {program}"
    )]
    Format {
        /// The file.
        path: PathBuf,
        /// The format's number there.
        found: i64,
        /// The program that wrote it.
        program: String,
    },
    /// `session.toml` cannot be understood.
    #[error("{path} is not a session file: {why}; mend it, or copy another visit's")]
    Session {
        /// The file.
        path: PathBuf,
        /// What is wrong, on one line.
        why: String,
    },
    /// There is no record.
    #[error("{0} holds no received.csv; the record is missing, and nothing can be made without it")]
    NoRecord(PathBuf),
    /// The record cannot be read.
    #[error("{path}: {source}")]
    Rows {
        /// The file.
        path: PathBuf,
        /// Why.
        source: RowsError,
    },
    /// The disk said no.
    #[error("cannot {what} {path}: {source}")]
    Io {
        /// What was tried.
        what: &'static str,
        /// On which file.
        path: PathBuf,
        /// Why it failed.
        source: io::Error,
    },
}

/// Says what was tried on which file when the disk said no.
pub(crate) fn io_error(what: &'static str, path: &Path) -> impl FnOnce(io::Error) -> FolderError {
    let path = path.to_owned();
    move |source| FolderError::Io { what, path, source }
}

/// A profile that the session was decoded with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProfileUsed {
    /// Its name.
    pub name: String,
    /// [`digest`] of its text.
    pub digest: String,
}

/// A short name for a text: FNV-1a, 64 bit. It tells two versions apart and proves nothing.
///
/// ```
/// // The published test value for "foobar" (draft-eastlake-fnv).
/// assert_eq!(settled::edge::folder::digest("foobar"), "fnv1a64:85944171f73967e8");
/// ```
pub fn digest(text: &str) -> String {
    let step = |hash: u64, byte: u8| (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01B3);
    format!("fnv1a64:{:016x}", text.bytes().fold(0xCBF2_9CE4_8422_2325, step))
}

/// What `session.toml` says.
#[derive(Debug, Clone, PartialEq)]
pub struct Manifest {
    /// The program that wrote it, with its version.
    pub program: String,
    /// The time zone in which people see the visit (an IANA name).
    pub zone: String,
    /// What ties engine time to the machine's.
    pub clock: KeptClock,
    /// The profiles used.
    pub profiles: Vec<ProfileUsed>,
    /// The job as run. Keys are withheld when it is written.
    pub job: toml::Table,
}

impl Manifest {
    /// What a session that this program begins says.
    pub fn new(zone: &str, clock: KeptClock, profiles: Vec<ProfileUsed>, job: toml::Table) -> Self {
        let program = format!("settled {}", env!("CARGO_PKG_VERSION"));
        Self { program, zone: zone.to_owned(), clock, profiles, job }
    }

    /// Whether the session was run with this very job; keys, which are not kept, are left out.
    pub fn is_of(&self, job: &toml::Table) -> bool {
        let (mut own, mut other) = (self.job.clone(), job.clone());
        withhold_keys(&mut own);
        withhold_keys(&mut other);
        own == other
    }
}

#[derive(Debug, Serialize, Deserialize)]
struct RawManifest {
    format: u32,
    program: String,
    zone: String,
    clock: RawClock,
    #[serde(default, rename = "profile")]
    profiles: Vec<ProfileUsed>,
    job: toml::Table,
}

#[derive(Debug, Serialize, Deserialize)]
struct RawClock {
    boot_id: String,
    zero_ms: i64,
}

/// Puts [`KEY_WITHHELD`] for every value whose name is `key` or ends in `key`, however deep.
fn withhold_keys(table: &mut toml::Table) {
    for (name, value) in table.iter_mut() {
        if name.to_ascii_lowercase().ends_with("key") {
            *value = toml::Value::String(KEY_WITHHELD.to_owned());
        } else {
            withhold_keys_in(value);
        }
    }
}

fn withhold_keys_in(value: &mut toml::Value) {
    match value {
        toml::Value::Table(table) => withhold_keys(table),
        toml::Value::Array(values) => values.iter_mut().for_each(withhold_keys_in),
        _ => {}
    }
}

/// The folder's name: `2031-06-04T19-05-12Z-harbour-bakery-rooftop-2`, or, until the clock is
/// known to be right, `no-clock-BOOTID-harbour-bakery-rooftop-2`.
pub fn name(began: Option<Utc>, boot_id: &str, site: &str) -> String {
    let when = if let Some(utc) = began {
        let label = Labels::default().text(Some(utc));
        format!("{}Z", label[..19].replace(':', "-"))
    } else {
        let boot: String = boot_id.chars().filter(char::is_ascii_alphanumeric).take(8).collect();
        format!("no-clock-{}", if boot.is_empty() { "unknown" } else { &boot })
    };
    format!("{when}-{}", slug(site))
}

/// A site's name as a part of a file's: lower case, what is no letter or digit becomes `-`.
pub(crate) fn slug(site: &str) -> String {
    let mut slug = String::new();
    for c in site.chars().flat_map(char::to_lowercase) {
        if c.is_alphanumeric() {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
        if slug.len() >= 60 {
            break;
        }
    }
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() { "visit".to_owned() } else { slug.to_owned() }
}

/// What a crash left of a part's last line, and where it is kept now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cut {
    /// The part's name.
    pub part: String,
    /// The file in which the cut bytes are kept.
    pub kept: String,
    /// How many bytes were cut.
    pub bytes: u64,
}

/// A session's folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folder {
    path: PathBuf,
}

impl Folder {
    /// Makes a folder in `parent` under [`name`], numbered where that is taken, with its
    /// `session.toml`; all of it is on the disk when this returns.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn create(parent: &Path, name: &str, manifest: &Manifest) -> Result<Self, FolderError> {
        fs::create_dir_all(parent).map_err(io_error("make", parent))?;
        let mut path = parent.join(name);
        let mut number = 1;
        while let Err(error) = fs::create_dir(&path) {
            if error.kind() != io::ErrorKind::AlreadyExists || number >= 10_000 {
                return Err(io_error("make", &path)(error));
            }
            number += 1;
            path = parent.join(format!("{name}-{number}"));
        }
        let folder = Self { path };
        folder.write_manifest(manifest)?;
        sync_dir(parent).map_err(io_error("sync", parent))?;
        Ok(folder)
    }

    /// The session in `path`, and what it says of itself.
    ///
    /// # Errors
    /// Where it is none, or of another format.
    pub fn open(path: &Path) -> Result<(Self, Manifest), FolderError> {
        if !path.is_dir() {
            return Err(FolderError::NoFolder(path.to_owned()));
        }
        let file = path.join(SESSION_FILE);
        let text = match fs::read_to_string(&file) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Err(FolderError::NoSession(path.to_owned()));
            }
            Err(error) => return Err(io_error("read", &file)(error)),
        };
        let manifest = read_manifest(&file, &text)?;
        Ok((Self { path: path.to_owned() }, manifest))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes `session.toml` anew, whole or not at all.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn write_manifest(&self, manifest: &Manifest) -> Result<(), FolderError> {
        let path = self.path.join(SESSION_FILE);
        let mut job = manifest.job.clone();
        withhold_keys(&mut job);
        let raw = RawManifest {
            format: FORMAT,
            program: manifest.program.clone(),
            zone: manifest.zone.clone(),
            clock: RawClock {
                boot_id: manifest.clock.boot_id.clone(),
                zero_ms: manifest.clock.zero_ms,
            },
            profiles: manifest.profiles.clone(),
            job,
        };
        let text = toml::to_string(&raw).map_err(|error| FolderError::Session {
            path: path.clone(),
            why: error.to_string().replace('\n', " "),
        })?;
        replace(&path, text.as_bytes()).map_err(io_error("write", &path))
    }

    /// Gives the folder its dated name, now that the clock is known to be right. What is open
    /// stays open; ask [`Folder::path`] again for whatever is opened later.
    ///
    /// # Errors
    /// Where the disk says no; the old name then holds.
    pub fn rename(&mut self, name: &str) -> Result<(), FolderError> {
        let parent = self.path.parent().unwrap_or(Path::new(".")).to_owned();
        let mut path = parent.join(name);
        let mut number = 1;
        while path.exists() {
            number += 1;
            path = parent.join(format!("{name}-{number}"));
        }
        fs::rename(&self.path, &path).map_err(io_error("rename", &self.path))?;
        self.path = path;
        sync_dir(&parent).map_err(io_error("sync", &parent))
    }

    /// The parts of the record, in order.
    ///
    /// # Errors
    /// Where the folder cannot be read or there is none.
    pub fn parts(&self) -> Result<Vec<PathBuf>, FolderError> {
        let entries = fs::read_dir(&self.path).map_err(io_error("read", &self.path))?;
        let mut parts = Vec::new();
        for entry in entries {
            let entry = entry.map_err(io_error("read", &self.path))?;
            if let Some(number) = entry.file_name().to_str().and_then(part_number) {
                parts.push((number, entry.path()));
            }
        }
        parts.sort();
        if parts.is_empty() {
            return Err(FolderError::NoRecord(self.path.clone()));
        }
        Ok(parts.into_iter().map(|(_, path)| path).collect())
    }

    /// The number of the part that a journal begins next: 0 where there is none yet.
    ///
    /// # Errors
    /// Where the folder cannot be read.
    pub fn next_part(&self) -> Result<u32, FolderError> {
        let last = match self.parts() {
            Ok(parts) => parts.last().cloned(),
            Err(FolderError::NoRecord(_)) => None,
            Err(error) => return Err(error),
        };
        let number = last.as_deref().and_then(Path::file_name).and_then(|name| name.to_str());
        Ok(number.and_then(part_number).map_or(0, |number| number + 1))
    }

    /// The rows of the record, through all parts.
    ///
    /// # Errors
    /// Where there is no record, or no row in it.
    pub fn rows(&self) -> Result<Rows, FolderError> {
        Rows::of_parts(self.parts()?)
    }

    /// Cuts a torn last line off the record and keeps what is cut beside it, so that the session
    /// can go on. Only the last part is touched; a tear in an earlier one stays for the reader,
    /// who skips and counts it.
    ///
    /// # Errors
    /// Where the disk says no; nothing is then cut.
    pub fn repair(&self) -> Result<Option<Cut>, FolderError> {
        let parts = self.parts()?;
        let Some(path) = parts.last() else { return Ok(None) };
        let keep = whole_lines(path).map_err(io_error("read", path))?;
        let len = fs::metadata(path).map_err(io_error("read", path))?.len();
        if keep == len {
            return Ok(None);
        }
        let part = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let kept = keep_beside(&self.path, path, &part, keep).map_err(io_error("mend", path))?;
        let file = OpenOptions::new().write(true).open(path).map_err(io_error("mend", path))?;
        file.set_len(keep).and_then(|()| file.sync_all()).map_err(io_error("mend", path))?;
        Ok(Some(Cut { part, kept, bytes: len - keep }))
    }
}

/// The name of a part: `received.csv`, `received-0001.csv`.
pub fn part_name(number: u32) -> String {
    if number == 0 { "received.csv".to_owned() } else { format!("received-{number:04}.csv") }
}

/// The number of the part of this name.
fn part_number(name: &str) -> Option<u32> {
    let number = name.strip_prefix("received")?.strip_suffix(".csv")?;
    let number = if number.is_empty() { 0 } else { number.strip_prefix('-')?.parse().ok()? };
    (part_name(number) == name).then_some(number)
}

/// The first line of every part.
pub fn header_line() -> Vec<u8> {
    [HEADER, LINE_END].concat().into_bytes()
}

fn read_manifest(path: &Path, text: &str) -> Result<Manifest, FolderError> {
    let wrong = |why: &dyn std::fmt::Display| FolderError::Session {
        path: path.to_owned(),
        why: why.to_string().trim().replace('\n', " "),
    };
    let table: toml::Table = text.parse().map_err(|error| wrong(&error))?;
    let found = table.get("format").and_then(toml::Value::as_integer);
    let found = found.ok_or_else(|| wrong(&"`format` is missing"))?;
    if found != i64::from(FORMAT) {
        let program = table.get("program").and_then(toml::Value::as_str).unwrap_or("not said");
        let program = program.to_owned();
        return Err(FolderError::Format { path: path.to_owned(), found, program });
    }
    let raw: RawManifest =
        table.try_into().map_err(|error: toml::de::Error| wrong(&error.message()))?;
    Ok(Manifest {
        program: raw.program,
        zone: raw.zone,
        clock: KeptClock { boot_id: raw.clock.boot_id, zero_ms: raw.clock.zero_ms },
        profiles: raw.profiles,
        job: raw.job,
    })
}

/// How many bytes of a file are whole lines.
fn whole_lines(path: &Path) -> io::Result<u64> {
    const BLOCK: u64 = 64 * 1024;
    let mut file = File::open(path)?;
    let mut end = file.metadata()?.len();
    let mut block = Vec::new();
    while end > 0 {
        let from = end.saturating_sub(BLOCK);
        file.seek(SeekFrom::Start(from))?;
        block.resize((end - from) as usize, 0);
        file.read_exact(&mut block)?;
        if let Some(at) = block.iter().rposition(|byte| *byte == b'\n') {
            return Ok(from + at as u64 + 1);
        }
        end = from;
    }
    Ok(0)
}

/// Copies what follows `keep` bytes to a file of its own and syncs it.
fn keep_beside(folder: &Path, path: &Path, part: &str, keep: u64) -> io::Result<String> {
    let mut number = 1;
    let (name, mut beside) = loop {
        let name = format!("{part}.torn-{number}");
        match OpenOptions::new().write(true).create_new(true).open(folder.join(&name)) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => number += 1,
            opened => break (name, opened?),
        }
    };
    let mut file = File::open(path)?;
    file.seek(SeekFrom::Start(keep))?;
    io::copy(&mut file, &mut beside)?;
    beside.sync_all()?;
    sync_dir(folder)?;
    Ok(name)
}

/// Replaces a file, whole or not at all.
///
/// # Errors
/// Where the disk says no; the old file then stands.
pub fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let new = path.with_added_extension("new");
    let mut file = File::create(&new)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    drop(file);
    fs::rename(&new, path)?;
    sync_dir(path.parent().unwrap_or(Path::new(".")))
}

/// Makes sure that a folder's entries are on the disk.
///
/// # Errors
/// Where the disk says no.
pub fn sync_dir(path: &Path) -> io::Result<()> {
    let path = if path.as_os_str().is_empty() { Path::new(".") } else { path };
    if cfg!(unix) { File::open(path)?.sync_all() } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn manifest(job: &str) -> Manifest {
        let profiles = vec![ProfileUsed { name: "plain-clamp".to_owned(), digest: digest("a") }];
        let clock = KeptClock { boot_id: "b".to_owned(), zero_ms: -5 };
        Manifest::new("America/Chicago", clock, profiles, job.parse().unwrap())
    }

    #[test]
    fn names_tell_when_and_where() {
        let began = Utc::from_ms(1_938_366_312_345);
        assert_eq!(
            name(began, "", "Harbour bakery, rooftop 2"),
            "2031-06-04T19-05-12Z-harbour-bakery-rooftop-2"
        );
        assert_eq!(name(None, "d8320b9d-8e14", "?!"), "no-clock-d8320b9d-visit");
        assert_eq!(name(None, "", "../../etc"), "no-clock-unknown-etc");
    }

    #[test]
    fn a_session_says_its_job_and_no_keys() {
        let temp = tempfile::tempdir().unwrap();
        let job = "site = 'x'\n[[probe]]\naddress = 'a'\nkey = 'secret'\n\
                   field.temperature-1.position = 'liquid-line'\n[bthome]\nbind_key = 'secret'\n";
        let written = manifest(job);
        let folder = Folder::create(temp.path(), "n", &written).unwrap();
        let text = fs::read_to_string(folder.path().join(SESSION_FILE)).unwrap();
        assert!(!text.contains("secret"), "{text}");
        let (_, read) = Folder::open(folder.path()).unwrap();
        assert_eq!(read.job["probe"][0]["key"].as_str(), Some(KEY_WITHHELD));
        assert_eq!(
            read.job["probe"][0]["field"]["temperature-1"]["position"].as_str(),
            Some("liquid-line")
        );
        assert_eq!((read.clock, read.profiles), (written.clock, written.profiles));
        // A second visit in the same second has a folder of its own.
        let second = Folder::create(temp.path(), "n", &manifest("")).unwrap();
        assert!(second.path().ends_with("n-2"));
    }

    #[test]
    fn a_folder_half_there_says_what_to_do() {
        let temp = tempfile::tempdir().unwrap();
        let path = temp.path().join("s");
        let message = |path: &Path| {
            let (folder, _) = match Folder::open(path) {
                Ok(opened) => opened,
                Err(error) => return error.to_string(),
            };
            folder.rows().map(|_| ()).unwrap_err().to_string()
        };
        let check = |words: &str| {
            let message = message(&path);
            assert!(message.contains(words) && !message.contains('\n'), "{message}");
        };
        check("is not a folder");
        fs::create_dir(&path).unwrap();
        check("has no session.toml");
        let session = path.join(SESSION_FILE);
        fs::write(&session, "").unwrap();
        check("`format` is missing");
        fs::write(&session, "format = 'x").unwrap();
        check("is not a session file");
        fs::write(&session, "format = 2\nprogram = 'settled 9.9'").unwrap();
        check("use the version of settled that wrote it: settled 9.9");
        fs::write(&session, "format = 1\nprogram = 'settled 0.1'").unwrap();
        check("missing field `zone`");
        Folder { path: path.clone() }.write_manifest(&manifest("")).unwrap();
        check("holds no received.csv");
        fs::write(path.join("received.csv"), "").unwrap();
        check("nothing was recorded");
        fs::write(path.join("received.csv"), header_line()).unwrap();
        check("nothing was recorded");
        fs::write(path.join("received.csv"), "time,value\r\n".repeat(9)).unwrap();
        check("does not begin with the columns");
    }

    #[test]
    fn a_torn_line_is_cut_and_kept_beside() {
        let temp = tempfile::tempdir().unwrap();
        let folder = Folder::create(temp.path(), "n", &manifest("")).unwrap();
        let part = folder.path().join("received-0001.csv");
        fs::write(folder.path().join("received.csv"), header_line()).unwrap();
        let whole = [&header_line()[..], b"1,,,note,note,41,\r\n"].concat();
        fs::write(&part, [&whole[..], b"2,,,no"].concat()).unwrap();
        let cut = folder.repair().unwrap().unwrap();
        assert_eq!((cut.bytes, cut.part.as_str()), (6, "received-0001.csv"));
        assert_eq!(fs::read(&part).unwrap(), whole);
        assert_eq!(fs::read(folder.path().join(cut.kept)).unwrap(), b"2,,,no");
        assert_eq!(folder.repair().unwrap(), None);
        assert_eq!(folder.next_part().unwrap(), 2);
        // A second tear does not overwrite the first.
        fs::write(&part, [&whole[..], b"3"].concat()).unwrap();
        assert_eq!(folder.repair().unwrap().unwrap().kept, "received-0001.csv.torn-2");
    }

    #[test]
    fn a_part_is_known_by_its_number_and_nothing_else() {
        assert_eq!(part_number("received.csv"), Some(0));
        assert_eq!(part_number("received-0012.csv"), Some(12));
        assert_eq!(part_number("received-10000.csv"), Some(10_000));
        for other in ["received-12.csv", "received-0000.csv", "received.csv.torn-1", "readings.csv"]
        {
            assert_eq!(part_number(other), None, "{other}");
        }
    }
}
