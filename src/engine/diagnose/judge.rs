//! From a settled set to findings and suspects.

use std::fmt::Write;

use crate::engine::diagnose::advice::{self, Setting};
use crate::engine::diagnose::conditions::{Condition, Stops, conditions};
use crate::engine::diagnose::errors::Instruments;
use crate::engine::diagnose::evidence::ledger;
use crate::engine::diagnose::expect::{Expectation, Expected, expectation};
use crate::engine::diagnose::finding::{BudgetLine, Diagnosis, Fault, Finding, Suspect};
use crate::engine::diagnose::inputs::{Inputs, Role, Roles};
use crate::engine::diagnose::measure::{Measure, Measures, measures};
use crate::engine::diagnose::observe::Evidence;
use crate::engine::diagnose::pressure_sanity::blind_spot;
use crate::engine::diagnose::sanity::{Distrust, Doubt, doubts};
use crate::engine::diagnose::weigh::{Weighing, weigh};
use crate::engine::job::{Circuit, Job};
use crate::engine::phrase::Phrase;
use crate::engine::reading::{SettledSet, Verdict};
use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::QuantityKind;

/// What is known beside the set.
#[derive(Debug, Clone, Copy, Default)]
pub struct Context<'a> {
    /// A settled set of the same unit in good order.
    pub baseline: Option<&'a SettledSet>,
    /// What is known of the probes, by channel; where one is missing, its whole uncertainty is
    /// taken as normal.
    pub instruments: Instruments<'a>,
    /// What technicians noted: what it names counts as looked at.
    pub notes: &'a [String],
}

/// Least probability with which a single fault is listed.
const SINGLE_MIN: f64 = 0.01;
/// Least probability with which two faults at once are listed.
const PAIR_MIN: f64 = 0.05;
/// Odds within which two suspects are said not to be told apart: 95 to 5.
const ODDS_MAX: f64 = 19.0;
/// Observations under which no fault is weighed.
const OBSERVATIONS_MIN: usize = 2;

/// What one settled set says.
///
/// Conditions and doubts first, then measures, circuit by circuit; suspects by probability.
pub fn diagnose(job: &Job, set: &SettledSet, context: &Context<'_>) -> Diagnosis {
    let mut diagnosis = Diagnosis { set: set.number, ..Diagnosis::default() };
    let names: Vec<_> = set.values.iter().map(|value| value.channel.to_string()).collect();
    for (index, circuit) in job.unit.circuits.iter().enumerate() {
        let number = (index + 1) as u8;
        let named = circuit.refrigerant.as_deref();
        let refrigerant = named.and_then(|name| Refrigerant::by_name(name).ok());
        Circuitry { job, circuit, number, set, context, refrigerant, names: &names }
            .judge(&mut diagnosis);
    }
    diagnosis
        .suspects
        .sort_by(|a, b| a.circuit.cmp(&b.circuit).then(b.probability.total_cmp(&a.probability)));
    diagnosis
}

/// One circuit of one set.
struct Circuitry<'a> {
    job: &'a Job,
    circuit: &'a Circuit,
    number: u8,
    set: &'a SettledSet,
    context: &'a Context<'a>,
    /// The circuit's refrigerant, where it is one that has a table.
    refrigerant: Option<Refrigerant>,
    /// The channels' names, by the set's values.
    names: &'a [String],
}

impl Circuitry<'_> {
    fn judge(&self, diagnosis: &mut Diagnosis) {
        let mut inputs = Inputs::new(self.job, self.set, self.context.instruments, self.number);
        let measures = measures(self.job, self.refrigerant, &mut inputs);
        let doubts = doubts(self.job, self.refrigerant, &inputs, &measures);
        let distrust = Distrust::new(&doubts, &inputs);
        let conditions = conditions(self.job, self.circuit, self.set, &inputs, &measures);
        let stops = Stops::all(&conditions);
        diagnosis.findings.extend(doubts.iter().map(|doubt| self.doubt(doubt)));
        diagnosis.findings.extend(conditions.iter().map(|condition| self.condition(condition)));
        let own = self.context.baseline.map(|set| self.own(set));
        for measure in &measures.list {
            let finding = if distrust.touches(&inputs.sources, &measure.value) {
                self.withheld(measure, &doubts)
            } else {
                let expected = own
                    .as_ref()
                    .filter(|_| inputs.roles == Roles::Cooling)
                    .and_then(|own| own.expected(&inputs, &measures, measure, self.said()));
                let expected = expected.map_or_else(
                    || {
                        let (job, circuit) = (self.job, self.circuit);
                        expectation(measure.name, job, circuit, &inputs, &measures, stops)
                    },
                    Ok,
                );
                self.finding(measure, &inputs, expected)
            };
            diagnosis.findings.push(finding);
        }
        let stopped = stops.suspects_even_own || (stops.suspects && own.is_none());
        if !stopped && !distrust.all {
            let suspects = self.suspects(&mut inputs, &measures, &distrust, own, stops);
            diagnosis.suspects.extend(suspects);
        }
    }

    /// The baseline's measures of the same circuit.
    fn own(&self, set: &SettledSet) -> Own {
        let mut inputs = Inputs::new(self.job, set, self.context.instruments, self.number);
        let measures = measures(self.job, self.refrigerant, &mut inputs);
        Own { inputs, measures }
    }

    fn suspects(
        &self,
        inputs: &mut Inputs,
        measures: &Measures,
        distrust: &Distrust,
        own: Option<Own>,
        stops: Stops,
    ) -> Vec<Suspect> {
        let other = self.refrigerant.is_some_and(|r| r.name() != "R-410A");
        let trusted = |inputs: &Inputs, value: &_| !distrust.touches(&inputs.sources, value);
        let evidence =
            Evidence::new(inputs, measures, other, trusted).with_targets(self.circuit, stops);
        if evidence.len() < OBSERVATIONS_MIN {
            return Vec::new();
        }
        let baseline = own.map(|mut own| {
            let measures = own.measures;
            Evidence::new(&mut own.inputs, &measures, other, |_, _| true)
        });
        let Some(weighing) = weigh(&evidence, baseline.as_ref(), self.circuit.metering) else {
            return Vec::new();
        };
        let setting = Setting {
            notes: self.context.notes,
            pressures: inputs.get(Role::SuctionPressure).is_some()
                || inputs.high_pressure().is_some()
                || inputs.get(Role::Superheat).is_some()
                || inputs.get(Role::Subcooling).is_some(),
            flammable: self.refrigerant.is_some_and(Refrigerant::is_a2l),
            said: self.said(),
        };
        list(&weighing, &evidence, self.number, setting)
    }

    fn finding(&self, measure: &Measure, inputs: &Inputs, expectation: Expectation) -> Finding {
        let half = measure.value.half_width(&inputs.sources);
        let value = measure.value.value;
        let mut finding = self.empty(measure.name, measure.unit);
        finding.value = Some(value);
        finding.uncertainty = Some(measure.value.uncertainty());
        finding.interval_95 = Some([value - half, value + half]);
        finding.budget = self.budget(measure, inputs);
        measure.basis.clone_into(&mut finding.basis);
        let low = match measure.name {
            "evaporating_temperature" => Some(true),
            "condensing_temperature" => Some(false),
            _ => None,
        };
        let unseen = low.and_then(|low| blind_spot(self.refrigerant, inputs, low, self.job.units));
        if let Some(unseen) = unseen {
            finding.basis.extend(["; ", &unseen]);
        }
        match expectation {
            Ok(expected) => {
                finding.verdict = verdict(measure, inputs, &expected, half);
                if let Some(target) = expected.target.as_ref().filter(|t| t.variance() > 0.0) {
                    let half = target.half_width(&inputs.sources);
                    let _ = write!(
                        finding.basis,
                        "; the target is itself known to ± {} only, and counts so",
                        self.said().gap(half)
                    );
                }
                finding.expected = Some(expected.range);
                finding.source = expected.source.into_owned();
            }
            Err("") => {}
            Err(reason) => {
                finding.basis.push_str("; ");
                finding.basis.push_str(reason);
            }
        }
        finding
    }

    /// How temperatures are said to the people of this job.
    const fn said(&self) -> Phrase {
        Phrase::of(QuantityKind::Temperature, self.job.units)
    }

    fn budget(&self, measure: &Measure, inputs: &Inputs) -> Vec<BudgetLine> {
        let terms = measure.value.terms().iter().filter(|(_, u)| *u != 0.0);
        let line = |(source, u): &(u16, f64)| {
            let source = inputs.sources.get(*source);
            let what = match source.value {
                Some(index) => [&self.names[index], ": ", source.what].concat(),
                None => source.what.to_owned(),
            };
            BudgetLine { what, uncertainty: u.abs() }
        };
        let mut budget: Vec<_> = terms.map(line).collect();
        budget.sort_by(|a, b| b.uncertainty.total_cmp(&a.uncertainty));
        budget
    }

    fn withheld(&self, measure: &Measure, doubts: &[Doubt]) -> Finding {
        let mut finding = self.empty(measure.name, measure.unit);
        let names: Vec<_> = doubts.iter().map(|doubt| doubt.name.replace('_', " ")).collect();
        finding.basis = format!("withheld: it rests on readings in doubt ({})", names.join(", "));
        finding
    }

    fn doubt(&self, doubt: &Doubt) -> Finding {
        let mut finding = self.empty(doubt.name, "");
        doubt.basis.clone_into(&mut finding.basis);
        finding
    }

    fn condition(&self, condition: &Condition) -> Finding {
        let mut finding = self.empty(condition.name, condition.value.map_or("", |(_, unit)| unit));
        finding.value = condition.value.map(|(value, _)| value);
        finding.expected = condition.expected;
        finding.verdict = condition.verdict;
        condition.basis.clone_into(&mut finding.basis);
        condition.source.clone_into(&mut finding.source);
        finding
    }

    fn empty(&self, name: &str, unit: &'static str) -> Finding {
        Finding {
            measure: name.to_owned(),
            circuit: self.number,
            value: None,
            unit,
            uncertainty: None,
            interval_95: None,
            expected: None,
            verdict: Verdict::None,
            from: self.set.from,
            to: self.set.to,
            basis: String::new(),
            source: String::new(),
            budget: Vec::new(),
        }
    }
}

/// How a measure stands to what is expected; a target's own uncertainty widens the interval.
fn verdict(measure: &Measure, inputs: &Inputs, expected: &Expected, half: f64) -> Verdict {
    let value = measure.value.value;
    let half = match &expected.target {
        Some(target) => measure.value.minus(target).half_width(&inputs.sources).max(half),
        None => half,
    };
    let [low, high] = expected.range;
    let (from, to) = (value - half, value + half);
    if low.is_some_and(|low| to < low) {
        Verdict::Low
    } else if high.is_some_and(|high| from > high) {
        Verdict::High
    } else if low.is_none_or(|low| from >= low) && high.is_none_or(|high| to <= high) {
        Verdict::Within
    } else {
        Verdict::CannotTell
    }
}

/// The unit's own visit in good order.
struct Own {
    inputs: Inputs,
    measures: Measures,
}

/// How far (K) the weather of two visits may differ for a measure to be held against the other
/// as it is. Assumed.
const SAME_WEATHER_K: f64 = 2.5;
/// What a unit in good order may do between two visits in the same weather (K). Assumed.
const VISIT_BAND_K: f64 = 1.5;

impl Own {
    /// What the baseline makes one expect of a measure, where the weather is alike.
    fn expected(
        &self,
        inputs: &Inputs,
        now: &Measures,
        measure: &Measure,
        said: Phrase,
    ) -> Option<Expected> {
        let alike =
            |a: Option<&crate::engine::diagnose::uncertain::Uncertain>,
             b: Option<&crate::engine::diagnose::uncertain::Uncertain>| {
                match (a, b) {
                    (Some(a), Some(b)) => (a.value - b.value).abs() <= SAME_WEATHER_K,
                    (None, None) => true,
                    _ => false,
                }
            };
        let same = alike(inputs.entering_air(), self.inputs.entering_air())
            && alike(inputs.get(Role::OutdoorAir), self.inputs.get(Role::OutdoorAir))
            && alike(now.wet_bulb.as_ref(), self.measures.wet_bulb.as_ref());
        let temperature = matches!(measure.unit, "delta_degC" | "degC");
        if !same || !temperature || measure.name.contains("_air_") {
            return None;
        }
        let before = &self.measures.get(measure.name)?.value;
        let half = VISIT_BAND_K + before.half_width(&self.inputs.sources);
        Some(Expected {
            range: [Some(before.value - half), Some(before.value + half)],
            target: None,
            source: format!(
                "the unit's own baseline in like weather, ± its uncertainty and {} (assumed)",
                said.gap(VISIT_BAND_K)
            )
            .into(),
        })
    }
}

/// Suspects with all that is said of them.
fn list(
    weighing: &Weighing,
    evidence: &Evidence,
    circuit: u8,
    setting: Setting<'_>,
) -> Vec<Suspect> {
    let single = &weighing.single;
    let rivals = |fault: Fault, p: f64| -> Vec<Fault> {
        let near = |(g, q): &(Fault, f64)| *g != fault && p / q <= ODDS_MAX && q / p <= ODDS_MAX;
        let mut rivals: Vec<_> =
            Fault::ALL.into_iter().zip(single.iter().copied()).filter(near).collect();
        rivals.sort_by(|a, b| b.1.total_cmp(&a.1));
        rivals.into_iter().map(|(fault, _)| fault).collect()
    };
    let mut made = Vec::new();
    let mut add = |fault: Fault, with: Option<Fault>, probability: f64| {
        let cannot_tell_from = if with.is_some() { Vec::new() } else { rivals(fault, probability) };
        let other = cannot_tell_from.first().copied();
        let probe = other
            .filter(|_| fault != Fault::None)
            .and_then(|other| advice::one_more_probe(weighing, evidence, fault, other));
        made.push(Suspect {
            fault,
            with,
            circuit,
            probability,
            cannot_tell_from,
            evidence: ledger(weighing, fault, with, setting.said),
            check_next: advice::check_next(fault, with, probe.as_deref(), setting),
        });
    };
    for (fault, probability) in Fault::ALL.into_iter().zip(single.iter().copied()) {
        if probability >= SINGLE_MIN {
            add(fault, None, probability);
        }
    }
    for (a, b, probability) in &weighing.pairs {
        if *probability >= PAIR_MIN {
            let share = |fault| single[crate::engine::diagnose::evidence::place(fault)];
            let (first, second) = if share(*a) >= share(*b) { (*a, *b) } else { (*b, *a) };
            add(first, Some(second), *probability);
        }
    }
    made
}
