//! `settled profile learn`: an unknown probe's bytes and a few known values become a profile.

use std::fs;
use std::io::{self, BufRead as _, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel, sync_channel};
use std::time::Duration;

use jiff::tz::TimeZone;
use serde_json::json;

use crate::app::exit::{Exit, Failure};
use crate::app::profile::{self, record::Record};
use crate::edge::bluetooth::{self, RadioMessage, RadioSettings, hook_panics};
use crate::edge::clock::SessionClock;
use crate::engine::decode::{FieldValue, decode};
use crate::engine::input::Input;
use crate::engine::learn::{Answer, Known, Learnt, Subject, Sureness, learn, sampled_along};
use crate::engine::profile::Profiles;
use crate::engine::reading::Payload;
use crate::units::parse::{self, Typed};
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Messages that wait, at most; the radio drops and counts beyond.
const QUEUE_MAX: usize = 4096;
/// How often typed values are looked for.
const LOOK_EVERY: Duration = Duration::from_millis(200);
/// How long to listen where nobody says (s).
const SECONDS: u32 = 600;

/// Arguments of `settled profile learn`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  settled profile learn visit/received.csv --known 19:05:00=32F --known 19:12:00=71.5F
  settled profile learn visit --address 02:00:00:00:00:07 --like 02:00:00:00:00:01
  settled profile learn --address 02:00:00:00:00:07 --seconds 900

The last listens: put the probe into ice water, into the hand, into warm water; each time it has
come to rest, type what a thermometer beside it says, as 32F, and Enter. An empty line ends.
Known values should lie 20 F apart or more; three or four decide most formats.")]
pub struct Args {
    /// A session's folder or a received.csv; without it, listen.
    record: Option<PathBuf>,
    /// A value that the probe showed at that time, as 19:05:00=32F; may be given several times.
    #[arg(long, value_name = "TIME=VALUE")]
    known: Vec<String>,
    /// How far temperatures that are given may be wrong, either way.
    #[arg(long, value_name = "DIFFERENCE", default_value = "1delta_F")]
    within: String,
    /// A second probe, with a profile, that was held beside the unknown one.
    #[arg(long, value_name = "ADDRESS")]
    like: Option<String>,
    /// The unknown probe's address.
    #[arg(long, value_name = "ADDRESS")]
    address: Option<String>,
    /// The zone of the times, as America/Chicago; the session's, or UTC.
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// How long to listen, where no record is given (default 600).
    #[arg(long, value_name = "S", value_parser = clap::value_parser!(u32).range(1..))]
    seconds: Option<u32>,
    /// Use this adapter, as hci0, and no other; may be given several times.
    #[arg(long, value_name = "NAME")]
    adapter: Vec<String>,
    /// The profile's name.
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// The file to write; NAME.toml where none is given, - for standard output.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Write over a file that is there.
    #[arg(long)]
    force: bool,
    /// A folder with profiles of your own, which win over the shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
}

/// Runs `settled profile learn`.
///
/// # Errors
/// Where the record, a value or a time cannot be read, the probe is not in it, or the file is
/// there already.
pub(super) fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let profiles = profile::load(args.profiles.as_deref())?;
    let half_width = parse::difference(&args.within).map_err(Failure::usage)?.get();
    if half_width <= 0.0 {
        return Err(Failure::usage("--within must be above zero, as 1delta_F"));
    }
    let (record, zone, typed) = match &args.record {
        Some(path) => {
            let (record, zone) = Record::read(path)?;
            (record, zone, Vec::new())
        }
        None => listen(args, half_width, json, out)?,
    };
    let zone = match &args.zone {
        Some(name) => TimeZone::get(name).map_err(|_| {
            Failure::usage(format!("`{name}` is no zone; write one as America/Chicago or UTC"))
        })?,
        None => zone,
    };
    let address = unknown(args, &record, &profiles)?;
    let mut known = typed;
    for text in &args.known {
        known.push(read_known(text, &record, &zone, half_width)?);
    }
    if let Some(like) = &args.like {
        known.extend(along(like, &record, &profiles, half_width)?);
    }
    let name = match &args.name {
        Some(name) => name.clone(),
        None => format!("learnt-{}", address.replace(':', "-").to_lowercase()),
    };
    let heard = &record.probes[&address];
    let subject = Subject { profile: &name, address: &address, name: heard.name.as_deref() };
    let learnt = learn(&subject, &heard.heard, &known).map_err(Failure::bad_input)?;
    let file = write_profile(args, &name, &learnt, &profiles)?;
    tell(&learnt, &known, file.as_deref(), json, out).map_err(Failure::world)?;
    let nothing = learnt.answers.iter().all(|answer| answer.sureness == Sureness::Nothing);
    Ok(if nothing { Exit::BadInput } else { Exit::Done })
}

/// The probe to learn: the one that is named, or the only one that no profile fits.
fn unknown(args: &Args, record: &Record, profiles: &Profiles) -> Result<String, Failure> {
    if let Some(address) = &args.address {
        let address = address.to_uppercase();
        if record.probes.contains_key(&address) {
            return Ok(address);
        }
        let known: Vec<&str> = record.probes.keys().map(String::as_str).collect();
        let known = if known.is_empty() { "no probe".to_owned() } else { known.join(", ") };
        return Err(Failure::bad_input(format!(
            "nothing was heard of {address}; the record has {known}"
        )));
    }
    let fits = |address: &str| {
        let probe = &record.probes[address];
        let payload = |heard: &crate::engine::learn::Heard| {
            let payload =
                Payload { probe: address, via: heard.via, bytes: &heard.bytes, rssi_dbm: None };
            profiles.match_payload(&payload, probe.name.as_deref()).is_some()
        };
        probe.heard.iter().take(50).any(payload)
    };
    let unknown: Vec<&String> = record
        .probes
        .iter()
        .filter(|(address, probe)| !probe.heard.is_empty() && !fits(address))
        .map(|(address, _)| address)
        .collect();
    match unknown[..] {
        [only] => Ok(only.clone()),
        [] => Err(Failure::bad_input(
            "a profile fits every probe that was heard; name one with --address to learn it anew",
        )),
        _ => {
            let all: Vec<&str> = unknown.iter().map(|address| address.as_str()).collect();
            let all = all.join(", ");
            Err(Failure::usage(format!("no profile fits {all}; say which with --address")))
        }
    }
}

/// `TIME=VALUE`.
fn read_known(
    text: &str,
    record: &Record,
    zone: &TimeZone,
    half_width: f64,
) -> Result<Known, Failure> {
    let (time, value) = text.split_once('=').ok_or_else(|| {
        Failure::usage(format!("`{text}` is no known value; write TIME=VALUE, as 19:05:00=32F"))
    })?;
    let at = record.moment(time, zone)?;
    typed_value(value, at, half_width)
}

/// A value with its unit, which says what it is.
fn typed_value(text: &str, at: Elapsed, within: f64) -> Result<Known, Failure> {
    let kind = parse::kind_of(text).ok_or_else(|| {
        let reason = parse::temperature(text).map_or_else(|e| e.to_string(), |_| String::new());
        Failure::usage(reason)
    })?;
    let typed = parse::value(kind, text).map_err(Failure::usage)?;
    let (value, gauge) = match typed {
        Typed::Exact(quantity) => (quantity.get(), false),
        Typed::Gauge(above) => (above.get(), true),
    };
    Ok(Known { at, kind, value, gauge, half_width: half_width(kind, value, within) })
}

/// How far a typed value may be wrong (SI; common practice, no source); `within` for temperatures.
fn half_width(kind: QuantityKind, value: f64, within: f64) -> f64 {
    match kind {
        QuantityKind::Temperature => within,
        QuantityKind::Humidity | QuantityKind::Battery => 0.05,
        QuantityKind::Pressure => (0.02 * value.abs()).max(5_000.0),
        QuantityKind::StaticPressure => (0.05 * value.abs()).max(5.0),
        _ => (0.03 * value.abs()).max(1e-3),
    }
}

/// Temperatures of a second probe that a profile fits.
fn along(
    address: &str,
    record: &Record,
    profiles: &Profiles,
    half_width: f64,
) -> Result<Vec<Known>, Failure> {
    let address = address.to_uppercase();
    let probe = record.probes.get(&address).ok_or_else(|| {
        Failure::bad_input(format!("nothing was heard of the second probe {address}"))
    })?;
    let mut series = Vec::new();
    let mut fields = Vec::new();
    for heard in &probe.heard {
        let payload =
            Payload { probe: &address, via: heard.via, bytes: &heard.bytes, rssi_dbm: None };
        let Some(id) = profiles.match_payload(&payload, probe.name.as_deref()) else { continue };
        let profile = profiles.get(id);
        if decode(profile, heard.via, &heard.bytes, &mut fields).is_err() {
            continue;
        }
        let temperature = fields.iter().find_map(|field| {
            let kind = profile.fields()[usize::from(field.index)].kind;
            match field.value {
                FieldValue::Number(value) if kind == Some(QuantityKind::Temperature) => Some(value),
                _ => None,
            }
        });
        series.extend(temperature.map(|value| (heard.at, value)));
    }
    if series.is_empty() {
        return Err(Failure::bad_input(format!(
            "no profile reads a temperature from {address}; name a probe that `settled listen` reads"
        )));
    }
    Ok(sampled_along(&series, QuantityKind::Temperature, half_width))
}

/// Listens, and takes the values that are typed meanwhile.
fn listen(
    args: &Args,
    half_width: f64,
    json: bool,
    out: &mut dyn Write,
) -> Result<(Record, TimeZone, Vec<Known>), Failure> {
    let Some(address) = args.address.as_ref().map(|address| address.to_uppercase()) else {
        return Err(Failure::usage(
            "give a record, or --address of the probe to listen to; `settled listen` shows them",
        ));
    };
    hook_panics();
    let (sender, inbox) = sync_channel(QUEUE_MAX);
    let settings = RadioSettings { adapters: args.adapter.clone(), ..RadioSettings::default() };
    let mut clock = SessionClock::start(Elapsed::ZERO);
    let lines = typed_lines();
    let radio = bluetooth::start(settings, sender).map_err(Failure::world)?;
    let end = Elapsed::from_secs(u64::from(args.seconds.unwrap_or(SECONDS)));
    let (mut record, mut known) = (Record::default(), Vec::new());
    if !json {
        let words = "Listening. At rest in ice water, the hand, warm water: type what a \
                     thermometer beside the probe says, as 32F. An empty line ends.";
        writeln!(out, "{words}").and_then(|()| out.flush()).map_err(Failure::world)?;
    }
    while clock.elapsed() < end {
        match inbox.recv_timeout(LOOK_EVERY) {
            Ok(message) => {
                let stamp = clock.stamp();
                take(&mut record, stamp.at, stamp.label, &message);
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        let Ok(line) = lines.try_recv() else { continue };
        if line.trim().is_empty() {
            break;
        }
        let now = clock.elapsed();
        let words = match typed_value(line.trim(), now, half_width) {
            Ok(value) => {
                known.push(value);
                standing(&address, &record, &known)
            }
            Err(failure) => failure.line(),
        };
        if !json {
            writeln!(out, "{now} {words}").and_then(|()| out.flush()).map_err(Failure::world)?;
        }
    }
    radio.stop();
    let zone = TimeZone::system();
    Ok((record, zone, known))
}

fn take(
    record: &mut Record,
    at: Elapsed,
    label: Option<crate::edge::clock::Utc>,
    message: &RadioMessage,
) {
    let input = match message {
        RadioMessage::Heard { probe, via, bytes, rssi_dbm, .. } => {
            Input::Payload(Payload { probe, via: *via, bytes, rssi_dbm: *rssi_dbm })
        }
        RadioMessage::Named { probe, name } => Input::Named { probe, name },
        _ => return,
    };
    record.take(at, label, &input);
}

/// Lines from standard input, from a thread of their own that ends with the program.
fn typed_lines() -> Receiver<String> {
    let (sender, lines) = channel();
    std::thread::spawn(move || {
        for line in io::stdin().lock().lines().map_while(Result::ok) {
            if sender.send(line).is_err() {
                break;
            }
        }
    });
    lines
}

/// Where things stand after a typed value.
fn standing(address: &str, record: &Record, known: &[Known]) -> String {
    let count = known.len();
    let Some(probe) = record.probes.get(address) else {
        return format!("noted, {count} value(s); nothing was heard of {address} yet");
    };
    let subject = Subject { profile: "learnt", address, name: probe.name.as_deref() };
    match learn(&subject, &probe.heard, known) {
        Ok(learnt) => {
            let answer = &learnt.answers[0];
            let next = answer.next.as_ref().map(|next| format!("; next: {}", next.words));
            let sureness = answer.sureness.word();
            format!("noted, {count} value(s): {sureness}{}", next.unwrap_or_default())
        }
        Err(error) => format!("noted, {count} value(s); {error}"),
    }
}

/// Writes the profile, after it has been proved beside all others.
fn write_profile(
    args: &Args,
    name: &str,
    learnt: &Learnt,
    profiles: &Profiles,
) -> Result<Option<PathBuf>, Failure> {
    let Some(text) = &learnt.profile else { return Ok(None) };
    if let Err(errors) = Profiles::parse([(name, text.as_str())]) {
        let first = errors.first().map(ToString::to_string).unwrap_or_default();
        // A name that a person gave can be wrong; anything else is our fault.
        return match args.name {
            Some(_) if first.contains("`name`") => Err(Failure::usage(first)),
            _ => Err(Failure { exit: Exit::OurFault, ..Failure::bad_input(first) }),
        };
    }
    if let Some(taken) = profiles.by_name(name)
        && !profiles.get(taken).is_users()
    {
        let what = format!("a shipped profile is called `{name}`; give another with --name");
        return Err(Failure::usage(what));
    }
    let file = args.output.clone().unwrap_or_else(|| PathBuf::from(format!("{name}.toml")));
    if file.as_os_str() == "-" {
        return Ok(Some(file));
    }
    if file.exists() && !args.force {
        let file = file.display();
        return Err(Failure::bad_input(format!(
            "{file} is there already; give another with -o, or --force"
        )));
    }
    fs::write(&file, text)
        .map_err(|error| Failure::world(format!("cannot write {}: {error}", file.display())))?;
    Ok(Some(file))
}

fn tell(
    learnt: &Learnt,
    known: &[Known],
    file: Option<&Path>,
    json: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    let written = file.filter(|file| file.as_os_str() != "-");
    if json {
        for answer in &learnt.answers {
            writeln!(out, "{}", as_json(answer, written))?;
        }
        return Ok(());
    }
    if let (Some(_), None, Some(text)) = (file, written, &learnt.profile) {
        return out.write_all(text.as_bytes());
    }
    for answer in &learnt.answers {
        let count = known.iter().filter(|known| known.kind == answer.kind).count();
        tell_answer(answer, count, out)?;
    }
    for line in &learnt.found {
        writeln!(out, "{line}")?;
    }
    match written {
        Some(file) => {
            let file = file.display();
            writeln!(out, "Wrote {file}. Prove it against other payloads: settled decode … ")?;
            writeln!(out, "Use it: put it into a folder and name that folder with --profiles.")
        }
        None => writeln!(out, "No profile is written: no field gives the known values."),
    }
}

fn tell_answer(answer: &Answer, count: usize, out: &mut dyn Write) -> io::Result<()> {
    let (kind, sureness) = (answer.kind.word(), answer.sureness.word());
    writeln!(out, "{kind}: {sureness}, from {count} known value(s)")?;
    for reading in &answer.readings {
        let percent = 100.0 * reading.probability;
        let (words, left, unit) = (&reading.words, reading.residual, difference_unit(answer.kind));
        writeln!(out, "  {percent:6.2} %  {words}; off by {left:.2} {unit}")?;
    }
    writeln!(out, "  {:6.2} %  no field holds it", 100.0 * answer.none)?;
    for line in &answer.open {
        writeln!(out, "  open: {line}")?;
    }
    if let Some(next) = &answer.next {
        writeln!(out, "  next: {}", next.words)?;
    }
    Ok(())
}

const fn difference_unit(kind: QuantityKind) -> &'static str {
    match kind {
        QuantityKind::Temperature => "delta_degC",
        other => other.unit(),
    }
}

fn as_json(answer: &Answer, file: Option<&Path>) -> serde_json::Value {
    let readings = answer.readings.iter().map(|reading| {
        json!({"probability": reading.probability, "field": reading.words,
            "residual": reading.residual, "unit": difference_unit(answer.kind)})
    });
    json!({
        "kind": "learnt",
        "quantity": answer.kind.word().replace('-', "_"),
        "sureness": answer.sureness.word(),
        "readings": readings.collect::<Vec<_>>(),
        "no_field": answer.none,
        "open": answer.open,
        "next": answer.next.as_ref().map(|next| &next.words),
        "next_value": answer.next.as_ref().and_then(|next| next.value),
        "profile_file": file.map(|file| file.display().to_string()),
    })
}
