//! `settled calibrate`: offsets from probes left together in one place.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde_json::json;

use crate::app::calibrations::{self, KeptField, KeptPoint};
use crate::app::exit::{Exit, Failure};
use crate::app::replay::moment;
use crate::app::traces::{self, FieldTrace};
use crate::app::{profile, wording};
use crate::engine::calibrate::{self, Bath, Bathed, Offset, Reference};
use crate::engine::columns::{Shown, Units};
use crate::engine::json::number;
use crate::engine::profile::Profiles;
use crate::units::parse;
use crate::units::quantity::{Celsius, Kelvins, QuantityKind};
use crate::units::time::Elapsed;

/// Offsets from probes left together in one place: an ice bath, still air, a bucket.
///
/// Record it with `settled listen --record DIR --seconds 600`. In water the probes must be bagged or
/// sealed; stir, and keep electric parts dry. What is found is kept for each probe and used by all
/// jobs from then on; a job's own `offset` goes before it. Two records at two temperatures make a
/// line.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  settled listen --record bath --seconds 600\n  \
    settled calibrate bath/*\n  settled calibrate ice/* warm/* --known 32F --known 122F --dry-run")]
pub struct Args {
    /// Session folders or `received.csv` files: one bath, or two.
    #[arg(required = true, value_name = "SESSION|RECEIVED", num_args = 1..=2)]
    baths: Vec<PathBuf>,
    /// The bath's known temperature, as 32F; once for each bath.
    #[arg(long, value_name = "TEMPERATURE", value_parser = parse::temperature, conflicts_with = "reference")]
    known: Vec<Celsius>,
    /// How well it is known (half-width of a 95 % interval).
    #[arg(long, value_name = "DIFFERENCE", value_parser = parse::difference, default_value = "0.2delta_F")]
    known_within: Kelvins,
    /// The probe that the others are held against (address, or ADDRESS/FIELD).
    #[arg(long, value_name = "ADDRESS")]
    reference: Option<String>,
    /// How well the reference probe is known (half-width of a 95 % interval).
    #[arg(long, value_name = "DIFFERENCE", value_parser = parse::difference, default_value = "0.2delta_F")]
    reference_within: Kelvins,
    /// How much the bath differs from place to place (half-width of a 95 % interval): little in a
    /// stirred bath, more in still air.
    #[arg(long, value_name = "DIFFERENCE", value_parser = parse::difference, default_value = "0.1delta_F")]
    uniform_within: Kelvins,
    /// Looks at these probes only (address; may be given several times).
    #[arg(long, value_name = "ADDRESS")]
    probe: Vec<String>,
    /// Begins at this time of the record, as minutes:seconds.
    #[arg(long, value_parser = moment)]
    from: Option<Elapsed>,
    /// Ends at this time of the record.
    #[arg(long, value_parser = moment)]
    to: Option<Elapsed>,
    /// Keeps them in this folder instead of the user's.
    #[arg(long, value_name = "DIR")]
    folder: Option<PathBuf>,
    /// Keeps nothing.
    #[arg(long)]
    dry_run: bool,
    /// `us` or `si`: how values are shown.
    #[arg(long, default_value = "us", value_parser = ["us", "si"])]
    units: String,
    /// Folder with further profiles; they win over shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
}

/// The half-width of a 95 % interval to its standard uncertainty.
const TO_STANDARD: f64 = 1.0 / 1.96;

/// Finds the offsets, tells and keeps them.
///
/// # Errors
/// A record that cannot be read or tells nothing; a disk that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    if !args.known.is_empty() && args.known.len() != args.baths.len() {
        let (known, baths) = (args.known.len(), args.baths.len());
        return Err(Failure::usage(format!(
            "{known} known temperatures for {baths} bath(s); give one for each"
        )));
    }
    let profiles = profile::load(args.profiles.as_deref())?;
    let baths: Vec<Told> =
        (0..args.baths.len()).map(|n| Told::of(args, &profiles, n)).collect::<Result<_, _>>()?;
    let units = if args.units == "si" { Units::Si } else { Units::Us };
    for (path, told) in args.baths.iter().zip(&baths) {
        let written = if json { told.json(out) } else { told.text(path, units, out) };
        written.map_err(Failure::world)?;
    }
    let kept = kept(&baths);
    if args.dry_run {
        return Ok(Exit::Done);
    }
    let folder = args.folder.clone().or_else(calibrations::users).ok_or_else(|| {
        Failure::usage("no home folder is known; say where to keep them with --folder")
    })?;
    for (address, field) in &kept {
        calibrations::keep(&folder, address, field.clone())?;
    }
    if !json {
        let count = kept.len();
        writeln!(
            out,
            "\nKept {count} calibration(s) in {}; all jobs use them from now on.",
            folder.display()
        )
        .map_err(Failure::world)?;
    }
    Ok(Exit::Done)
}

/// One bath and what it told.
struct Told {
    fields: Vec<FieldTrace>,
    bath: Bath,
    against: String,
    absolute: bool,
}

impl Told {
    fn of(args: &Args, profiles: &Profiles, n: usize) -> Result<Self, Failure> {
        let path = &args.baths[n];
        let mut record = traces::read(path, profiles, (args.from, args.to))?;
        record.fields.retain(|field| {
            let asked = |probe: &String| probe.eq_ignore_ascii_case(&field.probe);
            field.kind == QuantityKind::Temperature
                && (args.probe.is_empty() || args.probe.iter().any(asked))
        });
        let fields = record.fields;
        let (reference, against, absolute) = reference(args, &fields, n)?;
        let bathed: Vec<Bathed> = fields.iter().map(bathed).collect();
        let uniformity = args.uniform_within.get().abs() * TO_STANDARD;
        let bath = calibrate::bath(&bathed, reference, uniformity)
            .map_err(|error| Failure::bad_input(format!("{}: {error}", path.display())))?;
        Ok(Self { fields, bath, against, absolute })
    }

    fn each(&self) -> impl Iterator<Item = (&FieldTrace, &Offset)> {
        self.fields.iter().zip(&self.bath.offsets)
    }

    fn json(&self, out: &mut dyn Write) -> io::Result<()> {
        for (field, offset) in self.each() {
            let interval =
                [offset.offset - offset.half_width_95, offset.offset + offset.half_width_95];
            let line = json!({"kind": "calibration", "probe": field.probe, "field": field.field,
                "at_c": number(self.bath.temperature), "offset": number(offset.offset),
                "unit": "delta_degC", "uncertainty": number(offset.uncertainty),
                "interval_95": interval.map(number), "against": self.against,
                "drift_k_per_min": number(offset.drift_per_min.0),
                "still_moves": offset.still_moves(), "beyond_accuracy": offset.beyond_accuracy,
                "time_constant_s": offset.time_constant.map(|t| number(t.seconds))});
            writeln!(out, "{line}")?;
        }
        Ok(())
    }

    fn text(&self, path: &Path, units: Units, out: &mut dyn Write) -> io::Result<()> {
        let bath = &self.bath;
        let shown = Shown::of(QuantityKind::Temperature, units).width();
        let (scale, unit) = (shown.scale, wording::short(shown));
        let minutes = (bath.to_s - bath.from_s) / 60.0;
        writeln!(
            out,
            "{}: {} over {minutes:.0} min, drifting {:+.3} {unit} a minute; held against {}.\n",
            path.display(),
            wording::value(QuantityKind::Temperature, bath.temperature, units),
            bath.drift_per_min * scale,
            self.against
        )?;
        for (field, offset) in self.each() {
            let name = format!("{} {}", field.probe, field.field);
            let lag = offset.time_constant.map_or(String::new(), |t| {
                format!("   follows in {:.0} ± {:.0} s", t.seconds, 2.0 * t.uncertainty)
            });
            writeln!(
                out,
                "  {name:<32} add {:+.2} ± {:.2} {unit}{lag}",
                offset.offset * scale,
                offset.half_width_95 * scale
            )?;
            if offset.beyond_accuracy {
                let stated = field.instrument.accuracy * scale;
                writeln!(
                    out,
                    "      is farther off than the {stated:.2} {unit} that its profile states; have it looked at"
                )?;
            }
            if offset.still_moves() {
                let drift = offset.drift_per_min.0 * scale;
                writeln!(
                    out,
                    "      still moves by {drift:+.3} {unit} a minute against the others; leave it longer"
                )?;
            }
        }
        Ok(())
    }
}

/// What the probes of bath `n` are held against, in words, and whether that is a known temperature.
fn reference(
    args: &Args,
    fields: &[FieldTrace],
    n: usize,
) -> Result<(Reference, String, bool), Failure> {
    if let Some(known) = args.known.get(n) {
        let u = args.known_within.get().abs() * TO_STANDARD;
        return Ok((Reference::Known(known.get(), u), "a known temperature".to_owned(), true));
    }
    let Some(wanted) = &args.reference else {
        return Ok((Reference::Mean, format!("the mean of {} sensors", fields.len()), false));
    };
    let is_it = |field: &FieldTrace| {
        wanted.eq_ignore_ascii_case(&field.probe)
            || wanted.eq_ignore_ascii_case(&format!("{}/{}", field.probe, field.field))
    };
    let found = fields.iter().position(is_it).ok_or_else(|| {
        Failure::bad_input(format!(
            "the reference {wanted} was not heard; `settled listen` shows who is"
        ))
    })?;
    let u = args.reference_within.get().abs() * TO_STANDARD;
    Ok((Reference::Probe(found, u), format!("the probe {wanted}"), true))
}

fn bathed(field: &FieldTrace) -> Bathed {
    Bathed {
        samples: field.samples.iter().map(|(at, value)| (at.as_secs(), *value)).collect(),
        accuracy: field.instrument.accuracy,
        resolution: field.instrument.resolution,
        time_constant_s: field.instrument.time_constant_s,
    }
}

/// What is to be kept of each field: a point from each bath that it was in. A probe that still moved
/// is left out.
fn kept(baths: &[Told]) -> Vec<(String, KeptField)> {
    let mut kept: Vec<(String, KeptField)> = Vec::new();
    for told in baths {
        for (field, offset) in told.each().filter(|(_, offset)| !offset.still_moves()) {
            let round = |x: f64| (x * 1e4).round() / 1e4;
            let point = KeptPoint {
                at_c: round(told.bath.temperature),
                offset_k: round(offset.offset),
                uncertainty_k: round(offset.uncertainty),
            };
            let time_constant_s = offset.time_constant.map(|t| round(t.seconds));
            let known =
                kept.iter_mut().find(|(of, f)| *of == field.probe && f.field == field.field);
            match known {
                Some((_, of)) => {
                    of.points.push(point);
                    of.time_constant_s = of.time_constant_s.or(time_constant_s);
                }
                None => kept.push((
                    field.probe.clone(),
                    KeptField {
                        field: field.field.clone(),
                        date: calibrations::today(),
                        against: told.against.clone(),
                        absolute: told.absolute,
                        time_constant_s,
                        points: vec![point],
                    },
                )),
            }
        }
    }
    kept
}
