//! A job file, read and checked.
//!
//! Every key is checked where it is read, since only there is its place in the text known:
//! `read` has the keys of the whole file, `read_unit` the unit's, `read_probes` the probes'.

mod read;
#[cfg(feature = "mqtt")]
mod read_broker;
mod read_calibrations;
mod read_probes;
mod read_unit;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::app::exit::{Exit, Failure};
use crate::app::explain;
use crate::engine::columns::Units;
use crate::engine::document::TextError;
use crate::engine::job::{Job, ProbeRef};

#[cfg(feature = "lake")]
pub(in crate::app) use read::MODES;
#[cfg(feature = "mqtt")]
pub use read_broker::BrokerTable;
pub(in crate::app) use read_probes::read_place;
#[cfg(feature = "lake")]
pub(in crate::app) use read_unit::METERINGS;

/// A job file, read and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct JobFile {
    /// The site, as people call it.
    pub site: String,
    /// How people see values.
    pub units: Units,
    /// The site's time zone by its IANA name; `None` is the machine's own.
    pub zone: Option<String>,
    /// What the engine needs.
    pub job: Job,
    /// Where and how the record is kept.
    pub log: Log,
    /// The page.
    pub web: Web,
    /// The radio.
    pub radio: Radio,
    /// The broker to which it publishes.
    #[cfg(feature = "mqtt")]
    pub broker: Option<BrokerTable>,
    /// The folder with what `settled calibrate` found; `None` is the user's own.
    pub calibrations: Option<PathBuf>,
    /// Key files of probes that send encrypted, each with its probe.
    pub keys: Vec<(ProbeRef, PathBuf)>,
    /// The text of the job as run: as it was read, with calibrations that were copied into it.
    pub text: String,
    /// The text as it was read.
    pub as_written: String,
}

/// Where and how the record is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Log {
    /// The folder that holds the sessions (default `sessions`).
    pub folder: PathBuf,
    /// Time between syncs to the disk (0 s to 60 s; default 2 s; 0 syncs each row).
    pub sync_interval: Duration,
    /// Free space below which a warning is given (bytes; default 200,000,000).
    pub keep_free_bytes: u64,
}

/// The page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Web {
    /// Where it listens (default `127.0.0.1:8095`).
    pub listen: std::net::SocketAddr,
}

/// The radio.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Radio {
    /// The one adapter to use; by default all that are powered.
    pub adapter: Option<String>,
    /// Longest time that a call to the Bluetooth service may take, and half of what connecting to
    /// a probe may (1 s to 60 s; default 10 s).
    pub call_limit: Duration,
}

/// Why a job file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// The file cannot be read.
    #[error("cannot read the job {path}; give the path of a job file")]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file says something that cannot be meant.
    #[error("{}", one_line(path, errors))]
    Problems {
        /// The file.
        path: PathBuf,
        /// Its text.
        text: String,
        /// All that is wrong, each with its place and what to do.
        errors: Vec<TextError>,
    },
}

fn one_line(path: &Path, errors: &[TextError]) -> String {
    let first = errors.first().map(ToString::to_string).unwrap_or_default();
    match errors.len() {
        0 | 1 => first,
        n => format!("{} has {n} errors; the first is {first}", path.display()),
    }
}

impl From<JobError> for Failure {
    /// A job's errors are shown with their lines before the program ends.
    fn from(error: JobError) -> Self {
        let explained = match &error {
            JobError::Read { .. } => None,
            JobError::Problems { text, errors, .. } => {
                Some(explain::errors(errors, text, explain::Look::of_stderr()))
            }
        };
        Self { exit: Exit::BadInput, error: error.into(), explained }
    }
}

impl JobFile {
    /// Reads and checks the job file at `path`.
    ///
    /// # Errors
    /// The file cannot be read, or says something that cannot be meant; all of that is listed.
    pub fn read(path: &Path) -> Result<Self, JobError> {
        let text = fs::read_to_string(path)
            .map_err(|source| JobError::Read { path: path.to_owned(), source })?;
        Self::parse_named(&path.display().to_string(), &text).map_err(|errors| JobError::Problems {
            path: path.to_owned(),
            text,
            errors,
        })
    }

    /// Reads and checks a job from its text.
    ///
    /// # Errors
    /// All that is wrong, in the order of the text.
    pub fn parse(text: &str) -> Result<Self, Vec<TextError>> {
        Self::parse_named("job", text)
    }

    /// The same, with what errors call the file.
    ///
    /// # Errors
    /// All that is wrong, in the order of the text.
    pub fn parse_named(name: &str, text: &str) -> Result<Self, Vec<TextError>> {
        read::job(name, text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::job::ProbeRef;

    const GOOD: &str = r#"
        site = "Harbour bakery, rooftop 2 (invented)"
        altitude = "450ft"
        [unit]
        refrigerant = "R-410A"
        metering = "fixed-orifice"
        airflow = "1050cfm"
        airflow_basis = "assumed"
        [[probe]]
        address = "c4:7c:8d:00:00:01"
        position = "suction-line"
        offset = "-0.3delta_F"
        [[probe]]
        name = "liquid and discharge"
        field.temperature-1.position = "liquid-line"
        field.temperature-2.position = "discharge-line"
    "#;

    /// The one problem of the good job with `from` replaced by `to`.
    fn problem(from: &str, to: &str) -> String {
        let text = GOOD.replace(from, to);
        assert_ne!(text, GOOD);
        let errors = JobFile::parse(&text).unwrap_err();
        assert_eq!(errors.len(), 1, "{errors:?}");
        errors[0].to_string()
    }

    #[test]
    fn a_good_job_is_read_whole() {
        let file = JobFile::parse(GOOD).unwrap();
        assert_eq!(file.job.probes.len(), 2);
        assert_eq!(file.job.probes[0].which, ProbeRef::Address("C4:7C:8D:00:00:01".into()));
        assert_eq!(file.job.unit.circuits[0].refrigerant.as_deref(), Some("R-410A"));
        assert!((file.job.barometer.get() - 99_681.0).abs() < 10.0);
        assert_eq!(file.log.folder, Path::new("sessions"));
    }

    #[test]
    fn each_wrong_thing_is_said_with_its_key_and_what_to_do() {
        assert!(problem("R-410A", "R-41OA").contains("unit.refrigerant"));
        assert!(problem("450ft", "450").contains("altitude"));
        assert!(problem("R-410A", "X").contains("R-"));
        assert!(problem("suction-line", "suction").contains("did you mean `suction-line`"));
        assert!(problem("liquid-line", "suction-line@0").contains("@0"));
        assert!(problem("fixed-orifice", "piston").contains("job:6:20: `unit.metering`"));
        assert!(problem("c4:7c:8d:00:00:01", "first").contains("six pairs"));
        assert!(problem("name = \"liquid and discharge\"", "").contains("address or its name"));
        assert!(problem("airflow_basis = \"assumed\"", "").contains("measured"));
    }

    #[test]
    fn all_that_is_wrong_is_said_at_once_in_the_order_of_the_text() {
        let text = "sit = \"x\"\nunits = \"imperial\"\nzone = \"America/Chikago\"\n[unit]\n\
                    refrigerant = 410\n[[probe]]\nadress = \"C4:7C:8D:00:00:01\"\n\
                    position = \"sucton-line\"\n[settle]\nwindow_s = 5\n";
        let errors = JobFile::parse(text).unwrap_err();
        let places: Vec<(usize, &str)> = errors.iter().map(|e| (e.line, &*e.key)).collect();
        let expected = [
            (1, ""),
            (1, "sit"),
            (2, "units"),
            (3, "zone"),
            (5, "unit.refrigerant"),
            (6, "probe[1]"),
            (7, "probe[1].adress"),
            (8, "probe[1].position"),
            (10, "settle.window_s"),
        ];
        assert_eq!(places, expected);
        let said = |n: usize| errors[n].what.as_str();
        assert!(said(1).contains("`site`") && said(6).contains("`address`"), "{errors:?}");
        assert!(said(3).contains("America/Chicago") && said(7).contains("`suction-line`"));
    }

    #[test]
    fn a_field_may_have_an_offset_and_its_probes_position() {
        let text = "site = \"x\"\n[[probe]]\nname = \"a\"\nposition = \"supply-air\"\n\
                    field.temperature.offset = \"0.5delta_K\"\n";
        let file = JobFile::parse(text).unwrap();
        assert!(file.job.probes[0].fields["temperature"].offset.is_some());
    }

    #[test]
    fn two_probes_at_one_position_must_both_say_average() {
        let twice = |more: &str| {
            format!(
                "site = \"x\"\n[[probe]]\nname = \"a\"\nposition = \"supply-air\"\naverage = true\n\
                 [[probe]]\nname = \"b\"\nposition = \"supply-air\"\n{more}"
            )
        };
        assert!(JobFile::parse(&twice("")).unwrap_err()[0].what.contains("average = true in both"));
        assert!(JobFile::parse(&twice("average = true")).is_ok());
    }

    #[test]
    fn a_clamp_and_a_gauge_may_share_a_line() {
        let text = "site = \"x\"\n[[probe]]\nname = \"clamp\"\nposition = \"suction-line\"\n\
                    [[probe]]\nname = \"gauge\"\nfield.pressure.position = \"suction-line\"\n";
        assert!(JobFile::parse(text).is_ok());
    }
}
