//! Drift over cycles: whether a measure changes from run to run through the night, beyond what
//! outdoor temperature explains.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Fewest runs that a trend is laid through (4 to 20; default 5).
const RUNS_MIN: usize = 5;
/// Most runs that are kept; three months of six runs an hour.
const RUNS_MAX: usize = 16_384;

/// One run's value of a measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// When (s since the session began).
    pub at_s: f64,
    /// The measure's value (SI).
    pub value: f64,
    /// Outdoor temperature at that time (°C), where known.
    pub outdoor: Option<f64>,
}

/// How a measure changes over the runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Change (SI an hour).
    pub per_hour: f64,
    /// Standard uncertainty of the change (SI an hour).
    pub uncertainty: f64,
    /// The interval that holds the change with 95 % probability (SI an hour).
    pub interval_95: [f64; 2],
    /// Probability (0 to 1, rounded to a millionth) that runs without any trend look so.
    pub chance: f64,
    /// Change with outdoor temperature (SI per K), where that was known and taken out.
    pub per_outdoor_k: Option<f64>,
    /// How many runs.
    pub runs: usize,
}

/// The drift through these runs; `None` with fewer than five, or all at one time.
///
/// Least squares on time, and on outdoor temperature where every run has it and it varies; the
/// trend is then what outdoor temperature does not explain.
///
/// ```
/// use settled::engine::drift::{Point, drift};
/// let run = |n: f64| Point { at_s: 1_800.0 * n, value: 10.0 - 0.1 * n, outdoor: None };
/// let runs = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0].map(run);
/// assert!((drift(&runs).unwrap().per_hour + 0.2).abs() < 1e-9);
/// ```
pub fn drift(points: &[Point]) -> Option<Drift> {
    if points.len() < RUNS_MIN {
        return None;
    }
    let n = points.len() as f64;
    let hours = centred(points.iter().map(|point| point.at_s / 3_600.0).collect());
    let values = centred(points.iter().map(|point| point.value).collect());
    let outdoor: Option<Vec<f64>> = points.iter().map(|point| point.outdoor).collect();
    let outdoor = outdoor.map(centred).filter(|outdoor| dot(outdoor, outdoor) > 1e-6);

    // What outdoor temperature explains is taken out of both (Frisch & Waugh 1933, from memory).
    let (mut time, mut left, mut taken) = (hours.clone(), values.clone(), 1.0);
    if let Some(outdoor) = &outdoor {
        time = without(&hours, outdoor);
        left = without(&values, outdoor);
        taken = 2.0;
    }
    let across = dot(&time, &time);
    let freedom = n - 1.0 - taken;
    // Where outdoor temperature goes with time, the two cannot be told apart.
    if across <= 1e-6 * dot(&hours, &hours) || freedom < 1.0 {
        return None;
    }
    let per_hour = dot(&time, &left) / across;
    let squares: f64 =
        left.iter().zip(&time).map(|(y, t)| (y - per_hour * t) * (y - per_hour * t)).sum();
    let uncertainty = (squares / freedom / across).sqrt();
    let student = StudentsT::new(0.0, 1.0, freedom).ok()?;
    let chance = if uncertainty > 0.0 {
        2.0 * (1.0 - student.cdf((per_hour / uncertainty).abs()))
    } else {
        f64::from(u8::from(per_hour == 0.0))
    };
    let wide = (student.inverse_cdf(0.975) * 1e6).round() / 1e6;
    let per_outdoor_k = outdoor.map(|outdoor| {
        let rest: Vec<f64> =
            values.iter().zip(&hours).map(|(value, hour)| value - per_hour * hour).collect();
        dot(&rest, &outdoor) / dot(&outdoor, &outdoor)
    });
    Some(Drift {
        per_hour,
        uncertainty,
        interval_95: [per_hour - wide * uncertainty, per_hour + wide * uncertainty],
        chance: (chance * 1e6).round() / 1e6,
        per_outdoor_k,
        runs: points.len(),
    })
}

/// A measure's values, one a run: of a run that settled more than once the last one counts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Runs(Vec<(Option<u32>, Point)>);

impl Runs {
    /// Takes the value of a settled set of run `cycle`; sets come in order. Values that belong to
    /// no run are all kept.
    pub fn push(&mut self, cycle: Option<u32>, point: Point) {
        // Two sets of one run are not two runs.
        if cycle.is_some() && self.0.last().is_some_and(|(last, _)| *last == cycle) {
            self.0.pop();
        }
        if self.0.len() == RUNS_MAX {
            self.0.remove(0);
        }
        self.0.push((cycle, point));
    }

    /// The values, in order.
    pub fn points(&self) -> impl Iterator<Item = Point> {
        self.0.iter().map(|(_, point)| *point)
    }

    /// The drift through them, as [`drift`] has it.
    pub fn drift(&self) -> Option<Drift> {
        drift(&self.points().collect::<Vec<_>>())
    }
}

fn centred(mut values: Vec<f64>) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    for value in &mut values {
        *value -= mean;
    }
    values
}

fn without(values: &[f64], other: &[f64]) -> Vec<f64> {
    let slope = dot(values, other) / dot(other, other);
    values.iter().zip(other).map(|(value, other)| value - slope * other).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values: statsmodels 0.15.0 `OLS(value, [1, hour, outdoor])` and `OLS(value, [1, hour])`, by
    /// tests/published/oracles/drift.py.
    #[test]
    fn it_equals_statsmodels_with_and_without_outdoor_temperature() {
        let mut runs = Vec::new();
        let mut expected = Vec::new();
        for row in include_str!("../../tests/published/oracles/drift.csv").lines() {
            let cells: Vec<f64> =
                row.split(',').skip(1).map(|cell| cell.parse().unwrap()).collect();
            if row.starts_with("run") {
                runs.push(Point { at_s: cells[0], value: cells[1], outdoor: Some(cells[2]) });
            } else if row.starts_with("fit") {
                expected.push(cells);
            }
        }
        let bare: Vec<Point> = runs.iter().map(|run| Point { outdoor: None, ..*run }).collect();
        for (found, expected) in [drift(&runs), drift(&bare)].into_iter().zip(&expected) {
            let found = found.unwrap();
            let ours = [
                found.per_hour,
                found.uncertainty,
                found.interval_95[0],
                found.interval_95[1],
                found.chance,
            ];
            for (ours, theirs) in ours.iter().zip(expected) {
                // Rounding of the quantile and the probability to a millionth.
                assert!((ours - theirs).abs() < 2e-6, "{found:?} {expected:?}");
            }
        }
        assert!((drift(&runs).unwrap().per_outdoor_k.unwrap() - expected[0][5]).abs() < 1e-9);
    }

    #[test]
    fn few_runs_or_weather_that_goes_with_time_give_no_trend() {
        let run = |n: u32| Point {
            at_s: 600.0 * f64::from(n),
            value: 1.0,
            outdoor: Some(20.0 + f64::from(n)),
        };
        assert_eq!(drift(&(0..4).map(run).collect::<Vec<_>>()), None);
        assert_eq!(drift(&(0..9).map(run).collect::<Vec<_>>()), None);
    }

    #[test]
    fn of_a_run_the_last_value_counts_and_outdoor_air_is_taken_out() {
        // Outdoor air zigzags; the measure follows it by half and rises by 0.3 an hour.
        let mut runs = Runs::default();
        for (n, outdoor) in [24.0, 27.0, 23.0, 26.0, 22.0, 25.0].into_iter().enumerate() {
            let at_s = 3_600.0 * (n as f64 + 1.0);
            // An earlier set of the same run, wildly off: it must not count.
            let early = Point { at_s: at_s - 600.0, value: 60.0, outdoor: Some(60.0) };
            runs.push(Some(n as u32), early);
            let value = 0.5 * outdoor + 0.3 * at_s / 3_600.0;
            runs.push(Some(n as u32), Point { at_s, value, outdoor: Some(outdoor) });
        }
        let found = runs.drift().unwrap();
        // Exact but for rounding.
        assert!((found.per_hour - 0.3).abs() < 1e-9, "{found:?}");
        assert!((found.per_outdoor_k.unwrap() - 0.5).abs() < 1e-9, "{found:?}");
        assert_eq!(found.runs, 6);
        assert_eq!(Runs::default().drift(), None);
    }
}
