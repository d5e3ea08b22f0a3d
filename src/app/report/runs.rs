//! The night in a report: what the runs did, the strip, each run, its trend, and what happened.

use maud::{Markup, html};

use crate::app::account::Account;
use crate::app::findings::{self, Shape};
use crate::app::night::{SettledRun, mark_words};
use crate::app::picture;
use crate::app::picture::canvas::PictureError;
use crate::app::picture::strip::strip;
use crate::app::report::sheet::{figure, length};
use crate::app::trend::{self, MEASURES};
use crate::engine::columns::Shown;
use crate::engine::night::Activity;
use crate::engine::output::Event;
use crate::engine::reading::Cycle;
use crate::units::time::Elapsed;

/// Most runs in the table; of more, the last ones.
const RUNS_SHOWN: usize = 60;
/// Most events in the table; of more, the last ones.
const EVENTS_SHOWN: usize = 60;
/// Runs from which a picture of a measure over them tells more than the table.
const RUNS_DRAWN_MIN: usize = 4;
/// Length of a session from which it is drawn as a whole beside the run (s).
const VISIT_DRAWN_S_MIN: f64 = 2.0 * 3_600.0;

/// The night and the runs.
///
/// # Errors
/// When a picture cannot be drawn.
pub fn section(account: &Account) -> Result<Markup, PictureError> {
    let night = &account.night;
    let units = account.file.units;
    let mut pictures = Vec::new();
    if night.cycles().len() > 0 {
        pictures.push((strip(night)?, "Runs and pauses, and what happened beside them."));
    }
    if night.end().as_secs() >= VISIT_DRAWN_S_MIN {
        let caption = "All of the visit, as read, its extremes kept. Shaded: steady.";
        pictures.push((picture::lines(account, &account.visit, "The visit")?, caption));
    }
    if let Some(duty) = picture::runs::duty(night, units)? {
        pictures.push((duty, "One point an hour."));
    }
    if night.settled().len() >= RUNS_DRAWN_MIN {
        let mut caption = "One point a settled run, with the interval that holds the true value with \
                           95 % probability; so it is in those below.";
        for measure in MEASURES {
            if let Some(drawn) = picture::runs::settled(night, measure, units)? {
                pictures.push((drawn, std::mem::take(&mut caption)));
            }
        }
    }
    Ok(html! {
        h2 { "The runs" }
        p { (night.sentence()) @if let Some((_, diagnosis)) = &account.last {
            " The last settled set: " (findings::sentence(diagnosis))
        } }
        @if night.summary().night.runs + night.summary().day.runs > 1 { (activity(account)) }
        @for (svg, caption) in &pictures { (figure(svg, caption)) }
        (trends(account))
        (run_table(account))
        (events(account))
    })
}

/// A line of the table of activity: its name, and what stands in it.
type ActivityLine = (&'static str, fn(&Activity) -> String);

/// Night and day side by side.
fn activity(account: &Account) -> Markup {
    let summary = account.night.summary();
    let columns =
        [("all", summary.whole), ("night, 22:00 to 06:00", summary.night), ("day", summary.day)];
    let lines: [ActivityLine; 6] = [
        ("runs heard from start to end", |a| a.runs.to_string()),
        ("share of the time that it ran", |a| {
            a.duty().map_or("–".into(), |d| format!("{:.0} %", 100.0 * d))
        }),
        ("starts an hour", |a| a.starts_per_hour().map_or("–".into(), |s| format!("{s:.1}"))),
        ("shortest run", |a| a.run_s_min.map_or("–".into(), length)),
        ("runs too short for a usual thermostat", |a| a.short_runs.to_string()),
        ("pauses too short for a usual timer", |a| a.short_pauses.to_string()),
    ];
    html! {
        div class="scroll" tabindex="0" role="group" aria-label="table" { table {
            thead { tr { th {} @for (name, _) in columns { th class="n" { (name) } } } }
            tbody { @for (name, of) in lines { tr {
                th scope="row" { (name) }
                @for (_, activity) in &columns { td class="n" { (of(activity)) } }
            } } }
        } }
    }
}

fn trends(account: &Account) -> Markup {
    let found: Vec<_> = account.night.trends().found().collect();
    html! {
        @if !found.is_empty() {
            h3 { "From run to run, after allowing for outdoor temperature" }
            ul { @for (name, drift) in found { li {
                strong { (name.replace('_', " ")) } " " (trend::words(&drift, account.file.units))
                " (95 % probability; a chance of " (chance(drift.chance)) " that runs without any trend look so)"
            } } }
        }
    }
}

fn chance(chance: f64) -> String {
    if chance < 0.01 {
        "less than 1 in 100".to_owned()
    } else {
        format!("{:.0} in 100", 100.0 * chance)
    }
}

fn run_table(account: &Account) -> Markup {
    let night = &account.night;
    let units = account.file.units;
    let left_out = night.cycles().len().saturating_sub(RUNS_SHOWN);
    let settled = |cycle: &Cycle| night.settled().find(|run| run.cycle == Some(cycle.number));
    // Only what some run gave has a column.
    let shown: Vec<usize> = (0..MEASURES.len())
        .filter(|place| night.settled().any(|run| run.measures[*place].is_some()))
        .collect();
    let shape = Shape::of("delta_degC", units);
    let value = |run: Option<&SettledRun>, place: usize| {
        run.and_then(|run| run.measures[place])
            .map_or("–".to_owned(), |found| shape.text(found.value))
    };
    let temperature = Shown::temperature(units);
    let outdoor = |run: Option<&SettledRun>| {
        run.and_then(|run| run.outdoor).map_or("–".to_owned(), |t| {
            format!("{:.1}", t * temperature.scale + temperature.offset)
        })
    };
    html! {
        @if night.cycles().len() > 0 {
            div class="scroll" tabindex="0" role="group" aria-label="table" { table class="wide" {
                caption { "Run by run" @if left_out > 0 { " (the last " (RUNS_SHOWN) "; " (left_out)
                    " earlier ones are in cycles.csv and sets.csv)" } }
                thead { tr {
                    th class="n" { "run" } th { "start" } th class="n" { "ran" } th class="n" { "off for" }
                    th class="n" { "outdoor, " (temperature.unit) }
                    @for place in &shown { th class="n" { (MEASURES[*place].replace('_', " ")) "," (shape.unit) } }
                    th { "likeliest" }
                } }
                tbody { @for cycle in night.cycles().skip(left_out) {
                    @let run = settled(cycle);
                    tr {
                        td class="n" { (cycle.number) }
                        td class="t" { (cycle.start.map_or("not heard".to_owned(), |at| night.clock(at))) }
                        td class="n" { (between(cycle.start, cycle.stop)) }
                        td class="n" { (between(cycle.stop, cycle.next_start)) }
                        td class="n" { (outdoor(run)) }
                        @for place in &shown { td class="n" { (value(run, *place)) } }
                        td { @match run.and_then(|run| run.suspect) {
                            Some((fault, probability)) => { (fault.word().replace('_', " ")) ", " (format!("{:.0} %", 100.0 * probability)) }
                            None if cycle.settled => "not weighed",
                            None => "did not settle",
                        } @if cycle.defrost { " (defrost)" } }
                    }
                } }
            } }
        }
    }
}

fn between(from: Option<Elapsed>, to: Option<Elapsed>) -> String {
    let seconds = from.zip(to).map(|(from, to)| to.since(from).as_secs_f64());
    seconds.map_or("–".to_owned(), |s| {
        if s < 120.0 { format!("{s:.0} s") } else { format!("{:.0} min", s / 60.0) }
    })
}

fn events(account: &Account) -> Markup {
    let night = &account.night;
    let left_out = night.marks().len().saturating_sub(EVENTS_SHOWN);
    let marks: Vec<&Event> = night.marks().skip(left_out).collect();
    html! {
        @if !marks.is_empty() {
            div class="scroll" tabindex="0" role="group" aria-label="table" { table {
                caption { "What happened" @if left_out > 0 { " (the last " (EVENTS_SHOWN) "; " (left_out)
                    " earlier ones are in events.csv)" } }
                thead { tr { th { "time" } th { "what" } th { "about" } th { "detail" } } }
                tbody { @for mark in marks { tr {
                    td class="t" { (night.clock(mark.at)) } th scope="row" { (mark_words(mark)) }
                    td { (mark.subject) } td { (mark.detail) }
                } } }
            } }
        }
    }
}
