//! `[[probe]]` of a job file.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::engine::channel::{ChannelError, Place, Position};
use crate::engine::document::{self, Item, Table};
use crate::engine::job::{FieldPlace, Probe, ProbeRef};
use crate::units::parse;

/// The probes, and the key files of those that send encrypted.
pub(super) struct Probes {
    pub(super) probes: Vec<Probe>,
    pub(super) keys: Vec<(ProbeRef, PathBuf)>,
}

/// Whether a probe's pressures are gauge.
const REFERENCES: [(&str, bool); 2] = [("gauge", true), ("absolute", false)];

/// All probes of the file, and what is wrong between them.
pub(super) fn probes(whole: &Table<'_, '_>) -> Probes {
    let mut read = Probes { probes: Vec::new(), keys: Vec::new() };
    let mut taken: BTreeMap<(Place, String), bool> = BTreeMap::new();
    for table in whole.tables("probe") {
        let which = which(&table);
        let mut one = Placing { table: &table, average: false, taken: &mut taken };
        one.average = table.flag("average").unwrap_or_default();
        let place = one.place(table.get("position"), "");
        let (fields, placed) = one.fields();
        let offset = table.read("offset", parse::difference);
        let gauge = table.word("pressure", &REFERENCES);
        let key_file = table.text("key_file").map(PathBuf::from);
        let average = one.average;
        if table.get("position").is_none() && !placed {
            table.wrong("give it a position, as in position = \"suction-line\"");
        }
        if let Some(which) = which {
            if read.probes.iter().any(|probe| probe.which == which) {
                let (ProbeRef::Address(name) | ProbeRef::Name(name)) = &which;
                table.wrong(format!("the probe {name} stands there twice; keep one [[probe]]"));
            }
            read.keys.extend(key_file.map(|file| (which.clone(), file)));
            read.probes.push(Probe { which, place, fields, offset, average, gauge });
        }
        table.finish();
    }
    read
}

/// Which probe it is: exactly one of `address` and `name`.
fn which(table: &Table<'_, '_>) -> Option<ProbeRef> {
    match (table.get("address"), table.get("name")) {
        (Some(address), None) => address.read(read_address).map(ProbeRef::Address),
        (None, Some(name)) => name.text().map(|name| ProbeRef::Name(name.to_owned())),
        _ => {
            table.wrong("give either its address or its name");
            None
        }
    }
}

/// Six pairs of hex digits with colons, in upper case.
fn read_address(text: &str) -> Result<String, String> {
    let mut parts = 0;
    let good = text.split(':').all(|pair| {
        parts += 1;
        pair.len() == 2 && pair.bytes().all(|b| b.is_ascii_hexdigit())
    });
    if good && parts == 6 {
        return Ok(text.to_uppercase());
    }
    Err(format!(
        "`{text}` is no address; write six pairs of hex digits, as in C4:7C:8D:00:00:01, or use name"
    ))
}

/// A place, or the nearest word where there is none of that name.
pub(in crate::app) fn read_place(text: &str) -> Result<Place, String> {
    text.parse().map_err(|error| {
        let ChannelError::Position(wrong) = &error else { return error.to_string() };
        let known: Vec<String> = Position::named().map(|p| p.to_string()).collect();
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        document::nearest(wrong, &known).map_or_else(
            || error.to_string(),
            |near| format!("no position is called `{wrong}`; did you mean `{near}`?"),
        )
    })
}

/// One probe's places, as they are read.
struct Placing<'a, 't, 'p> {
    table: &'a Table<'t, 'p>,
    average: bool,
    /// Each place with the kind of field that sits there (empty stands for all), and whether it is
    /// averaged.
    taken: &'a mut BTreeMap<(Place, String), bool>,
}

impl<'t, 'p> Placing<'_, 't, 'p> {
    /// The place that `item` names, for fields of `kind`; two probes may share one only averaged.
    fn place(&mut self, item: Option<Item<'t, 'p>>, kind: &str) -> Option<Place> {
        let item = item?;
        let place = item.read(read_place)?;
        let before = self.taken.insert((place.clone(), kind.to_owned()), self.average);
        if before.is_some_and(|both| !(both && self.average)) {
            item.wrong(format!(
                "two probes are at {place}; say average = true in both, or give one of them \
                 another position"
            ));
        }
        Some(place)
    }

    /// The places and offsets of single fields, and whether any of them names a place.
    fn fields(&mut self) -> (BTreeMap<String, FieldPlace>, bool) {
        let (mut fields, mut placed) = (BTreeMap::new(), false);
        let Some(table) = self.table.table("field") else { return (fields, placed) };
        for (name, item) in table.entries() {
            let Some(field) = item.table() else { continue };
            let kind = name.trim_end_matches(|c: char| c.is_ascii_digit() || c == '-');
            placed |= field.get("position").is_some();
            let place = self.place(field.get("position"), kind);
            let offset = field.read("offset", parse::difference);
            field.finish();
            fields.insert(name.to_owned(), FieldPlace { place, offset });
        }
        (fields, placed)
    }
}
