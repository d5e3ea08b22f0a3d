//! A comparison on paper: the owner's page in plain words, then the technician's table.

use maud::{Markup, html};

use super::{Line, Side, last, newcomer, stretch};
use crate::app::findings::{self, Shape};
use crate::app::picture::canvas::PictureError;
use crate::app::picture::changes::{Change, changes};
use crate::app::report::owner;
use crate::app::report::plain;
use crate::app::report::sheet::{blank, document, figure};
use crate::engine::columns::Units;
use crate::engine::compare::{self, Pooled, interval_95};
use crate::engine::diagnose::finding::Fault;

/// The comparison's text.
///
/// # Errors
/// When the picture cannot be drawn.
pub fn page(
    site: &str,
    sides: [Side<'_>; 2],
    (order, apart): (Option<&str>, &[String]),
    lines: &[Line],
    units: Units,
) -> Result<String, PictureError> {
    let [before, after] = sides;
    let picture = drawn(lines, units)?;
    let body = html! {
        section class="sheet owner" {
            h1 { "Before and after" }
            p class="where" { (site) br; "Before: " (stretch(before)) br; "After: " (stretch(after)) }
            @if let Some(order) = order { div class="caution" { p { strong { "Take care: " } (order) "." } } }
            h2 { "Before" }
            p class="finding" { (owner::found(last(before))) }
            h2 { "After" }
            p class="finding" { (owner::found(last(after))) }
            h2 { "What changed" }
            p { (felt(lines, units)) }
            @if let Some(words) = newcomer_plain(before, after) {
                h2 { "What comes next" }
                p { (words) }
            }
            h2 { "How sure this is" }
            p { "A change is told only where it is larger than what the tolerance of all probes \
                 explains. " @if apart.is_empty() { "The weather and the rooms were alike on both \
                 sides, so the two may be compared as they are." } @else { "The weather or the \
                 rooms were not alike on both sides; what that does not let us compare is left \
                 out." } }
            div class="caution" { p { "Please leave the unit's panels closed. There is high \
                voltage and pressure inside, and it can start by itself at any time." } }
            div class="blanks" {
                (blank("What was done in between")) (blank("Looked at by"))
                (blank("Date")) (blank("Signature"))
            }
        }
        section class="sheet technician" {
            h1 { "For the technician" }
            p class="where" { (site) }
            div class="caution" { p { "Electricity: lock out and test for absence of voltage; "
                "\u{201c}off\u{201d} in a log is no proof of isolation. Refrigerant: pressure, frostbite, and \
                 with A2L refrigerants fire. Certified people only; nothing is vented." } }
            @for (name, side) in [("Before", before), ("After", after)] {
                p { strong { (name) ", " (side.0.len()) " settled set" @if side.0.len() > 1 { "s" }
                    ", " (stretch(side)) ": " }
                    @if let Some(diagnosis) = last(side) { (findings::sentence(diagnosis)) } }
            }
            @if let Some(order) = order { p { strong { "Take care: " } (order) "." } }
            @if let Some(words) = newcomer(sides) { p { (words) } }
            @if !apart.is_empty() {
                h2 { "The conditions differ" }
                ul { @for words in apart { li { (words) } } }
            }
            h2 { "What changed" }
            @if let Some(svg) = &picture {
                (figure(svg, "After less before, with the interval that holds the true change with \
                              95 % probability."))
            }
            (table(lines, units))
        }
    };
    Ok(document(&format!("Before and after: {site}"), &body))
}

/// What comes first after the change and did not before, for an owner.
fn newcomer_plain(before: Side<'_>, after: Side<'_>) -> Option<String> {
    let (old, new) = (last(before)?.suspects.first()?, last(after)?.suspects.first()?);
    (new.fault != Fault::None && new.fault != old.fault).then(|| {
        format!(
            "After the change the readings point to {}, which they did not do before. Whether it \
             was hidden then, came with the change, or was always there cannot be told from these \
             readings. Ask your technician to check it next.",
            plain::fault(new.fault)
        )
    })
}

/// What changed of what anyone can feel.
fn felt(lines: &[Line], units: Units) -> String {
    let Some(line) = lines.iter().find(|line| line.measure == "evaporator_split") else {
        return "How much the unit cools the air was not measured on both sides.".to_owned();
    };
    let shape = Shape::of(line.unit, units);
    let unit = shape.unit.replace('K', "°C");
    let (before, after) = (shape.text(line.before.value), shape.text(line.after.value));
    let sides = format!(
        "Before, the air that it blew into the rooms was {before}{unit} cooler than the air it \
         took in; after, {after}{unit}."
    );
    let said = match (line.comparable, line.difference.change) {
        (false, _) => {
            "The two cannot be compared as they are, since the conditions were not alike."
        }
        (true, compare::Change::Up) => "It cools the air more than before.",
        (true, compare::Change::Down) => "It cools the air less than before.",
        (true, compare::Change::None) => "The difference is not larger than the probes' tolerance.",
    };
    format!("{sides} {said}")
}

/// The differences of temperature on one picture; `None` where there are none.
fn drawn(lines: &[Line], units: Units) -> Result<Option<String>, PictureError> {
    let shape = Shape::of("delta_degC", units);
    let scale = |si: f64| si * if units == Units::Us { 1.8 } else { 1.0 };
    let drawn: Vec<Change> = lines
        .iter()
        .filter(|line| matches!(line.unit, "delta_degC" | "degC"))
        .map(|line| Change {
            name: name(line),
            difference: scale(line.difference.value),
            interval_95: line.difference.interval_95.map(scale),
            comparable: line.comparable,
        })
        .collect();
    if drawn.is_empty() { Ok(None) } else { changes(&drawn, shape.unit.trim()).map(Some) }
}

fn name(line: &Line) -> String {
    let circuit = if line.circuit > 1 { format!(" ({})", line.circuit) } else { String::new() };
    format!("{}{circuit}", line.measure.replace('_', " "))
}

fn table(lines: &[Line], units: Units) -> Markup {
    let half = |shape: &Shape, [low, high]: [f64; 2]| shape.width((high - low) / 2.0);
    let side = |shape: &Shape, side: &Pooled| {
        format!("{} ± {}", shape.text(side.value), half(shape, interval_95(side)))
    };
    html! {
        div class="scroll" tabindex="0" role="group" aria-label="table" { table {
            thead { tr { th { "measure" } th class="n" { "before" } th class="n" { "after" }
                th class="n" { "difference" } th { "verdict" } } }
            tbody { @for line in lines {
                @let shape = Shape::of(line.unit, units);
                tr {
                    th scope="row" { (name(line)) }
                    td class="n" { (side(&shape, &line.before)) }
                    td class="n" { (side(&shape, &line.after)) }
                    td class="n" { (shape.width(line.difference.value)) " ± "
                        (half(&shape, line.difference.interval_95)) (shape.unit) }
                    td { (line.verdict()) @if line.adjusted { " *" } }
                }
            } }
        } }
        p class="pale" { small { "± holds the true value with 95 % probability."
            @if lines.iter().any(|line| line.adjusted) { " * less what is expected under each side's conditions." }
            @if lines.iter().any(|line| !line.comparable) { " Not comparable: no source says how it follows what differs." } } }
    }
}
