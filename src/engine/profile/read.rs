//! From a file's text to checked profiles: name, match, layout and examples.

use std::collections::HashMap;

use crate::engine::document::{self, Item, Problems, Table, TextError};
use crate::engine::profile::example::{Example, Expected};
use crate::engine::profile::layout::{
    Checksum, Coding, FIELDS_MAX, FieldPlan, Layout, Sum, Tag, Tagged, Unknown,
};
use crate::engine::profile::matching::{BytesAt, Key, Match};
use crate::engine::profile::read_field::{self, Order, Written};
use crate::engine::profile::read_source::{read_source, read_uuid};
use crate::engine::profile::{FieldInfo, Profile, Seal};
use crate::engine::reading::Via;

/// Longest payload that a characteristic can have (bytes).
/// Source: Bluetooth Core Specification, vol 3 part F 3.2.9.
const PAYLOAD_MAX: i128 = 512;

/// Reads all profiles of one file; `before` are those read so far, whose names are taken.
pub(super) fn read_file(
    file: &str,
    text: &str,
    before: &[Profile],
) -> Result<Vec<Profile>, Vec<TextError>> {
    let problems = Problems::new(file, text);
    let mut profiles = Vec::new();
    if let Some(parsed) = document::parse(text, &problems) {
        let whole = Table::whole(&parsed, &problems);
        let several = whole.tables("profile");
        if several.is_empty() {
            profiles.extend(read_profile(whole, &problems));
        } else {
            whole.finish();
            for table in several {
                profiles.extend(read_profile(table, &problems));
            }
        }
    }
    for (place, profile) in profiles.iter().enumerate() {
        let taken = before.iter().chain(&profiles[..place]).any(|p| p.name == profile.name);
        if taken {
            problems.add(0..0, "name", format!("another profile is called `{}`", profile.name));
        }
    }
    let digest = digest(text);
    for profile in &mut profiles {
        profile.digest = digest;
    }
    if problems.none() { Ok(profiles) } else { Err(problems.into_errors()) }
}

/// FNV-1a of 64 bit. Source: the parameters published by its authors, Fowler, Noll and Vo.
fn digest(text: &str) -> u64 {
    const BASIS: u64 = 0xCBF2_9CE4_8422_2325;
    const PRIME: u64 = 0x0100_0000_01B3;
    text.bytes().fold(BASIS, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(PRIME))
}

/// `None` where something is wrong, which is then among the problems.
fn read_profile(table: Table<'_, '_>, problems: &Problems<'_>) -> Option<Profile> {
    let name = read_name(&table);
    let title = table.required_text("title", "write in a few words what it is");
    let published = table.get("published").map_or_else(Vec::new, |item| {
        item.one_or_more().iter().filter_map(Item::text).map(str::to_owned).collect()
    });
    if published.is_empty() {
        table.wrong("lacks `published`; write the address of the format's description");
    }
    let matching = read_match(&table);
    let written = read_field::read_fields(&table, read_order(&table));
    let layout = read_layout(&table, &written);
    let source = matching.as_ref().and_then(|m| read_source(&table, m.key));
    let seal = table.word("seal", &[("bthome-v2", Seal::BthomeV2)]);
    let examples = read_examples(&table, matching.as_ref(), &written);
    let spans = table.tables("example");
    let sequence = written.iter().find(|w| w.sequence).map(|w| w.plan.index);
    table.finish();

    let fields = written.into_iter().map(|w| w.info).collect();
    let profile = Profile {
        name: name?,
        title: title?,
        published,
        user: false,
        digest: 0,
        matching: matching?,
        source: source?,
        fields,
        layout: layout?,
        sequence,
        seal,
        examples,
    };
    // Examples are run only where the rest is right: else their failures would hide the cause.
    if problems.none() {
        for (example, at) in profile.examples.iter().zip(&spans) {
            if let Some(failure) = example.failure(&profile) {
                at.wrong(failure);
            }
        }
    }
    Some(profile)
}

fn read_name(table: &Table<'_, '_>) -> Option<String> {
    let name = table.required_text("name", "write name = \"…\" in kebab-case")?;
    if !is_name(&name) {
        table.get("name")?.wrong("must be lower-case letters, digits and `-`, at most 40");
        return None;
    }
    Some(name)
}

/// Whether it is a name of a profile or a field.
pub(super) fn is_name(name: &str) -> bool {
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    !name.is_empty() && name.len() <= 40 && name.chars().all(plain)
}

fn read_match(table: &Table<'_, '_>) -> Option<Match> {
    let Some(wanted) = table.table("match") else {
        table.wrong("lacks `[match]`; say there company, service or characteristic");
        return None;
    };
    let company = wanted.integer("company", 0..=0xFFFF);
    let service = wanted.get("service").and_then(|item| read_uuid(&item));
    let characteristic = wanted.get("characteristic").and_then(|item| read_uuid(&item));
    let any_company = wanted.flag("any_company").unwrap_or(false);
    let keys = [
        company.map(|id| Key::Manufacturer(id as u16)),
        service.map(Key::Service),
        characteristic.map(Key::Characteristic),
    ];
    let written = ["company", "service", "characteristic"].map(|key| wanted.get(key).is_some());
    let given = written.iter().filter(|is| **is).count() + usize::from(any_company);
    if given != 1 {
        wanted
            .wrong("must say one of `company`, `service`, `characteristic`, `any_company = true`");
    }
    let name = wanted.text("name").map(str::to_owned);
    let mut bytes: Vec<BytesAt> = Vec::new();
    if let Some(value) = wanted.get("first_bytes").and_then(|item| item.bytes()) {
        bytes.push(BytesAt { at: 0, mask: vec![0xFF; value.len()], value });
    }
    bytes.extend(wanted.tables("bytes").into_iter().filter_map(read_bytes_at));
    let length = read_length(&wanted);
    if any_company && (name.is_none() && bytes.is_empty()) {
        wanted.wrong("any company's data would match; say also `name`, `first_bytes` or `bytes`");
    }
    wanted.finish();
    let key = keys.into_iter().flatten().next();
    let right = given == 1 && (key.is_some() || any_company);
    right.then_some(Match { key, name, bytes, length })
}

fn read_length(wanted: &Table<'_, '_>) -> (usize, usize) {
    let range = || 0..=PAYLOAD_MAX;
    if let Some(length) = wanted.integer("length", range()) {
        return (length as usize, length as usize);
    }
    let from = wanted.integer("length_min", range()).map_or(0, |n| n as usize);
    let to = wanted.integer("length_max", range()).map_or(usize::MAX, |n| n as usize);
    if from > to {
        wanted.wrong("`length_min` is above `length_max`");
    }
    (from, to)
}

fn read_bytes_at(table: Table<'_, '_>) -> Option<BytesAt> {
    let at = table.integer("at", 0..=PAYLOAD_MAX).unwrap_or(0) as usize;
    let value = table.get("is").and_then(|item| item.bytes());
    if value.is_none() {
        table.wrong("lacks `is`; write the bytes that must stand there, as in is = \"43 4C\"");
    }
    let mask = table.get("mask").and_then(|item| item.bytes());
    let value = value?;
    let mask = mask.unwrap_or_else(|| vec![0xFF; value.len()]);
    if mask.len() != value.len() {
        table.wrong("`mask` must have as many bytes as `is`");
    }
    table.finish();
    Some(BytesAt { at, value, mask })
}

fn read_order(table: &Table<'_, '_>) -> Order {
    let layout = table.table("layout");
    layout.and_then(|layout| read_field::order(&layout)).unwrap_or(Order::Little)
}

fn read_layout(table: &Table<'_, '_>, written: &[Written]) -> Option<Layout> {
    let Some(layout) = table.table("layout") else {
        table.wrong("lacks `[layout]`; write layout.kind = \"fixed\" or \"tagged\"");
        return None;
    };
    let kind = layout.word("kind", &[("fixed", false), ("tagged", true)]);
    if kind.is_none() && layout.get("kind").is_none() {
        layout.wrong("lacks `kind`; write kind = \"fixed\" or kind = \"tagged\"");
    }
    let order = read_field::order(&layout).unwrap_or(Order::Little);
    let words = [("payload", false), ("company-id", true)];
    let from_company = layout.word("count_from", &words).unwrap_or(false);
    if from_company && table.table("match").is_some_and(|m| m.get("service").is_some()) {
        layout.wrong("only manufacturer data has a company id to count from");
    }
    if written.is_empty() {
        table.wrong("lacks `[[field]]`; without a field nothing is decoded");
    }
    if written.len() > FIELDS_MAX {
        table.wrong(format!("has more than {FIELDS_MAX} fields"));
    }
    if written.iter().filter(|w| w.sequence).count() > 1 {
        table.wrong("has more than one field with `sequence = true`");
    }
    let tagged = kind.unwrap_or(false);
    let tagged = tagged.then(|| read_tagged(&layout, written, order));
    layout.finish();
    if tagged.is_none() {
        check_names(table, written);
    }
    let checksum = table.table("checksum").map(|sum| read_checksum(sum, order));
    let fixed = written.iter().filter(|w| w.tag.is_none()).map(|w| w.plan.clone()).collect();
    if tagged.is_none() && written.iter().any(|w| w.tag.is_some()) {
        table.wrong("has a field with `tag`, which only layout \"tagged\" knows");
    }
    let groups = groups(written);
    let checksum = match checksum {
        Some(None) => return None,
        Some(Some(checksum)) => Some(checksum),
        None => None,
    };
    Some(Layout { from_company, checksum, fixed, tagged, groups })
}

fn check_names(table: &Table<'_, '_>, written: &[Written]) {
    for (place, field) in written.iter().enumerate() {
        if written[..place].iter().any(|other| other.info.name == field.info.name) {
            table.wrong(format!("has two fields called `{}`", field.info.name));
        }
    }
}

/// Numbers the names in the order in which they first stand.
fn groups(written: &[Written]) -> Box<[u8]> {
    let mut numbers: HashMap<String, u8> = HashMap::new();
    let number = |field: &Written| {
        let next = u8::try_from(numbers.len()).unwrap_or(u8::MAX);
        *numbers.entry(field.info.name.clone()).or_insert(next)
    };
    written.iter().map(number).collect()
}

fn read_tagged(layout: &Table<'_, '_>, written: &[Written], order: Order) -> Tagged {
    let fixed_end = |w: &Written| usize::try_from(w.plan.slice.at).unwrap_or(0) + w.width();
    let after = written.iter().filter(|w| w.tag.is_none()).map(fixed_end).max().unwrap_or(0);
    let at = layout.integer("tags_at", 0..=PAYLOAD_MAX).map_or(after, |n| n as usize);
    let tag_bytes = layout.integer("tag_bytes", 1..=2).unwrap_or(1) as usize;
    let words =
        [("by-identifier", (false, false)), ("byte", (true, false)), ("byte-first", (true, true))];
    let (length_byte, length_first) = layout.word("length", &words).unwrap_or((false, false));
    let words = [("stop", Unknown::Stop), ("skip", Unknown::Skip), ("refuse", Unknown::Refuse)];
    let unknown = layout.word("unknown", &words).unwrap_or(Unknown::Stop);
    if unknown == Unknown::Skip && !length_byte {
        layout.wrong("unknown = \"skip\" needs length = \"byte\"; else nobody knows how far");
    }
    let mut tags: Vec<Tag> = Vec::new();
    for field in written {
        let Some(id) = field.tag else { continue };
        if id >= 1 << (8 * tag_bytes) {
            layout.wrong(format!("identifier {id:#X} does not fit into {tag_bytes} byte(s)"));
        }
        let place = tags.iter().position(|tag| tag.id == id).unwrap_or_else(|| {
            tags.push(Tag { id, bytes: Some(0), fields: Box::default() });
            tags.len() - 1
        });
        let tag = &mut tags[place];
        let end = usize::try_from(field.plan.slice.at).unwrap_or(0) + field.width();
        let varies = length_byte || field.length_byte || field.plan.to_end;
        tag.bytes = if varies { None } else { tag.bytes.map(|n| n.max(end)) };
        let mut fields: Vec<FieldPlan> = std::mem::take(&mut tag.fields).into_vec();
        fields.push(field.plan.clone());
        tag.fields = fields.into_boxed_slice();
    }
    if tags.is_empty() {
        layout.wrong("layout \"tagged\" needs at least one field with `tag`");
    }
    tags.sort_by_key(|tag| tag.id);
    let (big, tags) = (order == Order::Big, tags.into_boxed_slice());
    Tagged { at, tag_bytes, big, length_first, tags, unknown }
}

/// The usual parameters of a checksum, as catalogues of them give.
fn read_checksum(table: Table<'_, '_>, order: Order) -> Option<Checksum> {
    let kind = table.word("kind", &[("sum", 0), ("xor", 1), ("crc", 2)]);
    if kind.is_none() && table.get("kind").is_none() {
        table.wrong("lacks `kind`; write kind = \"sum\", \"xor\" or \"crc\"");
    }
    let whole = 0..=i128::from(u64::MAX);
    let initial = table.integer("initial", whole.clone()).unwrap_or(0) as u64;
    let xor = table.integer("final_xor", whole.clone()).unwrap_or(0) as u64;
    let polynomial = table.integer("polynomial", whole).map(|n| n as u64);
    let reflected = table.flag("reflected").unwrap_or(false);
    let from = table.integer("from", -PAYLOAD_MAX..=PAYLOAD_MAX).unwrap_or(0) as i16;
    let to = table.integer("to", -PAYLOAD_MAX..=PAYLOAD_MAX);
    let stored = read_field::read_slice(&table, order);
    // Without `to`, all bytes before the stored sum are summed.
    let to = to.map_or_else(|| stored.map_or(0, |s| s.at), |n| n as i16);
    let sum = match kind {
        Some(0) => Some(Sum::Add { initial, xor }),
        Some(1) => Some(Sum::Xor { initial }),
        Some(_) => {
            if polynomial.is_none() {
                table.wrong("kind = \"crc\" needs `polynomial`, as in polynomial = 0x07");
            }
            polynomial.map(|polynomial| Sum::Crc { polynomial, initial, reflected, xor })
        }
        None => None,
    };
    let stored = stored.filter(|stored| {
        let whole_bytes = stored.bits % 8 == 0;
        if !whole_bytes {
            table.wrong("a checksum takes whole bytes");
        }
        whole_bytes
    });
    table.finish();
    Some(Checksum { sum: sum?, from, to, stored: stored? })
}

fn read_examples(
    table: &Table<'_, '_>,
    matching: Option<&Match>,
    written: &[Written],
) -> Vec<Example> {
    let examples = table.tables("example");
    if examples.is_empty() {
        table.wrong("lacks `[[example]]`; a profile without a worked example is refused");
    }
    let read = |example| read_example(example, matching?, written);
    let found: Vec<Example> = examples.into_iter().filter_map(read).collect();
    if !found.is_empty() && found.iter().all(|example| example.fields.is_none()) {
        table.wrong("has only examples that are refused; add one with `fields`");
    }
    found
}

fn read_example(table: Table<'_, '_>, matching: &Match, written: &[Written]) -> Option<Example> {
    let company = table.integer("company", 0..=0xFFFF).map(|id| Via::Manufacturer(id as u16));
    let via = matching.key.map(Key::via).or(company);
    if via.is_none() {
        table.wrong("lacks `company`, the company id that the payload came under");
    }
    let bytes = table.get("bytes");
    if bytes.is_none() {
        table.wrong("lacks `bytes`, the payload in hex");
    }
    let bytes = bytes.and_then(|item| item.bytes());
    let source = table.required_text("source", "write where it is published, or \"invented\"");
    let name = table.text("name").map(str::to_owned);
    let refused = table.flag("refused").unwrap_or(false);
    let fields = table.table("fields");
    if refused == fields.is_some() {
        table.wrong("must say either `fields = { … }` or `refused = true`");
    }
    let fields = fields.map(|fields| {
        let read = |(name, item): (&str, Item<'_, '_>)| {
            read_expected(name, &item, written).map(|expected| (name.to_owned(), expected))
        };
        fields.entries().filter_map(read).collect()
    });
    table.finish();
    Some(Example { via: via?, bytes: bytes?, name, fields, source: source? })
}

fn read_expected(name: &str, item: &Item<'_, '_>, written: &[Written]) -> Option<Expected> {
    let Some(info) = field_called(name, written) else {
        let known: Vec<&str> = written.iter().map(|w| w.info.name.as_str()).collect();
        item.wrong(format!("no such field; {}", document::suggestion(name, &known)));
        return None;
    };
    match info.coding {
        Coding::Bytes => item.bytes().map(Expected::Bytes),
        Coding::Text => item.text().map(|text| Expected::Bytes(text.as_bytes().to_vec())),
        _ if item.is_text() => item
            .word(&[("absent", Expected::ABSENT), ("out-of-range", Expected::OUT_OF_RANGE)])
            .cloned(),
        _ => item.number().map(Expected::Number),
    }
}

impl Expected {
    const ABSENT: &'static Self = &Self::Absent;
    const OUT_OF_RANGE: &'static Self = &Self::OutOfRange;
}

/// The field of this name, its number among repeats aside.
fn field_called<'w>(name: &str, written: &'w [Written]) -> Option<&'w FieldInfo> {
    let find = |name: &str| written.iter().map(|w| &w.info).find(|info| info.name == name);
    let plain = name.rsplit_once('-').filter(|(_, n)| n.parse::<u8>().is_ok());
    find(name).or_else(|| plain.and_then(|(name, _)| find(name)))
}

/// A profile whose layout is right, whatever its examples say.
#[cfg(test)]
pub(crate) fn read_unproved(text: &str) -> Option<Profile> {
    let problems = Problems::new("test.toml", text);
    let parsed = document::parse(text, &problems)?;
    let profile = read_profile(Table::whole(&parsed, &problems), &problems);
    let errors = problems.into_errors();
    profile.filter(|_| errors.iter().all(|error| error.key.starts_with("example")))
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_digest_is_fnv_1a() {
        // Source: the test vectors published with FNV: "" and "a".
        assert_eq!(super::digest(""), 0xCBF2_9CE4_8422_2325);
        assert_eq!(super::digest("a"), 0xAF63_DC4C_8601_EC8C);
    }
}
