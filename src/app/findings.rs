//! What a diagnosis says, as text for people.

use std::io::{self, Write};

use crate::engine::columns::{Shown, Units};
use crate::engine::diagnose::finding::{BudgetLine, Diagnosis, Fault, Finding, Limits, Suspect};
use crate::engine::reading::Verdict;
use crate::units::quantity::QuantityKind;

/// Probability under which a suspect is not shown to people; JSON has them all.
pub(super) const SHOWN_MIN: f64 = 0.05;
/// Probability from which a suspect is shown with its evidence and advice.
pub(super) const FULL_MIN: f64 = 0.1;
/// Rivals named for each suspect unless all are asked for.
const RIVALS: usize = 3;
/// Lines of evidence and advice shown for each suspect unless all are asked for.
const LINES: usize = 3;

/// Writes a diagnosis: the verdict in a sentence, suspects, conditions, measures.
///
/// With `why`, each measure's budget and each suspect's whole ledger.
///
/// # Errors
/// When `out` does not take it.
pub fn write(
    diagnosis: &Diagnosis,
    units: Units,
    why: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(out, "{}", sentence(diagnosis))?;
    let several = several(diagnosis);
    let (measures, conditions): (Vec<_>, Vec<_>) =
        diagnosis.findings.iter().partition(|finding| is_measure(finding));
    if !conditions.is_empty() {
        writeln!(out, "\nFirst, what limits this reading:")?;
    }
    for finding in conditions {
        writeln!(out, "  {}", condition(finding, several))?;
        if why && !finding.source.is_empty() {
            writeln!(out, "      source: {}", finding.source)?;
        }
    }
    let (full, brief): (Vec<_>, Vec<_>) = diagnosis
        .suspects
        .iter()
        .filter(|suspect| suspect.probability >= SHOWN_MIN)
        .partition(|suspect| why || suspect.probability >= FULL_MIN);
    for suspect in full {
        write_suspect(suspect, diagnosis, why, out)?;
    }
    if !brief.is_empty() {
        writeln!(out, "\n{}", also_possible(&brief))?;
    }
    if !measures.is_empty() {
        writeln!(out, "\nMeasured (the true value lies within the ± in 95 of 100 cases):")?;
        if why {
            writeln!(
                out,
                "Under each: what makes it uncertain, largest first; each part's standard \
                 uncertainty, within which it lies in two cases of three."
            )?;
        }
    }
    for (group, members) in groups(diagnosis) {
        writeln!(out, " {group}")?;
        for finding in members {
            write_measure(finding, several, units, why, out)?;
        }
    }
    Ok(())
}

/// The measures by what they speak of, each group with its name; none is empty.
pub fn groups(diagnosis: &Diagnosis) -> Vec<(&'static str, Vec<&Finding>)> {
    let members = |group: Group| {
        let measures = diagnosis.findings.iter().filter(|finding| is_measure(finding));
        measures.filter(|finding| Group::of(&finding.measure) == group).collect::<Vec<_>>()
    };
    let groups = Group::ALL.map(|group| (group.words(), members(group)));
    groups.into_iter().filter(|(_, members)| !members.is_empty()).collect()
}

/// A measure in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Measured {
    /// Its name: `evaporator split`.
    pub name: String,
    /// Its value without the unit; `None` where it was withheld.
    pub value: Option<String>,
    /// Half the width of its 95 % interval, without the unit.
    pub half: String,
    /// The unit, with a space before it.
    pub unit: &'static str,
    /// How it stands to what is expected; empty where nothing is.
    pub verdict: &'static str,
    /// What is expected, with the unit.
    pub expected: Option<String>,
}

impl Measured {
    /// A measure in words; `several` where there are several circuits.
    pub fn of(finding: &Finding, several: bool, units: Units) -> Self {
        let shown = Shape::of_measure(&finding.measure, finding.unit, units);
        let half = finding.interval_95.map_or(0.0, |[low, high]| (high - low) / 2.0);
        let verdict = match finding.verdict {
            Verdict::Within if of_this_unit(finding) => "as expected",
            Verdict::Within => "inside the general range",
            Verdict::Low => "LOW",
            Verdict::High => "HIGH",
            Verdict::CannotTell if is_inside(finding) => "± too wide to tell",
            Verdict::CannotTell => "too near a limit to tell",
            Verdict::None => "",
        };
        Self {
            name: title(&finding.measure, several, finding.circuit),
            value: finding.value.map(|value| shown.text(value)),
            half: shown.width(half),
            unit: shown.unit,
            verdict,
            expected: finding.expected.map(|limits| shown.limits(limits)),
        }
    }
}

/// Why a measure can be blamed that lies where measures of its kind usually lie.
pub const GENERAL_RANGE: &str = "A reading inside the general range can still be more or less than \
    this unit should show in this weather; then a suspect names it.";

/// Whether the expectation was given for this unit rather than for units at large.
fn of_this_unit(finding: &Finding) -> bool {
    ["job", "maker"].iter().any(|word| finding.source.contains(word))
}

/// Whether a value itself lies within its limits.
pub fn is_inside(finding: &Finding) -> bool {
    let Some((value, [low, high])) = finding.value.zip(finding.expected) else { return false };
    low.is_none_or(|low| low <= value) && high.is_none_or(|high| value <= high)
}

/// Whether a diagnosis speaks of several circuits.
pub fn several(diagnosis: &Diagnosis) -> bool {
    diagnosis.findings.iter().any(|finding| finding.circuit > 1)
}

/// What a measure speaks of; people read them group by group.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Group {
    Air,
    Refrigerant,
    Capacity,
}

impl Group {
    const ALL: [Self; 3] = [Self::Air, Self::Refrigerant, Self::Capacity];

    fn of(measure: &str) -> Self {
        let is = |words: &[&str]| words.iter().any(|word| measure.contains(word));
        if is(&["capacity", "sensible_heat", "efficiency_ratio", "airflow"]) {
            Self::Capacity
        } else if is(&["split", "_air_", "static"]) && !is(&["evaporating"]) {
            Self::Air
        } else {
            Self::Refrigerant
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::Air => "air",
            Self::Refrigerant => "refrigerant",
            Self::Capacity => "capacity and efficiency",
        }
    }
}

/// What a fault is called.
pub const fn fault_words(fault: Fault) -> &'static str {
    fault.words()
}

/// The whole in one sentence for each circuit.
pub fn sentence(diagnosis: &Diagnosis) -> String {
    let mut circuits: Vec<_> = diagnosis.suspects.iter().map(|suspect| suspect.circuit).collect();
    circuits.dedup();
    if circuits.is_empty() {
        return "No fault could be weighed with these readings; see below for what is missing or \
                in doubt."
            .to_owned();
    }
    let several = several(diagnosis);
    let sentences = circuits.into_iter().map(|circuit| {
        let sentence = circuit_sentence(diagnosis, circuit);
        if several { format!("Circuit {circuit}: {sentence}") } else { sentence }
    });
    sentences.collect::<Vec<_>>().join(" ")
}

fn circuit_sentence(diagnosis: &Diagnosis, circuit: u8) -> String {
    let suspects: Vec<_> = diagnosis.suspects.iter().filter(|s| s.circuit == circuit).collect();
    let good = suspects.iter().find(|s| s.fault == Fault::None).map_or(0.0, |s| s.probability);
    if good >= 0.5 {
        let mut findings = diagnosis.findings.iter().filter(|f| f.circuit == circuit);
        let off =
            findings.any(|f| is_measure(f) && matches!(f.verdict, Verdict::Low | Verdict::High));
        let note = if off { "; some measures lie outside their limits, see below" } else { "" };
        return format!("Most likely nothing is wrong ({}){note}.", percent(good));
    }
    // What a fault has alone and together with others is one answer to what is wrong.
    let whole = |fault: Fault| {
        let has = |s: &&&Suspect| s.fault == fault || s.with == Some(fault);
        suspects.iter().filter(has).map(|s| s.probability).sum::<f64>()
    };
    let alone = suspects.iter().filter(|s| s.with.is_none() && s.fault != Fault::None);
    let Some(first) = alone.max_by(|a, b| whole(a.fault).total_cmp(&whole(b.fault))) else {
        return format!(
            "Something is wrong ({}), and no one fault explains it.",
            percent(1.0 - good)
        );
    };
    let what = fault_words(first.fault);
    let share = whole(first.fault);
    let with = if share > first.probability + 0.005 { ", alone or with another fault" } else { "" };
    let likely = format!("{what} ({}{with})", percent(share));
    let mut sentence = if share >= 0.5 {
        format!("Most likely: {likely}")
    } else {
        format!("Something is probably wrong ({}), most likely {likely}", percent(1.0 - good))
    };
    let rivals = rivals(diagnosis, first, false);
    if !rivals.is_empty() {
        sentence.push_str("; not ruled out: ");
        sentence.push_str(&rivals.join(", "));
    }
    sentence.push('.');
    sentence
}

/// What these readings do not rule out beside a suspect, the likeliest first, each with its own
/// probability.
pub(super) fn rivals(diagnosis: &Diagnosis, suspect: &Suspect, all: bool) -> Vec<String> {
    let shown = if all { usize::MAX } else { RIVALS };
    let own = |fault: Fault| {
        let alone =
            |s: &&Suspect| s.fault == fault && s.with.is_none() && s.circuit == suspect.circuit;
        diagnosis.suspects.iter().find(alone).map(|s| s.probability)
    };
    let name = |fault: &Fault| match own(*fault) {
        Some(share) if share < 0.01 => format!("{} (under 1 %)", fault_words(*fault)),
        Some(share) => format!("{} ({})", fault_words(*fault), percent(share)),
        None => fault_words(*fault).to_owned(),
    };
    let mut names: Vec<_> = suspect.cannot_tell_from.iter().take(shown).map(name).collect();
    match suspect.cannot_tell_from.len().saturating_sub(shown) {
        0 => {}
        1 => names.push("one other".to_owned()),
        more => names.push(format!("{more} others")),
    }
    names
}

pub(super) fn both(suspect: &Suspect) -> String {
    match suspect.with {
        Some(other) => {
            format!("{} together with {}", fault_words(suspect.fault), fault_words(other))
        }
        None => fault_words(suspect.fault).to_owned(),
    }
}

/// What a suspect is called, with its circuit where there are `several`.
pub(super) fn suspect_name(suspect: &Suspect, several: bool) -> String {
    let circuit = if several { format!(", circuit {}", suspect.circuit) } else { String::new() };
    format!("{}{circuit}", both(suspect))
}

/// The suspects that are named only: `Also possible: 7 % too much refrigerant.`
pub(super) fn also_possible(brief: &[&Suspect]) -> String {
    let brief: Vec<_> =
        brief.iter().map(|s| format!("{} {}", percent(s.probability), both(s))).collect();
    format!("Also possible: {}.", brief.join("; "))
}

/// What limits a reading, in words.
pub(super) fn condition(finding: &Finding, several: bool) -> String {
    format!("{}: {}", title(&finding.measure, several, finding.circuit), finding.basis)
}

pub(super) fn percent(probability: f64) -> String {
    format!("{:.0} %", 100.0 * probability)
}

fn write_suspect(
    suspect: &Suspect,
    diagnosis: &Diagnosis,
    why: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    let several = several(diagnosis);
    writeln!(out, "\n{}  {}", percent(suspect.probability), suspect_name(suspect, several))?;
    let shown = if why { usize::MAX } else { LINES };
    for line in suspect.evidence.iter().take(shown) {
        writeln!(out, "      {line}")?;
    }
    let rivals = rivals(diagnosis, suspect, why);
    if !rivals.is_empty() {
        writeln!(out, "      not ruled out: {}", rivals.join("; "))?;
    }
    if !suspect.check_next.is_empty() {
        writeln!(out, "    next:")?;
    }
    // Advice is short, and its cautions stand last: nothing of it is cut.
    for line in &suspect.check_next {
        writeln!(out, "      - {line}")?;
    }
    Ok(())
}

/// A measure has an interval, or was withheld; all else is a condition.
pub(super) fn is_measure(finding: &Finding) -> bool {
    finding.interval_95.is_some() || finding.basis.starts_with("withheld")
}

pub(super) fn title(measure: &str, several: bool, circuit: u8) -> String {
    let words = match measure {
        "superheat_at_coil" => "superheat at coil outlet".to_owned(),
        "condensing_over_outdoor" => "condensing over outdoor air".to_owned(),
        "return_over_evaporating" => "return air over evaporating".to_owned(),
        "isentropic_efficiency" => "compressor efficiency".to_owned(),
        "efficiency_ratio" => "cooling per electric power".to_owned(),
        other => other.replace('_', " "),
    };
    if several { format!("{words}, circuit {circuit}") } else { words }
}

fn write_measure(
    finding: &Finding,
    several: bool,
    units: Units,
    why: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    let Measured { name, value, half, unit, verdict, expected } =
        Measured::of(finding, several, units);
    let Some(value) = value else {
        return writeln!(out, "  {name:27} {}", finding.basis);
    };
    write!(out, "  {name:27} {value:>8} ± {half}{unit}")?;
    if let Some(expected) = expected {
        write!(out, "  {verdict} (expected {expected})")?;
    }
    writeln!(out)?;
    if why {
        writeln!(out, "      how: {}", finding.basis)?;
        if !finding.source.is_empty() {
            writeln!(out, "      source: {}", finding.source)?;
        }
        for line in &finding.budget {
            let part =
                Shape::of_measure(&finding.measure, finding.unit, units).fine(line.uncertainty);
            writeln!(out, "      ± {part}{unit}  {}", line.what)?;
        }
    }
    Ok(())
}

/// A value in `unit` (SI, as findings have it) as people read it, with its unit.
pub(super) fn shown(unit: &str, value: f64, units: Units) -> String {
    let shape = Shape::of(unit, units);
    format!("{}{}", shape.text(value), shape.unit)
}

/// A line of a measure's budget: its share with the unit, k = 1.
pub(super) fn part(finding: &Finding, line: &BudgetLine, units: Units) -> String {
    let shape = Shape::of(finding.unit, units);
    format!("{}{}", shape.fine(line.uncertainty), shape.unit)
}

/// How a measure's numbers are shown.
pub(super) struct Shape {
    scale: f64,
    offset: f64,
    decimals: usize,
    pub(super) unit: &'static str,
}

impl Shape {
    /// How this measure's numbers are shown.
    fn of_measure(measure: &str, unit: &str, units: Units) -> Self {
        let made = |scale, decimals, unit| Self { scale, offset: 0.0, decimals, unit };
        match measure {
            "efficiency_ratio" if units == Units::Us => made(3.412_142, 1, " Btu/h per W (EER)"),
            "efficiency_ratio" => made(1.0, 2, " W per W"),
            "isentropic_efficiency" => made(100.0, 0, " %"),
            _ => Self::of(unit, units),
        }
    }

    pub(super) fn of(unit: &str, units: Units) -> Self {
        let us = units == Units::Us;
        let made = |scale, offset, decimals, unit| Self { scale, offset, decimals, unit };
        match unit {
            "delta_degC" if us => made(1.8, 0.0, 1, " °F"),
            "delta_degC" => made(1.0, 0.0, 1, " K"),
            "degC" if us => made(1.8, 32.0, 1, " °F"),
            "degC" => made(1.0, 0.0, 1, " °C"),
            "Pa" => {
                let shown = Shown::of(QuantityKind::StaticPressure, units);
                made(shown.scale, 0.0, if us { 2 } else { 0 }, if us { " inH2O" } else { " Pa" })
            }
            "W" if us => made(3.412_142 / 1_000.0, 0.0, 1, " thousand Btu/h"),
            "W" => made(1e-3, 0.0, 2, " kW"),
            // Counted from 0 °F there: 1.006 kJ/(kg·K) over 17.78 K more.
            "J_per_kg" if us => made(1.0 / 2_326.0, 7.69, 1, " Btu/lb"),
            "J_per_kg" => made(1e-3, 0.0, 1, " kJ/kg"),
            "s" => made(1.0 / 60.0, 0.0, 0, " min"),
            _ => made(1.0, 0.0, 2, ""),
        }
    }

    pub(super) fn text(&self, value: f64) -> String {
        format!("{:.*}", self.decimals, value * self.scale + self.offset)
    }

    /// What is expected, in words: `at most 225.0 °F`.
    fn limits(&self, [low, high]: Limits) -> String {
        let unit = self.unit;
        match (low, high) {
            (Some(low), Some(high)) => {
                format!("{} to {}{unit}", self.text(low), self.text(high))
            }
            (Some(low), None) => format!("at least {}{unit}", self.text(low)),
            (None, Some(high)) => format!("at most {}{unit}", self.text(high)),
            (None, None) => "anything".to_owned(),
        }
    }

    pub(super) fn width(&self, value: f64) -> String {
        format!("{:.*}", self.decimals, value * self.scale)
    }

    fn fine(&self, value: f64) -> String {
        format!("{:.*}", self.decimals + 1, value * self.scale)
    }
}
