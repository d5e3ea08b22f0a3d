//! From a `[source]` table to how a probe's bytes are to be had.

use std::time::Duration;

use crate::engine::document::{Item, Table};
use crate::engine::profile::matching::Key;
use crate::engine::profile::{Connection, Delivery, Source, Write, uuid};

/// How often a characteristic is read where the profile does not say (s).
const EVERY_S: i128 = 10;
/// Silence after which a probe that should notify is read instead, unless the profile says (s).
const SILENCE_S: i128 = 30;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Notify,
    Indicate,
    Read,
    NotifyOrRead,
}

const WAYS: [(&str, Way); 4] = [
    ("notify", Way::Notify),
    ("indicate", Way::Indicate),
    ("read", Way::Read),
    ("notify-or-read", Way::NotifyOrRead),
];

/// `None` where something is wrong.
pub(super) fn read_source(profile: &Table<'_, '_>, key: Option<Key>) -> Option<Source> {
    let table = profile.table("source");
    let Some(Key::Characteristic(characteristic)) = key else {
        if let Some(table) = table {
            table.wrong("`[source]` is for characteristics; what is broadcast is only heard");
            return None;
        }
        return Some(Source::Broadcast);
    };
    let Some(table) = table else {
        profile
            .wrong("lacks `[source]`; write source.delivery = \"notify-or-read\" or another way");
        return None;
    };
    let way = table.word("delivery", &WAYS);
    if way.is_none() && table.get("delivery").is_none() {
        table.wrong("lacks `delivery`: \"notify\", \"indicate\", \"read\" or \"notify-or-read\"");
    }
    let seconds = |key, usual| {
        let s = table.integer(key, 1..=3_600).unwrap_or(usual);
        Duration::from_secs(u64::try_from(s).unwrap_or(1))
    };
    let reads = matches!(way, Some(Way::Read | Way::NotifyOrRead) | None);
    if !reads && table.get("every_s").is_some() {
        table.wrong("`every_s` is for what is read");
    }
    let (every, silence) = (seconds("every_s", EVERY_S), seconds("silence_s", SILENCE_S));
    let service = table.get("service").and_then(|item| read_uuid(&item));
    let write_first = table.tables("write_first");
    let write_first = write_first.into_iter().filter_map(read_write).collect();
    table.finish();
    let delivery = match way? {
        Way::Notify => Delivery::Notify,
        Way::Indicate => Delivery::Indicate,
        Way::Read => Delivery::Read { every },
        Way::NotifyOrRead => Delivery::NotifyOrRead { every, silence },
    };
    Some(Source::Connected(Connection { service, characteristic, delivery, write_first }))
}

fn read_write(table: Table<'_, '_>) -> Option<Write> {
    let characteristic = table.get("characteristic").and_then(|item| read_uuid(&item));
    let bytes = table.get("bytes").and_then(|item| item.bytes());
    if table.get("characteristic").is_none() || table.get("bytes").is_none() {
        table.wrong("needs `characteristic` and `bytes`");
    }
    if bytes.as_ref().is_some_and(|bytes| bytes.len() > 512) {
        table.wrong("more than 512 bytes cannot be written at once");
    }
    let response = table.flag("response").unwrap_or(true);
    table.finish();
    Some(Write { characteristic: characteristic?, bytes: bytes?, response })
}

/// A UUID as text, or a short one as a number.
pub(super) fn read_uuid(item: &Item<'_, '_>) -> Option<u128> {
    if !item.is_text() {
        return item.integer(0..=0xFFFF_FFFF).map(|short| uuid::full(short as u32));
    }
    let found = uuid::parse(item.text()?);
    if found.is_none() {
        item.wrong("expected a UUID of 4, 8 or 32 hex digits, as in \"0xFCD2\"");
    }
    found
}
