//! A job file: its shape, and what is read from it.
//!
//! `RawJob` is what a person wrote; [`JobFile`] is the same, checked, in quantities and lengths
//! of time. Only the latter leaves this file.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::Deserialize;

use crate::engine::channel::Place;
use crate::engine::columns::Units;
use crate::engine::job::{
    AirflowBasis, Circuit, FieldPlace, Job, Metering, Mode, Probe, ProbeRef, Settle, Unit, UnitKind,
};
use crate::physics::atmosphere;
use crate::physics::refrigerant::Refrigerant;
use crate::units::parse::{self, TypedPressure};
use crate::units::quantity::Pascals;

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
    /// Key files of probes that send encrypted, each with its probe.
    pub keys: Vec<(ProbeRef, PathBuf)>,
    /// The text as it was read.
    pub text: String,
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
    /// Longest time that a call to the system may take (1 s to 60 s; default 10 s).
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
    #[error("{path}: {}", problems.join("; "))]
    Problems {
        /// The file.
        path: PathBuf,
        /// All that is wrong, each with its key and what to do.
        problems: Vec<String>,
    },
}

impl JobFile {
    /// Reads and checks the job file at `path`.
    ///
    /// # Errors
    /// The file cannot be read, or says something that cannot be meant; all of that is listed.
    pub fn read(path: &Path) -> Result<Self, JobError> {
        let text = fs::read_to_string(path)
            .map_err(|source| JobError::Read { path: path.to_owned(), source })?;
        Self::parse(&text)
            .map_err(|problems| JobError::Problems { path: path.to_owned(), problems })
    }

    /// Reads and checks a job from its text.
    ///
    /// # Errors
    /// All that is wrong, each with its key and what to do.
    pub fn parse(text: &str) -> Result<Self, Vec<String>> {
        let raw: RawJob = toml::from_str(text).map_err(|e| vec![toml_problem(text, &e)])?;
        let mut problems = Problems(Vec::new());
        let file = raw.check(text, &mut problems);
        if problems.0.is_empty() { Ok(file) } else { Err(problems.0) }
    }
}

/// One line for an error of the TOML reader: where it is, and what is wrong there.
pub fn toml_problem(text: &str, error: &toml::de::Error) -> String {
    let what = error.message().replace('\n', " ");
    let Some(span) = error.span() else { return what };
    let before = &text[..span.start.min(text.len())];
    let line = before.matches('\n').count() + 1;
    let column = before.chars().rev().take_while(|c| *c != '\n').count() + 1;
    format!("line {line}, column {column}: {what}")
}

/// All that is wrong so far.
struct Problems(Vec<String>);

impl Problems {
    /// The value, or its error noted under `key`.
    fn take<T, E: std::fmt::Display>(&mut self, key: &str, result: Result<T, E>) -> Option<T> {
        result.map_err(|error| self.0.push(format!("{key}: {error}"))).ok()
    }

    /// The value that `read` makes of an optional text.
    fn opt<T, E: std::fmt::Display>(
        &mut self,
        key: &str,
        text: Option<&String>,
        read: impl Fn(&str) -> Result<T, E>,
    ) -> Option<T> {
        text.and_then(|text| self.take(key, read(text)))
    }

    /// A number that must lie in a range; else the range is said and `default` stands in.
    fn ranged(&mut self, key: &str, value: Option<f64>, range: (f64, f64), default: f64) -> f64 {
        let (from, to) = range;
        match value {
            None => default,
            Some(value) if (from..=to).contains(&value) => value,
            Some(value) => {
                self.0.push(format!("{key} is {value}; give a number from {from} to {to}"));
                default
            }
        }
    }

    /// A length of time, given in seconds.
    fn seconds(
        &mut self,
        key: &str,
        value: Option<f64>,
        range: (f64, f64),
        d: Duration,
    ) -> Duration {
        Duration::from_secs_f64(self.ranged(key, value, range, d.as_secs_f64()))
    }
}

/// The job file's shape.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawJob {
    /// The site, as people call it.
    site: String,
    /// `cooling`, `heating` or `auto` (default `cooling`).
    #[serde(default)]
    mode: RawMode,
    /// Height above sea level, with its unit (default: sea level).
    altitude: Option<String>,
    /// The local barometer, absolute, in place of the altitude.
    barometer: Option<String>,
    /// `us` or `si` (default `us`).
    #[serde(default)]
    units: RawUnits,
    /// IANA name of the time zone (default: the machine's).
    zone: Option<String>,
    #[serde(default)]
    unit: RawUnit,
    #[serde(default)]
    circuit: Vec<RawCircuit>,
    #[serde(default)]
    probe: Vec<RawProbe>,
    #[serde(default)]
    settle: RawSettle,
    #[serde(default)]
    log: RawLog,
    #[serde(default)]
    web: RawWeb,
    #[serde(default)]
    radio: RawRadio,
}

#[derive(Debug, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
enum RawUnits {
    #[default]
    Us,
    Si,
}

#[derive(Debug, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
enum RawMode {
    #[default]
    Cooling,
    Heating,
    Auto,
}

#[derive(Debug, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
enum RawUnitKind {
    #[default]
    Package,
    Split,
    Ductless,
}

#[derive(Debug, Deserialize, Clone, Copy)]
#[serde(rename_all = "kebab-case")]
enum RawMetering {
    FixedOrifice,
    Txv,
    Eev,
}

#[derive(Debug, Deserialize, Clone, Copy)]
#[serde(rename_all = "kebab-case")]
enum RawBasis {
    Measured,
    Assumed,
}

#[derive(Debug, Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawUnit {
    /// `package`, `split` or `ductless` (default `package`).
    #[serde(default)]
    kind: RawUnitKind,
    refrigerant: Option<String>,
    metering: Option<RawMetering>,
    target_subcooling: Option<String>,
    target_superheat: Option<String>,
    approach: Option<String>,
    rated_cooling: Option<String>,
    rated_heating: Option<String>,
    airflow: Option<String>,
    airflow_basis: Option<RawBasis>,
    /// Stages of the compressor (1 to 4; default 1).
    stages: Option<u8>,
    #[serde(default)]
    variable_speed: bool,
    #[serde(default)]
    economizer: bool,
}

#[derive(Debug, Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawCircuit {
    refrigerant: Option<String>,
    metering: Option<RawMetering>,
    target_subcooling: Option<String>,
    target_superheat: Option<String>,
    approach: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawProbe {
    address: Option<String>,
    name: Option<String>,
    position: Option<String>,
    offset: Option<String>,
    #[serde(default)]
    average: bool,
    /// `gauge` or `absolute`, where the probe's profile does not say.
    pressure: Option<RawReference>,
    /// The file with the probe's key, where it sends encrypted.
    key_file: Option<PathBuf>,
    #[serde(default)]
    field: BTreeMap<String, RawField>,
}

#[derive(Debug, Deserialize, Clone, Copy, PartialEq)]
#[serde(rename_all = "kebab-case")]
enum RawReference {
    Gauge,
    Absolute,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawField {
    position: Option<String>,
    offset: Option<String>,
}

/// Ranges and defaults stand at [`Settle`].
#[derive(Debug, Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawSettle {
    window_s: Option<f64>,
    drift_k_per_min_max: Option<f64>,
    spread_k_max: Option<f64>,
    run_min_s: Option<f64>,
    set_interval_s: Option<f64>,
    silence_s: Option<f64>,
}

/// Ranges and defaults stand at [`Log`].
#[derive(Debug, Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawLog {
    folder: Option<PathBuf>,
    interval_s: Option<f64>,
    sync_interval_s: Option<f64>,
    keep_free_bytes: Option<u64>,
}

#[derive(Debug, Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawWeb {
    listen: Option<String>,
}

/// Ranges and defaults stand at [`Radio`].
#[derive(Debug, Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawRadio {
    adapter: Option<String>,
    call_limit_s: Option<f64>,
}

impl RawJob {
    fn check(self, text: &str, problems: &mut Problems) -> JobFile {
        let barometer = self.barometer(problems);
        if let Some(zone) = &self.zone
            && jiff::tz::TimeZone::get(zone).is_err()
        {
            problems.0.push(format!(
                "zone: no time zone is called `{zone}`; write its IANA name, \
                                     as in America/Chicago"
            ));
        }
        let keys = self.probe.iter().filter_map(|p| Some((p.which()?, p.key_file.clone()?)));
        let keys = keys.collect();
        let units = match self.units {
            RawUnits::Us => Units::Us,
            RawUnits::Si => Units::Si,
        };
        let job = Job {
            units,
            mode: match self.mode {
                RawMode::Cooling => Mode::Cooling,
                RawMode::Heating => Mode::Heating,
                RawMode::Auto => Mode::Auto,
            },
            barometer: barometer.0,
            barometer_uncertainty_pa: barometer.1,
            unit: self.unit.check(&self.circuit, problems),
            probes: check_probes(&self.probe, problems),
            settle: self.settle.check(problems),
            interval: problems.seconds(
                "log.interval_s",
                self.log.interval_s,
                (1.0, 3_600.0),
                Duration::from_secs(1),
            ),
        };
        JobFile {
            site: self.site,
            units,
            zone: self.zone,
            job,
            log: self.log.check(problems),
            web: self.web.check(problems),
            radio: self.radio.check(problems),
            keys,
            text: text.to_owned(),
        }
    }

    /// The local barometer and its standard uncertainty (Pa).
    ///
    /// From an altitude the weather is not known: 1 kPa (assumed; the usual swing of sea-level
    /// pressure). A barometer that somebody read is good to 200 Pa (assumed).
    fn barometer(&self, problems: &mut Problems) -> (Pascals, f64) {
        const WEATHER_PA: f64 = 1_000.0;
        const READ_PA: f64 = 200.0;
        if self.altitude.is_some() && self.barometer.is_some() {
            problems.0.push("altitude and barometer are both given; keep one".to_owned());
        }
        let typed = problems.opt("barometer", self.barometer.as_ref(), parse::pressure);
        match typed {
            Some(TypedPressure::Absolute(pressure)) => return (pressure, READ_PA),
            Some(TypedPressure::Gauge(_)) => problems
                .0
                .push("barometer: a barometer is absolute; write it as in 98.9kPaa".to_owned()),
            None => {}
        }
        let altitude = problems.opt("altitude", self.altitude.as_ref(), parse::altitude);
        let sea_level = Job::default().barometer;
        (altitude.map_or(sea_level, atmosphere::pressure_at), WEATHER_PA)
    }
}

impl RawUnit {
    fn check(self, circuits: &[RawCircuit], problems: &mut Problems) -> Unit {
        let own = RawCircuit {
            refrigerant: self.refrigerant,
            metering: self.metering,
            target_subcooling: self.target_subcooling,
            target_superheat: self.target_superheat,
            approach: self.approach,
        };
        let checked = if circuits.is_empty() {
            vec![own.check("unit", None, problems)]
        } else {
            let shared = own.check("unit", None, problems);
            let each = circuits.iter().enumerate();
            each.map(|(n, c)| c.check(&format!("circuit {}", n + 1), Some(&shared), problems))
                .collect()
        };
        let airflow = problems.opt("unit.airflow", self.airflow.as_ref(), parse::airflow);
        if airflow.is_some() && self.airflow_basis.is_none() {
            let say = "unit.airflow_basis is missing; say \"measured\" or \"assumed\"";
            problems.0.push(say.to_owned());
        }
        let basis = match self.airflow_basis {
            Some(RawBasis::Measured) => AirflowBasis::Measured,
            _ => AirflowBasis::Assumed,
        };
        Unit {
            kind: match self.kind {
                RawUnitKind::Package => UnitKind::Package,
                RawUnitKind::Split => UnitKind::Split,
                RawUnitKind::Ductless => UnitKind::Ductless,
            },
            circuits: checked,
            rated_cooling: problems.opt(
                "unit.rated_cooling",
                self.rated_cooling.as_ref(),
                parse::capacity,
            ),
            rated_heating: problems.opt(
                "unit.rated_heating",
                self.rated_heating.as_ref(),
                parse::capacity,
            ),
            airflow: airflow.map(|flow| (flow, basis)),
            stages: problems.ranged("unit.stages", self.stages.map(f64::from), (1.0, 4.0), 1.0)
                as u8,
            variable_speed: self.variable_speed,
            economizer: self.economizer,
        }
    }
}

impl RawCircuit {
    /// The circuit; what it leaves out is as in `shared`.
    fn check(&self, key: &str, shared: Option<&Circuit>, problems: &mut Problems) -> Circuit {
        let mut difference = |name: &str, text: Option<&String>| {
            problems.opt(&format!("{key}.{name}"), text, parse::difference)
        };
        let target_subcooling = difference("target_subcooling", self.target_subcooling.as_ref());
        let target_superheat = difference("target_superheat", self.target_superheat.as_ref());
        let approach = difference("approach", self.approach.as_ref());
        let read = |name: &str| Refrigerant::by_name(name).map(|r| r.name().to_owned());
        let refrigerant =
            problems.opt(&format!("{key}.refrigerant"), self.refrigerant.as_ref(), read);
        let metering = self.metering.map(|metering| match metering {
            RawMetering::FixedOrifice => Metering::FixedOrifice,
            RawMetering::Txv => Metering::Txv,
            RawMetering::Eev => Metering::Eev,
        });
        let shared = shared.cloned().unwrap_or_default();
        Circuit {
            refrigerant: refrigerant.or(shared.refrigerant),
            metering: metering.or(shared.metering),
            target_subcooling: target_subcooling.or(shared.target_subcooling),
            target_superheat: target_superheat.or(shared.target_superheat),
            approach: approach.or(shared.approach),
        }
    }
}

impl RawProbe {
    /// Which probe it is, where exactly one of address and name is given.
    fn which(&self) -> Option<ProbeRef> {
        match (&self.address, &self.name) {
            (Some(address), None) => Some(ProbeRef::Address(address.to_uppercase())),
            (None, Some(name)) => Some(ProbeRef::Name(name.clone())),
            _ => None,
        }
    }

    fn check(&self, key: &str, problems: &mut Problems) -> Option<Probe> {
        let which = self.which();
        if which.is_none() {
            problems.0.push(format!("{key}: give either its address or its name"));
        }
        if let Some(address) = &self.address
            && !is_address(address)
        {
            problems.0.push(format!(
                "{key}.address `{address}` is no address; write six pairs of \
                                     hex digits, as in C4:7C:8D:00:00:01, or use name"
            ));
        }
        let read = str::parse::<Place>;
        let place = problems.opt(&format!("{key}.position"), self.position.as_ref(), read);
        let offset =
            problems.opt(&format!("{key}.offset"), self.offset.as_ref(), parse::difference);
        let mut fields = BTreeMap::new();
        for (name, field) in &self.field {
            let key = format!("{key}.field.{name}");
            let place = problems.opt(&format!("{key}.position"), field.position.as_ref(), read);
            let offset =
                problems.opt(&format!("{key}.offset"), field.offset.as_ref(), parse::difference);
            fields.insert(name.clone(), FieldPlace { place, offset });
        }
        if self.position.is_none() && self.field.values().all(|f| f.position.is_none()) {
            problems
                .0
                .push(format!("{key}: give it a position, as in position = \"suction-line\""));
        }
        let gauge = self.pressure.map(|reference| reference == RawReference::Gauge);
        Some(Probe { which: which?, place, fields, offset, average: self.average, gauge })
    }
}

/// Six pairs of hex digits with colons.
fn is_address(text: &str) -> bool {
    let mut parts = 0;
    let good = text.split(':').all(|pair| {
        parts += 1;
        pair.len() == 2 && pair.bytes().all(|b| b.is_ascii_hexdigit())
    });
    good && parts == 6
}

fn check_probes(raw: &[RawProbe], problems: &mut Problems) -> Vec<Probe> {
    let each = raw.iter().enumerate();
    let probes: Vec<Probe> =
        each.filter_map(|(n, p)| p.check(&format!("probe {}", n + 1), problems)).collect();
    let mut seen = BTreeSet::new();
    for probe in &probes {
        let which = format!("{:?}", probe.which);
        if !seen.insert(which) {
            let (ProbeRef::Address(name) | ProbeRef::Name(name)) = &probe.which;
            problems.0.push(format!("the probe {name} stands there twice; keep one [[probe]]"));
        }
    }
    let mut taken: BTreeMap<(Place, &str), bool> = BTreeMap::new();
    for probe in &probes {
        for (place, field) in places(probe) {
            let averaged = taken.insert((place.clone(), field), probe.average);
            if averaged.is_some_and(|both| !(both && probe.average)) {
                problems.0.push(format!(
                    "two probes are at {place}; say average = true in both, or give one of them \
                     another position"
                ));
            }
        }
    }
    probes
}

/// Each place of a probe, with the kind of field that it is for; empty stands for all fields.
fn places(probe: &Probe) -> impl Iterator<Item = (&Place, &str)> {
    let whole = probe.place.iter().map(|place| (place, ""));
    let fields = probe.fields.iter();
    let single = fields.filter_map(|(name, f)| {
        let kind = name.trim_end_matches(|c: char| c.is_ascii_digit() || c == '-');
        f.place.as_ref().map(|place| (place, kind))
    });
    whole.chain(single)
}

impl RawSettle {
    fn check(self, problems: &mut Problems) -> Settle {
        let default = Settle::default();
        let drift = problems.ranged(
            "settle.drift_k_per_min_max",
            self.drift_k_per_min_max,
            (0.005, 5.0),
            default.drift_k_per_min_max,
        );
        let spread = problems.ranged(
            "settle.spread_k_max",
            self.spread_k_max,
            (0.01, 10.0),
            default.spread_k_max,
        );
        let mut seconds = |key: &str, value, range, default| {
            problems.seconds(&format!("settle.{key}"), value, range, default)
        };
        Settle {
            window: seconds("window_s", self.window_s, (30.0, 3_600.0), default.window),
            run_min: seconds("run_min_s", self.run_min_s, (0.0, 3_600.0), default.run_min),
            set_interval: seconds(
                "set_interval_s",
                self.set_interval_s,
                (10.0, 86_400.0),
                default.set_interval,
            ),
            silence: seconds("silence_s", self.silence_s, (5.0, 3_600.0), default.silence),
            drift_k_per_min_max: drift,
            spread_k_max: spread,
            frost: default.frost,
        }
    }
}

impl RawLog {
    fn check(self, problems: &mut Problems) -> Log {
        let sync_interval = problems.seconds(
            "log.sync_interval_s",
            self.sync_interval_s,
            (0.0, 60.0),
            Duration::from_secs(2),
        );
        Log {
            folder: self.folder.unwrap_or_else(|| "sessions".into()),
            sync_interval,
            keep_free_bytes: self.keep_free_bytes.unwrap_or(200_000_000),
        }
    }
}

impl RawWeb {
    fn check(self, problems: &mut Problems) -> Web {
        let text = self.listen.unwrap_or_else(|| "127.0.0.1:8095".to_owned());
        let read = text.parse().map_err(|_| {
            format!("`{text}` is no address and port; write them as in 127.0.0.1:8095")
        });
        let fallback = std::net::SocketAddr::from(([127, 0, 0, 1], 8095));
        Web { listen: problems.take("web.listen", read).unwrap_or(fallback) }
    }
}

impl RawRadio {
    fn check(self, problems: &mut Problems) -> Radio {
        let call_limit = problems.seconds(
            "radio.call_limit_s",
            self.call_limit_s,
            (1.0, 60.0),
            Duration::from_secs(10),
        );
        Radio { adapter: self.adapter, call_limit }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
        let problems = JobFile::parse(&text).unwrap_err();
        assert_eq!(problems.len(), 1, "{problems:?}");
        problems[0].clone()
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
        assert!(problem("suction-line", "suction").contains("suction-line-indoor"));
        assert!(problem("liquid-line", "suction-line@0").contains("@0"));
        assert!(problem("fixed-orifice", "piston").contains("line 6"));
        assert!(problem("c4:7c:8d:00:00:01", "first").contains("six pairs"));
        assert!(problem("name = \"liquid and discharge\"", "").contains("address or its name"));
        assert!(problem("airflow_basis = \"assumed\"", "").contains("measured"));
    }

    #[test]
    fn two_probes_at_one_position_must_both_say_average() {
        let twice = |more: &str| {
            format!(
                "site = \"x\"\n[[probe]]\nname = \"a\"\nposition = \"supply-air\"\naverage = true\n\
                 [[probe]]\nname = \"b\"\nposition = \"supply-air\"\n{more}"
            )
        };
        assert!(JobFile::parse(&twice("")).unwrap_err()[0].contains("average = true in both"));
        assert!(JobFile::parse(&twice("average = true")).is_ok());
    }

    #[test]
    fn a_clamp_and_a_gauge_may_share_a_line() {
        let text = "site = \"x\"\n[[probe]]\nname = \"clamp\"\nposition = \"suction-line\"\n\
                    [[probe]]\nname = \"gauge\"\nfield.pressure.position = \"suction-line\"\n";
        assert!(JobFile::parse(text).is_ok());
    }
}
