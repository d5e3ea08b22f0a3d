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
        for (name, expected) in fields {
            let field = found.iter().find(|field| name_of(profile, field) == *name);
            let Some(field) = field else {
                return Some(format!(
                    "the example gives no `{name}`, only {}",
                    names(profile, &found)
                ));
            };
            if !agrees(profile, field, expected, &counted) {
                let told = tell(profile, field, &counted);
                return Some(format!("`{name}` comes out as {told}, not as the example says"));
            }
        }
        let forgotten =
            found.iter().find(|field| fields.iter().all(|(n, _)| name_of(profile, field) != *n));
        forgotten.map(|field| {
            let told = tell(profile, field, &counted);
            format!("the example does not list `{}`, which is {told}", name_of(profile, field))
        })
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
            // What a person writes has at most nine digits; the arithmetic keeps fifteen.
            (own - wanted).abs() <= 1e-9 * wanted.abs().max(1.0)
        }
        (FieldValue::Absent, Expected::Absent)
        | (FieldValue::OutOfRange(_), Expected::OutOfRange) => true,
        (FieldValue::Bytes { .. }, Expected::Bytes(wanted)) => {
            field.value.bytes(bytes) == Some(wanted.as_slice())
        }
        _ => false,
    }
}

fn tell(profile: &Profile, field: &Field, bytes: &[u8]) -> String {
    let info = &profile.fields()[usize::from(field.index)];
    match field.value {
        FieldValue::Number(value) => format!("{} {}", info.in_own_unit(value), info.unit),
        FieldValue::Absent => "absent".to_owned(),
        FieldValue::OutOfRange(value) => {
            format!("{} {}, out of range", info.in_own_unit(value), info.unit)
        }
        FieldValue::Bytes { .. } => hex::encode_upper(field.value.bytes(bytes).unwrap_or(&[])),
    }
}
