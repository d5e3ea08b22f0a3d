//! Writes what was learnt as a profile's file, with worked examples, and proves it.

use std::fmt::Write as _;

use crate::engine::decode::read_number;
use crate::engine::learn::behaviour::Behaviour;
use crate::engine::learn::shape::{bits_of, plain};
use crate::engine::learn::stream::Stream;
use crate::engine::learn::weigh::{Hypothesis, Weighed, all_bits};
use crate::engine::learn::{Known, Subject};
use crate::engine::profile::layout::{Coding, FieldPlan, Slice, Sum};
use crate::engine::profile::unit::Linear;
use crate::engine::profile::uuid;
use crate::engine::reading::Via;

/// Worked examples in a profile, at most.
const EXAMPLES_MAX: usize = 6;
/// Leading bytes that never change, of which the match asks for at most so many.
const FIRST_BYTES_MAX: usize = 2;

/// One field to be written.
struct Field {
    name: String,
    plan: FieldPlan,
    scale: f64,
    offset: f64,
    /// What follows place and coding: quantity, unit, sequence.
    rest: String,
}

/// The file; `None` where no quantity was found.
pub(super) fn profile(
    subject: &Subject<'_>,
    streams: &[Stream],
    behaviours: &[Behaviour],
    weighed: &[Weighed<'_>],
    known: &[Known],
) -> Option<String> {
    let mut used: Vec<usize> = weighed.iter().filter_map(Weighed::stream).collect();
    used.sort_unstable();
    used.dedup();
    if used.is_empty() {
        return None;
    }
    let mut text = statement(subject, weighed, known);
    for (number, place) in used.iter().enumerate() {
        let several = used.len() > 1;
        let head = if several { "\n[[profile]]\n" } else { "\n" };
        text.push_str(head);
        let name = if several {
            format!("{}-{}", subject.profile, number + 1)
        } else {
            subject.profile.to_owned()
        };
        let own: Vec<&Weighed<'_>> =
            weighed.iter().filter(|w| w.stream() == Some(*place)).collect();
        let prefix = if several { "profile." } else { "" };
        let (stream, behaviour) = (&streams[*place], &behaviours[*place]);
        one(&mut text, (&name, prefix), subject, stream, behaviour, &own);
    }
    Some(text)
}

/// The comment that the file begins with: from what it was learnt, how sure, what else could be.
fn statement(subject: &Subject<'_>, weighed: &[Weighed<'_>], known: &[Known]) -> String {
    let mut text = format!(
        "# Learnt by `settled profile learn` from what {} sent and {} known value(s).\n",
        subject.address,
        known.len()
    );
    for weighed in weighed {
        let answer = weighed.answer();
        let (kind, sureness) = (answer.kind.word(), answer.sureness.word());
        let _ = writeln!(text, "#\n# {kind}: {sureness}");
        for (place, reading) in answer.readings.iter().enumerate() {
            let which = if place == 0 { "taken" } else { "or" };
            let percent = 100.0 * reading.probability;
            let _ = writeln!(text, "#   {which:5} {percent:.2} %  {}", reading.words);
        }
        let _ = writeln!(text, "#   none  {:.2} %  no field holds it", 100.0 * answer.none);
        for line in answer.open.iter().chain(answer.next.iter().map(|next| &next.words)) {
            let _ = writeln!(text, "#   {line}");
        }
    }
    text
}

/// One profile.
fn one(
    text: &mut String,
    (name, prefix): (&str, &str),
    subject: &Subject<'_>,
    stream: &Stream,
    behaviour: &Behaviour,
    weighed: &[&Weighed<'_>],
) {
    let fields = fields(behaviour, weighed);
    let taken: Vec<usize> = fields.iter().flat_map(|field| bits_of_plan(&field.plan)).collect();
    for line in behaviour.in_words() {
        let _ = writeln!(text, "# {line}");
    }
    let _ = writeln!(text, "name = \"{name}\"");
    let _ = writeln!(text, "title = \"learnt: {}\"", subject.address);
    let _ = writeln!(text, "published = \"not published: learnt from what a probe sent\"");
    let _ = writeln!(text, "match = {{ {} }}", matching(stream, behaviour, subject, &taken));
    if matches!(stream.via, Via::Characteristic(_)) {
        let _ = writeln!(text, "source = {{ delivery = \"notify-or-read\" }}");
    }
    let from = if stream.from_company { ", count_from = \"company-id\"" } else { "" };
    let _ = writeln!(text, "layout = {{ kind = \"fixed\"{from} }}");
    if let Some(found) = behaviour.checksum.filter(|_| !stream.from_company) {
        let to = if found.stored.at == 0 { ", to = 0" } else { "" };
        let place = place(found.stored);
        let (kind, from) = (sum(found.sum), found.from);
        let _ = writeln!(text, "checksum = {{ {kind}, {place}, from = {from}{to} }}");
    }
    for field in &fields {
        let _ = writeln!(text, "\n[[{prefix}field]]\nname = \"{}\"", field.name);
        let _ = write!(text, "{}{}", coding(field), field.rest);
    }
    for (bytes, company, known) in examples(stream, weighed) {
        let _ = writeln!(text, "\n[[{prefix}example]]");
        if stream.from_company {
            let _ = writeln!(text, "company = 0x{company:04X}");
        }
        if let Some(name) = name_asked_for(stream, subject) {
            let _ = writeln!(text, "name = \"{name}\"");
        }
        let sent = if stream.from_company { &bytes[2..] } else { bytes };
        let _ = writeln!(text, "bytes = \"{}\"", hex::encode_upper(sent));
        let values = fields.iter().filter_map(|field| {
            let value = example_value(field, bytes)?;
            Some(format!("{} = {value}", field.name))
        });
        let _ = writeln!(text, "fields = {{ {} }}", values.collect::<Vec<_>>().join(", "));
        let _ = writeln!(text, "source = \"heard{known}\"");
    }
}

fn bits_of_plan(plan: &FieldPlan) -> Vec<usize> {
    all_bits(&crate::engine::learn::shape::Shape { plan: plan.clone(), prior: 0.0 })
}

/// What a field of an example is, in the field's own unit.
fn example_value(field: &Field, bytes: &[u8]) -> Option<String> {
    let Some(number) = read_number(&field.plan, bytes) else {
        return Some("\"absent\"".to_owned());
    };
    let value = Linear::scaled(field.scale, field.offset).apply(number);
    // To twelve digits, which is more than any probe has.
    format!("{value:.11e}").parse::<f64>().ok().map(|value| value.to_string())
}

/// The fields: what was learnt and what behaves as a counter or a battery, by their places.
fn fields(behaviour: &Behaviour, weighed: &[&Weighed<'_>]) -> Vec<Field> {
    let learnt = weighed.iter().filter_map(|w| w.best().map(|best| learnt(w, best)));
    let mut fields: Vec<Field> = learnt.collect();
    let taken: Vec<usize> = fields.iter().flat_map(|field| bits_of_plan(&field.plan)).collect();
    let free = |slice: &Slice| !bits_of(*slice).iter().any(|bit| taken.contains(bit));
    let mut add = |slice: Option<Slice>, name: &str, rest: &str| {
        let Some(slice) = slice.filter(free) else { return };
        let plan = plain(slice, Coding::Unsigned);
        let (name, rest) = (name.to_owned(), rest.to_owned());
        fields.push(Field { name, plan, scale: 1.0, offset: 0.0, rest });
    };
    add(behaviour.counter, "counter", "sequence = true\n");
    add(behaviour.clock, "clock", "");
    let has_battery = weighed.iter().any(|w| w.kind.word() == "battery");
    if !has_battery {
        add(behaviour.battery, "battery", "quantity = \"battery\"\nunit = \"percent\"\n");
    }
    add(behaviour.battery_mv, "battery-voltage", "unit = \"mV\"\n");
    fields.sort_by_key(|field| (field.plan.slice.at, field.plan.slice.low_bit));
    fields
}

fn learnt(weighed: &Weighed<'_>, best: &Hypothesis) -> Field {
    let word = weighed.kind.word();
    let unit = best.map.unit.word;
    Field {
        name: word.to_owned(),
        plan: best.shape.plan.clone(),
        scale: best.map.scale,
        offset: best.map.offset,
        rest: format!("quantity = \"{word}\"\nunit = \"{unit}\"\n"),
    }
}

/// The keys of `[match]`.
fn matching(
    stream: &Stream,
    behaviour: &Behaviour,
    subject: &Subject<'_>,
    taken: &[usize],
) -> String {
    let mut keys = vec![match stream.via {
        Via::Manufacturer(_) if stream.from_company => "any_company = true".to_owned(),
        Via::Manufacturer(company) => format!("company = 0x{company:04X}"),
        Via::Service(id) | Via::ServiceOpened(id, _) => {
            format!("service = \"{}\"", uuid::short(id))
        }
        Via::Characteristic(id) => format!("characteristic = \"{}\"", uuid::short(id)),
    }];
    let skipped = if stream.from_company { 2 } else { 0 };
    match stream.length {
        Some(length) => keys.push(format!("length = {}", length - skipped)),
        None => keys.push(format!("length_min = {}", stream.length_min - skipped)),
    }
    if let Some(name) = name_asked_for(stream, subject) {
        keys.push(format!("name = \"{name}\""));
    }
    // Bytes that never change say what it is; but the probe's address and a number's high byte,
    // or a full battery, also stand still.
    let own = |at: usize| behaviour.address.is_some_and(|(from, _)| (from..from + 6).contains(&at));
    let is_free = |at: usize| !own(at) && !taken.iter().any(|bit| bit / 8 == at);
    let first: Vec<u8> = (skipped..stream.length_min)
        .take(FIRST_BYTES_MAX)
        .map_while(|at| behaviour.constant[at].filter(|_| is_free(at)))
        .collect();
    if !first.is_empty() {
        keys.push(format!("first_bytes = \"{}\"", hex::encode_upper(&first)));
    }
    if let Some((at, value)) = stream.form.filter(|(at, _)| *at >= skipped + first.len()) {
        keys.push(format!("bytes = {{ at = {}, is = \"{value:02X}\" }}", at - skipped));
    }
    keys.join(", ")
}

/// The probe's name, where the match must ask for it.
fn name_asked_for<'n>(stream: &Stream, subject: &Subject<'n>) -> Option<&'n str> {
    let plain =
        |name: &&str| !name.contains(['"', '\\', '*', '?']) && !name.contains(char::is_control);
    subject.name.filter(plain).filter(|_| stream.from_company)
}

/// `at`, `bytes`, `order`, `low_bit` and `bits`, as an inline table has them.
fn place(slice: Slice) -> String {
    keys_of(slice).join(", ")
}

fn keys_of(slice: Slice) -> Vec<String> {
    let mut keys = vec![format!("at = {}", slice.at)];
    if slice.bytes > 1 {
        keys.push(format!("bytes = {}", slice.bytes));
        keys.push(format!("order = \"{}\"", if slice.big { "big" } else { "little" }));
    }
    if slice.bits == 1 && slice.bytes == 1 {
        keys.push(format!("bit = {}", slice.low_bit));
    } else if slice.bits != 8 * slice.bytes {
        keys.push(format!("low_bit = {}", slice.low_bit));
        keys.push(format!("bits = {}", slice.bits));
    }
    keys
}

fn coding(field: &Field) -> String {
    let plan = &field.plan;
    let fixed_point = plan.coding == Coding::Signed
        && (plan.slice.bits, plan.slice.bytes) == (16, 2)
        && field.scale == 1.0 / 256.0;
    let word = match plan.coding {
        Coding::Signed if fixed_point => "fixed-8.8",
        Coding::Signed => "signed",
        Coding::SignMagnitude => "sign-magnitude",
        Coding::Float => "float",
        Coding::Medical if plan.slice.bits == 16 => "ieee-11073-sfloat",
        Coding::Medical => "ieee-11073-float",
        Coding::Bcd => "bcd",
        Coding::Digits => "digits",
        _ => "",
    };
    let mut lines = if plan.coding == Coding::Digits {
        let length = if plan.to_end {
            "to_end = true".to_owned()
        } else {
            format!("bytes = {}", plan.slice.bytes)
        };
        vec![format!("at = {}", plan.slice.at), length]
    } else {
        keys_of(plan.slice)
    };
    if !word.is_empty() {
        lines.push(format!("type = \"{word}\""));
    }
    lines.extend(plan.sign.map(|sign| format!("sign = {{ {} }}", place(sign))));
    let fraction = plan.fraction;
    lines.extend(
        fraction.map(|(at, over)| format!("fraction = {{ {}, over = {over} }}", place(at))),
    );
    if plan.divide != 1 {
        lines.push(format!("divide = {}", plan.divide));
    }
    if plan.modulo != 0 {
        lines.push(format!("modulo = {}", plan.modulo));
    }
    if field.scale != 1.0 && !fixed_point {
        lines.push(format!("scale = {}", field.scale));
    }
    if field.offset != 0.0 {
        lines.push(format!("offset = {}", field.offset));
    }
    lines.push(String::new());
    lines.join("\n")
}

fn sum(sum: Sum) -> String {
    let hex = |key: &str, value: u64| match value {
        0 => String::new(),
        value => format!(", {key} = 0x{value:X}"),
    };
    match sum {
        Sum::Add { initial, xor } => {
            format!("kind = \"sum\"{}{}", hex("initial", initial), hex("final_xor", xor))
        }
        Sum::Xor { initial } => format!("kind = \"xor\"{}", hex("initial", initial)),
        Sum::Crc { polynomial, initial, reflected, xor } => {
            let reflected = if reflected { ", reflected = true" } else { "" };
            let (initial, xor) = (hex("initial", initial), hex("final_xor", xor));
            format!("kind = \"crc\", polynomial = 0x{polynomial:X}{initial}{xor}{reflected}")
        }
    }
}

/// Payloads at known values: bytes as fields count them, company id, and what was known.
fn examples<'s>(stream: &'s Stream, weighed: &[&Weighed<'_>]) -> Vec<(&'s [u8], u16, String)> {
    let mut examples: Vec<(&[u8], u16, String)> = Vec::new();
    let known = weighed.iter().flat_map(|w| w.known.iter().map(move |known| (w, known)));
    for (weighed, known) in known {
        let Some(bytes) = stream.near(known.at).next() else { continue };
        let Some(best) = weighed.best() else { continue };
        if examples.len() < EXAMPLES_MAX && examples.iter().all(|(other, ..)| *other != bytes) {
            let own = best.map.unit.to_si.undo(known.value);
            let (kind, unit) = (weighed.kind.word(), best.map.unit.word);
            let words = format!(", {kind} known to be {own:.2} {unit}");
            let company = u16::from_le_bytes([bytes[0], bytes.get(1).copied().unwrap_or(0)]);
            examples.push((bytes, company, words));
        }
    }
    examples
}
