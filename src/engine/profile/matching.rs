//! Which payloads a profile is for.

use std::str::Chars;

use crate::engine::profile::uuid;
use crate::engine::reading::Via;

/// What payloads are looked up by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Key {
    Manufacturer(u16),
    Service(u128),
    Characteristic(u128),
}

impl Key {
    /// An opened payload is looked up like the plain one that it was.
    pub(super) fn of(via: Via) -> Self {
        match via {
            Via::Manufacturer(company) => Self::Manufacturer(company),
            Via::Service(uuid) | Via::ServiceOpened(uuid, _) => Self::Service(uuid),
            Via::Characteristic(uuid) => Self::Characteristic(uuid),
        }
    }

    pub(super) fn via(self) -> Via {
        match self {
            Self::Manufacturer(company) => Via::Manufacturer(company),
            Self::Service(uuid) => Via::Service(uuid),
            Self::Characteristic(uuid) => Via::Characteristic(uuid),
        }
    }
}

/// What a payload must be.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Match {
    /// `None` is manufacturer data of any company.
    pub key: Option<Key>,
    /// A pattern for the probe's name, with `*` for any letters and `?` for one.
    pub name: Option<String>,
    pub bytes: Vec<BytesAt>,
    pub length: (usize, usize),
}

/// Bytes that must stand at a place, as far as the mask goes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct BytesAt {
    pub at: usize,
    pub value: Vec<u8>,
    pub mask: Vec<u8>,
}

impl Match {
    pub(super) fn accepts(&self, via: Via, bytes: &[u8], name: Option<&str>) -> bool {
        let of_key = match self.key {
            Some(key) => key == Key::of(via),
            None => matches!(via, Via::Manufacturer(_)),
        };
        of_key
            && (self.length.0..=self.length.1).contains(&bytes.len())
            && self.bytes.iter().all(|wanted| wanted.holds(bytes))
            && self.name.as_ref().is_none_or(|p| name.is_some_and(|name| fits(p, name)))
    }

    /// Whether some payload could be of both.
    ///
    /// Exact in keys, lengths and bytes; names are taken to overlap unless neither fits the other.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        let keys = match (self.key, other.key) {
            (Some(a), Some(b)) => a == b,
            (None, Some(key)) | (Some(key), None) => matches!(key, Key::Manufacturer(_)),
            (None, None) => true,
        };
        let lengths = self.length.0 <= other.length.1 && other.length.0 <= self.length.1;
        let bytes = self.bytes.iter().all(|a| other.bytes.iter().all(|b| a.agrees(b)));
        let names = match (&self.name, &other.name) {
            (Some(a), Some(b)) => {
                a.contains(['*', '?']) && b.contains(['*', '?']) || fits(a, b) || fits(b, a)
            }
            _ => true,
        };
        keys && lengths && bytes && names
    }

    /// The bytes that it looks at.
    pub(super) fn places(&self) -> impl Iterator<Item = usize> {
        self.bytes.iter().flat_map(|bytes| bytes.at..bytes.at + bytes.value.len())
    }

    /// How much it asks for: of two that match, the one that asks for more is taken.
    pub(super) fn particular(&self) -> usize {
        let bits = |b: &BytesAt| b.mask.iter().map(|m| m.count_ones() as usize).sum::<usize>();
        let length = if self.length.0 == self.length.1 { 8 } else { 0 };
        let name = self.name.as_ref().map_or(0, |name| 8 * name.len());
        self.bytes.iter().map(bits).sum::<usize>() + length + name
    }

    pub(super) fn in_words(&self) -> String {
        let mut words = vec![match self.key {
            Some(Key::Manufacturer(company)) => format!("manufacturer data of 0x{company:04X}"),
            Some(Key::Service(id)) => format!("service data of {}", uuid::short(id)),
            Some(Key::Characteristic(id)) => format!("characteristic {}", uuid::short(id)),
            None => "manufacturer data of any company".to_owned(),
        }];
        for BytesAt { at, value, mask } in &self.bytes {
            let mut text = format!("{} at byte {at}", hex::encode_upper(value));
            if mask.iter().any(|m| *m != 0xFF) {
                text = format!("{text} (mask {})", hex::encode_upper(mask));
            }
            words.push(text);
        }
        match self.length {
            (1, 1) => words.push("1 byte long".to_owned()),
            (from, to) if from == to => words.push(format!("{from} bytes long")),
            (0, usize::MAX) => {}
            (from, usize::MAX) => words.push(format!("at least {from} bytes long")),
            (from, to) => words.push(format!("{from} to {to} bytes long")),
        }
        words.extend(self.name.as_ref().map(|name| format!("from a probe named {name}")));
        words.join(", ")
    }
}

impl BytesAt {
    /// Whether both could hold.
    fn agrees(&self, other: &Self) -> bool {
        let of = |bytes: &Self, at: usize| {
            let place = at.checked_sub(bytes.at)?;
            Some((*bytes.value.get(place)?, *bytes.mask.get(place)?))
        };
        (self.at..self.at + self.value.len()).all(|at| match (of(self, at), of(other, at)) {
            (Some((a, mask_a)), Some((b, mask_b))) => (a ^ b) & mask_a & mask_b == 0,
            _ => true,
        })
    }

    fn holds(&self, bytes: &[u8]) -> bool {
        let Some(found) = bytes.get(self.at..self.at + self.value.len()) else { return false };
        let pairs = self.value.iter().zip(&self.mask);
        found.iter().zip(pairs).all(|(byte, (value, mask))| byte & mask == value & mask)
    }
}

/// Whether `name` is of the pattern; takes at most their lengths' product of steps.
fn fits(pattern: &str, name: &str) -> bool {
    let (mut pattern, mut name) = (pattern.chars(), name.chars());
    // After a `*`, where to go on when what follows it does not fit.
    let mut retry: Option<(Chars<'_>, Chars<'_>)> = None;
    while let Some(letter) = name.clone().next() {
        match pattern.clone().next() {
            Some('*') => {
                pattern.next();
                retry = Some((pattern.clone(), name.clone()));
            }
            Some(wanted) if wanted == '?' || wanted == letter => {
                pattern.next();
                name.next();
            }
            _ => {
                let Some((after_star, taken)) = &mut retry else { return false };
                taken.next();
                pattern = after_star.clone();
                name = taken.clone();
            }
        }
    }
    pattern.all(|c| c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overlaps_are_told_from_keys_lengths_and_bytes() {
        let of = |length, at, value: &[u8], mask: &[u8]| Match {
            key: Some(Key::Manufacturer(1)),
            name: None,
            bytes: vec![BytesAt { at, value: value.to_vec(), mask: mask.to_vec() }],
            length,
        };
        let a = of((4, 8), 0, &[0x40], &[0xF0]);
        assert!(a.overlaps(&of((8, 9), 0, &[0x4F], &[0xFF])));
        assert!(!a.overlaps(&of((9, 9), 0, &[0x4F], &[0xFF])));
        assert!(!a.overlaps(&of((4, 8), 0, &[0x5F], &[0xFF])));
        assert!(a.overlaps(&of((4, 8), 1, &[0x5F], &[0xFF])));
        let other_key = Match { key: Some(Key::Service(1)), ..a.clone() };
        assert!(!a.overlaps(&other_key));
        assert!(a.overlaps(&Match { key: None, ..a.clone() }));
        let named = |name: &str| Match { name: Some(name.to_owned()), ..a.clone() };
        assert!(named("clamp-*").overlaps(&named("clamp-7")));
        assert!(!named("clamp-*").overlaps(&named("gauge")));
    }

    #[test]
    fn names_fit_patterns() {
        for (pattern, name) in
            [("*", ""), ("clamp-*", "clamp-7"), ("a*b*c", "aXbYbc"), ("?x", "äx"), ("*ab", "aab")]
        {
            assert!(fits(pattern, name), "{pattern} {name}");
        }
        for (pattern, name) in [("", "a"), ("clamp-?", "clamp-12"), ("a*b", "ab-"), ("?", "")] {
            assert!(!fits(pattern, name), "{pattern} {name}");
        }
    }
}
