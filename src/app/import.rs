//! `settled import`: any logger's CSV becomes a session.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::edge::clock::{KeptClock, Labels, Utc};
use crate::edge::folder::{Folder, Manifest, header_line, part_name};
use crate::edge::import::{self, Odd, Told};
use crate::edge::import_map::Map;
use crate::engine::input::Input;
use crate::engine::record::write_row;
use crate::units::time::Elapsed;

/// Size at which the next part of a record is begun (bytes).
const PART_BYTES: u64 = 64 * 1024 * 1024;

/// Arguments of `settled import`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  settled import night.csv --columns map.toml --out sessions/night

The map says which column is the time and what the others measure:
  [time]
  column = \"When\"                 # or [\"Date\", \"Time\"]
  format = \"%d.%m.%Y %H:%M\"       # or rfc3339, unix_s, unix_ms, elapsed_s
  zone = \"America/Chicago\"        # default UTC; year = 2031 when stamps have none
  [[channel]]
  column = \"Supply (F)\"
  channel = \"supply-air.temperature\"
  unit = \"degF\"
  # uncertainty = 0.5              # standard, in the unit
  # only = { column = \"Sensor\", is = \"Supply\" }   # in long form: one value a row
For gauge pressures, give barometer = \"98.9kPaa\" or altitude = \"450ft\" at the top of the map."
)]
pub struct Args {
    /// The logger's file; any separator, with or without lines before the header.
    #[arg(value_name = "FILE.csv")]
    file: PathBuf,
    /// The map of its columns.
    #[arg(long, value_name = "MAP.toml")]
    columns: PathBuf,
    /// The session's folder, which must not exist yet.
    #[arg(long, value_name = "SESSION")]
    out: PathBuf,
    /// The job that tells of the unit; without one, only what needs no unit is judged.
    #[arg(long, value_name = "JOB.toml")]
    job: Option<PathBuf>,
}

/// Runs `settled import`.
///
/// # Errors
/// Where the map, the log or the job is not what it should be, or the disk says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let map = read_map(&args.columns)?;
    let job = args.job.as_deref().map(JobFile::read).transpose()?;
    if args.out.exists() {
        let out = args.out.display();
        return Err(Failure::bad_input(format!("{out} exists; give a new folder as --out")));
    }
    let source = File::open(&args.file).map_err(|error| {
        Failure::bad_input(format!("cannot read {}: {error}", args.file.display()))
    })?;
    let (parent, name) = parent_and_name(&args.out)?;
    // Under a name of its own until it is whole, so that a half-made session is never met.
    let zone = map.zone.iana_name().unwrap_or("UTC");
    let draft = manifest(args, job.as_ref(), zone, None)?;
    let draft_name = format!("{name}.importing");
    let mut folder = Folder::create(parent, &draft_name, &draft).map_err(Failure::world)?;
    let told = fill(&folder, source, &map).inspect_err(|_| {
        // It holds nothing that is not in the log.
        drop(fs::remove_dir_all(folder.path()));
    })?;
    let whole = manifest(args, job.as_ref(), zone, told.spacing_s)?;
    folder.write_manifest(&whole).map_err(Failure::world)?;
    folder.rename(name).map_err(Failure::world)?;
    let printed = if json {
        writeln!(out, "{}", in_json(&told, folder.path()))
    } else {
        in_words(&told, folder.path(), out)
    };
    printed.map_err(Failure::world)?;
    Ok(Exit::Done)
}

fn read_map(path: &Path) -> Result<Map, Failure> {
    let text = fs::read_to_string(path)
        .map_err(|error| Failure::bad_input(format!("cannot read {}: {error}", path.display())))?;
    Map::parse(&text).map_err(|problems| {
        Failure::bad_input(format!("{}: {}", path.display(), problems.join("; ")))
    })
}

fn parent_and_name(out: &Path) -> Result<(&Path, &str), Failure> {
    let name = out.file_name().and_then(|name| name.to_str());
    let name = name.ok_or_else(|| Failure::usage("--out names no folder"))?;
    let parent = out.parent().filter(|parent| !parent.as_os_str().is_empty());
    Ok((parent.unwrap_or(Path::new(".")), name))
}

/// What `session.toml` says: the job given, or one that says no more than is known.
fn manifest(
    args: &Args,
    job: Option<&JobFile>,
    zone: &str,
    spacing_s: Option<f64>,
) -> Result<Manifest, Failure> {
    let table = if let Some(job) = job {
        toml::from_str(&job.text).map_err(Failure::bad_input)?
    } else {
        let site = args.file.file_stem().map(|stem| stem.to_string_lossy().into_owned());
        let mut table = toml::Table::new();
        table.insert("site".to_owned(), site.unwrap_or_default().into());
        // A log that has a row a minute says nothing more often.
        let interval = spacing_s.unwrap_or(1.0).round().clamp(1.0, 3_600.0);
        let mut log = toml::Table::new();
        log.insert("interval_s".to_owned(), interval.into());
        table.insert("log".to_owned(), log.into());
        table
    };
    Ok(Manifest::new(zone, KeptClock::default(), Vec::new(), table))
}

fn fill(folder: &Folder, source: File, map: &Map) -> Result<Told, Failure> {
    let mut parts = Parts::begin(folder.path()).map_err(Failure::world)?;
    let mut take = |at: Elapsed, label: Option<Utc>, input: Input<'_>| parts.row(at, label, &input);
    let told = import::import(source, map, &mut take).map_err(Failure::bad_input)?;
    parts.end().map_err(Failure::world)?;
    Ok(told)
}

/// The parts of a record that is written in one go.
struct Parts {
    folder: PathBuf,
    file: File,
    number: u32,
    len: u64,
    buffer: Vec<u8>,
    labels: Labels,
}

impl Parts {
    fn begin(folder: &Path) -> io::Result<Self> {
        Ok(Self {
            folder: folder.to_owned(),
            file: File::create_new(folder.join(part_name(0)))?,
            number: 0,
            len: 0,
            buffer: header_line(),
            labels: Labels::default(),
        })
    }

    fn row(&mut self, at: Elapsed, label: Option<Utc>, input: &Input<'_>) -> io::Result<()> {
        write_row(&mut self.buffer, at, self.labels.stack(label).as_str(), input);
        if self.buffer.len() < 64 * 1024 {
            return Ok(());
        }
        self.flush()?;
        if self.len >= PART_BYTES {
            self.file.sync_all()?;
            self.number += 1;
            self.file = File::create_new(self.folder.join(part_name(self.number)))?;
            self.len = 0;
            self.buffer = header_line();
        }
        Ok(())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.write_all(&self.buffer)?;
        self.len += self.buffer.len() as u64;
        self.buffer.clear();
        Ok(())
    }

    fn end(mut self) -> io::Result<()> {
        self.flush()?;
        self.file.sync_all()
    }
}

/// What was odd, each with the name that JSON gives it and words for people.
fn oddities(told: &Told) -> [(&'static str, &Odd, &'static str); 7] {
    [
        ("bad_times", &told.bad_times, "rows without a time that could be read, left out"),
        ("backward", &told.backward, "rows earlier than one before them, left out"),
        ("duplicates", &told.duplicates, "second values of a channel at one time, left out"),
        ("not_numbers", &told.not_numbers, "cells that hold no number, left out"),
        ("impossible", &told.impossible, "numbers that are not possible, left out"),
        ("short_rows", &told.short_rows, "cells missing at the end of short rows"),
        ("clock_changes", &told.clock_changes, "stamps that the local clock showed twice or never"),
    ]
}

fn in_json(told: &Told, folder: &Path) -> Value {
    let mut value = json!({
        "kind": "import",
        "session": folder.display().to_string(),
        "rows": told.rows,
        "values": told.values,
        "length_s": told.length_s,
        "spacing_s": told.spacing_s,
        "lines_before_header": told.lines_before_header,
        "headers_again": told.headers_again,
        "empty": told.empty,
        "gaps": told.gaps,
        "longest_gap_s": told.longest_gap_s,
        "unused_columns": told.unused,
    });
    for (name, odd, _) in oddities(told) {
        value[name] = json!(odd.count);
    }
    value
}

fn in_words(told: &Told, folder: &Path, out: &mut dyn Write) -> io::Result<()> {
    let length = Elapsed::from_ms((told.length_s * 1e3) as u64);
    writeln!(
        out,
        "{}: {} values from {} rows over {length}",
        folder.display(),
        told.values,
        told.rows
    )?;
    if let Some(spacing) = told.spacing_s {
        writeln!(out, "  a row every {spacing} s as a rule")?;
    }
    let counts = [
        (told.lines_before_header, "lines before the header"),
        (told.headers_again, "header lines that came again"),
        (told.empty, "empty cells"),
    ];
    for (count, words) in counts.into_iter().filter(|(count, _)| *count > 0) {
        writeln!(out, "  {count} {words}")?;
    }
    for (_, odd, words) in oddities(told) {
        if let Some((line, text)) = &odd.first {
            writeln!(out, "  {} {words}; the first in line {line}: `{text}`", odd.count)?;
        }
    }
    if told.gaps > 0 {
        writeln!(out, "  {} gaps, the longest {} s", told.gaps, told.longest_gap_s)?;
    }
    if !told.unused.is_empty() {
        writeln!(out, "  columns not in the map: {}", told.unused.join(", "))?;
    }
    Ok(())
}
