//! From a `[[field]]` table to how the field is read and what is known of it.

use crate::engine::document::{Item, Table, suggestion};
use crate::engine::profile::FieldInfo;
use crate::engine::profile::layout::{Case, Coding, Condition, FieldPlan, Slice};
use crate::engine::profile::read::is_name;
use crate::engine::profile::unit::{Linear, Unit, units_of};
use crate::units::quantity::QuantityKind;

/// Which byte of several comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
    Little,
    Big,
}

/// One field as its table says.
#[derive(Debug, Clone)]
pub(super) struct Written {
    pub plan: FieldPlan,
    pub info: FieldInfo,
    /// The identifier that it belongs to, in a tagged layout.
    pub tag: Option<u64>,
    /// A length byte stands before its value.
    pub length_byte: bool,
    pub sequence: bool,
}

impl Written {
    /// How many bytes it takes up.
    pub(super) fn width(&self) -> usize {
        usize::from(self.plan.slice.bytes)
    }
}

/// Words for [`Coding`], with the bytes that each takes where it is always the same.
const CODINGS: [(&str, (Coding, Option<u8>)); 11] = [
    ("unsigned", (Coding::Unsigned, None)),
    ("signed", (Coding::Signed, None)),
    ("sign-magnitude", (Coding::SignMagnitude, None)),
    ("float", (Coding::Float, None)),
    ("ieee-11073-float", (Coding::Medical, Some(4))),
    ("ieee-11073-sfloat", (Coding::Medical, Some(2))),
    ("fixed-8.8", (Coding::Signed, Some(2))),
    ("bcd", (Coding::Bcd, None)),
    ("digits", (Coding::Digits, None)),
    ("bytes", (Coding::Bytes, None)),
    ("text", (Coding::Text, None)),
];

/// All fields of a profile, in the order of the text.
pub(super) fn read_fields(table: &Table<'_, '_>, order: Order) -> Vec<Written> {
    let mut written: Vec<Written> = Vec::new();
    for (index, field) in table.tables("field").into_iter().enumerate() {
        let index = u16::try_from(index).unwrap_or(u16::MAX);
        let tag = field.integer("tag", 0..=0xFFFF).map(|id| id as u64);
        // A field without `at` stands right after the one before it.
        let before = written.iter().rev().find(|w| w.tag == tag);
        let next = before.map_or(0, |w| w.plan.slice.at.saturating_add(w.plan.slice.bytes.into()));
        written.extend(read_field(field, index, tag, next, order));
    }
    written
}

fn read_field(
    field: Table<'_, '_>,
    index: u16,
    tag: Option<u64>,
    next: i16,
    order: Order,
) -> Option<Written> {
    let (coding, bytes) = field.word("type", &CODINGS).unwrap_or((Coding::Unsigned, None));
    let to_end = field.flag("to_end").unwrap_or(false);
    let slice = read_field_slice(&field, coding, bytes, (next, to_end), order);
    let Meaning { kind, word, unit } = read_meaning(&field, coding);
    let gauge = field.flag("gauge").or_else(|| unit.and_then(|unit| unit.gauge));
    let to_si = unit.map_or(Linear::SAME, |unit| unit.to_si);
    let fixed_point = field.text("type") == Some("fixed-8.8");
    let scale = read_scale(&field, if fixed_point { 1.0 / 256.0 } else { 1.0 });
    let own = Linear::scaled(scale.0, scale.1);
    let cases = field.tables("case").into_iter();
    let cases = cases.filter_map(|case| read_case(case, scale, to_si, kind, order)).collect();
    let mut plan = FieldPlan {
        index,
        slice: slice.unwrap_or(Slice { at: 0, bytes: 1, big: false, low_bit: 0, bits: 8 }),
        coding,
        to_end,
        lower: read_lower(&field, slice, order),
        sign: field.table("sign").and_then(|sign| whole_slice(sign, order)),
        present: field.table("present").and_then(|present| read_condition(present, order)),
        fraction: field.table("fraction").and_then(|table| read_fraction(table, order)),
        optional: field.flag("optional").unwrap_or(false),
        divide: field.integer("divide", 1..=1_000_000_000_000).unwrap_or(1) as u64,
        modulo: field.integer("modulo", 2..=1_000_000_000_000).unwrap_or(0) as u64,
        absent: Box::default(),
        linear: own.then(to_si),
        cases,
        valid: read_valid(&field, kind, gauge, to_si),
    };
    plan.absent = read_absent(&field, plan.bits());
    check_plan(&field, &plan);
    let step = own.then(to_si).apply_to_difference(1.0).abs();
    let resolution = if is_integer(coding) { step } else { 0.0 };
    let info = FieldInfo {
        name: read_name(&field),
        kind,
        unit: word,
        gauge,
        accuracy: read_difference(&field, "accuracy", to_si),
        resolution: read_difference(&field, "resolution", to_si).unwrap_or(resolution),
        time_constant_s: read_time_constant(&field),
        coding,
        to_si,
    };
    let length_byte = field.flag("length_byte").unwrap_or(false);
    if (length_byte || plan.present.is_some()) && tag.is_some() == plan.present.is_some() {
        field.wrong("`length_byte` is for fields with `tag`, `present` for those without");
    }
    let sequence = field.flag("sequence").unwrap_or(false);
    field.finish();
    slice.map(|_| Written { plan, info, tag, length_byte, sequence })
}

fn read_name(field: &Table<'_, '_>) -> String {
    let name = field.required_text("name", "write name = \"temperature\", or what it is");
    if name.as_ref().is_some_and(|name| !is_name(name)) {
        field.wrong("a field's name is lower-case letters, digits and `-`, at most 40");
    }
    name.unwrap_or_default()
}

const fn is_integer(coding: Coding) -> bool {
    matches!(coding, Coding::Unsigned | Coding::Signed | Coding::SignMagnitude | Coding::Bcd)
}

/// What only whole numbers can have.
fn check_plan(field: &Table<'_, '_>, plan: &FieldPlan) {
    let whole_only = plan.sign.is_some() || plan.fraction.is_some() || !plan.lower.is_empty();
    let whole_only = whole_only || plan.divide != 1 || plan.modulo != 0;
    if whole_only && !is_integer(plan.coding) {
        field.wrong("`lower`, `sign`, `fraction`, `divide` and `modulo` are for whole numbers");
    }
    let strung = matches!(plan.coding, Coding::Digits | Coding::Bytes | Coding::Text);
    if strung && !plan.absent.is_empty() {
        field.wrong("`absent` is for numbers; digits that are no number are absent anyhow");
    }
}

/// A difference in the field's unit, 0 or more, in SI.
fn read_difference(field: &Table<'_, '_>, key: &'static str, to_si: Linear) -> Option<f64> {
    let number = field.number(key)?;
    if number < 0.0 {
        field.wrong(format!("`{key}` must be 0 or more"));
    }
    Some(to_si.apply_to_difference(number).abs())
}

fn read_time_constant(field: &Table<'_, '_>) -> Option<f64> {
    let time_constant = field.number("time_constant_s")?;
    if !(0.0..=3_600.0).contains(&time_constant) {
        field.wrong("`time_constant_s` must lie from 0 to 3600");
    }
    Some(time_constant)
}

/// The field's own bytes and bits.
fn read_field_slice(
    field: &Table<'_, '_>,
    coding: Coding,
    bytes: Option<u8>,
    (next, to_end): (i16, bool),
    own_order: Order,
) -> Option<Slice> {
    let strung = matches!(coding, Coding::Digits | Coding::Bytes | Coding::Text);
    let at = field.integer("at", -512..=512).map_or(next, |n| n as i16);
    let big = order(field).unwrap_or(own_order) == Order::Big;
    let given = field.integer("bytes", 1..=if strung { 255 } else { 16 }).map(|n| n as u8);
    if let (Some(given), Some(bytes)) = (given, bytes)
        && given != bytes
    {
        field.wrong(format!("this type takes {bytes} bytes"));
    }
    if strung {
        for item in ["bit", "low_bit", "bits"].into_iter().filter_map(|key| field.get(key)) {
            item.wrong("bytes, text and digits have no single bits");
        }
        let bytes = given.unwrap_or(u8::from(!to_end));
        return Some(Slice { at, bytes, big, low_bit: 0, bits: 8 });
    }
    if to_end {
        field.wrong("`to_end` is for bytes, text and digits");
    }
    let bytes = given.or(bytes).unwrap_or(1);
    let slice = read_bits(field, Slice { at, bytes, big, low_bit: 0, bits: 0 })?;
    let fits = match coding {
        Coding::Float => matches!(slice.bits, 16 | 32 | 64),
        Coding::Medical => matches!(slice.bits, 16 | 32),
        Coding::SignMagnitude => slice.bits >= 2,
        _ => true,
    };
    if !fits {
        field.wrong("this type cannot have so many bits: float has 16, 32 or 64");
    }
    fits.then_some(slice)
}

/// `bit`, or `low_bit` and `bits`, within the slice's bytes.
fn read_bits(table: &Table<'_, '_>, slice: Slice) -> Option<Slice> {
    let all = 8 * i128::from(slice.bytes);
    let bit = table.integer("bit", 0..=all - 1);
    let low_bit = table.integer("low_bit", 0..=all - 1).or(bit).unwrap_or(0);
    let bits = table.integer("bits", 1..=64);
    let bits = bits.or(bit.map(|_| 1)).unwrap_or((all - low_bit).min(64));
    if low_bit + bits > all {
        table.wrong(format!("bits {low_bit} to {} do not fit into {all}", low_bit + bits - 1));
        return None;
    }
    if table.get("bits").is_none() && bit.is_none() && all - low_bit > 64 {
        table.wrong("more than 64 bits; say with `low_bit` and `bits` which ones");
        return None;
    }
    Some(Slice { low_bit: low_bit as u8, bits: bits as u8, ..slice })
}

/// The bits that a condition, a sign or a checksum stands in: one byte unless it says more.
pub(super) fn read_slice(table: &Table<'_, '_>, own_order: Order) -> Option<Slice> {
    let at = table.integer("at", -512..=512);
    if at.is_none() && table.get("at").is_none() {
        table.wrong("lacks `at`, the byte where it stands");
    }
    let big = order(table).unwrap_or(own_order) == Order::Big;
    let bytes = table.integer("bytes", 1..=16).unwrap_or(1) as u8;
    let slice = read_bits(table, Slice { at: 0, bytes, big, low_bit: 0, bits: 0 })?;
    Some(Slice { at: at? as i16, ..slice })
}

fn whole_slice(table: Table<'_, '_>, order: Order) -> Option<Slice> {
    let slice = read_slice(&table, order);
    table.finish();
    slice
}

pub(super) fn order(table: &Table<'_, '_>) -> Option<Order> {
    table.word("order", &[("little", Order::Little), ("big", Order::Big)])
}

fn read_fraction(table: Table<'_, '_>, order: Order) -> Option<(Slice, f64)> {
    let slice = read_slice(&table, order);
    let over = table.integer("over", 2..=1_000_000_000_000);
    if table.get("over").is_none() {
        table.wrong("lacks `over`: how many make one, as in over = 100");
    }
    table.finish();
    Some((slice?, over? as f64))
}

fn condition(table: &Table<'_, '_>, order: Order) -> Option<Condition> {
    let slice = read_slice(table, order);
    let whole = 0..=i128::from(u64::MAX);
    let read = |item: &Item<'_, '_>| item.integer(whole.clone()).map(|n| n as u64);
    let equals = table
        .get("equals")
        .map_or_else(|| vec![1], |item| item.one_or_more().iter().filter_map(read).collect());
    let of_payload = table.flag("of_payload").unwrap_or(false);
    Some(Condition { slice: slice?, of_payload, equals: equals.into_boxed_slice() })
}

fn read_condition(table: Table<'_, '_>, order: Order) -> Option<Condition> {
    let found = condition(&table, order);
    table.finish();
    found
}

/// What holds instead where some bits say so: a unit, scale and offset, or that nothing is known.
fn read_case(
    table: Table<'_, '_>,
    base: (f64, f64),
    base_to_si: Linear,
    kind: Option<QuantityKind>,
    order: Order,
) -> Option<Case> {
    let when = condition(&table, order);
    let absent = table.flag("absent").unwrap_or(false);
    let unit = match kind {
        Some(kind) => read_unit(&table, kind).map(|unit| unit.to_si),
        None => table.get("unit").and_then(|item| {
            item.wrong("only a field with `quantity` can change its unit");
            None
        }),
    };
    let (scale, offset) = read_scale(&table, base.0);
    let offset = if table.get("offset").is_some() { offset } else { base.1 };
    table.finish();
    let linear = Linear::scaled(scale, offset).then(unit.unwrap_or(base_to_si));
    Some(Case { when: when?, linear: (!absent).then_some(linear) })
}

/// Scale and offset; the scale is `usual` where none is written.
fn read_scale(table: &Table<'_, '_>, usual: f64) -> (f64, f64) {
    let scale = table.number("scale").unwrap_or(usual);
    let sane = |n: f64| (1e-15..=1e15).contains(&n.abs());
    if !sane(scale) {
        table.wrong("`scale` must lie from 1e-15 to 1e15, either sign");
    }
    let offset = table.number("offset").unwrap_or(0.0);
    if offset != 0.0 && !sane(offset) {
        table.wrong("`offset` must be 0, or lie from 1e-15 to 1e15, either sign");
    }
    (if sane(scale) { scale } else { 1.0 }, offset)
}

/// Lower bits of the number that stand elsewhere; 64 bits in all.
fn read_lower(field: &Table<'_, '_>, slice: Option<Slice>, order: Order) -> Box<[Slice]> {
    let parts = field.tables("lower").into_iter();
    let parts: Vec<Slice> = parts.filter_map(|part| whole_slice(part, order)).collect();
    let bits = parts.iter().chain(&slice).map(|part| u32::from(part.bits)).sum::<u32>();
    if bits > 64 {
        field.wrong("more than 64 bits with those of `lower`");
        return Box::default();
    }
    parts.into_boxed_slice()
}

/// Bit patterns that mean "not known"; a negative number is the pattern of its two's complement.
fn read_absent(field: &Table<'_, '_>, bits: u32) -> Box<[u64]> {
    let mask = u64::MAX >> (64 - bits);
    let whole = i128::from(i64::MIN)..=i128::from(u64::MAX);
    let read = |item: &Item<'_, '_>| {
        let number = item.integer(whole.clone())?;
        let pattern = if number < 0 { number as u64 & mask } else { number as u64 };
        let lowest = -(1_i128 << (bits - 1));
        if pattern > mask || number < lowest {
            item.wrong(format!("does not fit into the field's {bits} bits"));
        }
        Some(pattern)
    };
    let items = field.get("absent").map_or_else(Vec::new, |item| item.one_or_more());
    items.iter().filter_map(read).collect()
}

/// A field's quantity and unit; without a quantity it may have any unit.
struct Meaning {
    kind: Option<QuantityKind>,
    word: String,
    unit: Option<Unit>,
}

fn read_meaning(field: &Table<'_, '_>, coding: Coding) -> Meaning {
    let words = QuantityKind::ALL.map(|kind| (kind.word(), kind));
    let Some(kind) = field.word("quantity", &words) else {
        let word = field.text("unit").unwrap_or("").to_owned();
        return Meaning { kind: None, word, unit: None };
    };
    if matches!(coding, Coding::Bytes | Coding::Text) {
        field.wrong("bytes and text have no quantity");
    }
    let unit = read_unit(field, kind);
    if field.get("unit").is_none() {
        let known: Vec<&str> = units_of(kind).iter().map(|unit| unit.word).collect();
        field.wrong(format!("lacks `unit`; use one of {}", known.join(", ")));
    }
    let word = unit.map_or("", |unit| unit.word).to_owned();
    Meaning { kind: Some(kind), word, unit }
}

/// `None` where no unit is written, or a wrong one.
fn read_unit(table: &Table<'_, '_>, kind: QuantityKind) -> Option<Unit> {
    let item = table.get("unit")?;
    let units = units_of(kind);
    let text = item.text()?;
    let found = units.iter().find(|unit| unit.word == text);
    if found.is_none() {
        let known: Vec<&str> = units.iter().map(|unit| unit.word).collect();
        let kind = kind.word();
        item.wrong(format!("`{text}` is no unit of {kind} here; {}", suggestion(text, &known)));
    }
    found.copied()
}

/// What is possible, in SI: what the quantity allows, and no more than `valid` says.
fn read_valid(
    field: &Table<'_, '_>,
    kind: Option<QuantityKind>,
    gauge: Option<bool>,
    to_si: Linear,
) -> (f64, f64) {
    let (low, high) = match kind {
        // A gauge reads below zero down to a full vacuum.
        Some(QuantityKind::Pressure) if gauge != Some(false) => (-1.1e5, 1e8),
        Some(kind) => kind.range(),
        None => (f64::MIN, f64::MAX),
    };
    let Some(item) = field.get("valid") else { return (low, high) };
    let ends: Vec<f64> = item.list().iter().filter_map(Item::number).collect();
    let [from, to] = ends[..] else {
        item.wrong("expected the lowest and the highest value, as in valid = [-40, 125]");
        return (low, high);
    };
    if from >= to {
        item.wrong("the lowest value must stand first");
    }
    (low.max(to_si.apply(from)), high.min(to_si.apply(to)))
}
