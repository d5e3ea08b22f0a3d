//! A profile's worked examples, and whether they come out.

use crate::engine::decode::{self, Field, FieldValue};
use crate::engine::profile::Profile;
use crate::engine::reading::Via;

/// A payload and what it must decode to.
#[derive(Debug, Clone, PartialEq)]
pub struct Example {
    /// The way that the payload comes.
    pub via: Via,
    /// The payload, without company id or UUID.
    pub bytes: Vec<u8>,
    /// The probe's name, where the profile asks for one.
    pub name: Option<String>,
    /// Every field that comes out, by its numbered name; `None` where the payload is refused.
    pub fields: Option<Vec<(String, Expected)>>,
    /// Where it is published, or that it is made up.
    pub source: String,
}

/// What a field of an example must be.
#[derive(Debug, Clone, PartialEq)]
pub enum Expected {
    /// A number in the field's own unit.
    Number(f64),
    /// Not known.
    Absent,
    /// Outside what is possible.
    OutOfRange,
    /// Bytes.
    Bytes(Vec<u8>),
}

impl Example {
    /// Why the example does not come out; `None` where it does.
    pub(super) fn failure(&self, profile: &Profile) -> Option<String> {
        let accepted = profile.accepts(self.via, &self.bytes, self.name.as_deref());
        let mut found = Vec::new();
        let outcome = decode::decode(profile, self.via, &self.bytes, &mut found);
        let counted = profile.counted(self.via, &self.bytes);
        let Some(fields) = &self.fields else {
            let read = accepted && outcome.is_ok();
            return read.then(|| "the example is to be refused, but it decodes".to_owned());
        };
        if !accepted {
            return Some(format!("the example does not match: {}", profile.match_in_words()));
        }
        if let Err(error) = outcome {
            return Some(format!("the example does not decode: it {}", error.in_words(profile)));
        }
        let mut wrong = Vec::new();
        for (name, expected) in fields {
            match found.iter().find(|field| name_of(profile, field) == *name) {
                None => {
                    let names = names(profile, &found);
                    wrong.push(format!("the example gives no `{name}`, only {names}"));
                }
                Some(field) if !agrees(profile, field, expected, &counted) => {
                    let told = tell(profile, field, &counted);
                    wrong.push(format!("`{name}` comes out as {told}, not as the example says"));
                }
                Some(_) => {}
            }
        }
        for field in &found {
            let name = name_of(profile, field);
            if fields.iter().all(|(listed, _)| name != *listed) {
                let told = tell(profile, field, &counted);
                wrong.push(format!("the example does not list `{name}`, which is {told}"));
            }
        }
        (!wrong.is_empty()).then(|| wrong.join("; "))
    }
}

fn name_of<'p>(profile: &'p Profile, field: &Field) -> std::borrow::Cow<'p, str> {
    profile.fields()[usize::from(field.index)].numbered(field.repeat)
}

fn names(profile: &Profile, fields: &[Field]) -> String {
    let names: Vec<_> = fields.iter().map(|field| name_of(profile, field)).collect();
    if names.is_empty() { "nothing".to_owned() } else { names.join(", ") }
}

fn agrees(profile: &Profile, field: &Field, expected: &Expected, bytes: &[u8]) -> bool {
    match (&field.value, expected) {
        (FieldValue::Number(value), Expected::Number(wanted)) => {
            let own = profile.fields()[usize::from(field.index)].in_own_unit(*value);
            (own - wanted).abs() <= rounding(*wanted)
        }
        (FieldValue::Absent, Expected::Absent)
        | (FieldValue::OutOfRange(_), Expected::OutOfRange) => true,
        (FieldValue::Bytes { .. }, Expected::Bytes(wanted)) => {
            field.value.bytes(bytes) == Some(wanted.as_slice())
        }
        _ => false,
    }
}

/// How far a value may be from one that a person wrote: what is published is often rounded, so half
/// of its last decimal; a whole number stands as it is, to the nine digits that people write.
fn rounding(written: f64) -> f64 {
    let text = written.to_string();
    let decimals = text.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let half = if decimals == 0 { 0.0 } else { 0.5 * libm::pow(10.0, -(decimals as f64)) };
    half + 1e-9 * written.abs().max(1.0)
}

/// A number to nine decimals, without what the arithmetic leaves behind them.
fn nine(value: f64) -> String {
    let text = format!("{value:.9}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn tell(profile: &Profile, field: &Field, bytes: &[u8]) -> String {
    let info = &profile.fields()[usize::from(field.index)];
    match field.value {
        FieldValue::Number(value) => format!("{} {}", nine(info.in_own_unit(value)), info.unit),
        FieldValue::Absent => "absent".to_owned(),
        FieldValue::OutOfRange(value) => {
            format!("{} {}, out of range", nine(info.in_own_unit(value)), info.unit)
        }
        FieldValue::Bytes { .. } => hex::encode_upper(field.value.bytes(bytes).unwrap_or(&[])),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_published_value_may_be_rounded_in_its_last_decimal() {
        for (written, value, fits) in [
            (27.47, 27.468_948_37, true),
            (27.47, 27.476, false),
            (43.0, 43.4, false),
            (43.0, 43.0 + 1e-10, true),
            (-0.5, -0.54, true),
        ] {
            let written: f64 = written;
            let apart: f64 = value - written;
            assert_eq!(apart.abs() <= rounding(written), fits, "{value} for {written}");
        }
        assert_eq!((nine(14.899_999_999_999_999), nine(80.0)), ("14.9".into(), "80".into()));
    }
}
