//! The page of a night: what the runs came to, hour by hour and run by run.

use maud::{Markup, html};

use super::chart::{self, Axis, Chart, Kind, Mark};
use super::history::History;
use super::page::{self, Scene};
use super::sheet::Pen;
use crate::app::findings::{self, fault_words};
use crate::app::night::{RunMeasure, SettledRun};
use crate::app::trend::{self, MEASURES};
use crate::app::wording;
use crate::engine::columns::{Shown, Units};
use crate::engine::diagnose::finding::{Diagnosis, Fault};
use crate::engine::drift::Drift;
use crate::engine::night::Activity;
use crate::engine::output::Event;
use crate::engine::reading::{Cycle, SettledSet, SettledValue};
use crate::engine::run::{SHORT_PAUSE_S, SHORT_RUN_S};
use crate::units::time::Elapsed;

/// Runs and marks that are listed, the latest; the API has all.
const LISTED_MAX: usize = 300;
/// Fewest runs of which a chart says anything.
const CHARTED_MIN: usize = 2;
/// Ticks of a time axis (h).
const HOURS: [f64; 6] = [1.0, 2.0, 3.0, 6.0, 12.0, 24.0];

/// The page, with the run that was chosen.
pub fn page(history: &History, units: Units, run: Option<u32>) -> Markup {
    let scene = Scene::from(history);
    let night = &history.night;
    let content = html! {
        h1.sum { (night.sentence()) }
        @if let Some(last) = history.diagnoses.back() { p.verdict { (last_verdict(history, last)) } }
        section.plots aria-labelledby="strip-title" {
            h2 #strip-title { "Runs and pauses" }
            p.basis {
                "Solid: settled. Hatched: runs, not settled. Empty: off. Choose a run to see it; \
                 drag to move, wheel or pinch to come closer."
            }
            p.basis {
                "Signs above: − a probe was lost, + it is back, * frost, < a short run or pause, \
                 ± the clock was set, n a note, c a change, ↻ a restart, ! nothing was recorded, \
                 • something else; all are listed below."
            }
            div.tools role="group" aria-label="What the plots show" hidden {
                button type="button" data-view="earlier" { "Earlier" }
                button type="button" data-view="later" { "Later" }
                button type="button" data-view="closer" { "Closer" }
                button type="button" data-view="farther" { "Farther" }
                button type="button" data-view="whole" { "All of it" }
            }
            noscript { p { "The plots need JavaScript; the tables below do not." } }
            div #strip {}
            div #run { @if let Some(number) = run { (one_run(history, &scene, units, number)) } }
            div #panels data-kind="night" {}
        }
        (sums(history))
        (by_the_hour(history, units))
        (from_run_to_run(history, units))
        (runs(history, units))
        (happened(history))
    };
    page::whole(&scene, "/night", units, &content)
}

/// What the last settled set says, and when it was taken.
fn last_verdict(history: &History, last: &Diagnosis) -> String {
    let words = findings::sentence(last);
    match last.findings.first() {
        Some(finding) => {
            format!("Last settled set, at {}: {words}", history.night.clock(finding.to))
        }
        None => format!("Last settled set: {words}"),
    }
}

/// The sums of the whole, its nights and its days.
fn sums(history: &History) -> Markup {
    let summary = history.night.summary();
    let has_nights = summary.night.starts > 0 || summary.night.running_s > 0.0;
    let mut columns = vec![("All", summary.whole)];
    if has_nights {
        columns.extend([("Night", summary.night), ("Day", summary.day)]);
    }
    let row = |name: &str, value: &dyn Fn(&Activity) -> String| {
        html! {
            tr {
                th scope="row" { (name) }
                @for (_, activity) in &columns { td.number { (value(activity)) } }
            }
        }
    };
    html! {
        section aria-labelledby="sums" {
            h2 #sums { "In numbers" }
            table.sums {
                @if has_nights { caption { "Night is from 22:00 to 06:00." } }
                thead { tr {
                    td {}
                    @for (name, _) in &columns { th.number scope="col" { (name) } }
                } }
                tbody {
                    (row("Share of the time that it ran", &|a| known(a.duty(), |d| format!("{:.0} %", 100.0 * d))))
                    (row("Starts an hour", &|a| known(a.starts_per_hour(), |n| format!("{n:.1}"))))
                    (row("Whole runs", &|a| a.runs.to_string()))
                    (row("Of them settled", &|a| a.settled.to_string()))
                    (row("Shortest run", &|a| known(a.run_s_min, length)))
                    (row("Runs under 5 min", &|a| a.short_runs.to_string()))
                    (row("Pauses under 3 min", &|a| a.short_pauses.to_string()))
                }
            }
        }
    }
}

fn known<T>(value: Option<T>, words: impl Fn(T) -> String) -> String {
    value.map_or("–".to_owned(), words)
}

fn length(seconds: f64) -> String {
    wording::minutes(std::time::Duration::from_secs_f64(seconds.max(0.0)))
}

/// The hour of the day at the site, or of the visit, for the axes of charts.
fn hour_of(history: &History) -> f64 {
    let zero = history.when.zero_s().and_then(|zero| zero.parse::<f64>().ok());
    zero.map_or(0.0, |zero| zero.rem_euclid(86_400.0) / 3_600.0)
}

fn hour_label(hour: f64) -> String {
    format!("{:02.0}:00", hour.rem_euclid(24.0).floor())
}

fn percent_label(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// Starts and duty by the hour, and duty beside outdoor temperature.
fn by_the_hour(history: &History, units: Units) -> Markup {
    let night = &history.night;
    let zero = hour_of(history);
    let hours = night.hours();
    let begins = |hour: Elapsed| night.clock(hour);
    let starts: Vec<Mark> = hours
        .iter()
        .map(|hour| {
            let within = |at: Elapsed| hour.from <= at && at.since(hour.from).as_secs() < 3_600;
            let count = night.cycles().filter(|c| c.start.is_some_and(within)).count();
            let says = format!("from {}: {count} starts", begins(hour.from));
            let x = zero + hour.from.as_secs() / 3_600.0 + 0.5;
            Mark { x, y: count as f64, interval: None, says }
        })
        .collect();
    let outdoor = Shown::temperature(units);
    let duty: Vec<Mark> = hours
        .iter()
        .filter_map(|hour| {
            let (duty, celsius) = (hour.duty?, hour.outdoor?);
            let x = celsius * outdoor.scale + outdoor.offset;
            let says = format!(
                "from {}: ran {} at {x:.0} {} outdoors",
                begins(hour.from),
                percent_label(duty),
                outdoor.unit
            );
            Some(Mark { x, y: duty, interval: None, says })
        })
        .collect();
    let whole = |value: f64| format!("{value:.0}");
    let hour_axis = Axis { steps: &HOURS, label: hour_label, least: 1.0 };
    html! {
        section aria-labelledby="by-hour" {
            h2 #by-hour { "Hour by hour" }
            div.charts {
                figure {
                    figcaption { "Starts in each hour" }
                    (chart::draw(&Chart {
                        says: spoken("Starts in each hour", &starts),
                        kind: Kind::Bars(1.0),
                        marks: starts,
                        x: hour_axis,
                        y: Axis { steps: &[1.0, 2.0, 5.0, 10.0, 20.0], label: whole, least: 1.0 },
                    }))
                }
                @if duty.len() >= CHARTED_MIN {
                    figure {
                        figcaption { "Share of each hour that it ran, beside outdoor air (" (outdoor.unit) ")" }
                        (chart::draw(&Chart {
                            says: spoken("Share of each hour that it ran, beside outdoor air", &duty),
                            kind: Kind::Points(Vec::new()),
                            marks: duty,
                            x: Axis { steps: &[], label: whole, least: 4.0 },
                            y: Axis { steps: &[0.1, 0.2, 0.25, 0.5], label: percent_label, least: 0.2 },
                        }))
                    }
                } @else {
                    p { "Duty beside outdoor air needs two whole hours with outdoor air." }
                }
            }
        }
    }
}

/// What a chart says to those who do not see it.
fn spoken(title: &str, marks: &[Mark]) -> String {
    const SPOKEN_MAX: usize = 40;
    let says: Vec<&str> = marks.iter().take(SPOKEN_MAX).map(|mark| mark.says.as_str()).collect();
    format!("{title}: {}", says.join("; "))
}

/// The settled values of run after run, with their trends.
fn from_run_to_run(history: &History, units: Units) -> Markup {
    let night = &history.night;
    let drifts: Vec<(&str, Drift)> = night.trends().found().collect();
    let charts: Vec<Markup> = (0..MEASURES.len())
        .filter_map(|which| measure_chart(history, which, &drifts, units))
        .collect();
    html! {
        section aria-labelledby="run-to-run" {
            h2 #run-to-run { "From run to run" }
            @if charts.is_empty() {
                p { "It takes two settled runs to see anything change." }
            } @else {
                p.basis {
                    "Each point is what one run settled at, with its 95 % interval. A trend is told from \
                     five runs on, after allowing for outdoor temperature; the dashed line is drawn \
                     with both, so it can climb while the rest of it falls."
                }
                div.charts { @for chart in &charts { (chart) } }
            }
        }
    }
}

fn measure_chart(
    history: &History,
    which: usize,
    drifts: &[(&str, Drift)],
    units: Units,
) -> Option<Markup> {
    let name = MEASURES[which];
    let shown = Shown::difference(units);
    let zero = hour_of(history);
    let settled: Vec<(&SettledRun, RunMeasure)> =
        history.night.settled().filter_map(|run| Some((run, run.measures[which]?))).collect();
    if settled.len() < CHARTED_MIN {
        return None;
    }
    let mark = |(run, measure): &(&SettledRun, RunMeasure)| {
        let value = measure.value * shown.scale;
        let interval = measure.interval_95.map(|pair| pair.map(|v| v * shown.scale));
        let half = interval.map_or(0.0, |[low, high]| (high - low) / 2.0);
        let says = format!("{}: {value:.1} ± {half:.1}", history.night.clock(run.to));
        Mark { x: zero + run.to.as_secs() / 3_600.0, y: value, interval, says }
    };
    let marks: Vec<Mark> = settled.iter().map(mark).collect();
    let drift = drifts.iter().find(|(of, _)| *of == name).map(|(_, drift)| drift);
    let fitted = drift.map_or(Vec::new(), |drift| fitted(&settled, drift, shown.scale));
    let title = name.replace('_', " ");
    let words = drift.map_or("too few runs for a trend".to_owned(), |drift| {
        let allowed =
            drift.per_outdoor_k.map_or("", |_| "after allowing for outdoor temperature: ");
        format!("{allowed}{}", trend::words(drift, units))
    });
    let unit = wording::short(shown);
    let chart = Chart {
        says: spoken(&format!("{title}; {words}"), &marks),
        kind: Kind::Points(fitted),
        marks,
        x: Axis { steps: &HOURS, label: hour_label, least: 1.0 },
        y: Axis { steps: &[], label: |value| format!("{value:.1}"), least: 2.0 },
    };
    Some(html! {
        figure {
            figcaption { (title) ", " (unit) span.words { (words) } }
            (chart::draw(&chart))
        }
    })
}

/// What the trend and its 95 % limits say for each run: with outdoor temperature, where the trend
/// is what that does not explain.
fn fitted(settled: &[(&SettledRun, RunMeasure)], drift: &Drift, scale: f64) -> Vec<[f64; 3]> {
    let mean = |of: &dyn Fn(&(&SettledRun, RunMeasure)) -> f64| {
        settled.iter().map(of).sum::<f64>() / settled.len() as f64
    };
    let hours = |run: &SettledRun| run.to.as_secs() / 3_600.0;
    let outdoor = |run: &SettledRun| {
        run.outdoor.zip(drift.per_outdoor_k).map_or(0.0, |(celsius, per_k)| celsius * per_k)
    };
    let middle = mean(&|(run, _)| hours(run));
    let level = mean(&|(run, measure)| measure.value - outdoor(run));
    let [low, high] = drift.interval_95;
    let at = |run: &SettledRun, per_hour: f64| {
        scale * (level + outdoor(run) + per_hour * (hours(run) - middle))
    };
    settled.iter().map(|(run, _)| [drift.per_hour, low, high].map(|slope| at(run, slope))).collect()
}

/// The runs, the latest first.
fn runs(history: &History, units: Units) -> Markup {
    let night = &history.night;
    let cycles: Vec<&Cycle> = night.cycles().collect();
    let settled = |number: u32| night.settled().find(|run| run.cycle == Some(number));
    let named: Vec<usize> = (0..MEASURES.len())
        .filter(|which| night.settled().any(|run| run.measures[*which].is_some()))
        .collect();
    let shown = Shown::difference(units);
    html! {
        section aria-labelledby="runs" {
            h2 #runs { "The runs" }
            @if cycles.is_empty() { p { "No run has ended yet." } }
            @else {
                @if cycles.len() > LISTED_MAX { p { "The latest " (LISTED_MAX) " of " (cycles.len()) "." } }
                div.wide tabindex="0" role="region" aria-labelledby="runs" {
                    table.runs {
                        thead { tr {
                            th scope="col" { "Run" }
                            th.number scope="col" { "From" }
                            th.number scope="col" { "Ran" }
                            th.number scope="col" { "Off for" }
                            @for which in &named {
                                th.number scope="col" { (MEASURES[*which].replace('_', " ")) }
                            }
                            th scope="col" { "Most likely" }
                            th scope="col" { "Remarks" }
                        } }
                        tbody {
                            @for cycle in cycles.iter().rev().take(LISTED_MAX) {
                                @let set = settled(cycle.number);
                                tr {
                                    th scope="row" {
                                        a href=(format!("/night?units={}&run={}#run", units.word(), cycle.number))
                                            data-run=(cycle.number) { (cycle.number) }
                                    }
                                    td.number data-name="From" { (known(cycle.start, |at| night.clock(at))) }
                                    td.number data-name="Ran" { (known(between(cycle.start, cycle.stop), length)) }
                                    td.number data-name="Off for" { (known(between(cycle.stop, cycle.next_start), length)) }
                                    @for which in &named {
                                        td.number data-name=(MEASURES[*which].replace('_', " ")) {
                                            (known(set.and_then(|run| run.measures[*which]), |measure| {
                                                format!("{:.1}", measure.value * shown.scale)
                                            }))
                                        }
                                    }
                                    td data-name="Most likely" { (known(set.and_then(|run| run.suspect), suspect)) }
                                    td data-name="Remarks" { (remarks(cycle).join(", ")) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn between(from: Option<Elapsed>, to: Option<Elapsed>) -> Option<f64> {
    from.zip(to).map(|(from, to)| (to - from).as_secs_f64())
}

fn suspect((fault, probability): (Fault, f64)) -> String {
    format!("{} ({:.0} %)", fault_words(fault), 100.0 * probability)
}

/// What is remarkable about a run.
fn remarks(cycle: &Cycle) -> Vec<&'static str> {
    let mut remarks = Vec::new();
    if between(cycle.start, cycle.stop).is_some_and(|run_s| run_s < SHORT_RUN_S) {
        remarks.push("short run");
    }
    if between(cycle.stop, cycle.next_start).is_some_and(|pause_s| pause_s < SHORT_PAUSE_S) {
        remarks.push("short pause");
    }
    if !cycle.settled {
        remarks.push("never settled");
    }
    if cycle.defrost {
        remarks.push("defrosted");
    }
    if !cycle.complete {
        remarks.push("not heard in full");
    }
    remarks
}

/// One run: when it was, what it settled at, what that says.
fn one_run(history: &History, scene: &Scene, units: Units, number: u32) -> Markup {
    let night = &history.night;
    let Some(cycle) = night.cycles().find(|cycle| cycle.number == number) else {
        return html! { p { "There is no run " (number) "." } };
    };
    let set = history.set_of(number);
    let diagnosis = set.and_then(|set| {
        history.diagnoses.iter().rev().find(|diagnosis| diagnosis.set == set.number)
    });
    html! {
        section.one-run aria-labelledby="one-run"
            data-from=[cycle.start.map(Elapsed::as_secs)]
            data-to=[cycle.stop.or(cycle.next_start).map(Elapsed::as_secs)] {
            h3 #one-run tabindex="-1" { "Run " (number) (known_run(cycle, |at| night.clock(at))) }
            @match set {
                None => p { "It never settled; nothing can be said of the unit from it." },
                Some(set) => {
                    (settled_values(set, units))
                    (circuit(history, set, units, number))
                }
            }
            @if let Some(diagnosis) = diagnosis {
                p.verdict { (findings::sentence(diagnosis)) }
                (page::says(scene, diagnosis, units, &mut Pen::default()))
            }
        }
    }
}

fn known_run(cycle: &Cycle, clock: impl Fn(Elapsed) -> String) -> String {
    let from = cycle.start.map(|at| format!(", from {}", clock(at)));
    let to = cycle.stop.map(|at| format!(" to {}", clock(at)));
    let ran = between(cycle.start, cycle.stop).map(|run_s| format!(", {}", length(run_s)));
    [from, to, ran].into_iter().flatten().collect()
}

fn settled_values(set: &SettledSet, units: Units) -> Markup {
    let mut values: Vec<&SettledValue> = set.values.iter().collect();
    values.sort_by(|a, b| a.channel.cmp(&b.channel));
    html! {
        table.settled {
            thead { tr {
                th scope="col" { "Settled at" }
                th.number scope="col" { "Value" }
            } }
            tbody {
                @for value in values {
                    @let kind = value.channel.kind;
                    tr {
                        th scope="row" { (wording::name(&value.channel)) }
                        td.number { (wording::value(kind, value.quantity.get(), units)) }
                    }
                }
            }
        }
    }
}

/// The circuit on pressure and enthalpy, where the set shows it.
fn circuit(history: &History, set: &SettledSet, units: Units, number: u32) -> Markup {
    let address = format!("/picture/pressure-enthalpy.svg?units={}&run={number}", units.word());
    html! {
        @match history.diagram(set) {
            Ok(_) => {
                figure.circuit {
                    img src=(address) alt="The circuit on pressure and enthalpy; the picture says it in words"
                        width="1440" height="1000";
                    figcaption {
                        "The circuit on pressure and enthalpy. Dashed: compression without loss. "
                        a href=(address) download=(format!("run-{number}-pressure-enthalpy.svg")) { "Save the picture" }
                    }
                }
            }
            Err(why) => p.basis { "No pressure–enthalpy picture: " (why) "." },
        }
    }
}

/// What happened, the latest first.
fn happened(history: &History) -> Markup {
    let night = &history.night;
    let marks: Vec<&Event> = night.marks().rev().filter(|event| page::is_told(event)).collect();
    html! {
        section aria-labelledby="marks" {
            h2 #marks { "What happened" }
            @if marks.is_empty() { p { "Alarms, lost probes, notes: none." } }
            @if marks.len() > LISTED_MAX { p { "The latest " (LISTED_MAX) " of " (marks.len()) "." } }
            ol.events {
                @for event in marks.into_iter().take(LISTED_MAX) {
                    li { span.time { (night.clock(event.at)) } " " (history.event_words(event)) }
                }
            }
        }
    }
}
