//! What was heard, split into payloads of one form.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::engine::learn::Heard;
use crate::engine::reading::Via;
use crate::units::time::Elapsed;

/// A known value belongs to payloads at most this far from it.
const WINDOW: Duration = Duration::from_secs(10);
/// A payload holds until the next, for at most so long.
const HOLDS: Duration = Duration::from_secs(120);
/// Payloads that are read for one known value, at most.
const NEAR_MAX: usize = 8;
/// Fewest payloads that are a stream of their own beside others.
const STREAM_MIN: usize = 3;
/// Company ids that one probe may have and still keep a company id there.
const COMPANIES_MAX: usize = 3;

/// Payloads of one form, repeats left out, in the order of time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Stream {
    pub via: Via,
    /// The company id holds a reading: the bytes have it in front, low byte first.
    pub from_company: bool,
    /// Bytes of each payload; `None` where they differ.
    pub length: Option<usize>,
    /// Bytes of the shortest.
    pub length_min: usize,
    /// A byte that tells this form from others of the probe: its place and value.
    pub form: Option<(usize, u8)>,
    pub payloads: Vec<(Elapsed, Vec<u8>)>,
}

impl Stream {
    fn new(via: Via, from_company: bool, payloads: Vec<(Elapsed, Vec<u8>)>) -> Self {
        let lengths = payloads.iter().map(|(_, bytes)| bytes.len());
        let length_min = lengths.clone().min().unwrap_or(0);
        let length = (lengths.max() == Some(length_min)).then_some(length_min);
        Self { via, from_company, length, length_min, form: None, payloads }
    }

    /// The payloads that a value known at `at` belongs to: those around it, or the last before.
    pub(super) fn near(&self, at: Elapsed) -> impl Iterator<Item = &[u8]> {
        let before = self.payloads.partition_point(|(heard, _)| *heard + WINDOW < at);
        let after = self.payloads.partition_point(|(heard, _)| *heard <= at + WINDOW);
        let (mut from, mut to) = (before, after);
        // Of many the middle ones, which are the nearest in time.
        while to - from > NEAR_MAX {
            let (first, last) = (self.payloads[from].0, self.payloads[to - 1].0);
            if at.since(first) > last.since(at) { from += 1 } else { to -= 1 }
        }
        if from == to && from > 0 && is_near(self.payloads[from - 1].0, at) {
            from -= 1;
        }
        self.payloads[from..to].iter().map(|(_, bytes)| bytes.as_slice())
    }

    /// At most `count` payloads spread over all.
    pub(super) fn sample(&self, count: usize) -> impl Iterator<Item = &[u8]> {
        let step = self.payloads.len().div_ceil(count.max(1)).max(1);
        self.payloads.iter().step_by(step).map(|(_, bytes)| bytes.as_slice())
    }

    /// The length in words.
    pub(super) fn length_in_words(&self) -> String {
        match self.length {
            Some(1) => "1 byte long".to_owned(),
            Some(length) => format!("{length} bytes long"),
            None => format!("at least {} bytes long", self.length_min),
        }
    }
}

/// Whether what was heard then may still hold, or already holds, at `at`.
pub(super) fn is_near(heard: Elapsed, at: Elapsed) -> bool {
    heard <= at + WINDOW && at.since(heard) <= HOLDS
}

/// Splits what was heard by its way, its length, and a byte that tells forms apart.
pub(super) fn split(heard: &[Heard]) -> Vec<Stream> {
    let mut ways: BTreeMap<Via, Vec<(Elapsed, Vec<u8>)>> = BTreeMap::new();
    let mut companies: Vec<u16> = Vec::new();
    for heard in heard {
        if let Via::Manufacturer(company) = heard.via
            && !companies.contains(&company)
        {
            companies.push(company);
        }
        // An opened payload's counter is no way of its own.
        let via = match heard.via {
            Via::ServiceOpened(uuid, _) => Via::ServiceOpened(uuid, 0),
            other => other,
        };
        ways.entry(via).or_default().push((heard.at, heard.bytes.clone()));
    }
    let mut streams = Vec::new();
    if companies.len() > COMPANIES_MAX {
        streams.extend(by_length(heard[0].via, true, with_company(heard)));
    }
    for (via, payloads) in ways {
        if !(companies.len() > COMPANIES_MAX && matches!(via, Via::Manufacturer(_))) {
            streams.extend(by_length(via, false, payloads));
        }
    }
    let forms: Vec<Stream> = streams.iter().flat_map(by_form).collect();
    streams.extend(forms);
    for stream in &mut streams {
        stream.payloads.dedup_by(|later, earlier| later.1 == earlier.1);
    }
    streams
}

/// Manufacturer data with the company id put back in front.
fn with_company(heard: &[Heard]) -> Vec<(Elapsed, Vec<u8>)> {
    let whole = heard.iter().filter_map(|heard| match heard.via {
        Via::Manufacturer(company) => {
            Some((heard.at, [&company.to_le_bytes(), heard.bytes.as_slice()].concat()))
        }
        _ => None,
    });
    whole.collect()
}

/// One stream for each length, and where there are several lengths one of all.
fn by_length(via: Via, from_company: bool, payloads: Vec<(Elapsed, Vec<u8>)>) -> Vec<Stream> {
    let mut lengths: BTreeMap<usize, Vec<(Elapsed, Vec<u8>)>> = BTreeMap::new();
    for payload in &payloads {
        lengths.entry(payload.1.len()).or_default().push(payload.clone());
    }
    let several = lengths.len() > 1;
    let mut streams: Vec<Stream> = lengths
        .into_values()
        .filter(|payloads| !several || payloads.len() >= STREAM_MIN)
        .map(|payloads| Stream::new(via, from_company, payloads))
        .collect();
    if several {
        streams.push(Stream::new(via, from_company, payloads));
    }
    streams
}

/// Where one of the first bytes takes turns between few values, one stream for each of them.
fn by_form(whole: &Stream) -> Vec<Stream> {
    const FORMS_MAX: usize = 4;
    let Some(length) = whole.length else { return Vec::new() };
    for at in 0..length.min(3) {
        let mut values: BTreeMap<u8, usize> = BTreeMap::new();
        let mut turns = 0;
        for pair in whole.payloads.windows(2) {
            turns += usize::from(pair[0].1[at] != pair[1].1[at]);
        }
        for (_, bytes) in &whole.payloads {
            *values.entry(bytes[at]).or_default() += 1;
        }
        let few = (2..=FORMS_MAX).contains(&values.len());
        // A form comes again and again; a slow reading changes a few times only.
        let often = 5 * turns >= whole.payloads.len();
        if few && often && values.values().all(|count| *count >= STREAM_MIN) {
            let of = |value: u8| {
                let payloads = whole.payloads.iter().filter(|(_, bytes)| bytes[at] == value);
                let payloads = payloads.cloned().collect();
                let stream = Stream::new(whole.via, whole.from_company, payloads);
                Stream { form: Some((at, value)), ..stream }
            };
            return values.into_keys().map(of).collect();
        }
    }
    Vec::new()
}
