//! From a payload's bytes to its fields, as a profile says.
//!
//! Total: any bytes with any profile give fields or an error, never a panic. Nothing is allocated
//! once the caller's vector has grown.

pub(crate) mod checksum;
mod number;

use crate::engine::profile::layout::{
    Coding, Condition, FieldPlan, Layout, Slice, Tag, Tagged, Unknown,
};
use crate::engine::profile::{Profile, ProfileId};
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

/// A payload that was decoded beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decoded<'a> {
    /// The profile that it fits, whatever its probe is called.
    pub profile: ProfileId,
    /// Its fields.
    pub fields: &'a [Field],
}

/// Why a payload gives no fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    /// It ends before a field that must be there.
    #[error("has {has} bytes, which end before field {field} at byte {at}")]
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
    #[error("holds identifier 0x{0:02X}, which is not known")]
    UnknownIdentifier(u16),
    /// The checksum does not agree.
    #[error("does not agree with its checksum")]
    Checksum,
    /// It is longer than any payload of its way.
    #[error("has {0} bytes, more than any payload")]
    Long(usize),
}

impl DecodeError {
    /// The error with the field's name in place of its number.
    pub fn in_words(&self, profile: &Profile) -> String {
        match *self {
            Self::Short { field, has, .. } => {
                let info = profile.fields().get(usize::from(field));
                let name = info.map_or("", |info| info.name.as_str());
                format!("has {has} bytes, which end before `{name}`")
            }
            other => other.to_string(),
        }
    }
}

/// Longest manufacturer data, company id included (bytes).
/// Source: Bluetooth Core Specification, vol 3 part C 11: a length byte, less the type.
const MANUFACTURER_DATA_MAX: usize = 254;
/// Longest payload of any way: a characteristic's value (bytes).
/// Source: Bluetooth Core Specification, vol 3 part F 3.2.9.
const PAYLOAD_MAX: usize = 512;

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
    if bytes.len() > PAYLOAD_MAX {
        return Err(DecodeError::Long(bytes.len()));
    }
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
    if layout.checksum.as_ref().is_some_and(|checksum| !checksum::agrees(checksum, bytes)) {
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
    let mut raw = take(plan.slice, bytes, shift)?;
    for part in &plan.lower {
        raw = raw << part.bits | take(*part, bytes, 0)?;
    }
    if plan.absent.contains(&raw) {
        return Some(FieldValue::Absent);
    }
    let Some(number) = number(plan, raw, bytes) else { return Some(FieldValue::Absent) };
    Some(finish(plan, number, bytes, whole))
}

/// The number that one field at a fixed place says, as its plan has it; `None` where it says none.
pub(crate) fn read_number(plan: &FieldPlan, bytes: &[u8]) -> Option<f64> {
    read_field(plan, bytes, 0, bytes)?.number()
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
    let bits = plan.bits();
    let (negative, magnitude) = match plan.coding {
        Coding::Float => return number::float(raw, bits),
        Coding::Medical => return number::medical(raw, bits),
        Coding::Bcd => (false, number::bcd(raw)?),
        Coding::Signed => {
            let value = number::sign_extended(raw, bits);
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
    let fraction = match plan.fraction {
        Some((slice, over)) => take(slice, bytes, 0)? as f64 / over,
        None => 0.0,
    };
    let number = part as f64 + fraction;
    Some(if negative ^ minus { -number } else { number })
}

/// Fields that are bytes, text or a number written in digits.
fn read_bytes(plan: &FieldPlan, bytes: &[u8], shift: usize, whole: &[u8]) -> Option<FieldValue> {
    let from = place(plan.slice, bytes, shift)?;
    let length = if plan.to_end { bytes.len().checked_sub(from)? } else { plan.slice.bytes.into() };
    let found = bytes.get(from..from + length)?;
    if plan.coding == Coding::Digits {
        let value = number::digits(found).map(|number| finish(plan, number, bytes, whole));
        return Some(value.unwrap_or(FieldValue::Absent));
    }
    Some(FieldValue::Bytes { from: from as u16, len: length as u16 })
}

/// Where the slice begins.
fn place(slice: Slice, bytes: &[u8], shift: usize) -> Option<usize> {
    match usize::try_from(slice.at) {
        Ok(at) => at.checked_sub(shift),
        Err(_) => bytes.len().checked_sub(usize::from(slice.at.unsigned_abs())),
    }
}

/// The slice's bits; `None` where the bytes end before.
pub(crate) fn take(slice: Slice, bytes: &[u8], shift: usize) -> Option<u64> {
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

#[cfg(test)]
mod tests {
    use proptest::collection::vec;
    use proptest::prelude::*;

    use super::*;
    use crate::engine::profile::{Profiles, SHIPPED, read_unproved};

    /// Decodes and looks at what must hold of whatever comes out.
    fn check_total(profile: &Profile, via: Via, bytes: &[u8]) {
        let mut fields = Vec::new();
        let read = decode(profile, via, bytes, &mut fields);
        assert!(read.is_ok() || fields.is_empty());
        let counted = profile.counted(via, bytes);
        for field in &fields {
            let info = &profile.fields()[usize::from(field.index)];
            match field.value {
                FieldValue::Number(number) => {
                    assert!(number.is_finite());
                    let gauge = info.gauge != Some(false);
                    let range = info.kind.filter(|_| !gauge).map(QuantityKind::range);
                    assert!(range.is_none_or(|(low, high)| (low..=high).contains(&number)));
                }
                FieldValue::Bytes { .. } => assert!(field.value.bytes(&counted).is_some()),
                FieldValue::Absent | FieldValue::OutOfRange(_) => {}
            }
        }
        profile.sequence(&fields);
        let again = &mut Vec::new();
        assert_eq!(decode(profile, via, bytes, again), read);
        assert_eq!(format!("{again:?}"), format!("{fields:?}"));
    }

    use crate::units::quantity::QuantityKind;

    fn any_slice() -> impl Strategy<Value = String> {
        let parts = (-20_i16..40, 1_u8..=16, 0_u8..130, 1_u8..=64, any::<bool>());
        parts.prop_map(|(at, bytes, low_bit, bits, big)| {
            let order = if big { "big" } else { "little" };
            let low_bit = low_bit % (8 * bytes);
            let bits = bits.min(8 * bytes - low_bit);
            format!("at = {at}, bytes = {bytes}, low_bit = {low_bit}, bits = {bits}, order = \"{order}\"")
        })
    }

    /// A field's table, nearly always a right one.
    fn any_field(number: usize, tagged: bool) -> impl Strategy<Value = String> {
        let whole = || prop::sample::select(vec!["unsigned", "signed", "sign-magnitude", "bcd"]);
        let whole = (whole(), any_slice(), 1_u32..2_000, 2_u32..2_000, any_slice());
        let whole = whole.prop_map(|(coding, slice, divide, modulo, sign)| {
            let more =
                format!("divide = {divide}, modulo = {modulo}, fraction = {{ at = 1, over = 9 }}");
            format!("type = \"{coding}\", {slice}, {more}, sign = {{ {sign} }}")
        });
        let sized = prop::sample::select(vec![
            "type = \"float\", bytes = 2",
            "type = \"float\", bytes = 4",
            "type = \"float\", bytes = 8",
            "type = \"ieee-11073-float\"",
            "type = \"ieee-11073-sfloat\"",
            "type = \"fixed-8.8\"",
            "type = \"digits\", bytes = 5",
            "type = \"digits\", to_end = true",
            "type = \"text\", to_end = true",
            "type = \"bytes\", bytes = 7",
        ]);
        let sized = (sized, -20_i16..40).prop_map(|(sized, at)| format!("{sized}, at = {at}"));
        let extra = prop::sample::select(vec![
            String::new(),
            ", quantity = \"temperature\", unit = \"degF\", scale = -0.01, offset = 50".to_owned(),
            ", quantity = \"pressure\", unit = \"psig\", valid = [-14.7, 900]".to_owned(),
            ", quantity = \"humidity\", unit = \"percent\", absent = [255, 65535]".to_owned(),
            ", optional = true, sequence = true".to_owned(),
            ", case = { at = 0, bit = 3, scale = 1e12 }".to_owned(),
        ]);
        let place = if tagged {
            prop::sample::select(vec![Some(1), Some(2), Some(200)]).boxed()
        } else {
            Just(None).boxed()
        };
        (prop_oneof![whole, sized], extra, place, any::<bool>(), any_slice()).prop_map(
            move |(what, extra, tag, there, present)| {
                let extra =
                    if what.contains("text") || what.contains("bytes\"") { "" } else { &extra };
                let tag = tag.map_or(String::new(), |tag| format!(", tag = {tag}"));
                let present = if there && tag.is_empty() {
                    format!(", present = {{ {present}, equals = [0, 1] }}")
                } else {
                    String::new()
                };
                format!("{{ name = \"f-x{number}\", {what}{extra}{tag}{present} }}")
            },
        )
    }

    fn any_profile() -> impl Strategy<Value = String> {
        let layouts = prop::sample::select(vec![
            "kind = \"fixed\"",
            "kind = \"fixed\", count_from = \"company-id\"",
            "kind = \"tagged\"",
            "kind = \"tagged\", length = \"byte\", unknown = \"skip\"",
            "kind = \"tagged\", length = \"byte-first\", unknown = \"refuse\", tag_bytes = 2",
        ]);
        let sums = prop::sample::select(vec![
            "",
            "checksum = { kind = \"sum\", at = -1, from = 2 }",
            "checksum = { kind = \"crc\", at = 0, bytes = 8, from = 8, polynomial = 0x1B, reflected = true }",
        ]);
        (layouts, sums).prop_flat_map(|(layout, sum)| {
            let tagged = layout.contains("tagged");
            let fields: Vec<_> = (0..4).map(|n| any_field(n, tagged && n > 0)).collect();
            fields.prop_map(move |fields| {
                format!(
                    "name = \"p\"\ntitle = \"p\"\npublished = \"p\"\nlayout = {{ {layout} }}\n{sum}\n\
                     match = {{ company = 1 }}\nfield = [{}]\n\
                     example = {{ bytes = \"\", fields = {{}}, source = \"p\" }}\n",
                    fields.join(", ")
                )
            })
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(1_500) })]

        #[test]
        fn any_bytes_through_any_profile_do_not_panic(
            text in any_profile(),
            payloads in vec(vec(prop_oneof![any::<u8>(), 0_u8..3], 0..48), 8),
        ) {
            if let Some(profile) = read_unproved(&text) {
                for bytes in payloads {
                    check_total(&profile, Via::Manufacturer(1), &bytes);
                }
            }
        }
    }

    #[test]
    fn most_made_profiles_are_valid_ones() {
        use proptest::strategy::ValueTree;
        use proptest::test_runner::TestRunner;
        let mut runner = TestRunner::deterministic();
        let made = (0..300).map(|_| any_profile().new_tree(&mut runner).unwrap().current());
        let valid = made.filter(|text| read_unproved(text).is_some()).count();
        assert!(valid > 100, "only {valid} of 300");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

        #[test]
        fn any_bytes_through_the_shipped_profiles_do_not_panic(
            bytes in vec(any::<u8>(), 0..60),
            info in prop::sample::select(vec![0x40_u8, 0x42, 0x44, 0x20]),
        ) {
            let profiles = Profiles::shipped();
            for profile in profiles.iter() {
                let via = profile.examples()[0].via;
                check_total(profile, via, &bytes);
                let framed = [&[info], bytes.as_slice()].concat();
                check_total(profile, via, &framed);
            }
        }

        #[test]
        fn a_mutated_profile_text_is_refused_or_read_and_never_panics(
            which in 0..SHIPPED.len(),
            changes in vec((any::<prop::sample::Index>(), any::<u8>(), 0..4_u8), 1..6),
            bytes in vec(any::<u8>(), 0..40),
        ) {
            let mut text = SHIPPED[which].1.as_bytes().to_vec();
            for (place, byte, how) in changes {
                let at = place.index(text.len());
                match how {
                    0 => text[at] = byte & 0x7F,
                    1 => { text.remove(at); }
                    2 => text.insert(at, byte & 0x7F),
                    _ => {
                        let line = text[at..].iter().take(40).copied().collect::<Vec<_>>();
                        text.splice(at..at, line);
                    }
                }
            }
            let text = String::from_utf8_lossy(&text);
            match Profiles::parse([("mutated.toml", text.as_ref())]) {
                Ok(profiles) => {
                    for profile in profiles.iter() {
                        check_total(profile, profile.examples()[0].via, &bytes);
                    }
                }
                Err(errors) => {
                    prop_assert!(!errors.is_empty());
                    prop_assert!(errors.iter().all(|error| !error.to_string().contains('\n')));
                }
            }
        }
    }

    #[test]
    fn a_payload_longer_than_any_is_refused() {
        let profiles = Profiles::shipped();
        for profile in profiles.iter() {
            let via = profile.examples()[0].via;
            let long = vec![0x40; 70_000];
            let read = decode(profile, via, &long, &mut Vec::new());
            assert_eq!(read, Err(DecodeError::Long(70_000)));
        }
    }
}
