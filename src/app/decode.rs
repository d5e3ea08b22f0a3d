//! `settled decode`: one payload through the profiles.

use std::fs;
use std::io::{self, Write};
use std::path::PathBuf;

use serde_json::{Value, json};

use crate::app::exit::{Exit, Failure};
use crate::app::profile;
use crate::engine::decode::{Field, FieldValue, Read, decode};
use crate::engine::profile::{FieldInfo, Profile, uuid};
use crate::engine::reading::{Payload, Via};
use crate::engine::seal::{self, Opener, SealKey};

/// The UUID of the format whose encrypted frames can be opened.
const BTHOME: u128 = uuid::full(0xFCD2);

/// Arguments of `settled decode`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  settled decode --service 0xFCD2:4002CA0903BF13")]
#[group(skip)]
#[command(group(clap::ArgGroup::new("payload").required(true)))]
pub struct Args {
    /// Manufacturer data: the company id, then the bytes after it in hex.
    #[arg(long, value_name = "ID:HEX", group = "payload")]
    manufacturer: Option<String>,
    /// Service data: the UUID, then the bytes after it in hex.
    #[arg(long, value_name = "UUID:HEX", group = "payload")]
    service: Option<String>,
    /// What a characteristic was notified or read as: its UUID, then the bytes in hex.
    #[arg(long, value_name = "UUID:HEX", group = "payload")]
    characteristic: Option<String>,
    /// The probe's address; needed to open an encrypted payload.
    #[arg(long, value_name = "ADDRESS")]
    address: Option<String>,
    /// The probe's name, for profiles that ask for one.
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// A file with the probe's key, 32 hex digits, for an encrypted payload.
    #[arg(long, value_name = "FILE", requires = "address")]
    key_file: Option<PathBuf>,
    /// A folder with profiles of your own, which win over the shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
}

/// Runs `settled decode`.
///
/// # Errors
/// Where the payload is not hex, no profile fits, or it does not decode.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let profiles = profile::load(args.profiles.as_deref())?;
    let (via, bytes) = payload(args)?;
    let (via, bytes) = opened(args, via, bytes)?;
    let probe = args.address.as_deref().unwrap_or("");
    let payload = Payload { probe, via, bytes: &bytes, rssi_dbm: None };
    let Some(id) = profiles.match_payload(&payload, args.name.as_deref()) else {
        let name = if args.name.is_none() { "; some ask for a name too: give --name" } else { "" };
        let error = format!("no profile fits this payload; see `settled profile list`{name}");
        return Err(Failure::bad_input(error));
    };
    let profile = profiles.get(id);
    let mut fields = Vec::new();
    let read = decode(profile, via, &bytes, &mut fields).map_err(|error| {
        let words = error.in_words(profile);
        Failure::bad_input(format!("{} fits, but the payload {words}", profile.name()))
    })?;
    let counted = profile.counted(via, &bytes);
    print(profile, &fields, read, &counted, json, out).map_err(Failure::world)?;
    Ok(Exit::Done)
}

/// The one payload of the arguments.
fn payload(args: &Args) -> Result<(Via, Vec<u8>), Failure> {
    if let Some(text) = &args.manufacturer {
        let (id, bytes) = halves(text)?;
        let digits = id.strip_prefix("0x").or_else(|| id.strip_prefix("0X")).unwrap_or(id);
        let company = u16::from_str_radix(digits, 16).map_err(|_| {
            Failure::bad_input(format!(
                "`{id}` is no company id; write four hex digits, as in 0xFFFF"
            ))
        })?;
        return Ok((Via::Manufacturer(company), bytes));
    }
    let service = args.service.is_some();
    let text = args.service.as_ref().or(args.characteristic.as_ref());
    let text = text.ok_or_else(|| {
        Failure::usage("give a payload: --manufacturer, --service or --characteristic")
    })?;
    let (id, bytes) = halves(text)?;
    let id = uuid::parse(id).ok_or_else(|| {
        Failure::bad_input(format!("`{id}` is no UUID; write 4, 8 or 32 hex digits, as in 0xFCD2"))
    })?;
    Ok((if service { Via::Service(id) } else { Via::Characteristic(id) }, bytes))
}

fn halves(text: &str) -> Result<(&str, Vec<u8>), Failure> {
    let halves = text.split_once(':');
    let (id, digits) = halves.ok_or_else(|| {
        Failure::bad_input(format!("`{text}` lacks its bytes; write ID:HEX, as in 0xFFFF:434C01"))
    })?;
    let digits: String = digits.chars().filter(|c| !c.is_whitespace()).collect();
    let bytes = hex::decode(&digits).map_err(|_| {
        Failure::bad_input(format!("`{digits}` is not hex; write two digits for each byte"))
    })?;
    Ok((id, bytes))
}

/// Opens an encrypted payload; any other is left as it is.
fn opened(args: &Args, via: Via, bytes: Vec<u8>) -> Result<(Via, Vec<u8>), Failure> {
    let sealed = via == Via::Service(BTHOME) && seal::is_sealed(&bytes);
    let Some(file) = &args.key_file else {
        if sealed {
            let what = "the payload is encrypted; give --address and --key-file";
            return Err(Failure::bad_input(what));
        }
        return Ok((via, bytes));
    };
    if via != Via::Service(BTHOME) {
        return Err(Failure::usage("--key-file is for service data of 0xFCD2 only"));
    }
    let text = fs::read_to_string(file).map_err(|error| {
        Failure::bad_input(format!("cannot read the key file {}: {error}", file.display()))
    })?;
    let key = SealKey::parse(&text).ok_or_else(|| {
        Failure::bad_input(format!("{} holds no key of 32 hex digits", file.display()))
    })?;
    let address = args.address.as_deref().unwrap_or("");
    let mut opener = Opener::new(&key, address).ok_or_else(|| {
        Failure::usage(format!(
            "`{address}` is no address; write six bytes, as in 54:48:E6:8F:80:A5"
        ))
    })?;
    let mut plain = Vec::new();
    let counter = opener.open(&bytes, &mut plain).map_err(Failure::bad_input)?;
    Ok((Via::ServiceOpened(BTHOME, counter), plain))
}

fn print(
    profile: &Profile,
    fields: &[Field],
    read: Read,
    bytes: &[u8],
    json: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    if !json {
        writeln!(out, "{}: {}", profile.name(), profile.title())?;
    }
    let names = fields.iter().map(|f| profile.fields()[usize::from(f.index)].numbered(f.repeat));
    let longest = names.map(|name| name.len()).max().unwrap_or(0);
    for field in fields {
        let info = &profile.fields()[usize::from(field.index)];
        let name = info.numbered(field.repeat);
        if json {
            writeln!(out, "{}", as_json(profile, info, &name, field.value, bytes))?;
        } else {
            writeln!(out, "  {name:longest$}  {}", as_text(info, field.value, bytes))?;
        }
    }
    let Read::StoppedAt { byte, identifier } = read else { return Ok(()) };
    if json {
        let line = json!({"kind": "stopped", "byte": byte, "identifier": identifier});
        return writeln!(out, "{line}");
    }
    writeln!(out, "  stopped at byte {byte}: identifier 0x{identifier:02X} is not known")
}

fn as_json(
    profile: &Profile,
    info: &FieldInfo,
    name: &str,
    value: FieldValue,
    bytes: &[u8],
) -> Value {
    let (number, status) = match value {
        FieldValue::Number(number) => (json!(rounded(number)), "known"),
        FieldValue::Absent => (Value::Null, "absent"),
        FieldValue::OutOfRange(_) => (Value::Null, "out_of_range"),
        FieldValue::Bytes { .. } => (json!(bytes_as_text(info, value, bytes)), "known"),
    };
    let unit = info.kind.map_or(info.unit.as_str(), |kind| kind.unit());
    let quantity = info.kind.map(|kind| kind.word().replace('-', "_"));
    json!({"kind": "field", "profile": profile.name(), "field": name, "quantity": quantity,
        "value": number, "unit": unit, "status": status, "gauge": info.gauge})
}

fn as_text(info: &FieldInfo, value: FieldValue, bytes: &[u8]) -> String {
    let own = |si: f64| {
        let own = rounded(info.in_own_unit(si));
        format!("{own} {}", info.unit).trim_end().to_owned()
    };
    match value {
        FieldValue::Number(si) => own(si),
        FieldValue::Absent => "not known".to_owned(),
        FieldValue::OutOfRange(si) => format!("{}, which is out of range", own(si)),
        FieldValue::Bytes { .. } => bytes_as_text(info, value, bytes),
    }
}

/// To twelve digits: more than any probe has, and free of what the way between units adds.
fn rounded(number: f64) -> f64 {
    format!("{number:.11e}").parse().unwrap_or(number)
}

fn bytes_as_text(info: &FieldInfo, value: FieldValue, bytes: &[u8]) -> String {
    let found = value.bytes(bytes).unwrap_or(&[]);
    if info.is_text() {
        // What a probe sends may hold anything; a terminal must not obey it.
        let text = String::from_utf8_lossy(found);
        return text.chars().map(|c| if c.is_control() { '\u{FFFD}' } else { c }).collect();
    }
    hex::encode_upper(found)
}
