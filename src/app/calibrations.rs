//! What `settled calibrate` found, kept on this machine: one file a probe, used by all jobs.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::edge::clock;
use crate::edge::folder::replace;
use crate::engine::document;
use crate::engine::job::ProbeRef;

/// A calibration older than this is flagged (days; *common practice, no source*: yearly).
const OLD_DAYS: i32 = 365;

/// The file of one probe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// The probe's address.
    pub address: String,
    /// What baths told of its fields.
    pub calibration: Vec<KeptField>,
}

/// One field of the probe.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptField {
    /// The field's name in its profile.
    pub field: String,
    /// The day (UTC), as 2031-06-04.
    pub date: String,
    /// What it was held against, in words.
    pub against: String,
    /// Whether that was a known temperature.
    pub absolute: bool,
    /// Its time constant by the plunge (s).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_constant_s: Option<f64>,
    /// One point, or two.
    pub points: Vec<KeptPoint>,
}

/// The correction at one temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptPoint {
    /// The temperature (°C).
    pub at_c: f64,
    /// To be added to a reading (K).
    pub offset_k: f64,
    /// Its standard uncertainty (K).
    pub uncertainty_k: f64,
}

/// The folder that a job uses: its own `calibrations` (relative to the job's file), else the user's.
pub fn folder_of(file: &JobFile, job: &Path) -> Option<PathBuf> {
    let own = file.calibrations.as_ref();
    own.map(|folder| job.parent().unwrap_or(Path::new("")).join(folder)).or_else(users)
}

/// The user's folder, where calibrations are kept by default.
pub fn users() -> Option<PathBuf> {
    let set =
        |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let data = set("XDG_DATA_HOME").or_else(|| Some(set("HOME")?.join(".local/share")))?;
    Some(data.join("settled/calibrations"))
}

/// The file of `address` in `folder`.
fn path(folder: &Path, address: &str) -> PathBuf {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    folder.join(format!("{}.toml", address.chars().map(plain).collect::<String>()))
}

/// What is kept of `address`; `None` where nothing is.
///
/// # Errors
/// A file that cannot be read or understood.
pub fn read(folder: &Path, address: &str) -> Result<Option<Kept>, Failure> {
    let path = path(folder, address);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => {
            return Err(Failure::bad_input(format!("cannot read {}: {error}", path.display())));
        }
    };
    toml::from_str(&text).map(Some).map_err(|error| {
        let why = error.message().replace('\n', " ");
        Failure::bad_input(format!("{}: {why}; calibrate the probe again", path.display()))
    })
}

/// Keeps what a bath told of one field, in place of what was kept of it before.
///
/// # Errors
/// A disk that says no.
pub fn keep(folder: &Path, address: &str, field: KeptField) -> Result<PathBuf, Failure> {
    let known = read(folder, address)?;
    let mut kept = known.unwrap_or(Kept { address: address.to_owned(), calibration: Vec::new() });
    kept.calibration.retain(|of| of.field != field.field);
    kept.calibration.push(field);
    fs::create_dir_all(folder).map_err(Failure::world)?;
    let path = path(folder, address);
    let text = toml::to_string(&kept).map_err(Failure::world)?;
    let text = format!("# Made by `settled calibrate`; remove the file to forget it.\n{text}");
    replace(&path, text.as_bytes()).map_err(Failure::world)?;
    Ok(path)
}

/// Copies what is kept of the job's probes into the job as run, so that a replay needs no other
/// file; what the job has of a probe already stays. Gives a line for each that is old.
///
/// # Errors
/// A file that cannot be read.
pub fn add_to(file: &mut JobFile, job: &Path) -> Result<Vec<String>, Failure> {
    let Some(folder) = folder_of(file, job) else { return Ok(Vec::new()) };
    let own: Vec<String> = file.job.calibrations.iter().map(|c| c.address.clone()).collect();
    let (mut text, mut old) = (String::new(), Vec::new());
    let in_job = |address: &String| {
        file.job.probes.iter().any(|probe| match &probe.which {
            ProbeRef::Address(of) => of == address,
            // A probe that is known by its name may have any address.
            ProbeRef::Name(_) => true,
        })
    };
    for address in addresses(&folder)? {
        if own.contains(&address) || !in_job(&address) {
            continue;
        }
        let Some(kept) = read(&folder, &address)? else { continue };
        for field in &kept.calibration {
            text += &table(&address, field);
            if is_old(&field.date) {
                old.push(format!(
                    "the calibration of {address} is of {}, more than a year old; calibrate again",
                    field.date
                ));
            }
        }
    }
    if text.is_empty() {
        return Ok(old);
    }
    let whole = format!("{}\n{text}", file.text.trim_end());
    let as_run = JobFile::parse(&whole).map_err(|errors| {
        let errors = document::one_line(&errors);
        Failure::bad_input(format!("calibrations in {}: {errors}", folder.display()))
    })?;
    *file = JobFile { as_written: std::mem::take(&mut file.as_written), ..as_run };
    Ok(old)
}

/// The addresses of which something is kept, in order.
fn addresses(folder: &Path) -> Result<Vec<String>, Failure> {
    let Ok(entries) = fs::read_dir(folder) else { return Ok(Vec::new()) };
    let mut addresses = Vec::new();
    for entry in entries {
        let name = entry.map_err(Failure::world)?.file_name();
        let Some(stem) = name.to_str().and_then(|name| name.strip_suffix(".toml")) else {
            continue;
        };
        addresses.push(stem.replace('-', ":"));
    }
    addresses.sort();
    Ok(addresses)
}

/// A `[[calibration]]` table of a job as run.
fn table(address: &str, field: &KeptField) -> String {
    let points: Vec<String> = field
        .points
        .iter()
        .map(|p| {
            format!(
                "{{ at_c = {:?}, offset_k = {:?}, uncertainty_k = {:?} }}",
                p.at_c, p.offset_k, p.uncertainty_k
            )
        })
        .collect();
    let (name, date) = (&field.field, &field.date);
    format!(
        "\n[[calibration]]\naddress = \"{address}\"\nfield = \"{name}\"\ndate = \"{date}\"\nabsolute = {}\n\
         points = [{}]\n",
        field.absolute,
        points.join(", ")
    )
}

/// Today (UTC), as a calibration tells it.
pub fn today() -> String {
    clock::wall_now().map_or("1970-01-01".to_owned(), |now| {
        now.timestamp().to_zoned_datetime(jiff::tz::TimeZone::UTC).date().to_string()
    })
}

/// Whether a day is more than a year ago.
fn is_old(date: &str) -> bool {
    let (Ok(date), Ok(now)) = (date.parse::<Date>(), today().parse::<Date>()) else { return true };
    now.since(date).is_ok_and(|length| length.get_days() > OLD_DAYS)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn field(date: &str) -> KeptField {
        KeptField {
            field: "temperature".into(),
            date: date.into(),
            against: "a known temperature".into(),
            absolute: true,
            time_constant_s: Some(12.0),
            points: vec![KeptPoint { at_c: 0.0, offset_k: -0.25, uncertainty_k: 0.03 }],
        }
    }

    #[test]
    fn what_was_kept_becomes_part_of_the_job_as_run_and_old_ones_are_flagged() {
        let folder = tempfile::tempdir().unwrap();
        let address = "C4:7C:8D:00:00:01";
        keep(folder.path(), address, field("2001-01-01")).unwrap();
        let text = format!(
            "site = \"x\"\ncalibrations = \"{}\"\n[[probe]]\naddress = \"{address}\"\n\
             position = \"supply-air\"\n",
            folder.path().display()
        );
        let mut file = JobFile::parse(&text).unwrap();
        let old = add_to(&mut file, Path::new("job.toml")).unwrap();
        assert!(old.len() == 1 && old[0].contains("2001-01-01"), "{old:?}");
        assert_eq!(file.job.calibrations[0].points[0].offset_k, -0.25);
        assert_eq!(JobFile::parse(&file.text).unwrap().job, file.job);
        assert_eq!(file.as_written, text);
        // A second bath takes the first one's place; what the job as run has stays.
        keep(folder.path(), address, field(&today())).unwrap();
        assert!(add_to(&mut file, Path::new("job.toml")).unwrap().is_empty());
        assert_eq!(file.job.calibrations.len(), 1);
        let mut fresh = JobFile::parse(&text).unwrap();
        assert!(add_to(&mut fresh, Path::new("job.toml")).unwrap().is_empty());
        assert_eq!(read(folder.path(), address).unwrap().unwrap().calibration.len(), 1);
    }
}
