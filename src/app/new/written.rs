//! The job file as it is written: commented, so that it can be changed by hand.

use std::fmt::Write as _;

use crate::app::new::reads;
use crate::app::traces::FieldTrace;
use crate::engine::channel::Place;
use crate::engine::columns::Units;

/// Where a probe, or one field of it, sits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clamp {
    /// The probe's address.
    pub address: String,
    /// The field; `None` for all fields of the probe.
    pub field: Option<String>,
    /// The place.
    pub place: Place,
}

/// All that the questions and flags gave.
#[derive(Debug, Clone, Default)]
pub(super) struct Answers {
    /// Key and value of the file's head, as they are written.
    pub head: Vec<(&'static str, String)>,
    /// Key and value of `[unit]`.
    pub unit: Vec<(&'static str, String)>,
    pub clamps: Vec<Clamp>,
    pub units: Option<Units>,
}

impl Answers {
    /// The addresses of probes that have a place, each once.
    pub fn addresses(&self) -> Vec<&str> {
        let mut addresses: Vec<&str> = Vec::new();
        for clamp in &self.clamps {
            if !addresses.contains(&clamp.address.as_str()) {
                addresses.push(&clamp.address);
            }
        }
        addresses
    }
}

/// The addresses that were heard, each once.
pub(super) fn addresses(fields: &[FieldTrace]) -> Vec<&str> {
    let mut addresses: Vec<&str> = Vec::new();
    for field in fields {
        if !addresses.contains(&field.probe.as_str()) {
            addresses.push(&field.probe);
        }
    }
    addresses
}

/// Keys of the head with what they mean, and an example for those that are left open.
const HEAD: [(&str, &str, &str); 6] = [
    ("site", "", "\"Harbour bakery\""),
    ("mode", "cooling | heating | auto", "\"cooling\""),
    ("altitude", "for gauges: or barometer = \"98.9kPaa\"", "\"450ft\""),
    ("units", "us | si: how people see values", "\"us\""),
    (
        "zone",
        "the site's time zone by its IANA name (default: this machine's)",
        "\"America/Chicago\"",
    ),
    (
        "calibrations",
        "folder with what `settled calibrate` found (default: the user's)",
        "\"calibrations\"",
    ),
];

/// Keys of `[unit]`, alike.
const UNIT: [(&str, &str, &str); 12] = [
    ("kind", "package | split | ductless", "\"package\""),
    ("refrigerant", "as on the nameplate", "\"R-410A\""),
    ("metering", "fixed-orifice | txv | eev", "\"txv\""),
    ("rated_cooling", "nameplate", "\"3ton\""),
    ("target_subcooling", "nameplate", "\"10delta_F\""),
    ("target_superheat", "where the maker asks for one", "\"12delta_F\""),
    ("approach", "the maker's: liquid line over outdoor air", "\"7delta_F\""),
    ("airflow", "needs airflow_basis", "\"1050cfm\""),
    ("airflow_basis", "measured | assumed", "\"assumed\""),
    ("stages", "of the compressor, 1 to 4", "1"),
    ("variable_speed", "the compressor's speed varies", "false"),
    ("economizer", "there is an outdoor-air damper", "false"),
];

/// The job file's text.
pub(super) fn job(answers: &Answers, fields: &[FieldTrace]) -> String {
    let mut text =
        "# A job for `settled`. Lines that begin with # are not read; take the # away to use \
                    one.\n# `settled check` says what is wrong with it.\n\n"
            .to_owned();
    keys(&mut text, &HEAD, &answers.head);
    text += "\n[unit]\n";
    keys(&mut text, &UNIT, &answers.unit);
    let units = answers.units.unwrap_or(Units::Us);
    for address in answers.addresses() {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "\n[[probe]]{}", said(fields, address, units));
        let _ = writeln!(text, "address = \"{address}\"");
        for clamp in answers.clamps.iter().filter(|clamp| clamp.address == address) {
            let key = match &clamp.field {
                None => "position".to_owned(),
                Some(field) => format!("field.{field}.position"),
            };
            let _ = writeln!(text, "{key} = \"{}\"", clamp.place);
        }
    }
    let open: Vec<&str> = addresses(fields)
        .into_iter()
        .filter(|address| !answers.addresses().contains(address))
        .collect();
    if !open.is_empty() {
        text += "\n# Heard, and not placed yet:\n";
    }
    for address in open {
        let _ = writeln!(text, "\n# [[probe]]{}", said(fields, address, units));
        let _ = writeln!(text, "# address = \"{address}\"\n# position = \"\"");
    }
    text += "\n# Positions: return-air, mixed-air, supply-air, space, outdoor-air, condenser-leaving-air;\n\
             # suction-line, discharge-line, liquid-line, vapor-line (at the outdoor unit);\n\
             # suction-line-indoor, liquid-line-indoor (at the indoor coil); indoor-coil, outdoor-coil;\n\
             # indoor-unit, outdoor-unit (current, power); other:NAME. A second circuit: suction-line@2.\n\
             # One device with two clamps: field.temperature-1.position = \"suction-line\" and so on.\n";
    text
}

/// The keys in their order: those that were answered, the others as comments.
fn keys(text: &mut String, known: &[(&str, &str, &str)], given: &[(&'static str, String)]) {
    for (key, meaning, example) in known {
        let value = given.iter().find(|(of, _)| of == key).map(|(_, value)| value);
        let line = match value {
            Some(value) => format!("{key} = {value}"),
            None => format!("# {key} = {example}"),
        };
        let _ = if meaning.is_empty() {
            writeln!(text, "{line}")
        } else {
            writeln!(text, "{line:<38} # {meaning}")
        };
    }
}

/// A comment that says what the probe is and reads.
fn said(fields: &[FieldTrace], address: &str, units: Units) -> String {
    let name = fields.iter().find(|f| f.probe == address).and_then(|f| f.name.clone());
    let reads = reads(fields, address, units);
    let parts: Vec<String> = name.into_iter().chain((!reads.is_empty()).then_some(reads)).collect();
    if parts.is_empty() {
        return String::new();
    }
    // A name may hold anything; a comment ends at the line.
    let parts: String = parts.join(": ").chars().filter(|c| !c.is_control()).collect();
    format!("    # {parts}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::job::JobFile;
    use crate::engine::reading::Instrument;
    use crate::units::quantity::QuantityKind;
    use crate::units::time::Elapsed;

    fn field(probe: &str, name: &str) -> FieldTrace {
        FieldTrace {
            probe: probe.into(),
            name: Some("a\nname".into()),
            field: name.into(),
            kind: QuantityKind::Temperature,
            gauge: false,
            instrument: Instrument { accuracy: 0.5, resolution: 0.01, time_constant_s: None },
            samples: vec![(Elapsed::ZERO, 25.0)],
        }
    }

    #[test]
    fn what_is_written_is_a_job_whatever_was_left_open() {
        let open = Answers { head: vec![("site", "\"x\"".into())], ..Answers::default() };
        let heard = [field("C4:7C:8D:00:00:01", "temperature")];
        let file = JobFile::parse(&job(&open, &heard)).unwrap();
        assert!(file.job.probes.is_empty());

        let place = |text: &str| text.parse().unwrap();
        let clamp = |address: &str, field: Option<&str>, at: &str| Clamp {
            address: address.into(),
            field: field.map(Into::into),
            place: place(at),
        };
        let clamps = vec![
            clamp("C4:7C:8D:00:00:01", None, "supply-air"),
            clamp("C4:7C:8D:00:00:02", Some("temperature-1"), "suction-line"),
            clamp("C4:7C:8D:00:00:02", Some("temperature-2"), "liquid-line"),
        ];
        let text = job(&Answers { clamps, ..open }, &heard);
        assert_eq!(JobFile::parse(&text).unwrap().job.probes.len(), 2);
        assert!(text.contains("# aname: temperature 77.0 °F"), "{text}");
    }

    #[test]
    fn every_example_in_a_comment_is_right() {
        for (key, _, example) in HEAD.iter().filter(|(key, ..)| *key != "site") {
            let text = format!("site = \"x\"\n{key} = {example}\n");
            assert!(JobFile::parse(&text).is_ok(), "{key}");
        }
        for (key, _, example) in UNIT {
            let basis = if key == "airflow" { "airflow_basis = \"assumed\"\n" } else { "" };
            let text = format!("site = \"x\"\n[unit]\n{key} = {example}\n{basis}");
            assert!(JobFile::parse(&text).is_ok(), "{key}");
        }
    }
}
