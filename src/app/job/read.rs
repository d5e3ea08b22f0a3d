//! The keys of a job file as a whole, and of its small tables.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use crate::app::job::read_probes::{self, Probes};
use crate::app::job::{JobFile, Log, Radio, Web, read_calibrations, read_unit};
use crate::engine::columns::Units;
use crate::engine::document::{self, Problems, Table, TextError};
use crate::engine::job::{Job, Mode, Settle};
use crate::physics::atmosphere;
use crate::units::parse::{self, TypedPressure};
use crate::units::quantity::Pascals;

/// The words of `mode`.
pub(in crate::app) const MODES: [(&str, Mode); 3] =
    [("cooling", Mode::Cooling), ("heating", Mode::Heating), ("auto", Mode::Auto)];
const UNITS: [(&str, Units); 2] = [("us", Units::Us), ("si", Units::Si)];

/// The job that `text` describes, or all that is wrong with it.
pub(super) fn job(name: &str, text: &str) -> Result<JobFile, Vec<TextError>> {
    let problems = Problems::new(name, text);
    let Some(parsed) = document::parse(text, &problems) else {
        return Err(problems.into_errors());
    };
    let whole = Table::whole(&parsed, &problems);
    let site = whole.required_text("site", "say where it is, as in site = \"Harbour bakery\"");
    let (barometer, barometer_uncertainty_pa) = barometer(&whole);
    let zone = whole.read("zone", known_zone);
    let Probes { probes, keys } = read_probes::probes(&whole);
    let units = whole.word("units", &UNITS).unwrap_or(Units::Us);
    let job = Job {
        units,
        mode: whole.word("mode", &MODES).unwrap_or(Mode::Cooling),
        barometer,
        barometer_uncertainty_pa,
        unit: read_unit::unit(&whole),
        probes,
        settle: settle(&whole),
        calibrations: read_calibrations::calibrations(&whole),
        interval: Duration::ZERO,
    };
    let (log, interval) = log(&whole);
    let file = JobFile {
        site: site.unwrap_or_default(),
        units,
        zone,
        calibrations: whole.text("calibrations").map(PathBuf::from),
        job: Job { interval, ..job },
        log,
        web: web(&whole),
        radio: radio(&whole),
        keys,
        text: text.to_owned(),
        as_written: text.to_owned(),
    };
    whole.finish();
    if problems.none() { Ok(file) } else { Err(problems.into_errors()) }
}

/// The IANA name of a time zone.
fn known_zone(name: &str) -> Result<String, String> {
    if jiff::tz::TimeZone::get(name).is_ok() {
        return Ok(name.to_owned());
    }
    let known: Vec<String> = jiff::tz::db().available().map(|zone| zone.to_string()).collect();
    let known: Vec<&str> = known.iter().map(String::as_str).collect();
    let hint = document::nearest(name, &known).map_or_else(
        || "write its IANA name, as in America/Chicago".to_owned(),
        |zone| format!("did you mean `{zone}`?"),
    );
    Err(format!("no time zone is called `{name}`; {hint}"))
}

/// The local barometer and its standard uncertainty (Pa), from `barometer` (absolute, with its
/// unit) or `altitude` (with its unit; default sea level).
///
/// From an altitude the weather is not known: 1 kPa (assumed; the usual swing of sea-level
/// pressure). A barometer that somebody read is good to 200 Pa (assumed).
fn barometer(whole: &Table<'_, '_>) -> (Pascals, f64) {
    const WEATHER_PA: f64 = 1_000.0;
    const READ_PA: f64 = 200.0;
    let altitude = whole.get("altitude");
    let typed = whole.get("barometer");
    if let (Some(_), Some(second)) = (&altitude, &typed) {
        second.wrong("altitude and barometer are both given; keep one");
    }
    if let Some(item) = typed {
        match item.read(parse::pressure) {
            Some(TypedPressure::Absolute(pressure)) => return (pressure, READ_PA),
            Some(TypedPressure::Gauge(_)) => {
                item.wrong("a barometer is absolute; write it as in 98.9kPaa");
            }
            None => {}
        }
    }
    let sea_level = Job::default().barometer;
    let altitude = altitude.and_then(|item| item.read(parse::altitude));
    (altitude.map_or(sea_level, atmosphere::pressure_at), WEATHER_PA)
}

/// A length of time, given in seconds.
fn seconds(
    table: &Table<'_, '_>,
    key: &'static str,
    range: (f64, f64),
    default: Duration,
) -> Duration {
    Duration::from_secs_f64(table.ranged(key, range, default.as_secs_f64()))
}

/// `[settle]`; ranges and defaults stand at [`Settle`].
fn settle(whole: &Table<'_, '_>) -> Settle {
    let default = Settle::default();
    let Some(table) = whole.table("settle") else { return default };
    let t = &table;
    let settle = Settle {
        window: seconds(t, "window_s", (30.0, 3_600.0), default.window),
        run_min: seconds(t, "run_min_s", (0.0, 3_600.0), default.run_min),
        set_interval: seconds(t, "set_interval_s", (10.0, 86_400.0), default.set_interval),
        silence: seconds(t, "silence_s", (5.0, 3_600.0), default.silence),
        drift_k_per_min_max: t.ranged(
            "drift_k_per_min_max",
            (0.005, 5.0),
            default.drift_k_per_min_max,
        ),
        spread_k_max: t.ranged("spread_k_max", (0.01, 10.0), default.spread_k_max),
        frost: default.frost,
    };
    table.finish();
    settle
}

/// `[log]`, and how often a moment is written down (`interval_s`); ranges and defaults stand at
/// [`Log`].
fn log(whole: &Table<'_, '_>) -> (Log, Duration) {
    let mut log = Log {
        folder: "sessions".into(),
        sync_interval: Duration::from_secs(2),
        keep_free_bytes: 200_000_000,
    };
    let mut interval = Duration::from_secs(1);
    let Some(table) = whole.table("log") else { return (log, interval) };
    interval = seconds(&table, "interval_s", (1.0, 3_600.0), interval);
    log.sync_interval = seconds(&table, "sync_interval_s", (0.0, 60.0), log.sync_interval);
    if let Some(folder) = table.text("folder") {
        log.folder = PathBuf::from(folder);
    }
    if let Some(bytes) = table.integer("keep_free_bytes", 0..=i128::from(i64::MAX)) {
        log.keep_free_bytes = u64::try_from(bytes).unwrap_or(log.keep_free_bytes);
    }
    table.finish();
    (log, interval)
}

/// `[web]`; defaults stand at [`Web`].
fn web(whole: &Table<'_, '_>) -> Web {
    let mut web = Web { listen: SocketAddr::from(([127, 0, 0, 1], 8095)) };
    let Some(table) = whole.table("web") else { return web };
    let read = |text: &str| {
        text.parse().map_err(|_| {
            format!("`{text}` is no address and port; write them as in 127.0.0.1:8095")
        })
    };
    web.listen = table.read("listen", read).unwrap_or(web.listen);
    table.finish();
    web
}

/// `[radio]`; ranges and defaults stand at [`Radio`].
fn radio(whole: &Table<'_, '_>) -> Radio {
    let mut radio = Radio { adapter: None, call_limit: Duration::from_secs(10) };
    let Some(table) = whole.table("radio") else { return radio };
    radio.adapter = table.text("adapter").map(str::to_owned);
    radio.call_limit = seconds(&table, "call_limit_s", (1.0, 60.0), radio.call_limit);
    table.finish();
    radio
}
