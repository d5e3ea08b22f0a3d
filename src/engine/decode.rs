//! From a payload's bytes to its fields, as a profile says.
//!
//! Total: any bytes with any profile give fields or an error, never a panic. Nothing is allocated
//! once the caller's vector has grown.

use crate::engine::profile::Profile;
use crate::engine::profile::layout::{
    Checksum, Coding, Condition, FieldPlan, Layout, Slice, Sum, Tag, Tagged, Unknown,
};
use crate::engine::reading::Via;

/// One decoded field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Field {
    /// Which one: an index into [`Profile::fields`].
    pub index: u16,
    /// 0 where the name stands once in the payload; else 1, 2, … in its order.
    pub repeat: u8,
    /// What it says.
    pub value: FieldValue,
}

/// What a field says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FieldValue {
    /// A number: SI where the field has a kind, else in the profile's unit.
    Number(f64),
    /// The probe says that it does not know.
    Absent,
    /// A number that is not possible, or that the profile calls invalid; no reading.
    OutOfRange(f64),
    /// Bytes or text: a stretch of the payload.
    Bytes {
        /// The first byte.
        from: u16,
        /// How many.
        len: u16,
    },
}

impl FieldValue {
    /// The bytes of a field that has bytes.
    pub fn bytes<'b>(&self, payload: &'b [u8]) -> Option<&'b [u8]> {
        let Self::Bytes { from, len } = *self else { return None };
        payload.get(usize::from(from)..usize::from(from) + usize::from(len))
    }

    /// The number of a field that has one.
    pub const fn number(&self) -> Option<f64> {
        if let Self::Number(number) = *self { Some(number) } else { None }
    }
}

/// How far a payload was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Read {
    /// To its end.
    Whole,
    /// To an identifier that the profile does not know.
    StoppedAt {
        /// The byte where it stands.
        byte: u16,
        /// The identifier.
        identifier: u16,
    },
}

/// Why a payload gives no fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    /// It ends before a field that must be there.
    #[error("{has} bytes, which end before field {field} at byte {at}")]
    Short {
        /// The field's index.
        field: u16,
        /// Where the field stands.
        at: u16,
        /// How many bytes there are.
        has: u16,
    },
    /// It ends within a tagged value.
    #[error("ends within the value of identifier 0x{identifier:02X} at byte {at}")]
    CutOff {
        /// The identifier.
        identifier: u16,
        /// Where it stands.
        at: u16,
    },
    /// The profile refuses identifiers that it does not know.
    #[error("identifier 0x{0:02X} is not known")]
    UnknownIdentifier(u16),
    /// The checksum does not agree.
    #[error("the checksum does not agree")]
    Checksum,
    /// It is longer than any payload of its way.
    #[error("{0} bytes are more than manufacturer data can have")]
    Long(usize),
}

/// Longest manufacturer data, company id included (bytes).
/// Source: Bluetooth Core Specification, vol 3 part C 11: a length byte, less the type.
const MANUFACTURER_DATA_MAX: usize = 254;

/// Decodes `bytes` into `fields`, which is emptied first.
///
/// ```
/// use settled::engine::decode::{decode, FieldValue};
/// use settled::engine::profile::Profiles;
/// use settled::engine::reading::{Payload, Via};
///
/// let profiles = Profiles::shipped();
/// let bytes = [0x43, 0x4C, 1, 7, 0xFF, 0xFF, 0xFF]; // one clamp at −0.01 °C
/// let via = Via::Manufacturer(0xFFFF);
/// let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &bytes, rssi_dbm: None };
/// let profile = profiles.get(profiles.match_payload(&payload, None).unwrap());
///
/// let mut fields = Vec::new();
/// decode(profile, via, &bytes, &mut fields).unwrap();
/// let temperature = fields.iter().find(|f| profile.fields()[f.index as usize].name == "temperature");
/// assert_eq!(temperature.unwrap().value, FieldValue::Number(-0.01));
/// ```
///
/// # Errors
/// Where the payload is not of the profile's form; then `fields` is empty.
pub fn decode(
    profile: &Profile,
    via: Via,
    bytes: &[u8],
    fields: &mut Vec<Field>,
) -> Result<Read, DecodeError> {
    fields.clear();
    let layout = profile.layout();
    let read = match via {
        Via::Manufacturer(company) if layout.from_company => {
            decode_with_company(layout, company, bytes, fields)
        }
        _ => decode_layout(layout, bytes, fields),
    };
    if read.is_err() {
        fields.clear();
    }
    read
}

/// Puts the company id back in front, for probes that keep a reading in its place.
fn decode_with_company(
    layout: &Layout,
    company: u16,
    bytes: &[u8],
    fields: &mut Vec<Field>,
) -> Result<Read, DecodeError> {
    let mut whole = [0; MANUFACTURER_DATA_MAX];
    let length = bytes.len() + 2;
    let Some(rest) = whole.get_mut(2..length) else { return Err(DecodeError::Long(bytes.len())) };
    rest.copy_from_slice(bytes);
    whole[..2].copy_from_slice(&company.to_le_bytes());
    decode_layout(layout, &whole[..length], fields)
}

fn decode_layout(
    layout: &Layout,
    bytes: &[u8],
    fields: &mut Vec<Field>,
) -> Result<Read, DecodeError> {
    if layout.checksum.as_ref().is_some_and(|checksum| !agrees(checksum, bytes)) {
        return Err(DecodeError::Checksum);
    }
    let mut shift = 0;
    for plan in &layout.fixed {
        if plan.present.as_ref().is_some_and(|present| !holds(present, bytes, bytes)) {
            shift += usize::from(plan.slice.bytes);
            continue;
        }
        let value = read_field(plan, bytes, shift, bytes);
        match value {
            Some(value) => fields.push(Field { index: plan.index, repeat: 0, value }),
            None if plan.optional => {}
            None => return Err(short(plan, bytes)),
        }
    }
    let Some(tagged) = &layout.tagged else { return Ok(Read::Whole) };
    let read = decode_tagged(tagged, bytes, tagged.at.saturating_sub(shift), fields)?;
    number_repeats(layout, fields);
    Ok(read)
}

/// Reads identifiers and their values to the end; each round goes on by at least a byte.
fn decode_tagged(
    tagged: &Tagged,
    bytes: &[u8],
    start: usize,
    fields: &mut Vec<Field>,
) -> Result<Read, DecodeError> {
    let mut at = start;
    while at < bytes.len() {
        let byte = at as u16;
        let id_at = at + usize::from(tagged.length_first);
        // Where the length comes first, a zero ends the data early, as in advertisements.
        // Source: Bluetooth Core Specification, vol 3 part C 11.
        if tagged.length_first && bytes[at] == 0 {
            break;
        }
        let id = take(tagged.identifier(id_at), bytes, 0);
        let id = id.ok_or(DecodeError::CutOff { identifier: 0, at: byte })?;
        let identifier = id as u16;
        let cut_off = DecodeError::CutOff { identifier, at: byte };
        let tag = find_tag(&tagged.tags, id);
        if tag.is_none() {
            match tagged.unknown {
                Unknown::Stop => return Ok(Read::StoppedAt { byte, identifier }),
                Unknown::Refuse => return Err(DecodeError::UnknownIdentifier(identifier)),
                Unknown::Skip => {}
            }
        }
        let after = id_at + tagged.tag_bytes;
        let length_at = |place: usize| bytes.get(place).copied().map(usize::from);
        let (from, end) = match tag.and_then(|tag| tag.bytes) {
            Some(length) => (after, after + length),
            None if tagged.length_first => (after, id_at + length_at(at).ok_or(cut_off)?),
            None => (after + 1, after + 1 + length_at(after).ok_or(cut_off)?),
        };
        // A length too short for its own identifier is cut off too: the range is then empty.
        let value = bytes.get(from..end).ok_or(cut_off)?;
        for plan in tag.map_or(&[][..], |tag| &tag.fields) {
            let read = read_field(plan, value, 0, bytes);
            match read.map(|value| moved(value, from)) {
                Some(value) => fields.push(Field { index: plan.index, repeat: 0, value }),
                None if plan.optional => {}
                None => return Err(cut_off),
            }
        }
        at = end;
    }
    Ok(Read::Whole)
}

fn find_tag(tags: &[Tag], id: u64) -> Option<&Tag> {
    // Where identifiers are dense from 0, each is found at once.
    if let Some(tag) = tags.get(id as usize).filter(|tag| tag.id == id) {
        return Some(tag);
    }
    tags.binary_search_by_key(&id, |tag| tag.id).ok().map(|place| &tags[place])
}

/// A tagged value's bytes are counted from the value; a field's from the payload.
fn moved(value: FieldValue, by: usize) -> FieldValue {
    match value {
        FieldValue::Bytes { from, len } => FieldValue::Bytes { from: from + by as u16, len },
        other => other,
    }
}

/// Numbers the fields whose name stands more than once.
fn number_repeats(layout: &Layout, fields: &mut [Field]) {
    let mut counts = [0_u8; 256];
    for field in fields.iter() {
        let count = &mut counts[usize::from(layout.group_of(field.index))];
        *count = count.saturating_add(1);
    }
    let mut seen = [0_u8; 256];
    for field in fields {
        let group = usize::from(layout.group_of(field.index));
        if counts[group] > 1 {
            seen[group] = seen[group].saturating_add(1);
            field.repeat = seen[group];
        }
    }
}

fn short(plan: &FieldPlan, bytes: &[u8]) -> DecodeError {
    let at = u16::try_from(plan.slice.at).unwrap_or(0);
    DecodeError::Short { field: plan.index, at, has: bytes.len() as u16 }
}

/// The field's value in `bytes`; conditions look at the whole payload. `None` where it is not there.
fn read_field(plan: &FieldPlan, bytes: &[u8], shift: usize, whole: &[u8]) -> Option<FieldValue> {
    if matches!(plan.coding, Coding::Bytes | Coding::Text | Coding::Digits) {
        return read_bytes(plan, bytes, shift, whole);
    }
    let raw = take(plan.slice, bytes, shift)?;
    if plan.absent.contains(&raw) {
        return Some(FieldValue::Absent);
    }
    let Some(number) = number(plan, raw, bytes) else { return Some(FieldValue::Absent) };
    Some(finish(plan, number, bytes, whole))
}

/// Scale, unit and range.
fn finish(plan: &FieldPlan, number: f64, bytes: &[u8], whole: &[u8]) -> FieldValue {
    let case = plan.cases.iter().find(|case| holds(&case.when, bytes, whole));
    let Some(linear) = case.map_or(Some(plan.linear), |case| case.linear) else {
        return FieldValue::Absent;
    };
    let value = linear.apply(number);
    if (plan.valid.0..=plan.valid.1).contains(&value) {
        FieldValue::Number(value)
    } else {
        FieldValue::OutOfRange(value)
    }
}

/// The number that the bits mean; `None` where they say that it is not known.
fn number(plan: &FieldPlan, raw: u64, bytes: &[u8]) -> Option<f64> {
    let bits = u32::from(plan.slice.bits);
    let (negative, magnitude) = match plan.coding {
        Coding::Float => return float(raw, bits),
        Coding::Medical => return medical(raw, bits),
        Coding::Bcd => (false, bcd(raw)?),
        Coding::Signed => {
            let value = sign_extended(raw, bits);
            (value < 0, value.unsigned_abs())
        }
        Coding::SignMagnitude => {
            let sign = 1 << (bits - 1);
            (raw & sign != 0, raw & (sign - 1))
        }
        _ => (false, raw),
    };
    let part = magnitude / plan.divide;
    let part = if plan.modulo == 0 { part } else { part % plan.modulo };
    let minus = plan.sign.and_then(|sign| take(sign, bytes, 0)).is_some_and(|s| s == 1);
    let number = part as f64;
    Some(if negative ^ minus { -number } else { number })
}

const fn sign_extended(raw: u64, bits: u32) -> i64 {
    let unused = 64 - bits;
    (raw << unused).cast_signed() >> unused
}

/// IEEE 754; not-a-number and the infinities are not known.
fn float(raw: u64, bits: u32) -> Option<f64> {
    let value = match bits {
        16 => half(raw as u16),
        32 => f64::from(f32::from_bits(raw as u32)),
        _ => f64::from_bits(raw),
    };
    value.is_finite().then_some(value)
}

/// IEEE 754 binary16: sign, 5 bits of exponent (bias 15), 10 of fraction.
fn half(raw: u16) -> f64 {
    let fraction = f64::from(raw & 0x3FF) / 1024.0;
    let magnitude = match i32::from(raw >> 10 & 0x1F) {
        0 => fraction * libm::exp2(-14.0),
        31 => f64::NAN,
        exponent => (1.0 + fraction) * libm::exp2(f64::from(exponent - 15)),
    };
    if raw & 0x8000 == 0 { magnitude } else { -magnitude }
}

/// IEEE 11073-20601 FLOAT (exponent 8 bit, mantissa 24) and SFLOAT (4 and 12), base ten.
///
/// With an exponent of 0 the mantissas around the lowest one are not-a-number, not at this
/// resolution, the infinities and one that is reserved: none of them is a reading.
fn medical(raw: u64, bits: u32) -> Option<f64> {
    let mantissa_bits = if bits == 16 { 12 } else { 24 };
    let mantissa = sign_extended(raw, mantissa_bits);
    let exponent = sign_extended(raw >> mantissa_bits, bits - mantissa_bits) as i32;
    let limit = 1_i64 << (mantissa_bits - 1);
    let special = mantissa >= limit - 2 || mantissa <= -limit + 2;
    if exponent == 0 && special {
        return None;
    }
    let mantissa = mantissa as f64;
    let power = power_of_ten(exponent.unsigned_abs());
    let value = if exponent < 0 { mantissa / power } else { mantissa * power };
    value.is_finite().then_some(value)
}

fn power_of_ten(exponent: u32) -> f64 {
    match exponent {
        0 => 1.0,
        1 => 10.0,
        2 => 100.0,
        3 => 1e3,
        4 => 1e4,
        more => libm::pow(10.0, f64::from(more)),
    }
}

/// Four bits a digit; `None` where one is no digit.
fn bcd(raw: u64) -> Option<u64> {
    let mut value = 0;
    for place in (0..16).rev() {
        let digit = raw >> (4 * place) & 0xF;
        if digit > 9 {
            return None;
        }
        value = value * 10 + digit;
    }
    Some(value)
}

/// Fields that are bytes, text or a number written in digits.
fn read_bytes(plan: &FieldPlan, bytes: &[u8], shift: usize, whole: &[u8]) -> Option<FieldValue> {
    let from = place(plan.slice, bytes, shift)?;
    let length = if plan.to_end { bytes.len().checked_sub(from)? } else { plan.slice.bytes.into() };
    let found = bytes.get(from..from + length)?;
    if plan.coding == Coding::Digits {
        let value = digits(found).map(|number| finish(plan, number, bytes, whole));
        return Some(value.unwrap_or(FieldValue::Absent));
    }
    Some(FieldValue::Bytes { from: from as u16, len: length as u16 })
}

/// The decimal number that is written there: spaces, a sign, digits with at most one point.
fn digits(text: &[u8]) -> Option<f64> {
    let text = text.trim_ascii();
    let (negative, text) = match text.first()? {
        b'-' => (true, &text[1..]),
        b'+' => (false, &text[1..]),
        _ => (false, text),
    };
    let (mut value, mut decimals, mut point, mut seen) = (0_u64, 0, false, false);
    for byte in text {
        match byte {
            b'0'..=b'9' => {
                seen = true;
                decimals += u32::from(point);
                value = value.checked_mul(10)?.checked_add(u64::from(byte - b'0'))?;
            }
            b'.' if !point => point = true,
            _ => return None,
        }
    }
    let value = value as f64 / power_of_ten(decimals);
    seen.then_some(if negative { -value } else { value })
}

/// Where the slice begins.
fn place(slice: Slice, bytes: &[u8], shift: usize) -> Option<usize> {
    match usize::try_from(slice.at) {
        Ok(at) => at.checked_sub(shift),
        Err(_) => bytes.len().checked_sub(usize::from(slice.at.unsigned_abs())),
    }
}

/// The slice's bits; `None` where the bytes end before.
fn take(slice: Slice, bytes: &[u8], shift: usize) -> Option<u64> {
    let from = place(slice, bytes, shift)?;
    let window = bytes.get(from..from + usize::from(slice.bytes))?;
    let mask = u64::MAX >> (64 - u32::from(slice.bits));
    let append = |word: u64, byte: &u8| word << 8 | u64::from(*byte);
    if window.len() <= 8 {
        let word = if slice.big {
            window.iter().fold(0, append)
        } else {
            window.iter().rev().fold(0, append)
        };
        return Some(word >> slice.low_bit & mask);
    }
    let append = |word: u128, byte: &u8| word << 8 | u128::from(*byte);
    let word =
        if slice.big { window.iter().fold(0, append) } else { window.iter().rev().fold(0, append) };
    Some((word >> slice.low_bit) as u64 & mask)
}

fn holds(condition: &Condition, value: &[u8], whole: &[u8]) -> bool {
    let bytes = if condition.of_payload { whole } else { value };
    take(condition.slice, bytes, 0).is_some_and(|found| condition.equals.contains(&found))
}

/// Whether the checksum agrees; a payload too short to have one does not.
fn agrees(checksum: &Checksum, bytes: &[u8]) -> bool {
    let end = |at: i16| match usize::try_from(at) {
        Ok(at) if at > 0 => Some(at),
        _ => bytes.len().checked_sub(usize::from(at.unsigned_abs())),
    };
    let from = match usize::try_from(checksum.from) {
        Ok(at) => Some(at),
        Err(_) => bytes.len().checked_sub(usize::from(checksum.from.unsigned_abs())),
    };
    let (Some(from), Some(to)) = (from, end(checksum.to)) else { return false };
    let (Some(summed), Some(stored)) = (bytes.get(from..to), take(checksum.stored, bytes, 0))
    else {
        return false;
    };
    sum(checksum.sum, u32::from(checksum.stored.bits), summed) == stored
}

fn sum(kind: Sum, bits: u32, bytes: &[u8]) -> u64 {
    let mask = u64::MAX >> (64 - bits);
    match kind {
        Sum::Add { initial, xor } => {
            let add = |sum: u64, byte: &u8| sum.wrapping_add(u64::from(*byte));
            (bytes.iter().fold(initial, add) ^ xor) & mask
        }
        Sum::Xor { initial } => {
            bytes.iter().fold(initial, |sum, byte| sum ^ u64::from(*byte)) & mask
        }
        Sum::Crc { polynomial, initial, reflected, xor } => {
            let crc = if reflected {
                crc_reflected(polynomial.reverse_bits() >> (64 - bits), initial, bytes)
            } else {
                crc_forward(polynomial, bits, initial, bytes)
            };
            (crc ^ xor) & mask
        }
    }
}

fn crc_forward(polynomial: u64, bits: u32, initial: u64, bytes: &[u8]) -> u64 {
    let top = 1_u64 << (bits - 1);
    bytes.iter().fold(initial, |crc, byte| {
        let mut crc = crc ^ u64::from(*byte) << (bits - 8);
        for _ in 0..8 {
            crc = if crc & top == 0 { crc << 1 } else { crc << 1 ^ polynomial };
        }
        crc
    })
}

fn crc_reflected(polynomial: u64, initial: u64, bytes: &[u8]) -> u64 {
    bytes.iter().fold(initial, |crc, byte| {
        let mut crc = crc ^ u64::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 0 { crc >> 1 } else { crc >> 1 ^ polynomial };
        }
        crc
    })
}
