//! What a row of `received.csv` means: an input written down, and read back as it was.
//!
//! Columns are `elapsed_ms,time_utc,probe,via,key,bytes_hex,rssi_dbm`. Words, values and details
//! stand in `bytes_hex` as UTF-8, so that a row holds no quote and no line break whatever people
//! write. For the same reason what is not plain in `probe` and `key` is written `%XX`.
//!
//! | input | `via` | `key` | `bytes_hex` | `probe` |
//! | --- | --- | --- | --- | --- |
//! | payload | `manufacturer` | company id | the bytes | address |
//! | payload | `service`, `characteristic` | UUID | the bytes | address |
//! | payload | `service-opened` | `UUID:COUNTER` | the bytes, opened | address |
//! | heard | `signal` | – | – | address |
//! | value | `import`, `typed` | channel | `VALUE UNIT[ ±UNCERTAINTY]` | – |
//! | note, change | `note` | `note`, `changed` | the words | – |
//! | name | `event` | `probe-name` | the name | address |
//! | recording resumed | `event` | `recording-resumed` | `lost_from_ms=N lost_rows=N` | – |
//! | restarted | `event` | `restarted` | `pause_ms=N` or `pause=unknown` | – |
//! | any other event | `event` | its name | the detail | its subject |
//!
//! The three event names above are taken: no other event may be called so.

use std::fmt::Write as _;
use std::str::from_utf8;
use std::time::Duration;

use uuid::Uuid;

use crate::engine::channel::Channel;
use crate::engine::input::{Input, Origin};
use crate::engine::reading::{Payload, Via};
use crate::units::quantity::Quantity;
use crate::units::time::Elapsed;

/// The columns of `received.csv`.
pub const HEADER: &str = "elapsed_ms,time_utc,probe,via,key,bytes_hex,rssi_dbm";

/// How many columns `received.csv` has.
pub const COLUMNS: usize = 7;

/// What ends a line of every CSV file (RFC 4180).
pub const LINE_END: &str = "\r\n";

const PROBE_NAME: &str = "probe-name";
const RECORDING_RESUMED: &str = "recording-resumed";
const RESTARTED: &str = "restarted";
const NOTE: &str = "note";
const CHANGED: &str = "changed";

/// Where a 16-bit UUID stands in a 128-bit one. Source: Bluetooth Core 5.4, vol. 3, part B, 2.5.1.
const SHORT_UUID_SHIFT: u32 = 96;
/// The UUID that short ones are added to. Source: Bluetooth Core 5.4, vol. 3, part B, 2.5.1.
const BASE_UUID: u128 = 0x0000_0000_0000_1000_8000_0080_5F9B_34FB;

/// Why a row is not one of ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RowError {
    /// The number of columns is wrong.
    #[error("it has not {COLUMNS} columns")]
    Columns,
    /// A cell is not of its form.
    #[error("its `{0}` is not of the form")]
    Cell(&'static str),
    /// `via` is none of the known words.
    #[error("its `via` is none of the known words")]
    Via,
}

/// Appends the row of `input`, line end included; `label` is its time in UTC or empty.
///
/// [`Input::Tick`] is no row: nothing is written and `false` returned.
///
/// ```
/// use settled::engine::input::Input;
/// use settled::engine::record::write_row;
/// use settled::units::time::Elapsed;
/// let mut out = Vec::new();
/// write_row(&mut out, Elapsed::from_ms(12), "", &Input::Note("hm"));
/// assert_eq!(out, b"12,,,note,note,686D,\r\n");
/// ```
pub fn write_row(out: &mut Vec<u8>, at: Elapsed, label: &str, input: &Input<'_>) -> bool {
    if *input == Input::Tick {
        return false;
    }
    push_u64(out, at.as_ms());
    out.push(b',');
    out.extend_from_slice(label.as_bytes());
    out.push(b',');
    match input {
        Input::Payload(payload) => write_payload(out, payload),
        Input::Heard { probe, rssi_dbm } => {
            push_plain(out, probe);
            out.extend_from_slice(b",signal,,,");
            push_rssi(out, *rssi_dbm);
        }
        Input::Named { probe, name } => write_words(out, probe, "event", PROBE_NAME, name),
        Input::Value { channel, quantity, uncertainty, origin } => {
            let via = if *origin == Origin::Typed { "typed" } else { "import" };
            let text = value_text(*quantity, *uncertainty);
            write_words(out, "", via, &channel.to_string(), &text);
        }
        Input::Note(words) => write_words(out, "", "note", NOTE, words),
        Input::Changed(words) => write_words(out, "", "note", CHANGED, words),
        Input::Event { event, subject, detail } => {
            write_words(out, subject, "event", event, detail);
        }
        Input::RecordingResumed { lost_from, lost_rows } => {
            let text = format!("lost_from_ms={} lost_rows={lost_rows}", lost_from.as_ms());
            write_words(out, "", "event", RECORDING_RESUMED, &text);
        }
        Input::Restarted { pause } => {
            let text = pause.map_or_else(
                || "pause=unknown".to_owned(),
                |pause| format!("pause_ms={}", pause.as_millis()),
            );
            write_words(out, "", "event", RESTARTED, &text);
        }
        Input::Tick => {}
    }
    out.extend_from_slice(LINE_END.as_bytes());
    true
}

/// A row that was found to be of our form; what it says borrows from its cells and what
/// was decoded of them.
#[derive(Debug, Clone, Copy)]
pub struct ReadRow {
    /// When, in engine time.
    pub at: Elapsed,
    rssi_dbm: Option<i16>,
    /// Of a payload, the way it came.
    via: Option<Via>,
    /// Where the bytes, and what was decoded of `probe` and `key`, end in what was decoded.
    bytes_end: usize,
    probe_end: Option<usize>,
    key_end: Option<usize>,
}

/// Reads a row's cells back; what is decoded is appended to `decoded`, also in vain.
///
/// The cell `time_utc` is a label and left to the caller.
///
/// # Errors
/// [`RowError`] where a cell is not as [`write_row`] writes it.
pub fn read_row(cells: &[&[u8]; COLUMNS], decoded: &mut Vec<u8>) -> Result<ReadRow, RowError> {
    let [elapsed, _, probe, via, key, hex, rssi] = *cells;
    let at = Elapsed::from_ms(read_u64(elapsed).ok_or(RowError::Cell("elapsed_ms"))?);
    let from = decoded.len();
    read_hex(hex, decoded).ok_or(RowError::Cell("bytes_hex"))?;
    let bytes_end = decoded.len() - from;
    let mut plain = |cell, name| {
        let is_plain = read_plain(cell, decoded).ok_or(RowError::Cell(name))?;
        Ok((!is_plain).then_some(decoded.len() - from))
    };
    let probe_end = plain(probe, "probe")?;
    let key_end = plain(key, "key")?;
    let rssi_dbm = read_rssi(rssi).ok_or(RowError::Cell("rssi_dbm"))?;
    let mut row = ReadRow { at, rssi_dbm, via: None, bytes_end, probe_end, key_end };
    let decoded = &decoded[from..];
    if matches!(via, b"manufacturer" | b"service" | b"service-opened" | b"characteristic") {
        let (.., key) = row.texts(cells, decoded);
        row.via = Some(read_via(via, key).ok_or(RowError::Cell("key"))?);
    }
    row.input(cells, decoded).map(|_| row)
}

impl ReadRow {
    /// What the row says, of the cells that it was read with and what was decoded of them.
    ///
    /// # Errors
    /// [`RowError`] with other cells only.
    pub fn input<'a>(
        &self,
        cells: &[&'a [u8]; COLUMNS],
        decoded: &'a [u8],
    ) -> Result<Input<'a>, RowError> {
        let (bytes, probe, key) = self.texts(cells, decoded);
        let rssi_dbm = self.rssi_dbm;
        let probe = from_utf8(probe).map_err(|_| RowError::Cell("probe"))?;
        if let Some(via) = self.via {
            return Ok(Input::Payload(Payload { probe, via, bytes, rssi_dbm }));
        }
        let words = || from_utf8(bytes).map_err(|_| RowError::Cell("bytes_hex"));
        Ok(match cells[3] {
            b"signal" => Input::Heard { probe, rssi_dbm },
            b"import" => read_value(key, words()?, Origin::Import)?,
            b"typed" => read_value(key, words()?, Origin::Typed)?,
            b"note" if key == CHANGED.as_bytes() => Input::Changed(words()?),
            b"note" if key == NOTE.as_bytes() => Input::Note(words()?),
            b"note" => return Err(RowError::Cell("key")),
            b"event" => {
                let event = from_utf8(key).map_err(|_| RowError::Cell("key"))?;
                read_event(event, probe, words()?)?
            }
            _ => return Err(RowError::Via),
        })
    }

    /// The bytes, the probe and the key.
    fn texts<'a>(
        &self,
        cells: &[&'a [u8]; COLUMNS],
        decoded: &'a [u8],
    ) -> (&'a [u8], &'a [u8], &'a [u8]) {
        let (bytes, rest) = decoded.split_at(self.bytes_end);
        let probe = self.probe_end.map_or(cells[2], |end| &rest[..end - self.bytes_end]);
        let key_from = self.probe_end.unwrap_or(self.bytes_end);
        let key = self.key_end.map_or(cells[4], |end| &decoded[key_from..end]);
        (bytes, probe, key)
    }
}

fn write_payload(out: &mut Vec<u8>, payload: &Payload<'_>) {
    push_plain(out, payload.probe);
    match payload.via {
        Via::Manufacturer(company) => {
            out.extend_from_slice(b",manufacturer,");
            push_short(out, company);
        }
        Via::Service(uuid) => {
            out.extend_from_slice(b",service,");
            push_uuid(out, uuid);
        }
        Via::ServiceOpened(uuid, counter) => {
            out.extend_from_slice(b",service-opened,");
            push_uuid(out, uuid);
            out.push(b':');
            push_u64(out, u64::from(counter));
        }
        Via::Characteristic(uuid) => {
            out.extend_from_slice(b",characteristic,");
            push_uuid(out, uuid);
        }
    }
    out.push(b',');
    push_hex(out, payload.bytes);
    out.push(b',');
    push_rssi(out, payload.rssi_dbm);
}

fn write_words(out: &mut Vec<u8>, probe: &str, via: &str, key: &str, words: &str) {
    push_plain(out, probe);
    out.push(b',');
    out.extend_from_slice(via.as_bytes());
    out.push(b',');
    push_plain(out, key);
    out.push(b',');
    push_hex(out, words.as_bytes());
    out.push(b',');
}

fn value_text(quantity: Quantity, uncertainty: Option<f64>) -> String {
    let mut text = format!("{} {}", quantity.get(), quantity.kind().unit());
    if let Some(uncertainty) = uncertainty {
        // Writing to a string cannot fail.
        let _ = write!(text, " ±{uncertainty}");
    }
    text
}

fn read_value(key: &[u8], text: &str, origin: Origin) -> Result<Input<'static>, RowError> {
    let wrong = || RowError::Cell("bytes_hex");
    let channel: Option<Channel> = from_utf8(key).ok().and_then(|key| key.parse().ok());
    let channel = channel.ok_or(RowError::Cell("key"))?;
    let mut words = text.split(' ');
    let value = words.next().and_then(|word| word.parse().ok()).ok_or_else(wrong)?;
    if words.next() != Some(channel.kind.unit()) {
        return Err(wrong());
    }
    let uncertainty = match words.next() {
        None => None,
        Some(word) => {
            let value = word.strip_prefix('±').and_then(|word| word.parse::<f64>().ok());
            Some(value.filter(|u| u.is_finite() && *u >= 0.0).ok_or_else(wrong)?)
        }
    };
    let quantity = Quantity::new(channel.kind, value).ok_or_else(wrong)?;
    Ok(Input::Value { channel, quantity, uncertainty, origin })
}

fn read_event<'a>(
    event: &'a str,
    subject: &'a str,
    detail: &'a str,
) -> Result<Input<'a>, RowError> {
    let number = |word: Option<&str>, name: &str| {
        let digits = word.and_then(|word| word.strip_prefix(name));
        digits.and_then(|digits| read_u64(digits.as_bytes())).ok_or(RowError::Cell("bytes_hex"))
    };
    match event {
        PROBE_NAME => Ok(Input::Named { probe: subject, name: detail }),
        RECORDING_RESUMED => {
            let mut words = detail.split(' ');
            let lost_from = Elapsed::from_ms(number(words.next(), "lost_from_ms=")?);
            let lost_rows = number(words.next(), "lost_rows=")?;
            Ok(Input::RecordingResumed { lost_from, lost_rows })
        }
        RESTARTED if detail == "pause=unknown" => Ok(Input::Restarted { pause: None }),
        RESTARTED => {
            let pause = Duration::from_millis(number(Some(detail), "pause_ms=")?);
            Ok(Input::Restarted { pause: Some(pause) })
        }
        "" => Err(RowError::Cell("key")),
        _ => Ok(Input::Event { event, subject, detail }),
    }
}

fn read_via(via: &[u8], key: &[u8]) -> Option<Via> {
    match via {
        b"manufacturer" => Some(Via::Manufacturer(read_short(key)?)),
        b"service" => Some(Via::Service(read_uuid(key)?)),
        b"characteristic" => Some(Via::Characteristic(read_uuid(key)?)),
        _ => {
            let colon = key.iter().position(|&byte| byte == b':')?;
            let counter = u32::try_from(read_u64(&key[colon + 1..])?).ok()?;
            Some(Via::ServiceOpened(read_uuid(&key[..colon])?, counter))
        }
    }
}

const HEX: &[u8; 16] = b"0123456789ABCDEF";

/// What each byte is worth as a hexadecimal digit; 0xFF for what is none.
const NIBBLE: [u8; 256] = {
    let mut table = [0xFF; 256];
    let mut value = 0;
    while value < 16 {
        let digit = HEX[value as usize];
        table[digit as usize] = value;
        table[digit.to_ascii_lowercase() as usize] = value;
        value += 1;
    }
    table
};

fn push_hex(out: &mut Vec<u8>, bytes: &[u8]) {
    out.reserve(bytes.len() * 2);
    for byte in bytes {
        out.push(HEX[usize::from(byte >> 4)]);
        out.push(HEX[usize::from(byte & 15)]);
    }
}

fn read_hex(hex: &[u8], out: &mut Vec<u8>) -> Option<()> {
    let (pairs, rest) = hex.as_chunks::<2>();
    let mut wrong = !rest.is_empty();
    out.extend(pairs.iter().map(|[high, low]| {
        let (high, low) = (NIBBLE[usize::from(*high)], NIBBLE[usize::from(*low)]);
        wrong |= high | low > 15;
        high << 4 | (low & 15)
    }));
    (!wrong).then_some(())
}

fn push_short(out: &mut Vec<u8>, id: u16) {
    out.extend_from_slice(b"0x");
    push_hex(out, &id.to_be_bytes());
}

fn read_short(key: &[u8]) -> Option<u16> {
    let digits: &[u8; 4] = key.strip_prefix(b"0x")?.try_into().ok()?;
    digits.iter().try_fold(0, |id, digit| {
        let nibble = NIBBLE[usize::from(*digit)];
        (nibble < 16).then_some(id << 4 | u16::from(nibble))
    })
}

fn push_uuid(out: &mut Vec<u8>, uuid: u128) {
    let short = (uuid >> SHORT_UUID_SHIFT) as u16;
    if uuid == BASE_UUID | u128::from(short) << SHORT_UUID_SHIFT {
        push_short(out, short);
    } else {
        let mut text = [0; 36];
        let text = Uuid::from_u128(uuid).hyphenated().encode_upper(&mut text);
        out.extend_from_slice(text.as_bytes());
    }
}

fn read_uuid(key: &[u8]) -> Option<u128> {
    if let Some(short) = read_short(key) {
        return Some(BASE_UUID | u128::from(short) << SHORT_UUID_SHIFT);
    }
    if key.len() == 36 { Uuid::try_parse_ascii(key).ok().map(|uuid| uuid.as_u128()) } else { None }
}

fn push_rssi(out: &mut Vec<u8>, rssi_dbm: Option<i16>) {
    if let Some(rssi) = rssi_dbm {
        if rssi < 0 {
            out.push(b'-');
        }
        push_u64(out, u64::from(rssi.unsigned_abs()));
    }
}

#[expect(clippy::option_option, reason = "the outer none is a wrong cell, the inner an empty one")]
fn read_rssi(cell: &[u8]) -> Option<Option<i16>> {
    if cell.is_empty() {
        return Some(None);
    }
    let (sign, digits) = match cell.strip_prefix(b"-") {
        Some(digits) => (-1, digits),
        None => (1, cell),
    };
    let size = i64::try_from(read_u64(digits)?).ok()?;
    i16::try_from(sign * size).ok().map(Some)
}

/// Whether a byte may stand in a cell as it is.
const fn is_plain(byte: u8) -> bool {
    byte >= b' ' && byte != b',' && byte != b'"' && byte != b'%' && byte != 0x7F
}

fn push_plain(out: &mut Vec<u8>, text: &str) {
    for byte in text.bytes() {
        if is_plain(byte) {
            out.push(byte);
        } else {
            out.push(b'%');
            push_hex(out, &[byte]);
        }
    }
}

/// Appends a cell with `%XX`, decoded, and gives false; true for one without, which is left where it
/// is. `None` for one that is wrong.
fn read_plain(cell: &[u8], decoded: &mut Vec<u8>) -> Option<bool> {
    if !cell.contains(&b'%') {
        return Some(true);
    }
    let mut rest = cell;
    while let Some((&byte, after)) = rest.split_first() {
        rest = after;
        if byte == b'%' {
            read_hex(rest.get(..2)?, decoded)?;
            rest = &rest[2..];
        } else {
            decoded.push(byte);
        }
    }
    Some(false)
}

/// Appends a whole number in decimal.
pub fn push_u64(out: &mut Vec<u8>, mut value: u64) {
    let mut digits = [0; 20];
    let mut from = digits.len();
    loop {
        from -= 1;
        digits[from] = b'0' + (value % 10) as u8;
        value /= 10;
        if value == 0 {
            break;
        }
    }
    out.extend_from_slice(&digits[from..]);
}

/// Reads a whole number of decimal digits and nothing else.
pub fn read_u64(digits: &[u8]) -> Option<u64> {
    if digits.is_empty() || digits.len() > 20 {
        return None;
    }
    digits.iter().try_fold(0_u64, |value, digit| {
        let digit = digit.wrapping_sub(b'0');
        (digit < 10).then_some(())?;
        value.checked_mul(10)?.checked_add(u64::from(digit))
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::quantity::QuantityKind;

    /// The row of `input`, and that it reads back as it was.
    fn round(at: Elapsed, input: &Input<'_>) -> String {
        let mut out = Vec::new();
        assert!(write_row(&mut out, at, "2031-06-04T19:05:12.345Z", input));
        let line = out.strip_suffix(b"\r\n").unwrap();
        let cells: Vec<&[u8]> = line.split(|byte| *byte == b',').collect();
        let mut scratch = Vec::new();
        let cells = cells.try_into().unwrap();
        let row = read_row(&cells, &mut scratch).unwrap();
        let (read_at, read) = (row.at, row.input(&cells, &scratch).unwrap());
        assert_eq!((read_at, &read), (at, input));
        String::from_utf8(line.to_vec()).unwrap()
    }

    fn check(input: &Input<'_>, rest: &str) {
        let row = round(Elapsed::from_ms(1234), input);
        assert_eq!(row, format!("1234,2031-06-04T19:05:12.345Z,{rest}"));
    }

    fn payload(via: Via, bytes: &[u8]) -> Input<'_> {
        Input::Payload(Payload { probe: "C4:7C:8D:00:00:01", via, bytes, rssi_dbm: Some(-62) })
    }

    fn short(id: u128) -> u128 {
        BASE_UUID | id << 96
    }

    #[test]
    fn every_kind_of_input_has_a_row_and_reads_back() {
        let probe = "C4:7C:8D:00:00:01";
        let bytes = [0x43, 0x4C, 0x01];
        let with_bytes = [
            (Via::Manufacturer(0xFFFF), "manufacturer,0xFFFF"),
            (Via::Service(short(0xFCD2)), "service,0xFCD2"),
            (Via::ServiceOpened(short(0xFCD2), 4_294_967_295), "service-opened,0xFCD2:4294967295"),
            (Via::Characteristic(short(0x2A6E)), "characteristic,0x2A6E"),
            (
                Via::Characteristic(short(0x1_2A6E)),
                "characteristic,00012A6E-0000-1000-8000-00805F9B34FB",
            ),
        ];
        for (via, words) in with_bytes {
            check(&payload(via, &bytes), &format!("{probe},{words},434C01,-62"));
        }
        check(&Input::Heard { probe, rssi_dbm: None }, "C4:7C:8D:00:00:01,signal,,,");
        check(&Input::Named { probe, name: "é" }, "C4:7C:8D:00:00:01,event,probe-name,C3A9,");
        check(&Input::Note("a"), ",note,note,61,");
        check(&Input::Changed("a"), ",note,changed,61,");
        check(
            &Input::Event { event: "clock-stepped", subject: "a,b%\n", detail: "" },
            "a%2Cb%25%0A,event,clock-stepped,,",
        );
        check(&Input::Restarted { pause: None }, ",event,restarted,70617573653D756E6B6E6F776E,");
        round(Elapsed::ZERO, &Input::Restarted { pause: Some(Duration::from_millis(61_001)) });
        round(
            Elapsed::from_ms(u64::MAX),
            &Input::RecordingResumed { lost_from: Elapsed::from_ms(17), lost_rows: 3 },
        );
        assert!(!write_row(&mut Vec::new(), Elapsed::ZERO, "", &Input::Tick));
    }

    #[test]
    fn a_value_says_its_unit_and_keeps_every_digit() {
        let kinds = QuantityKind::ALL;
        for (kind, uncertainty) in kinds.into_iter().zip([None, Some(0.1 + 0.2)].iter().cycle()) {
            let channel = format!("other:attic-2@3.{}", kind.word()).parse().unwrap();
            let quantity = Quantity::new(kind, 1.0 / 3.0).unwrap();
            let uncertainty = *uncertainty;
            let origin = if uncertainty.is_none() { Origin::Typed } else { Origin::Import };
            round(Elapsed::ZERO, &Input::Value { channel, quantity, uncertainty, origin });
        }
        let channel = "supply-air.temperature".parse().unwrap();
        let quantity = Quantity::new(QuantityKind::Temperature, -2.5).unwrap();
        let origin = Origin::Typed;
        let value = Input::Value { channel, quantity, uncertainty: Some(0.25), origin };
        let text = hex::encode_upper("-2.5 degC ±0.25");
        check(&value, &format!(",typed,supply-air.temperature,{text},"));
    }

    #[test]
    fn a_wrong_row_is_refused_and_says_where() {
        let refused = |row: &str| {
            let cells: Vec<&[u8]> = row.as_bytes().split(|byte| *byte == b',').collect();
            read_row(&cells.try_into().unwrap(), &mut Vec::new()).unwrap_err()
        };
        assert_eq!(refused("-1,,,note,note,,"), RowError::Cell("elapsed_ms"));
        assert_eq!(refused("18446744073709551616,,,note,note,,"), RowError::Cell("elapsed_ms"));
        assert_eq!(refused("1,,,note,note,6,"), RowError::Cell("bytes_hex"));
        assert_eq!(refused("1,,,note,note,6G,"), RowError::Cell("bytes_hex"));
        assert_eq!(refused("1,,,note,note,FF,"), RowError::Cell("bytes_hex"));
        assert_eq!(refused("1,,,note,other,,"), RowError::Cell("key"));
        assert_eq!(refused("1,,%2,note,note,,"), RowError::Cell("probe"));
        assert_eq!(refused("1,,,manufacturer,0xFFF,,"), RowError::Cell("key"));
        assert_eq!(refused("1,,,service-opened,0xFCD2,,"), RowError::Cell("key"));
        assert_eq!(refused("1,,,signal,,,x"), RowError::Cell("rssi_dbm"));
        assert_eq!(refused("1,,,signal,,,-40000"), RowError::Cell("rssi_dbm"));
        assert_eq!(refused("1,,,smoke,,,"), RowError::Via);
        assert_eq!(refused("1,,,event,restarted,,"), RowError::Cell("bytes_hex"));
        // "1 degF": a channel's unit is the SI one, and no other.
        assert_eq!(
            refused("1,,,typed,supply-air.temperature,312064656746,"),
            RowError::Cell("bytes_hex")
        );
    }

    proptest! {
        #[test]
        fn whatever_is_heard_reads_back(
            at in any::<u64>(),
            probe in ".{0,30}",
            bytes in proptest::collection::vec(any::<u8>(), 0..40),
            uuid in any::<u128>(),
            counter in any::<u32>(),
            way in 0..4,
            rssi_dbm in any::<Option<i16>>(),
        ) {
            let via = match way {
                0 => Via::Manufacturer(counter as u16),
                1 => Via::Service(short(u128::from(counter as u16))),
                2 => Via::ServiceOpened(uuid, counter),
                _ => Via::Characteristic(uuid),
            };
            let payload = Payload { probe: &probe, via, bytes: &bytes, rssi_dbm };
            round(Elapsed::from_ms(at), &Input::Payload(payload));
            round(Elapsed::from_ms(at), &Input::Note(&probe));
            let detail = format!("{counter} {probe}");
            round(Elapsed::ZERO, &Input::Event { event: "told", subject: &probe, detail: &detail });
        }

        #[test]
        fn no_cell_makes_the_reader_panic(
            cells in proptest::array::uniform7("[ -~é]{0,12}"),
            via in prop::sample::select(vec![
                "manufacturer", "service", "service-opened", "characteristic", "signal", "import",
                "typed", "note", "event",
            ]),
        ) {
            let mut cells = cells.each_ref().map(String::as_bytes);
            cells[3] = via.as_bytes();
            let _ = read_row(&cells, &mut Vec::new());
        }
    }
}
