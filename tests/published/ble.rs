//! Every row of `ble-vectors.csv` whose format is shipped decodes, each field to the published
//! value. The rows name where each was read; the traps beside them are cases of their own.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on may panic")]

use settled::engine::decode::{Field, FieldValue, Read, decode};
use settled::engine::profile::{Profile, ProfileId, Profiles, uuid};
use settled::engine::reading::{Payload, Via};
use settled::engine::seal::{Opener, SealError, SealKey, is_sealed};

const BTHOME: Via = Via::Service(uuid::full(0xFCD2));
const EDDYSTONE: Via = Via::Service(uuid::full(0xFEAA));
/// The key and address of the published encrypted rows (bthome.io/encryption).
const KEY: &str = "231d39c1d7cc1ab1aee224cd096db932";
const ADDRESS: &str = "54:48:E6:8F:80:A5";
/// The counter of the first published encrypted row.
const COUNTER: u32 = 1_122_867;

struct Row {
    format: String,
    what: String,
    bytes: Vec<u8>,
    value: String,
}

fn rows() -> Vec<Row> {
    let mut reader = csv::Reader::from_path("tests/published/ble-vectors.csv").unwrap();
    let rows = reader.records().map(|record| {
        let record = record.unwrap();
        let bytes = hex::decode(&record[2]).unwrap();
        let [format, what, value] = [0, 1, 3].map(|i| record[i].to_owned());
        Row { format, what, bytes, value }
    });
    rows.collect()
}

fn find(profiles: &Profiles, via: Via, bytes: &[u8]) -> Option<ProfileId> {
    let payload = Payload { probe: "02:00:00:00:00:01", via, bytes, rssi_dbm: None };
    profiles.match_payload(&payload, None)
}

/// All fields of a payload with its profile; `None` where no profile fits or it is refused.
fn fields(profiles: &Profiles, via: Via, bytes: &[u8]) -> Option<(ProfileId, Vec<Field>)> {
    let id = find(profiles, via, bytes)?;
    let mut fields = Vec::new();
    decode(profiles.get(id), via, bytes, &mut fields).ok()?;
    Some((id, fields))
}

fn own_numbers(profile: &Profile, fields: &[Field]) -> Vec<f64> {
    let own = |field: &Field| {
        let number = field.value.number()?;
        Some(profile.fields()[usize::from(field.index)].in_own_unit(number))
    };
    fields.iter().filter_map(own).collect()
}

/// The first number of each part of a published value: `25.06 C; 50.55 %`.
fn published_numbers(value: &str) -> Vec<f64> {
    let number = |part: &str| {
        // `98.6 F = 37.0 C`: what follows is the same in SI.
        let part = part.rsplit_once('=').map_or(part, |(_, si)| si);
        let mut words = part.split_whitespace();
        words.find_map(|word| if word == "true" { Some(1.0) } else { word.parse().ok() })
    };
    value.split(';').filter_map(number).collect()
}

fn close(found: &[f64], wanted: &[f64], what: &str) {
    assert_eq!(found.len(), wanted.len(), "{what}: {found:?} for {wanted:?}");
    for (found, wanted) in found.iter().zip(wanted) {
        // Published values are decimal; the way to SI and back costs a few last bits.
        assert!((found - wanted).abs() <= 1e-9 * wanted.abs().max(1.0), "{what}: {found} {wanted}");
    }
}

fn check_plain_bthome(profiles: &Profiles, row: &Row) {
    let Row { what, bytes, value, .. } = row;
    let frame = if what.starts_with("object") {
        [&[0x40], bytes.as_slice()].concat()
    } else if let Some(at) = bytes.windows(2).position(|pair| pair == [0xD2, 0xFC]) {
        bytes[at + 2..].to_vec()
    } else {
        bytes.clone()
    };
    if value == "rejected" {
        assert!(fields(profiles, BTHOME, &frame).is_none(), "{what}");
        return;
    }
    let (id, found) = fields(profiles, BTHOME, &frame).unwrap();
    let mut numbers = own_numbers(profiles.get(id), &found);
    if what.contains("firmware") {
        // Published as `4.2.1.0`, sent last part first.
        numbers.reverse();
        let parts: Vec<f64> = value.split('.').map(|part| part.parse().unwrap()).collect();
        return close(&numbers, &parts, what);
    }
    if let Some((_, address)) = value.split_once("MAC ") {
        let sent = found[0].value.bytes(&frame).unwrap();
        let shown: Vec<String> = sent.iter().rev().map(|byte| format!("{byte:02X}")).collect();
        assert_eq!(shown.join(":"), address[..17]);
    }
    // The timestamp row gives the same moment twice.
    let value = value.split(" = ").next().unwrap();
    close(&numbers, &published_numbers(value), what);
}

fn check_encrypted_bthome(profiles: &Profiles, row: &Row) {
    let Row { what, bytes, value, .. } = row;
    let frame = bytes.strip_prefix(&[0xD2, 0xFC]).unwrap_or(bytes);
    assert!(is_sealed(frame));
    let mut opener = opener();
    if what.contains("counter") && !what.contains("key") {
        opener.set_last_counter(Some(COUNTER));
    }
    let mut plain = Vec::new();
    let opened = opener.open(frame, &mut plain);
    if value.contains("rejected") {
        assert_eq!(opened, Err(SealError::Length(frame.len())));
        return;
    }
    let opened = opened.unwrap();
    assert_eq!(opener.last_counter(), Some(opened));
    let words: Vec<&str> = value.split([' ', ';']).collect();
    assert_eq!(hex::encode(&plain[1..]), words[0], "{what}");

    let via = Via::ServiceOpened(uuid::full(0xFCD2), opened);
    let (id, found) = fields(profiles, via, &plain).unwrap();
    assert_eq!(profiles.get(id).name(), "bthome-v2");
    let shown = value.split_once("-> ").map(|(_, shown)| shown);
    if let Some(shown) = shown {
        close(&own_numbers(profiles.get(id), &found), &published_numbers(shown), what);
    }
}

fn opener() -> Opener {
    Opener::new(&SealKey::parse(KEY).unwrap(), ADDRESS).unwrap()
}

fn check_eddystone(profiles: &Profiles, row: &Row) {
    let mut frame = hex::decode("2000138815000000000100000001").unwrap();
    let (name, at) = match row.what.split(' ').next().unwrap() {
        "TEMP" => ("temperature", 4),
        "VBATT" => ("battery-voltage", 2),
        _ => {
            let (id, found) = fields(profiles, EDDYSTONE, &row.bytes).unwrap();
            let numbers = own_numbers(profiles.get(id), &found);
            return close(&numbers, &published_numbers(&row.value), &row.what);
        }
    };
    frame[at..at + 2].copy_from_slice(&row.bytes);
    let (id, found) = fields(profiles, EDDYSTONE, &frame).unwrap();
    check_one(profiles.get(id), &found, name, row);
}

fn check_one(profile: &Profile, found: &[Field], name: &str, row: &Row) {
    let field = found.iter().find(|f| profile.fields()[usize::from(f.index)].name == name);
    let field = field.unwrap();
    let unknown = ["not", "NaN", "NRes", "infinity", "reserved"];
    if unknown.iter().any(|word| row.value.contains(word)) {
        assert_eq!(field.value, FieldValue::Absent, "{}", row.what);
    } else {
        close(&own_numbers(profile, &[*field]), &published_numbers(&row.value)[..1], &row.what);
    }
}

fn check_characteristic(profiles: &Profiles, short: u32, name: &str, bytes: &[u8], row: &Row) {
    let (id, found) = fields(profiles, Via::Characteristic(uuid::full(short)), bytes).unwrap();
    check_one(profiles.get(id), &found, name, row);
}

#[test]
fn every_row_of_a_shipped_format_decodes_to_the_published_value() {
    let profiles = Profiles::shipped();
    let (mut checked, mut not_shipped) = (0, Vec::new());
    for row in rows() {
        checked += 1;
        match row.format.as_str() {
            "BTHome v2" => check_plain_bthome(&profiles, &row),
            "BTHome v2 encrypted" if row.what.contains("counter lower") => {}
            "BTHome v2 encrypted" if row.what.contains("counter 0 after") => {}
            "BTHome v2 encrypted" => check_encrypted_bthome(&profiles, &row),
            "Eddystone-TLM plain" => check_eddystone(&profiles, &row),
            "IEEE-11073 FLOAT" => {
                let body = [&[0], row.bytes.as_slice()].concat();
                check_characteristic(&profiles, 0x2A1C, "temperature", &body, &row);
                check_characteristic(&profiles, 0x2A1E, "temperature", &body, &row);
            }
            "GATT 0x2A1C" => {
                check_characteristic(&profiles, 0x2A1C, "temperature", &row.bytes, &row);
            }
            "GATT 0x2A6E" => {
                check_characteristic(&profiles, 0x2A6E, "temperature", &row.bytes, &row);
            }
            "GATT 0x2A6F" => {
                check_characteristic(&profiles, 0x2A6F, "humidity", &row.bytes, &row);
            }
            "GATT 0x2B0D" => {
                check_characteristic(&profiles, 0x2B0D, "temperature", &row.bytes, &row);
            }
            other => not_shipped.push(other.to_owned()),
        }
    }
    assert!(not_shipped.is_empty(), "{not_shipped:?}");
    assert_eq!(checked, 59);
}

fn encrypted(what: &str) -> Vec<u8> {
    let row = rows().into_iter().find(|row| {
        row.format == "BTHome v2 encrypted" && row.what.contains(what) && row.bytes[0] == 0x41
    });
    row.unwrap().bytes
}

#[test]
fn a_published_frame_whose_counter_falls_is_refused() {
    let mut opener = opener();
    let mut plain = Vec::new();
    let mut open = |frame: &[u8]| opener.open(frame, &mut plain);
    let first = hex::decode("41E445F3C9962B332211006C7C4519").unwrap();
    assert_eq!(open(&first), Ok(COUNTER));
    assert_eq!(open(&first), Err(SealError::Repeated));
    assert_eq!(open(&encrypted("1122868")), Ok(COUNTER + 1));
    let replayed = SealError::Replayed { counter: COUNTER - 1, last: COUNTER + 1 };
    assert_eq!(open(&encrypted("1122866")), Err(replayed));
    assert_eq!(open(&first), Err(SealError::Replayed { counter: COUNTER, last: COUNTER + 1 }));
}

#[test]
fn a_published_counter_that_ran_out_begins_again() {
    let mut opener = opener();
    let mut plain = Vec::new();
    assert_eq!(opener.open(&encrypted("4294967295"), &mut plain), Ok(u32::MAX));
    assert_eq!(opener.open(&encrypted("counter 0 after"), &mut plain), Ok(0));
    assert_eq!(plain, hex::decode("4002cb0903bf13").unwrap());
    // The wrap is for a counter at its end; from the middle, 0 is an old frame.
    opener.set_last_counter(Some(COUNTER));
    let replayed = SealError::Replayed { counter: 0, last: COUNTER };
    assert_eq!(opener.open(&encrypted("counter 0 after"), &mut plain), Err(replayed));
    assert!(plain.is_empty());
}

#[test]
fn a_wrong_key_address_or_byte_opens_nothing() {
    let frame = encrypted("1122868");
    let mut plain = Vec::new();
    let wrong = SealKey::parse("231d39c1d7cc1ab1aee224cd096db933").unwrap();
    let mut open =
        |key, address, frame: &[u8]| Opener::new(key, address).unwrap().open(frame, &mut plain);
    let right = SealKey::parse(KEY).unwrap();
    assert_eq!(open(&wrong, ADDRESS, &frame), Err(SealError::Key));
    assert_eq!(open(&right, "54:48:E6:8F:80:A6", &frame), Err(SealError::Key));
    for at in 1..frame.len() {
        let mut changed = frame.clone();
        changed[at] ^= 1;
        assert_eq!(open(&right, ADDRESS, &changed), Err(SealError::Key), "byte {at}");
    }
    let included = hex::decode("43A5808FE64854F196C06FFB4900112233F08ECBDE").unwrap();
    assert!(open(&right, ADDRESS, &included).is_ok());
    assert_eq!(open(&right, "54:48:E6:8F:80:A6", &included), Err(SealError::Address));
}

#[test]
fn a_plain_frame_from_a_probe_with_a_key_is_refused() {
    let mut plain = Vec::new();
    for row in rows().iter().filter(|row| row.what.starts_with("service data after uuid")) {
        let wanted = if row.bytes[0] >> 5 == 2 { SealError::Plain } else { SealError::Version };
        assert_eq!(opener().open(&row.bytes, &mut plain), Err(wanted), "{}", row.what);
    }
}

#[test]
fn reading_stops_at_an_unknown_identifier_and_says_where() {
    let profiles = Profiles::shipped();
    let frame = hex::decode("40015DFE5D0903B718").unwrap();
    let profile = profiles.get(find(&profiles, BTHOME, &frame).unwrap());
    let mut fields = Vec::new();
    let read = decode(profile, BTHOME, &frame, &mut fields);
    assert_eq!(read, Ok(Read::StoppedAt { byte: 3, identifier: 0xFE }));
}

#[test]
fn a_battery_level_above_a_hundred_is_reserved() {
    // Source: Bluetooth SIG, Battery Service: 101 to 255 are reserved.
    let profiles = Profiles::shipped();
    let via = Via::Characteristic(uuid::full(0x2A19));
    for level in 0..=255_u8 {
        let (_, found) = fields(&profiles, via, &[level]).unwrap();
        assert_eq!(found[0].value.number().is_some(), level <= 100, "{level}");
    }
}
