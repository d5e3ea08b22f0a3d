//! How the measures change from run to run: what a night says that a single run cannot.

use std::collections::BTreeMap;
use std::io::{self, Write};

use serde_json::{Value, json};

use crate::engine::channel::{Channel, Position};
use crate::engine::columns::{Shown, Units};
use crate::engine::drift::{Drift, Point, drift};
use crate::engine::json::number;
use crate::engine::output::Output;
use crate::units::quantity::QuantityKind;

/// The measures whose trend is worth a line; all are differences of temperature.
const MEASURES: [&str; 5] =
    ["evaporator_split", "condenser_split", "superheat", "subcooling", "approach"];

/// Collects each settled set's measures, and lays a trend through them.
#[derive(Debug, Default)]
pub struct Trends {
    /// Outdoor temperature of the last set (°C).
    outdoor: Option<f64>,
    points: BTreeMap<&'static str, Vec<Point>>,
}

impl Trends {
    /// Takes what a session says.
    pub fn take(&mut self, output: &Output) {
        match output {
            Output::SettledSet(set) => {
                let outdoor = Channel::new(Position::OutdoorAir, QuantityKind::Temperature);
                self.outdoor = set.value(&outdoor).map(|value| value.quantity.get());
            }
            Output::Diagnosis(diagnosis) => {
                for measure in MEASURES {
                    let found = diagnosis.findings.iter();
                    let finding =
                        found.into_iter().find(|f| f.measure == measure && f.circuit == 1);
                    if let Some((finding, value)) = finding.and_then(|f| Some((f, f.value?))) {
                        let at_s = finding.to.as_secs();
                        let point = Point { at_s, value, outdoor: self.outdoor };
                        self.points.entry(measure).or_default().push(point);
                    }
                }
            }
            _ => {}
        }
    }

    /// Each measure's value in run after run, with its trend where the runs support one.
    pub fn runs(&self) -> impl Iterator<Item = (&'static str, &[Point], Option<Drift>)> {
        let points = |name: &'static str| Some((name, self.points.get(name)?.as_slice()));
        MEASURES.into_iter().filter_map(points).map(|(name, points)| (name, points, drift(points)))
    }

    /// The trends that the runs support, in the order of the measures.
    fn found(&self) -> impl Iterator<Item = (&'static str, Drift)> {
        MEASURES.into_iter().filter_map(|name| Some((name, drift(self.points.get(name)?)?)))
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
