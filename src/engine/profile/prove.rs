//! What can be said of a profile without a probe: whether its examples can be written back from
//! their values, which bytes nobody reads, which bits two fields share, and what other profile
//! could take its payloads.

use std::collections::BTreeSet;

use crate::engine::decode::take;
use crate::engine::profile::example::{Example, Expected};
use crate::engine::profile::layout::{Coding, FieldPlan, Slice};
use crate::engine::profile::{Profile, Profiles};

/// Most bytes that are told of one by one.
const TOLD_MAX: usize = 24;

/// What was found; nothing of it makes the profile wrong.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Proof {
    /// How many fields of examples were written back from their values, bit for bit.
    pub written_back: usize,
    /// Values that would be written in other bits than the example has.
    pub not_back: Vec<String>,
    /// Bytes of the examples that no field, match or checksum reads.
    pub unread: Vec<usize>,
    /// Pairs of fields that read the same bits.
    pub shared: Vec<(String, String)>,
}

/// Another profile that could match the same payloads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Overlap {
    /// The other profile's name.
    pub other: String,
    /// Which is taken; `None` where nothing decides but the order of the files.
    pub taken: Option<String>,
}

/// Proves one profile by its own examples.
pub fn prove(profile: &Profile) -> Proof {
    let mut proof = Proof::default();
    let layout = profile.layout();
    let plans = &layout.fixed;
    for example in profile.examples() {
        let Some(fields) = &example.fields else { continue };
        let bytes = profile.counted(example.via, &example.bytes);
        for plan in plans {
            write_back(profile, plan, fields, &bytes, &mut proof);
        }
    }
    if layout.tagged.is_none() {
        proof.unread = unread(profile);
    }
    for (place, plan) in plans.iter().enumerate() {
        for other in &plans[..place] {
            if share_bits(plan, other) {
                let name =
                    |plan: &FieldPlan| profile.fields()[usize::from(plan.index)].name.clone();
                proof.shared.push((name(other), name(plan)));
            }
        }
    }
    proof
}

/// The profiles that could match what this one matches.
pub fn overlaps(profiles: &Profiles, profile: &Profile) -> Vec<Overlap> {
    let others = profiles.iter().filter(|other| other.name != profile.name);
    let overlapping = others.filter(|other| profile.matching.overlaps(&other.matching));
    let overlap = |other: &Profile| {
        let rank = |profile: &Profile| (profile.user, profile.matching.particular());
        let taken = match rank(profile).cmp(&rank(other)) {
            std::cmp::Ordering::Greater => Some(profile.name.clone()),
            std::cmp::Ordering::Less => Some(other.name.clone()),
            std::cmp::Ordering::Equal => None,
        };
        Overlap { other: other.name.clone(), taken }
    };
    overlapping.map(overlap).collect()
}

/// Writes the value of an example's field into bits and compares them with the example's.
fn write_back(
    profile: &Profile,
    plan: &FieldPlan,
    fields: &[(String, Expected)],
    bytes: &[u8],
    proof: &mut Proof,
) {
    let info = &profile.fields()[usize::from(plan.index)];
    let expected = fields.iter().find(|(name, _)| *name == info.name);
    let Some((name, Expected::Number(value))) = expected else { return };
    if plan.present.is_some() || !plan.cases.is_empty() {
        return;
    }
    let number = plan.linear.undo(info.to_si.apply(*value));
    let (Some(written), Some(stands)) = (raw(plan, number), take(plan.slice, bytes, 0)) else {
        return;
    };
    if written == stands {
        proof.written_back += 1;
    } else {
        proof.not_back.push(format!(
            "`{name}` {value} would be written {written:X}, the example has {stands:X}"
        ));
    }
}

/// The bits of a whole number; `None` for what is not read as a whole number alone.
fn raw(plan: &FieldPlan, number: f64) -> Option<u64> {
    let alone = plan.sign.is_none() && plan.fraction.is_none() && plan.lower.is_empty();
    let alone = alone && plan.divide == 1 && plan.modulo == 0;
    let bits = u32::from(plan.slice.bits);
    if !alone || bits > 52 {
        return None;
    }
    let number = number.round();
    let mask = u64::MAX >> (64 - bits);
    match plan.coding {
        Coding::Unsigned | Coding::Signed => Some(number as i64 as u64 & mask),
        Coding::SignMagnitude if number != 0.0 => {
            Some(number.abs() as u64 | u64::from(number < 0.0) << (bits - 1))
        }
        _ => None,
    }
}

/// Bytes that stand in every decoded example and that nothing reads.
fn unread(profile: &Profile) -> Vec<usize> {
    let layout = profile.layout();
    let counted = |example: &Example| profile.counted(example.via, &example.bytes).len();
    let decoded = profile.examples().iter().filter(|example| example.fields.is_some());
    let length = decoded.map(counted).min().unwrap_or(0);
    let mut read: BTreeSet<usize> = BTreeSet::new();
    let mut add = |slice: &Slice, to_end: bool| {
        let from = match usize::try_from(slice.at) {
            Ok(from) => from,
            Err(_) => length.saturating_sub(usize::from(slice.at.unsigned_abs())),
        };
        let to = if to_end { length } else { from + usize::from(slice.bytes) };
        read.extend(from..to);
    };
    for plan in &layout.fixed {
        add(&plan.slice, plan.to_end);
        let sign = plan.sign.iter();
        let fraction = plan.fraction.iter().map(|(slice, _)| slice);
        let present = plan.present.iter().map(|present| &present.slice);
        let cases = plan.cases.iter().map(|case| &case.when.slice);
        for slice in sign.chain(&plan.lower).chain(fraction).chain(present).chain(cases) {
            add(slice, false);
        }
    }
    if let Some(checksum) = &layout.checksum {
        add(&checksum.stored, false);
    }
    let company = if layout.from_company { 2 } else { 0 };
    let matched: Vec<usize> = profile.matching.places().map(|at| at + company).collect();
    (0..length).filter(|at| !read.contains(at) && !matched.contains(at)).take(TOLD_MAX).collect()
}

/// Whether two fields read the same bits though neither says that a number holds two.
fn share_bits(a: &FieldPlan, b: &FieldPlan) -> bool {
    let whole = |plan: &FieldPlan| {
        let strung = matches!(plan.coding, Coding::Bytes | Coding::Text | Coding::Digits);
        !strung && plan.divide == 1 && plan.modulo == 0 && plan.present.is_none()
    };
    if !whole(a) || !whole(b) || a.slice.at < 0 || b.slice.at < 0 {
        return false;
    }
    let bits = |slice: Slice| {
        let place = move |bit: u8| {
            let byte = i16::from(bit / 8);
            let byte = if slice.big { i16::from(slice.bytes) - 1 - byte } else { byte };
            8 * (slice.at + byte) + i16::from(bit % 8)
        };
        (slice.low_bit..slice.low_bit + slice.bits).map(place).collect::<BTreeSet<i16>>()
    };
    !bits(a.slice).is_disjoint(&bits(b.slice))
}
