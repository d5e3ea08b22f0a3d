//! `settled listen`: which probes are in range, which profile fits, and what they read.

mod probes;
mod recorder;
mod table;

use std::io::{IsTerminal as _, Write};
use std::path::PathBuf;
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::Duration;

use serde_json::{Value, json};

use crate::app::connect;
use crate::app::exit::{Exit, Failure};
use crate::app::listen::probes::{Probes, Told};
use crate::app::listen::recorder::Recorder;
use crate::app::listen::table::Screen;
use crate::app::profile;
use crate::edge::bluetooth::{self, RadioMessage, RadioSettings, hook_panics};
use crate::edge::clock::SessionClock;
use crate::engine::columns::Units;
use crate::engine::json::number;
use crate::engine::reading::Via;
use crate::units::time::Elapsed;

/// Messages that wait for this command, which only prints; the radio drops and counts beyond.
const QUEUE_MAX: usize = 4096;
/// How often the table is drawn.
const DRAW_EVERY: Duration = Duration::from_millis(250);

/// Arguments of `settled listen`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  settled listen --seconds 30\n\nTo learn which row a clamp is, \
    hold it in the hand: its row moves to the top."
)]
pub struct Args {
    /// Stop after so many seconds; without it, listen until Ctrl-C.
    #[arg(long, value_name = "S", value_parser = clap::value_parser!(u32).range(1..))]
    seconds: Option<u32>,
    /// Record all that is heard as a session in a new folder under DIR.
    #[arg(long, value_name = "DIR")]
    record: Option<PathBuf>,
    /// Also connect to probes whose profile says that they tell their values only so.
    #[arg(long)]
    connect: bool,
    /// Use this adapter, as hci0, and no other; may be given several times.
    #[arg(long, value_name = "NAME")]
    adapter: Vec<String>,
    /// How people see values in the table; JSON Lines are in SI units always.
    #[arg(long, value_enum, default_value_t = SeenUnits::Us)]
    units: SeenUnits,
    /// A folder with profiles of your own, which win over the shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
}

/// Units as `--units` names them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum SeenUnits {
    /// °F, psi.
    Us,
    /// °C, kPa.
    Si,
}

impl From<SeenUnits> for Units {
    fn from(units: SeenUnits) -> Self {
        match units {
            SeenUnits::Us => Self::Us,
            SeenUnits::Si => Self::Si,
        }
    }
}

/// Runs `settled listen`.
///
/// # Errors
/// Where the profiles are wrong, the radio cannot be started, or nothing at all was heard because
/// no adapter could be used.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let profiles = profile::load(args.profiles.as_deref())?;
    let connect = if args.connect { connect::plans(&profiles) } else { Vec::new() };
    let adapters = args.adapter.clone();
    hook_panics();
    let (sender, inbox) = sync_channel(QUEUE_MAX);
    let settings = RadioSettings { adapters, connect, ..RadioSettings::default() };
    let mut clock = SessionClock::start(Elapsed::ZERO);
    let mut recorder = match &args.record {
        Some(parent) => Some(Recorder::begin(parent, &profiles, &mut clock)?),
        None => None,
    };
    let ctrl_c = crate::app::listen::table::ctrl_c().map_err(Failure::world)?;
    let radio = bluetooth::start(settings, sender).map_err(Failure::world)?;

    let mut probes = Probes::new(&profiles);
    let terminal = !json && std::io::stdout().is_terminal();
    let mut screen = if terminal {
        Some(Screen::open(args.units.into()).map_err(Failure::world)?)
    } else {
        None
    };
    let end = args.seconds.map(|s| Elapsed::from_secs(u64::from(s)));
    let (mut fault, mut last_event) = (None, String::new());
    let mut draw_at = Elapsed::ZERO;
    loop {
        let now = clock.elapsed();
        if end.is_some_and(|end| now >= end) || ctrl_c.pressed() {
            break;
        }
        match inbox.recv_timeout(DRAW_EVERY) {
            Ok(message) => {
                let stamp = clock.stamp();
                let now = stamp.at;
                note_fault(&message, &mut fault);
                if let Some(recorder) = &mut recorder {
                    recorder.take(&stamp, &message);
                }
                let told = probes.take(now, &message);
                note_event(&told, now, &mut last_event);
                if json {
                    write_json(out, now, &told).map_err(Failure::world)?;
                } else if screen.is_none() {
                    write_lines(out, now, &told).map_err(Failure::world)?;
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        if let Some(screen) = &mut screen
            && clock.elapsed() >= draw_at
        {
            draw_at = clock.elapsed() + DRAW_EVERY;
            screen.draw(clock.elapsed(), &probes, &last_event).map_err(Failure::world)?;
        }
    }
    radio.stop();
    drop(screen);
    if !json {
        write!(out, "{}", probes.summary()).map_err(Failure::world)?;
    }
    let recorded = recorder.map(Recorder::end);
    if let Some((folder, _)) = &recorded
        && !json
    {
        writeln!(out, "Recorded in {}.", folder.display()).map_err(Failure::world)?;
    }
    out.flush().map_err(Failure::world)?;
    if recorded.is_some_and(|(_, whole)| !whole) {
        return Ok(Exit::NotRecorded);
    }
    match fault {
        Some(fault) if probes.is_empty() => Err(Failure::world(format!(
            "nothing could be heard: {fault}; see that Bluetooth is on"
        ))),
        _ => Ok(Exit::Done),
    }
}

/// Remembers the radio's last fault until something is heard again.
fn note_fault(message: &RadioMessage, fault: &mut Option<String>) {
    match message {
        RadioMessage::Event { event, detail, .. } if event == "radio-fault" => {
            *fault = Some(detail.clone());
        }
        RadioMessage::Heard { .. } => *fault = None,
        _ => {}
    }
}

/// Keeps the last event, for the table's foot.
fn note_event(told: &[Told], now: Elapsed, last: &mut String) {
    for told in told {
        if let Told::Event { event, subject, detail } = told {
            *last = format!("{now} {event} {subject} {detail}");
        }
    }
}

fn write_json(out: &mut dyn Write, now: Elapsed, told: &[Told]) -> std::io::Result<()> {
    for told in told {
        writeln!(out, "{}", json_of(now, told))?;
    }
    out.flush()
}

fn json_of(now: Elapsed, told: &Told) -> Value {
    let elapsed_s = now.as_secs();
    match told {
        Told::Reading { probe, profile, field, value, unit, rssi_dbm } => json!({
            "kind": "reading", "elapsed_s": elapsed_s, "probe": probe, "field": field,
            "channel": null, "value": number(*value), "unit": unit,
            "profile": profile, "rssi_dbm": rssi_dbm,
        }),
        Told::Payload { probe, via, bytes, why, rssi_dbm } => json!({
            "kind": "payload", "elapsed_s": elapsed_s, "probe": probe, "via": via_word(*via),
            "key": via_key(*via), "bytes_hex": hex::encode_upper(bytes), "why": why,
            "rssi_dbm": rssi_dbm,
        }),
        Told::Event { event, subject, detail } => json!({
            "kind": "event", "elapsed_s": elapsed_s, "event": event.replace('-', "_"),
            "subject": subject, "detail": detail,
        }),
    }
}

/// One line for each thing: when, who, what.
fn write_lines(out: &mut dyn Write, now: Elapsed, told: &[Told]) -> std::io::Result<()> {
    for told in told {
        match told {
            Told::Reading { probe, profile, field, value, unit, .. } => {
                writeln!(out, "{now} {probe} {field} {value} {unit} ({profile})")?;
            }
            Told::Payload { probe, via, bytes, why, .. } => {
                let (word, key, bytes) = (via_word(*via), via_key(*via), hex::encode_upper(bytes));
                writeln!(out, "{now} {probe} {word} {key} {bytes} ({why})")?;
            }
            Told::Event { event, subject, detail } => {
                writeln!(out, "{now} {event} {subject} {detail}")?;
            }
        }
    }
    out.flush()
}

fn via_word(via: Via) -> &'static str {
    match via {
        Via::Manufacturer(_) => "manufacturer",
        Via::Service(_) => "service",
        Via::ServiceOpened(..) => "service-opened",
        Via::Characteristic(_) => "characteristic",
    }
}

fn via_key(via: Via) -> String {
    match via {
        Via::Manufacturer(company) => format!("0x{company:04X}"),
        Via::Service(uuid) | Via::ServiceOpened(uuid, _) | Via::Characteristic(uuid) => {
            crate::engine::profile::uuid::short(uuid)
        }
    }
}
