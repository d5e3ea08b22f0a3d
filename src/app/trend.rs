//! How the measures change from run to run: what a night says that a single run cannot.

use std::collections::BTreeMap;
use std::io::{self, Write};

use serde_json::{Value, json};

use crate::engine::channel::{Channel, Position};
use crate::engine::columns::{Shown, Units};
use crate::engine::diagnose::finding::{Diagnosis, Finding};
use crate::engine::drift::{Drift, Point, Runs};
use crate::engine::json::number;
use crate::engine::output::Output;
use crate::units::quantity::QuantityKind;

/// The measures whose trend is worth a line; all are differences of temperature.
pub const MEASURES: [&str; 5] =
    ["evaporator_split", "condenser_split", "superheat", "subcooling", "approach"];

/// Collects each settled set's measures, and lays a trend through them.
#[derive(Debug, Clone, Default)]
pub struct Trends {
    /// Of the last set: its run, the middle of its stretch, and outdoor temperature (°C).
    set: Option<(Option<u32>, f64, Option<f64>)>,
    measures: BTreeMap<&'static str, Runs>,
}

impl Trends {
    /// Takes what a session says.
    pub fn take(&mut self, output: &Output) {
        match output {
            Output::SettledSet(set) => {
                let outdoor = Channel::new(Position::OutdoorAir, QuantityKind::Temperature);
                let outdoor = set.value(&outdoor).map(|value| value.quantity.get());
                let middle_s = f64::midpoint(set.from.as_secs(), set.to.as_secs());
                self.set = Some((set.cycle, middle_s, outdoor));
            }
            Output::Diagnosis(diagnosis) => {
                let Some((cycle, at_s, outdoor)) = self.set else { return };
                for measure in MEASURES {
                    if let Some(value) = measured(diagnosis, measure).and_then(|f| f.value) {
                        let point = Point { at_s, value, outdoor };
                        self.measures.entry(measure).or_default().push(cycle, point);
                    }
                }
            }
            // What was before a change is not pooled with what comes after it.
            Output::Event(event) if event.event == "changed" => self.measures.clear(),
            _ => {}
        }
    }

    /// A measure's values, one a run, in order; (s, SI, °C).
    pub fn points(&self, measure: &str) -> Vec<Point> {
        self.measures.get(measure).map_or(Vec::new(), |runs| runs.points().collect())
    }

    /// The trends that the runs support, in the order of the measures.
    pub fn found(&self) -> impl Iterator<Item = (&'static str, Drift)> {
        MEASURES.into_iter().filter_map(|name| Some((name, self.measures.get(name)?.drift()?)))
    }

    /// Writes a line for each trend; nothing where the runs are too few.
    ///
    /// # Errors
    /// When `out` does not take it.
    pub fn write(&self, units: Units, out: &mut dyn Write) -> io::Result<()> {
        for (number, (name, drift)) in self.found().enumerate() {
            if number == 0 {
                writeln!(out, "\nFrom run to run (what outdoor temperature does not explain):")?;
            }
            writeln!(out, "  {:26} {}", name.replace('_', " "), words(&drift, units))?;
        }
        Ok(())
    }

    /// The trends as JSON: `{"kind":"trend",…}`, in kelvins an hour.
    pub fn json(&self) -> Vec<Value> {
        let line = |(name, drift): (&str, Drift)| {
            json!({
                "kind": "trend",
                "measure": name,
                "value": number(drift.per_hour),
                "unit": "delta_degC_per_h",
                "uncertainty": number(drift.uncertainty),
                "interval_95": drift.interval_95.map(number),
                "chance": drift.chance,
                "runs": drift.runs,
            })
        };
        self.found().map(line).collect()
    }
}

/// A measure of the first circuit, as a diagnosis has it.
pub fn measured<'a>(diagnosis: &'a Diagnosis, measure: &str) -> Option<&'a Finding> {
    diagnosis.findings.iter().find(|found| found.measure == measure && found.circuit == 1)
}

/// A trend in words: which way and how much, or that there is none to be seen.
pub fn words(drift: &Drift, units: Units) -> String {
    let shown = Shown::difference(units);
    let unit = if matches!(units, Units::Us) { "°F" } else { "°C" };
    let [low, high] = drift.interval_95.map(|value| value * shown.scale);
    let way = if low > 0.0 {
        "rises"
    } else if high < 0.0 {
        "falls"
    } else {
        return format!(
            "holds over {} runs (change between {low:+.2} and {high:+.2} {unit} an hour)",
            drift.runs
        );
    };
    let (least, most) = (low.abs().min(high.abs()), low.abs().max(high.abs()));
    format!("{way} by {least:.2} to {most:.2} {unit} an hour over {} runs", drift.runs)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The words for a trend of `per_hour` ± `half` kelvins an hour.
    #[track_caller]
    fn check(per_hour: f64, half: f64, expected: &str) {
        let drift = Drift {
            per_hour,
            uncertainty: half / 2.0,
            interval_95: [per_hour - half, per_hour + half],
            chance: 0.5,
            per_outdoor_k: None,
            runs: 8,
        };
        assert_eq!(words(&drift, Units::Si), expected);
    }

    #[test]
    fn a_trend_is_told_only_where_its_interval_leaves_zero() {
        check(-0.5, 0.2, "falls by 0.30 to 0.70 °C an hour over 8 runs");
        check(0.5, 0.2, "rises by 0.30 to 0.70 °C an hour over 8 runs");
        check(0.1, 0.2, "holds over 8 runs (change between -0.10 and +0.30 °C an hour)");
    }
}
