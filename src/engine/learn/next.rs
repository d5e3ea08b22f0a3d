//! Which value to produce next: where the readings that are left disagree most.

use crate::engine::learn::scale;
use crate::engine::learn::stream::Stream;
use crate::engine::learn::weigh::{Hypothesis, Sureness, Weighed};
use crate::engine::profile::layout::{Coding, Slice};
use crate::units::quantity::QuantityKind;

/// Where a technician finds a temperature (°C), in words.
const PLACES: [(f64, &str); 6] = [
    (-15.0, "a freezer"),
    (0.0, "ice water, stirred"),
    (22.0, "still room air"),
    (33.0, "the closed hand"),
    (48.0, "hot tap water, which can scald"),
    (10.0, "cold tap water"),
];
/// Share of a class that another member must have to be worth a word.
const OPEN: f64 = 0.01;

/// What to do to tell the readings apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Next {
    /// The value to produce (SI), where a value would tell.
    pub value: Option<f64>,
    /// What to do, in words.
    pub words: String,
}

/// What to do next; `None` where all is decided.
pub(super) fn next(weighed: &Weighed<'_>, streams: &[Stream]) -> Option<Next> {
    if weighed.sureness == Sureness::Sure {
        return None;
    }
    let first = &weighed.classes.first()?.best;
    let second = weighed.classes.get(1).filter(|class| class.probability > 0.05 * weighed.none);
    let Some(second) = second else { return Some(anything(weighed)) };
    Some(apart(weighed, streams, first, &second.best).unwrap_or_else(|| anything(weighed)))
}

/// The value at which two readings give the most different values.
fn apart(
    weighed: &Weighed<'_>,
    streams: &[Stream],
    first: &Hypothesis,
    second: &Hypothesis,
) -> Option<Next> {
    if weighed.kind != QuantityKind::Temperature || first.stream != second.stream {
        return None;
    }
    let last = &streams[first.stream].payloads.last()?.1;
    let told = |place: (f64, &'static str)| {
        let mut payload = last.clone();
        write(first, place.0, &mut payload)?;
        let (one, other) = (first.read(&payload)?, second.read(&payload)?);
        Some(((one - other).abs(), place))
    };
    let sd = weighed.known.iter().map(scale::sd).fold(0.0, f64::max);
    let known = |value: f64| weighed.known.iter().any(|k| (k.value - value).abs() < 3.0);
    let far = PLACES.into_iter().filter(|place| !known(place.0)).filter_map(told);
    let (difference, (value, place)) = far.max_by(|a, b| a.0.total_cmp(&b.0))?;
    if difference < 4.0 * sd {
        return None;
    }
    let words = format!(
        "put the probe into {place}, measure there, and give that value: the first two readings \
         would then differ by about {difference:.0} delta_degC"
    );
    Some(Next { value: Some(value), words })
}

/// Where no single value tells most: one far from those that are known.
fn anything(weighed: &Weighed<'_>) -> Next {
    let values = weighed.known.iter().map(|known| known.value);
    let far = |value: f64| values.clone().map(|k| (k - value).abs()).fold(f64::MAX, f64::min);
    if weighed.kind != QuantityKind::Temperature {
        let words = "give one more value, far from those that are known";
        return Next { value: None, words: words.to_owned() };
    }
    let (value, place) =
        PLACES.into_iter().max_by(|a, b| far(a.0).total_cmp(&far(b.0))).unwrap_or(PLACES[0]);
    let words = format!("put the probe into {place}, measure there, and give that value");
    Next { value: Some(value), words }
}

/// Writes the value into a payload as the reading would have it; `None` where it cannot be.
fn write(reading: &Hypothesis, si: f64, payload: &mut [u8]) -> Option<()> {
    let plan = &reading.shape.plan;
    if plan.sign.is_some() || plan.fraction.is_some() || plan.divide != 1 || plan.modulo != 0 {
        return None;
    }
    let number = reading.map.undo(si).round();
    let bits = u32::from(plan.slice.bits);
    let limit = libm::exp2(f64::from(bits));
    let raw = match plan.coding {
        Coding::Unsigned if (0.0..limit).contains(&number) => number as u64,
        Coding::Signed if (-limit / 2.0..limit / 2.0).contains(&number) => number as i64 as u64,
        Coding::SignMagnitude if number.abs() < limit / 2.0 => {
            number.abs() as u64 | u64::from(number < 0.0) << (bits - 1)
        }
        _ => return None,
    };
    put(plan.slice, raw, payload)
}

fn put(slice: Slice, raw: u64, payload: &mut [u8]) -> Option<()> {
    for (place, bit) in crate::engine::learn::shape::bits_of(slice).into_iter().enumerate() {
        let byte = payload.get_mut(bit / 8)?;
        let mask = 1 << (bit % 8);
        *byte = if raw >> place & 1 == 1 { *byte | mask } else { *byte & !mask };
    }
    Some(())
}

/// What the known values leave open though the readings give the same so far.
pub(super) fn open(weighed: &Weighed<'_>) -> Vec<String> {
    let Some(first) = weighed.classes.first() else { return Vec::new() };
    let best = &first.best;
    let mut lines = Vec::new();
    let others = || {
        let share = OPEN * first.probability;
        first.others.iter().filter(move |(_, probability)| *probability >= share)
    };
    let differs = |of: fn(&Hypothesis) -> Coding| others().any(|(h, _)| of(h) != of(best));
    if differs(|h| h.shape.plan.coding) {
        lines.push(
            "nothing below zero was seen: how the sign is told is taken from what is usual"
                .to_owned(),
        );
    }
    if others().any(|(h, _)| h.shape.plan.slice != best.shape.plan.slice) {
        lines.push(
            "bits beside the field never changed, or change too little to tell: how wide it is is \
             taken from what is usual"
                .to_owned(),
        );
    }
    lines
}
