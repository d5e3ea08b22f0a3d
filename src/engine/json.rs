//! The JSON kinds that other programs may rely on: SI units, °C for temperatures, the unit as the
//! key's last word or in `unit`. Fields may be added; none is renamed.
//!
//! Numbers are rounded to [`DIGITS`] significant digits, so that what differs only in the last
//! bits of a machine's arithmetic gives the same text.

use serde_json::{Map, Value, json};

use crate::engine::channel::Channel;
use crate::engine::diagnose::finding::{Diagnosis, Fault, Finding, Suspect};
use crate::engine::output::{Event, NewChannel};
use crate::engine::reading::{Cycle, Reading, SettledSet};
use crate::units::time::Elapsed;

/// Significant digits of every number that is not a time.
pub const DIGITS: i32 = 6;

/// A number rounded to [`DIGITS`] significant digits; `null` where there is none.
///
/// ```
/// use settled::engine::json::number;
/// assert_eq!(number(10.0 / 3.0).to_string(), "3.33333");
/// assert_eq!(number(1234567.0).to_string(), "1234570.0");
/// assert!(number(f64::NAN).is_null());
/// ```
pub fn number(value: impl Into<Option<f64>>) -> Value {
    value.into().filter(|value| value.is_finite()).map_or(Value::Null, |value| {
        // Through text: it rounds the decimal digits themselves, so no binary rest stays behind.
        let digits = format!("{value:.*e}", DIGITS as usize - 1);
        // Negative zero is zero.
        digits.parse::<f64>().map_or(Value::Null, |rounded| json!(rounded + 0.0))
    })
}

/// `{"kind":"reading",…}`: a reading of a known channel, from this probe.
pub fn reading(reading: &Reading, channel: &NewChannel, probe: &str) -> Value {
    json!({
        "kind": "reading",
        "elapsed_s": reading.at.as_secs(),
        "probe": probe,
        "field": channel.field,
        "channel": channel.channel.to_string(),
        "value": number(reading.quantity.get()),
        "unit": channel.channel.kind.unit(),
    })
}

/// `{"kind":"cycle",…}`: a run and the pause after it.
pub fn cycle(cycle: &Cycle) -> Value {
    let secs = |at: Option<Elapsed>| at.map(Elapsed::as_secs);
    json!({
        "kind": "cycle",
        "cycle": cycle.number,
        "start_s": secs(cycle.start),
        "stop_s": secs(cycle.stop),
        "run_s": cycle.run_s(),
        "pause_s": cycle.pause_s(),
        "complete": cycle.complete,
        "start_uncertainty_s": number(cycle.start_uncertainty_s),
        "stop_uncertainty_s": number(cycle.stop_uncertainty_s),
        "defrost": cycle.defrost,
        "settled": cycle.settled,
        "how": cycle.how,
    })
}

/// `{"kind":"settled_set",…}`: all channels, while they held still.
pub fn settled_set(set: &SettledSet) -> Value {
    let values: Map<String, Value> = set
        .values
        .iter()
        .map(|value| {
            let fields = json!({
                "value": number(value.quantity.get()),
                "unit": value.channel.kind.unit(),
                "spread": number(value.spread),
                "uncertainty": number(value.uncertainty),
            });
            (Channel::to_string(&value.channel), fields)
        })
        .collect();
    json!({
        "kind": "settled_set",
        "set": set.number,
        "cycle": set.cycle,
        "from_s": set.from.as_secs(),
        "to_s": set.to.as_secs(),
        "values": values,
    })
}

/// `{"kind":"finding",…}`: a measure judged.
pub fn finding(finding: &Finding) -> Value {
    let pair = |pair: Option<[f64; 2]>| pair.map(|pair| pair.map(number));
    let budget: Vec<Value> = finding
        .budget
        .iter()
        .map(|line| json!({"what": line.what, "uncertainty": number(line.uncertainty)}))
        .collect();
    json!({
        "kind": "finding",
        "measure": finding.measure,
        "circuit": finding.circuit,
        "value": number(finding.value),
        "unit": finding.unit,
        "uncertainty": number(finding.uncertainty),
        "interval_95": pair(finding.interval_95),
        "expected": finding.expected.map(|limits| limits.map(number)),
        "verdict": finding.verdict.word(),
        "from_s": finding.from.as_secs(),
        "to_s": finding.to.as_secs(),
        "basis": finding.basis,
        "source": finding.source,
        "budget": budget,
    })
}

/// `{"kind":"suspect",…}`: a fault suspected.
pub fn suspect(suspect: &Suspect) -> Value {
    let others: Vec<&str> = suspect.cannot_tell_from.iter().map(|fault| fault.word()).collect();
    json!({
        "kind": "suspect",
        "fault": suspect.fault.word(),
        "with": suspect.with.map(Fault::word),
        "circuit": suspect.circuit,
        "probability": number(suspect.probability),
        "cannot_tell_from": others,
        "evidence": suspect.evidence,
        "check_next": suspect.check_next,
    })
}

/// One element of `findings.json`: what one settled set says.
pub fn diagnosis(diagnosis: &Diagnosis) -> Value {
    json!({
        "set": diagnosis.set,
        "findings": diagnosis.findings.iter().map(finding).collect::<Vec<_>>(),
        "suspects": diagnosis.suspects.iter().map(suspect).collect::<Vec<_>>(),
    })
}

/// `{"kind":"event",…}`: a row of `events.csv`.
pub fn event(event: &Event) -> Value {
    json!({
        "kind": "event",
        "elapsed_s": event.at.as_secs(),
        "event": event.event,
        "subject": event.subject,
        "detail": event.detail,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::diagnose::finding::BudgetLine;
    use crate::engine::reading::{SettledValue, Verdict};
    use crate::units::quantity::{Quantity, QuantityKind};

    fn keys(value: &Value) -> Vec<&str> {
        value.as_object().unwrap().keys().map(String::as_str).collect()
    }

    #[test]
    fn numbers_keep_six_digits_and_no_more() {
        for (value, expected) in
            [(0.1 + 0.2, "0.3"), (-0.0, "0.0"), (1e-9, "1e-9"), (914_906.04, "914906.0")]
        {
            assert_eq!(number(value).to_string(), expected);
        }
        assert!(number(None).is_null());
        assert!(number(f64::INFINITY).is_null());
    }

    #[test]
    fn a_cycle_says_what_is_known_of_it() {
        let open = Cycle {
            number: 3,
            start: Some(Elapsed::from_secs(840)),
            stop: Some(Elapsed::from_secs(1_560)),
            start_uncertainty_s: Some(4.0),
            stop_uncertainty_s: None,
            next_start: None,
            complete: false,
            defrost: false,
            settled: true,
            how: "outdoor-unit.current".to_owned(),
        };
        let value = cycle(&open);
        assert_eq!(value["run_s"], 720.0);
        assert!(value["pause_s"].is_null());
        assert_eq!(keys(&value)[..3], ["kind", "cycle", "start_s"]);
    }

    #[test]
    fn a_set_and_its_diagnosis_carry_the_promised_keys() {
        let channel: Channel = "supply-air.temperature".parse().unwrap();
        let quantity = Quantity::new(QuantityKind::Temperature, 9.8).unwrap();
        let value =
            SettledValue { channel, quantity, spread: 0.08, uncertainty: 0.31, probe: None };
        let set = SettledSet {
            number: 1,
            cycle: None,
            from: Elapsed::from_secs(1_200),
            to: Elapsed::from_secs(1_500),
            run_s: None,
            values: vec![value],
        };
        let text = settled_set(&set).to_string();
        assert!(text.contains(
            r#""supply-air.temperature":{"value":9.8,"unit":"degC","spread":0.08,"uncertainty":0.31}"#
        ));
        let judged = Finding {
            measure: "evaporator_split".to_owned(),
            circuit: 1,
            value: Some(10.3),
            unit: "delta_degC",
            uncertainty: Some(0.5),
            interval_95: Some([9.3, 11.3]),
            expected: Some([Some(8.3), None]),
            verdict: Verdict::Within,
            from: set.from,
            to: set.to,
            basis: "b".to_owned(),
            source: "s".to_owned(),
            budget: vec![BudgetLine { what: "w".to_owned(), uncertainty: 0.1 }],
        };
        let found = finding(&judged);
        for key in ["measure", "value", "unit", "uncertainty", "interval_95", "expected"] {
            assert!(!found[key].is_null(), "{key}");
        }
        assert_eq!(found["verdict"], "within");
        assert_eq!(found["expected"], json!([8.3, null]));
        let low = Suspect {
            fault: Fault::LowCharge,
            with: None,
            circuit: 1,
            probability: 0.81,
            cannot_tell_from: vec![Fault::LiquidLineRestriction],
            evidence: vec![],
            check_next: vec![],
        };
        let all = Diagnosis { set: 1, findings: vec![judged], suspects: vec![low] };
        let value = diagnosis(&all);
        assert_eq!(value["suspects"][0]["cannot_tell_from"][0], "liquid_line_restriction");
        assert!(value["suspects"][0]["with"].is_null());
    }
}
