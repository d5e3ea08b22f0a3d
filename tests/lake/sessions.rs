//! Makes the session folders of an invented fleet, with what is wrong where in `truth.json`:
//!
//! ```sh
//! cargo run --example virtual-sessions -- --sessions 50 --seed 1 --out target/lake/sessions
//! ```
//!
//! Sites, crews and units are invented; the units are simulated. Nothing in it is a measurement.

mod fleet;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::channel;
use std::thread;
use std::time::Duration;

use clap::Parser;
use settled::app::exit::Failure;
use settled::app::job::JobFile;
use settled::app::visit::{Begin, Ended, Visit};
use settled::edge::clock::{KeptClock, Utc};
use settled::engine::document;
use settled::engine::input::Input;
use settled::engine::profile::Profiles;
use settled::engine::reading::Payload;
use settled::units::time::Elapsed;
use settled::virtual_unit::design::Metering;
use settled::virtual_unit::probes::Emission;
use settled::virtual_unit::scenario::Scenario;
use settled::virtual_unit::simulation::Simulation;

use fleet::{Fleet, Planned, Unit};

/// How often a session is made anew that the disk did not take in time, and the pause before.
const TRIES: usize = 5;
const PAUSE: Duration = Duration::from_secs(5);

/// Makes the session folders of an invented fleet.
#[derive(Debug, Parser)]
struct Args {
    /// How many sessions (10 to 100000).
    #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(u32).range(10..=100_000))]
    sessions: u32,
    /// Seed of all chance.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// The folder to make them in; it must be empty, or not be there.
    #[arg(long)]
    out: PathBuf,
}

fn main() {
    if let Err(failure) = make(&Args::parse()) {
        eprintln!("virtual-sessions: {}", failure.line());
        std::process::exit(failure.exit as i32);
    }
}

fn make(args: &Args) -> Result<(), Failure> {
    fs::create_dir_all(&args.out).map_err(Failure::world)?;
    if fs::read_dir(&args.out).map_err(Failure::world)?.next().is_some() {
        let error = format!("{} is not empty; name a new folder", args.out.display());
        return Err(Failure::bad_input(error));
    }
    let fleet = Fleet::new(args.sessions as usize, args.seed).map_err(Failure::bad_input)?;
    let truth = fleet.truth(args.seed);
    fs::write(args.out.join("truth.json"), format!("{truth:#}\n")).map_err(Failure::world)?;
    all(&fleet, &args.out)
}

/// Makes all sessions, as many at once as there are cores.
fn all(fleet: &Fleet, out: &Path) -> Result<(), Failure> {
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let (next, given_up) = (AtomicUsize::new(0), AtomicBool::new(false));
    let (tell, told) = channel();
    thread::scope(|scope| {
        for _ in 0..cores {
            let (tell, next, given_up) = (tell.clone(), &next, &given_up);
            scope.spawn(move || {
                while !given_up.load(Ordering::Relaxed)
                    && let Some(visit) = fleet.visits.get(next.fetch_add(1, Ordering::Relaxed))
                    && tell.send(record(visit, &fleet.units[visit.unit], out)).is_ok()
                {
                }
            });
        }
        drop(tell);
        let all = fleet.visits.len();
        for (made, done) in (1..).zip(told) {
            if let Err(failure) = done {
                given_up.store(true, Ordering::Relaxed);
                return Err(failure);
            }
            if made % 100 == 0 || made == all {
                eprintln!("made {made} of {all} sessions");
            }
        }
        Ok(())
    })
}

/// Makes one session. A visit does not wait long for a busy disk when it ends; then it is made anew.
fn record(planned: &Planned, unit: &Unit, out: &Path) -> Result<(), Failure> {
    for _ in 0..TRIES {
        let ended = visit(planned, unit, out)?;
        if ended.recorded && ended.derived {
            return Ok(());
        }
        // Its threads may still write what is of no use any more.
        thread::sleep(PAUSE);
        fs::remove_dir_all(&ended.folder).map_err(Failure::world)?;
    }
    Err(Failure::world("the disk did not take a session in time; begin anew when it is less busy"))
}

/// One session from its beginning to its end.
fn visit(planned: &Planned, unit: &Unit, out: &Path) -> Result<Ended, Failure> {
    let mut simulation = Simulation::new(&planned.scenario).map_err(Failure::bad_input)?;
    let text = job_text(unit, &simulation);
    let file =
        JobFile::parse(&text).map_err(|errors| Failure::bad_input(document::one_line(&errors)))?;
    let began_ms = planned.began.timestamp().as_millisecond();
    let begin = Begin {
        sessions: out,
        began: Utc::from_ms(began_ms),
        clock: KeptClock { boot_id: "virtual-sessions".to_owned(), zero_ms: 0 },
        zone: planned.began.time_zone().clone(),
    };
    let mut visit = Visit::begin(&file, Profiles::shipped(), begin, |_| {})?.patient();
    play(&mut visit, unit.crew, &mut simulation, (began_ms, 0));
    if let Some((what, scenario)) = &planned.change {
        let changed_ms = length_ms(&planned.scenario);
        let at = Elapsed::from_ms(changed_ms);
        let label = Utc::from_ms(began_ms + changed_ms as i64);
        visit.take(at, label, Input::Changed(what), &mut |_, _| {});
        let mut mended = Simulation::new(scenario).map_err(Failure::bad_input)?;
        play(&mut visit, unit.crew, &mut mended, (began_ms, changed_ms));
    }
    Ok(visit.end(&mut |_, _| {}))
}

fn length_ms(scenario: &Scenario) -> u64 {
    u64::try_from(scenario.length.as_millis()).unwrap_or(u64::MAX)
}

/// Hands over what the crew's probes send, from `from_ms` of the session on.
fn play(
    visit: &mut Visit,
    crew: usize,
    simulation: &mut Simulation,
    (began_ms, from_ms): (i64, u64),
) {
    for emission in simulation {
        let at = Elapsed::from_ms(from_ms + emission.at.as_ms());
        let own = fleet::own_address(crew, &emission.probe);
        let bytes = sent(&own, &emission);
        let payload = Payload {
            probe: &own,
            via: emission.carrier.into(),
            bytes: &bytes,
            rssi_dbm: Some(emission.rssi_dbm),
        };
        let label = Utc::from_ms(began_ms + at.as_ms() as i64);
        visit.take(at, label, Input::Payload(payload), &mut |_, _| {});
    }
}

/// The bytes that a crew's own probe sends in place of the kit's.
fn sent(own: &str, emission: &Emission) -> Vec<u8> {
    match (fleet::reads_high(own), emission.bytes.as_slice()) {
        (Some(high), [low_byte, high_byte]) => {
            let celsius = i16::from_le_bytes([*low_byte, *high_byte]);
            celsius.saturating_add(high).to_le_bytes().to_vec()
        }
        _ => emission.bytes.clone(),
    }
}

/// The job that the crew wrote for the unit, as it was run.
fn job_text(unit: &Unit, simulation: &Simulation) -> String {
    let target = match unit.metering {
        Metering::FixedOrifice => "",
        Metering::Txv => "target_subcooling = \"8delta_F\"\n",
    };
    let mut text = format!(
        "# Invented, simulated.\nsite = \"{}\"\nmode = \"cooling\"\nunits = \"us\"\nzone = \"{}\"\n\n\
         [unit]\nkind = \"package\"\nrefrigerant = \"R-410A\"\nmetering = \"{}\"\n\
         rated_cooling = \"3ton\"\n{target}airflow = \"1200cfm\"\nairflow_basis = \"measured\"\n",
        unit.site,
        unit.zone,
        unit.metering.word()
    );
    for probe in simulation.probes() {
        let own = fleet::own_address(unit.crew, &probe.address);
        text.extend(["\n[[probe]]\naddress = \"", &own, "\"\n"]);
        for (field, place) in &probe.fields {
            text.extend(["field.", field, ".position = \"", place, "\"\n"]);
        }
    }
    for probe in simulation.probes() {
        let own = fleet::own_address(unit.crew, &probe.address);
        for (field, _) in &probe.fields {
            if field.starts_with("temperature") {
                text += &fleet::calibration(&own, field);
            }
        }
    }
    text
}
