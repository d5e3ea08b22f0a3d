//! The questions: each once more until the answer can be meant.

use std::io::{self, BufRead, Write};

use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::app::new::written::{Answers, Clamp, addresses};
use crate::app::new::{Said, reads};
use crate::app::traces::FieldTrace;
use crate::engine::channel::Place;
use crate::engine::columns::Units;
use crate::units::quantity::QuantityKind;

/// Asks, where there is somebody to ask.
pub(super) struct Asker {
    asks: bool,
}

/// A key of the file: whether it stands in `[unit]`, its name, the question, what an empty answer
/// means.
type Question = (bool, &'static str, &'static str, Option<&'static str>);

const QUESTIONS: [Question; 9] = [
    (false, "site", "What do you call the site and the unit?", Some("a unit")),
    (false, "units", "Do you read °F (us) or °C (si)?", Some("us")),
    (false, "mode", "Does it cool or heat now: cooling, heating, auto?", Some("cooling")),
    (false, "altitude", "How high is the site above the sea, as 450ft?", None),
    (true, "kind", "Is it a package, split or ductless unit?", Some("package")),
    (true, "refrigerant", "Which refrigerant is on the nameplate, as R-410A?", None),
    (true, "metering", "What meters it: fixed-orifice, txv, eev?", None),
    (true, "rated_cooling", "What cooling capacity is on the nameplate, as 3ton?", None),
    (true, "target_subcooling", "Which subcooling is on the nameplate, as 10delta_F?", None),
];

impl Asker {
    pub fn new(asks: bool) -> Self {
        Self { asks }
    }

    /// What the unit is, by flags and questions.
    pub fn unit(&mut self, said: &Said, out: &mut dyn Write) -> Result<Answers, Failure> {
        let mut answers = Answers::default();
        if self.asks {
            say(out, "An empty answer takes what stands in brackets, or leaves it open.\n")?;
        }
        for (in_unit, key, question, usual) in QUESTIONS {
            let value = match flag(said, key) {
                Some(value) => Some(value.to_owned()),
                None => self.answer(in_unit, key, question, usual, out)?,
            };
            let Some(value) = value else { continue };
            let table = if in_unit { &mut answers.unit } else { &mut answers.head };
            table.push((key, quoted(&value)));
        }
        if let Some(airflow) = &said.airflow {
            answers.unit.push(("airflow", quoted(airflow)));
            answers.unit.push(("airflow_basis", quoted("assumed")));
        }
        let si = answers.head.iter().any(|(key, value)| *key == "units" && value.contains("si"));
        answers.units = Some(if si { Units::Si } else { Units::Us });
        Ok(answers)
    }

    /// Where each probe that was heard sits: by flags, else by questions.
    pub fn clamps(
        &mut self,
        given: &[Clamp],
        fields: &[FieldTrace],
        out: &mut dyn Write,
    ) -> Result<Vec<Clamp>, Failure> {
        let mut clamps = given.to_vec();
        let heard = addresses(fields);
        if !self.asks || heard.is_empty() {
            return Ok(clamps);
        }
        say(
            out,
            &format!(
                "{} probe(s) heard. Where does each sit? (as suction-line; `?` lists all positions; \
                 empty leaves it open.\nTo learn which is which, hold one in the hand and look at \
                 `settled listen`.)\n",
                heard.len()
            ),
        )?;
        // A gauge may sit where a clamp does.
        let mut taken: Vec<(Place, QuantityKind)> =
            clamps.iter().map(|clamp| (clamp.place.clone(), QuantityKind::Temperature)).collect();
        for address in heard {
            if clamps.iter().any(|clamp| clamp.address == address) {
                continue;
            }
            let reads = reads(fields, address, Units::Us);
            say(out, &format!("{address}: {reads}\n"))?;
            for (field, kind) in asked_of(fields, address) {
                let question =
                    field.as_deref().map_or("position".to_owned(), |f| format!("{f}: position"));
                if let Some(place) = Self::place(&question, kind, &taken, out)? {
                    taken.push((place.clone(), kind));
                    clamps.push(Clamp { address: address.to_owned(), field, place });
                }
            }
        }
        Ok(clamps)
    }

    /// A position, asked until it is one that is free.
    fn place(
        question: &str,
        kind: QuantityKind,
        taken: &[(Place, QuantityKind)],
        out: &mut dyn Write,
    ) -> Result<Option<Place>, Failure> {
        loop {
            say(out, &format!("  {question}: "))?;
            let Some(text) = line()? else { return Ok(None) };
            if text.is_empty() {
                return Ok(None);
            }
            if text == "?" {
                let known = crate::engine::channel::Position::named().map(|p| p.to_string());
                say(out, &format!("  {}\n", known.collect::<Vec<_>>().join(", ")))?;
                continue;
            }
            match crate::app::job::read_place(&text) {
                Err(why) => say(out, &format!("  {why}\n"))?,
                Ok(place) if taken.contains(&(place.clone(), kind)) => {
                    say(out, &format!("  {place} has a probe already; give another position\n"))?;
                }
                Ok(place) => return Ok(Some(place)),
            }
        }
    }

    /// An answer that the job's reader takes.
    fn answer(
        &mut self,
        in_unit: bool,
        key: &str,
        question: &str,
        usual: Option<&str>,
        out: &mut dyn Write,
    ) -> Result<Option<String>, Failure> {
        if !self.asks {
            return Ok(usual.filter(|_| key == "site").map(str::to_owned));
        }
        loop {
            let usual_said = usual.map_or(String::new(), |usual| format!(" [{usual}]"));
            say(out, &format!("{question}{usual_said} "))?;
            let text = line()?.unwrap_or_default();
            let text = if text.is_empty() { usual.unwrap_or_default().to_owned() } else { text };
            if text.is_empty() {
                return Ok(None);
            }
            let table = if in_unit { "[unit]\n" } else { "" };
            let site = if key == "site" { "" } else { "site = \"x\"\n" };
            let tried = format!("{site}{table}{key} = {}\n", quoted(&text));
            match JobFile::parse(&tried) {
                Ok(_) => return Ok(Some(text)),
                Err(errors) => {
                    for error in errors {
                        say(out, &format!("  {}\n", error.what))?;
                    }
                }
            }
        }
    }
}

/// What is asked of one probe: where it sits as a whole, or where each of its fields does when it has
/// two temperatures, or none.
fn asked_of(fields: &[FieldTrace], address: &str) -> Vec<(Option<String>, QuantityKind)> {
    let own = || fields.iter().filter(|field| field.probe == address);
    let temperatures = own().filter(|field| field.kind == QuantityKind::Temperature);
    let named = |field: &FieldTrace| (Some(field.field.clone()), field.kind);
    match temperatures.clone().count() {
        0 => own().filter(|field| field.kind != QuantityKind::Battery).map(named).collect(),
        1 => vec![(None, QuantityKind::Temperature)],
        _ => temperatures.map(named).collect(),
    }
}

/// What the flag for `key` says.
fn flag<'s>(said: &'s Said, key: &str) -> Option<&'s str> {
    let flag = match key {
        "site" => &said.site,
        "units" => &said.units,
        "mode" => &said.mode,
        "altitude" => &said.altitude,
        "kind" => &said.kind,
        "refrigerant" => &said.refrigerant,
        "metering" => &said.metering,
        "rated_cooling" => &said.rated_cooling,
        "target_subcooling" => &said.target_subcooling,
        _ => &None,
    };
    flag.as_deref()
}

/// The text as TOML writes it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn say(out: &mut dyn Write, text: &str) -> Result<(), Failure> {
    out.write_all(text.as_bytes()).and_then(|()| out.flush()).map_err(Failure::world)
}

/// One line of the input without its end; `None` where it has ended.
fn line() -> Result<Option<String>, Failure> {
    let mut text = String::new();
    let read = io::stdin().lock().read_line(&mut text).map_err(Failure::world)?;
    Ok((read > 0).then(|| text.trim().to_owned()))
}
