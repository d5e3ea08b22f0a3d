//! When the compressor starts and stops, its current hidden: right, wrong or not determined.

use settled::engine::job::Settle;
use settled::engine::signals::SignalEvent;

use crate::plant::{AIR, CLAMPS, Dice, Probe, SPLIT, play, run, specs};

/// How many turns were told, and how far from the truth.
#[derive(Debug, Default)]
pub struct Count {
    pub turns: usize,
    /// Off by this many seconds, in order.
    pub off: Vec<f64>,
    pub missed: usize,
    /// Told where there was none within five minutes.
    pub false_turns: usize,
    /// Within two standard uncertainties.
    pub covered: usize,
}

impl Count {
    pub fn within(&self, seconds: f64) -> f64 {
        self.off.iter().filter(|off| off.abs() <= seconds).count() as f64
            / self.off.len().max(1) as f64
    }

    pub fn determined(&self) -> f64 {
        self.off.len() as f64 / self.turns.max(1) as f64
    }

    pub fn note(&mut self, true_times: &[f64], told: &[(f64, f64)], reach: f64) {
        self.turns += true_times.len();
        let mut used = vec![false; told.len()];
        for time in true_times {
            let best = (0..told.len())
                .filter(|n| !used[*n] && (told[*n].0 - time).abs() <= reach)
                .min_by(|a, b| (told[*a].0 - time).abs().total_cmp(&(told[*b].0 - time).abs()));
            match best {
                Some(n) => {
                    used[n] = true;
                    self.off.push(told[n].0 - time);
                    self.covered += usize::from((told[n].0 - time).abs() <= 2.0 * told[n].1);
                }
                None => self.missed += 1,
            }
        }
        self.false_turns += used.iter().filter(|used| !**used).count();
    }

    pub fn line(&self, what: &str) -> String {
        let mut off = self.off.clone();
        off.sort_by(f64::total_cmp);
        let at = |share: f64| {
            off.get(((off.len() as f64 - 1.0) * share) as usize).copied().unwrap_or(0.0)
        };
        format!(
            "{what:40} turns {:5}  determined {:5.1} %  false {:3}  15 s {:5.1} %  30 s {:5.1} %  45 s {:5.1} %  60 s {:5.1} %  180 s {:5.1} %  off 5/50/95 %: {:.0} {:.0} {:.0} s  in 2 u {:.0} %",
            self.turns,
            100.0 * self.determined(),
            self.false_turns,
            100.0 * self.within(15.0),
            100.0 * self.within(30.0),
            100.0 * self.within(45.0),
            100.0 * self.within(60.0),
            100.0 * self.within(180.0),
            at(0.05),
            at(0.5),
            at(0.95),
            100.0 * self.covered as f64 / self.off.len().max(1) as f64,
        )
    }
}

/// The starts and stops that the cycles tell, with their uncertainties (s).
pub fn told(events: &[(f64, SignalEvent)]) -> Vec<(f64, f64)> {
    let mut told = Vec::new();
    for (_, event) in events {
        if let SignalEvent::Cycle(cycle) = event {
            let of = |at: Option<settled::units::time::Elapsed>, u: Option<f64>| {
                Some((at?.as_secs(), u?))
            };
            told.extend(of(cycle.start, cycle.start_uncertainty_s));
            told.extend(of(cycle.stop, cycle.stop_uncertainty_s));
        }
    }
    told
}

fn study(
    names: &[&'static str],
    fan_stops: bool,
    delay: f64,
    probes: &[Probe],
    count: usize,
    seed: u64,
) -> Count {
    let mut dice = Dice::new(seed);
    let mut counted = Count::default();
    for _ in 0..count {
        let mut specs = specs(names, &mut dice, fan_stops);
        for spec in &mut specs {
            if spec.channel == "supply-air.temperature" {
                spec.delay = delay;
            }
        }
        let probe = dice.pick(probes);
        let mut schedule = Vec::new();
        let mut t = dice.between(600.0, 900.0);
        for _ in 0..4 {
            let stop = t + dice.between(420.0, 1_500.0);
            schedule.push((t, stop));
            t = stop + dice.between(420.0, 1_500.0);
        }
        let record = play(&specs, probe, &schedule, t, &mut dice);
        let events = run(&specs, probe, &record, Settle::default());
        let times: Vec<f64> = schedule.iter().flat_map(|(a, b)| [*a, *b]).collect();
        counted.note(&times, &told(&events), 300.0);
    }
    counted
}

const fn probe(interval: f64, noise: f64, resolution: f64, lag: f64) -> Probe {
    Probe { interval, loss: 0.1, noise, correlation: 3.0, resolution, lag }
}

#[test]
fn line_clamps_at_one_hertz_tell_starts_and_stops() {
    let probes =
        [probe(1.0, 0.1, 0.1, 8.0), probe(1.0, 0.05, 0.01, 15.0), probe(1.0, 0.2, 0.1, 5.0)];
    let counted = study(&CLAMPS, true, 0.0, &probes, 6, 1);
    println!("{}", counted.line("line clamps, 1 Hz"));
}

#[test]
fn air_probes_tell_starts_and_stops() {
    let probes =
        [probe(1.0, 0.1, 0.1, 20.0), probe(5.0, 0.1, 0.1, 15.0), probe(2.5, 0.2, 0.1, 10.0)];
    let counted = study(&AIR, true, 0.0, &probes, 6, 2);
    println!("{}", counted.line("air with condenser-leaving air"));
    let counted = study(&SPLIT, false, 0.0, &probes, 6, 3);
    println!("{}", counted.line("return and supply, fan runs on"));
    let counted = study(&SPLIT, true, 0.0, &probes, 6, 4);
    println!("{}", counted.line("return and supply, fan stops"));
}

#[test]
fn minute_logs_tell_starts_and_stops_within_an_interval() {
    let probes = [probe(60.0, 0.1, 0.1, 15.0)];
    let counted = study(&CLAMPS, true, 0.0, &probes, 12, 5);
    println!("{}", counted.line("clamps, one-minute log"));
    let counted = study(&AIR, false, 0.0, &probes, 12, 6);
    println!("{}", counted.line("air, one-minute log"));
}
