//! `settled demo`: the main job, whole, on the virtual unit.

use std::io::{self, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::Duration;

use jiff::tz::TimeZone;
use serde_json::json;

use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::app::screen::Screen;
use crate::app::serve::Page;
use crate::app::serve::history::Source;
use crate::app::tell::{self, Teller};
use crate::app::visit::{Begin, Visit};
use crate::edge::clock::{self, KeptClock, Utc};
use crate::edge::journal::Notice;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::document;
use crate::engine::input::Input;
use crate::engine::output::Output;
use crate::engine::profile::Profiles;
use crate::engine::reading::{Payload, Via};
use crate::engine::session::Session;
use crate::units::time::Elapsed;
use crate::virtual_unit::design::Metering;
use crate::virtual_unit::faults::{Fault, Severity};
use crate::virtual_unit::payload::Carrier;
use crate::virtual_unit::probes::{Emission, ProbeListing};
use crate::virtual_unit::scenario::Scenario;
use crate::virtual_unit::simulation::Simulation;

/// The invented visit's beginning (2031-06-04T19:05:12Z).
const BEGAN_MS: i64 = 1_938_366_312_000;
/// The invented bakery's time zone.
const ZONE: &str = "America/Chicago";
/// How fast the demo runs on a terminal or with the page, unless told otherwise (times true time).
const SPEED: f64 = 240.0;
/// Time between two pictures on the terminal.
const PICTURE_EVERY_MS: u64 = 100;

/// Runs the main job, whole, on a simulated unit.
///
/// An invented rooftop unit runs at accelerated time; its probes send real payload bytes, which
/// are heard, smoothed, settled, logged and diagnosed as those of real probes are.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  settled demo --fault condenser-fouling --metering txv --hours 2"
)]
pub struct Args {
    /// What is wrong with the unit: none, low-charge, over-charge, low-indoor-airflow,
    /// condenser-fouling, liquid-line-restriction, compressor-valve-leakage or non-condensables.
    #[arg(long, default_value = "low-charge")]
    fault: String,
    /// How bad it is: mild, middle or severe.
    #[arg(long, default_value = "middle")]
    severity: String,
    /// The metering device: fixed-orifice or txv.
    #[arg(long, default_value = "fixed-orifice")]
    metering: String,
    /// Seed of all chance in the simulation.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Length of the visit in hours (0.1 to 240).
    #[arg(long, default_value_t = 1.0)]
    hours: f64,
    /// How many times faster than true time; 0 is as fast as it goes [default: 240 on a terminal or
    /// with --serve, else 0].
    #[arg(long)]
    speed: Option<f64>,
    /// The folder that the session's folder is made in.
    #[arg(long, default_value = "sessions")]
    out: PathBuf,
    /// Prints, each time that it grows, how many rows of the record are certainly on the disk, as
    /// a JSON line.
    #[arg(long)]
    acknowledged: bool,
    /// Serves the page of it until it is stopped, at 127.0.0.1:8095 or the address given.
    #[arg(long, value_name = "ADDRESS:PORT", num_args = 0..=1, require_equals = true)]
    serve: Option<Option<SocketAddr>>,
}

/// Runs the demo.
///
/// # Errors
/// A word or number that cannot be meant, or a disk that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let scenario = scenario(args)?;
    let (notices, disk) = channel();
    // The loop that reads the notices ends only after the journal does.
    let notice = move |notice| drop(notices.send(notice));
    let (visit, mut simulation, file) = begin(&scenario, &args.out, notice)?;
    if !json {
        writeln!(out, "{}", introduction(args, &scenario)).map_err(Failure::world)?;
        out.flush().map_err(Failure::world)?;
    }
    let screen = if json { None } else { Screen::open(file.units).map_err(Failure::world)? };
    let page = args.serve.map(|listen| page(&file, listen, json, out)).transpose()?;
    let watched = screen.is_some() || page.is_some();
    let speed = args.speed.unwrap_or(if watched { SPEED } else { 0.0 });
    let mut visit = if speed > 0.0 { visit } else { visit.patient() };
    let teller = Teller::new(file.units, json, screen.is_none());
    let acknowledged = args.acknowledged;
    let (shown_ms, last, failed) = (0, None, None);
    let mut run = Run { teller, screen, page, speed, disk, acknowledged, shown_ms, last, failed };
    run.whole(&mut visit, &mut simulation, out)?;
    let ended = visit.end(&mut |session, output| run.hear(session, output, out));
    if let Some(screen) = run.screen.take() {
        screen.close().map_err(Failure::world)?;
    }
    run.failed.map_or(Ok(()), |error| Err(Failure::world(error)))?;
    let exit = tell::finish(&ended, run.last.as_ref(), file.units, json, out)?;
    if let Some(page) = run.page {
        let source = Source::Simulation { ended: true };
        page.stay(source, ended.session.snapshot(), json, out).map_err(Failure::world)?;
    }
    Ok(exit)
}

fn page(
    file: &JobFile,
    listen: Option<SocketAddr>,
    json: bool,
    out: &mut dyn Write,
) -> Result<Page, Failure> {
    let zone = TimeZone::get(ZONE).map_err(Failure::bad_input)?;
    let mut page = Page::serve(file, listen, Source::Simulation { ended: false }, zone)?;
    page.row(Elapsed::ZERO, Utc::from_ms(BEGAN_MS));
    page.announce(json, out).map_err(Failure::world)?;
    Ok(page)
}

/// Makes the session of a simulated visit under `sessions`, as fast as it goes and in silence.
///
/// # Errors
/// A scenario that cannot be simulated, or a disk that says no.
pub fn record(scenario: &Scenario, sessions: &Path) -> Result<PathBuf, Failure> {
    // Nobody reads the notices: whoever calls looks at what is on the disk.
    let (_, disk) = channel();
    let (visit, mut simulation, file) = begin(scenario, sessions, |_| {})?;
    let mut visit = visit.patient();
    let mut run = Run {
        teller: Teller::new(file.units, false, false),
        screen: None,
        page: None,
        speed: 0.0,
        disk,
        acknowledged: false,
        shown_ms: 0,
        last: None,
        failed: None,
    };
    run.whole(&mut visit, &mut simulation, &mut io::sink())?;
    Ok(visit.end(&mut |_, _| {}).folder)
}

/// The visit of a scenario, its simulation and its job.
fn begin(
    scenario: &Scenario,
    sessions: &Path,
    notice: impl FnMut(Notice) + Send + 'static,
) -> Result<(Visit, Simulation, JobFile), Failure> {
    let simulation = Simulation::new(scenario).map_err(Failure::bad_input)?;
    let text = job_text(scenario, simulation.probes());
    let file =
        JobFile::parse(&text).map_err(|errors| Failure::bad_input(document::one_line(&errors)))?;
    let zone = TimeZone::get(ZONE).map_err(Failure::bad_input)?;
    let clock = KeptClock { boot_id: "demo".to_owned(), zero_ms: 0 };
    let begin = Begin { sessions, began: Utc::from_ms(BEGAN_MS), clock, zone };
    let visit = Visit::begin(&file, Profiles::shipped(), begin, notice)?;
    Ok((visit, simulation, file))
}

fn scenario(args: &Args) -> Result<Scenario, Failure> {
    let unknown = |what: &str, word: &str, known: &str| {
        Failure::usage(format!("no {what} is called `{word}`; use one of {known}"))
    };
    if !(0.1..=240.0).contains(&args.hours) {
        return Err(Failure::usage(format!("--hours is {}; give 0.1 to 240", args.hours)));
    }
    if args.speed.is_some_and(|speed| !(0.0..=1e6).contains(&speed)) {
        return Err(Failure::usage("--speed must be a number from 0 to 1000000"));
    }
    let severity = Severity::from_word(&args.severity)
        .ok_or_else(|| unknown("severity", &args.severity, "mild, middle, severe"))?;
    let faults = if args.fault == "none" {
        Vec::new()
    } else {
        let known = format!("none, {}", Fault::ALL.map(Fault::word).join(", "));
        let fault =
            Fault::from_word(&args.fault).ok_or_else(|| unknown("fault", &args.fault, &known))?;
        vec![(fault, severity)]
    };
    let metering = match args.metering.as_str() {
        "fixed-orifice" => Metering::FixedOrifice,
        "txv" => Metering::Txv,
        other => return Err(unknown("metering device", other, "fixed-orifice, txv")),
    };
    let length = Duration::from_secs_f64(args.hours * 3_600.0);
    Ok(Scenario { seed: args.seed, length, faults, metering, ..Scenario::default() })
}

/// The job that a technician would have written for the simulated unit.
fn job_text<'a>(scenario: &Scenario, probes: impl Iterator<Item = &'a ProbeListing>) -> String {
    let (metering, target) = match scenario.metering {
        Metering::FixedOrifice => ("fixed-orifice", ""),
        Metering::Txv => ("txv", "target_subcooling = \"8delta_F\"\n"),
    };
    let mut text = format!(
        "# Invented: the virtual unit of `settled demo`.\n\
         site = \"Harbour bakery, rooftop 2 (invented, simulated)\"\n\
         mode = \"cooling\"\nunits = \"us\"\nzone = \"America/Chicago\"\n\n\
         [unit]\nkind = \"package\"\nrefrigerant = \"{}\"\nmetering = \"{metering}\"\n\
         rated_cooling = \"3ton\"\n{target}airflow = \"1200cfm\"\nairflow_basis = \"assumed\"\n",
        scenario.refrigerant
    );
    for probe in probes {
        text = format!("{text}\n[[probe]]\naddress = \"{}\"\n", probe.address);
        for (field, place) in &probe.fields {
            text = format!("{text}field.{field}.position = \"{place}\"\n");
        }
    }
    text
}

fn introduction(args: &Args, scenario: &Scenario) -> String {
    let wrong = match scenario.faults.first() {
        None => "nothing is wrong with it".to_owned(),
        Some((fault, _)) => format!("hidden in it: {}, {}", fault.word(), args.severity),
    };
    format!(
        "A simulated 3 ton rooftop unit ({}, {}) at an invented bakery;\n{wrong}.\n\
         Its probes send real payload bytes. Nothing here is a measurement.",
        scenario.refrigerant, args.metering
    )
}

/// The demo while it runs.
struct Run {
    teller: Teller,
    screen: Option<Screen>,
    page: Option<Page>,
    speed: f64,
    disk: Receiver<Notice>,
    acknowledged: bool,
    shown_ms: u64,
    last: Option<Diagnosis>,
    failed: Option<io::Error>,
}

impl Run {
    fn whole(
        &mut self,
        visit: &mut Visit,
        simulation: &mut Simulation,
        out: &mut dyn Write,
    ) -> Result<(), Failure> {
        let begin_ms = clock::machine_ms();
        for emission in simulation {
            self.wait_for(emission.at, begin_ms);
            let label = Utc::from_ms(BEGAN_MS + emission.at.as_ms() as i64);
            while let Ok(notice) = self.disk.try_recv() {
                self.take_notice(visit, (emission.at, label), &notice, out)?;
            }
            let input = Input::Payload(payload(&emission));
            visit.take(emission.at, label, input, &mut |session, output| {
                self.hear(session, output, out);
            });
            self.show(visit)?;
            if let Some(error) = self.failed.take() {
                return Err(Failure::world(error));
            }
        }
        Ok(())
    }

    /// What the journal tells. Only that nothing is recorded is news for the session: how full
    /// this machine's disk is must not change the record of a seed.
    fn take_notice(
        &mut self,
        visit: &mut Visit,
        (at, label): (Elapsed, Option<Utc>),
        notice: &Notice,
        out: &mut dyn Write,
    ) -> Result<(), Failure> {
        match notice {
            Notice::Acknowledged(rows) if self.acknowledged => {
                let line = json!({"kind": "acknowledged", "rows": rows});
                writeln!(out, "{line}").and_then(|()| out.flush()).map_err(Failure::world)?;
            }
            Notice::NotRecording(since, why) => {
                let detail = format!("since {since}: {why}");
                let input = Input::Event { event: "not-recording", subject: "", detail: &detail };
                visit.take(at, label, input, &mut |session, output| {
                    self.hear(session, output, out);
                });
            }
            _ => {}
        }
        Ok(())
    }

    /// Sleeps until the emission is due at the demo's speed.
    fn wait_for(&self, at: Elapsed, begin_ms: u64) {
        if self.speed <= 0.0 {
            return;
        }
        let due_ms = begin_ms + (at.as_ms() as f64 / self.speed) as u64;
        let now_ms = clock::machine_ms();
        if due_ms > now_ms {
            thread::sleep(Duration::from_millis(due_ms - now_ms));
        }
    }

    fn show(&mut self, visit: &Visit) -> Result<(), Failure> {
        if let Some(page) = &mut self.page {
            page.show(|| (visit.snapshot(), visit.recording()));
        }
        let Some(screen) = &mut self.screen else { return Ok(()) };
        let now_ms = clock::machine_ms();
        if now_ms < self.shown_ms + PICTURE_EVERY_MS {
            return Ok(());
        }
        self.shown_ms = now_ms;
        let lost = visit.recording().not_recording;
        screen.show(&visit.snapshot(), lost.as_ref()).map_err(Failure::world)
    }

    fn hear(&mut self, session: &Session, output: &Output, out: &mut dyn Write) {
        if let Output::Diagnosis(diagnosis) = output {
            self.last = Some(diagnosis.clone());
        }
        if let Some(page) = &mut self.page {
            page.take(session, output);
        }
        if let Err(error) = self.teller.tell(session, output, out) {
            self.failed.get_or_insert(error);
        }
    }
}

impl From<Carrier> for Via {
    fn from(carrier: Carrier) -> Self {
        match carrier {
            Carrier::Manufacturer(company) => Self::Manufacturer(company),
            Carrier::Service(uuid) => Self::Service(uuid),
            Carrier::Characteristic(uuid) => Self::Characteristic(uuid),
        }
    }
}

fn payload(emission: &Emission) -> Payload<'_> {
    Payload {
        probe: &emission.probe,
        via: emission.carrier.into(),
        bytes: &emission.bytes,
        rssi_dbm: Some(emission.rssi_dbm),
    }
}
