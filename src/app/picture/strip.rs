//! The night as a strip: runs and pauses from left to right, with what happened beside them.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use crate::app::night::{Night, mark_words};
use crate::app::picture::canvas::{
    self, Done, Drawn, GRID, INK, LETTERS, LINES, PALE, SHADE, Sheet, WIDTH, letters,
};
use crate::app::picture::time::TimeAxis;
use crate::units::time::Elapsed;

/// Kinds of marks that have a row of their own; further ones share the last.
const KINDS: usize = 8;
const ROW: i32 = 42;
/// Height of a run that settled.
const RUN: i32 = 110;
const LEFT: i32 = 360;
const RIGHT: i32 = WIDTH as i32 - 40;
/// Space below for the clock and the legend.
const BELOW: u32 = 126;

/// Draws a session's runs and pauses, its nights shaded, and its marks.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn strip(night: &Night) -> Drawn {
    let axis = TimeAxis::new((Elapsed::ZERO, night.end()), night.utc(Elapsed::ZERO), night.zone());
    let about = format!("{} {} marks.", night.sentence(), night.marks().len());
    let kinds = kinds(night);
    let top = 20 + kinds.len() as i32 * ROW;
    let height = (top + RUN) as u32 + BELOW;
    canvas::sheet("Runs and pauses", &about, height, |sheet| draw(sheet, night, &axis, &kinds))
}

fn across(axis: &TimeAxis, at: Elapsed) -> i32 {
    place(axis, axis.x(at))
}

fn place(axis: &TimeAxis, x: f64) -> i32 {
    let range = axis.range();
    let share = ((x - range.start) / (range.end - range.start)).clamp(0.0, 1.0);
    LEFT + (share * f64::from(RIGHT - LEFT)).round() as i32
}

/// The kinds of marks, in the order in which they came.
fn kinds(night: &Night) -> Vec<String> {
    let mut kinds: Vec<String> = Vec::new();
    for mark in night.marks() {
        let words = mark_words(mark);
        if kinds.contains(&words) {
            continue;
        }
        if kinds.len() == KINDS {
            "other".clone_into(&mut kinds[KINDS - 1]);
            break;
        }
        kinds.push(words);
    }
    kinds
}

fn draw(sheet: &Sheet<'_>, night: &Night, axis: &TimeAxis, kinds: &[String]) -> Done {
    let top = 20 + kinds.len() as i32 * ROW;
    let bottom = top + RUN;
    for part in night.nights() {
        let (from, to) = (across(axis, part.from), across(axis, part.to));
        sheet.draw(&Rectangle::new([(from, 8), (to, bottom + 18)], SHADE.filled()))?;
    }
    for x in axis.ticks() {
        let at = place(axis, x);
        sheet.draw(&PathElement::new(vec![(at, 8), (at, bottom + 8)], GRID.stroke_width(2)))?;
        let style = letters(LETTERS, INK, HPos::Center, VPos::Top);
        sheet.draw(&Text::new(axis.label(x), (at, bottom + 24), style))?;
    }
    marks(sheet, night, axis, kinds)?;
    let name = letters(LETTERS, INK, HPos::Right, VPos::Center);
    sheet.draw(&Text::new("runs", (LEFT - 20, top + RUN / 2), name))?;
    let base = PathElement::new(vec![(LEFT, bottom), (RIGHT, bottom)], PALE.stroke_width(3));
    sheet.draw(&base)?;
    for cycle in night.cycles() {
        // A run whose start or end nobody heard is drawn open on that side.
        let from = across(axis, cycle.start.unwrap_or(Elapsed::ZERO));
        let to = across(axis, cycle.stop.unwrap_or(night.end()));
        let whole = cycle.start.is_some() && cycle.stop.is_some();
        let high = if cycle.settled { top + 14 } else { i32::midpoint(top, bottom) };
        let corners = [(from, high), (to.max(from + 2), bottom)];
        if whole {
            sheet.draw(&Rectangle::new(corners, LINES[0].filled()))?;
        } else {
            sheet.draw(&Rectangle::new(corners, LINES[0].mix(0.35).filled()))?;
            sheet.draw(&Rectangle::new(corners, LINES[0].stroke_width(2)))?;
        }
    }
    let text = "tall: a run that settled; low: one that did not; pale: not heard from start to \
                end; grey: night";
    let style = letters(LETTERS - 3, INK, HPos::Right, VPos::Top);
    sheet.draw(&Text::new(text, (RIGHT, bottom + 76), style))
}

/// A row for each kind of mark, with its name before it.
fn marks(sheet: &Sheet<'_>, night: &Night, axis: &TimeAxis, kinds: &[String]) -> Done {
    let middle = |row: usize| 14 + ROW * row as i32 + ROW / 2;
    for (row, kind) in kinds.iter().enumerate() {
        let style = letters(LETTERS, INK, HPos::Right, VPos::Center);
        sheet.draw(&Text::new(canvas::short(kind, 21), (LEFT - 20, middle(row)), style))?;
        let line = vec![(LEFT, middle(row)), (RIGHT, middle(row))];
        sheet.draw(&PathElement::new(line, GRID.stroke_width(1)))?;
    }
    let mut last = vec![i32::MIN; kinds.len()];
    for mark in night.marks() {
        let words = mark_words(mark);
        let row = kinds.iter().position(|kind| *kind == words).unwrap_or(kinds.len() - 1);
        let at = across(axis, mark.at);
        // Those that would fall onto one another are one mark.
        if at < last[row].saturating_add(5) {
            continue;
        }
        last[row] = at;
        let ends = vec![(at, middle(row) - 13), (at, middle(row) + 13)];
        sheet.draw(&PathElement::new(ends, LINES[1].stroke_width(4)))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::engine::output::{Event, Moment, Output};
    use crate::engine::reading::{Cycle, State};
    use jiff::tz::TimeZone;

    #[test]
    fn each_run_is_drawn_and_each_mark_named_or_ticked() {
        let mut night = Night::new(TimeZone::UTC);
        for number in 0..5_u32 {
            let start = u64::from(number) * 1_800;
            night.take(&Output::Cycle(Box::new(Cycle {
                number: number + 1,
                start: (number > 0).then(|| Elapsed::from_secs(start)),
                stop: Some(Elapsed::from_secs(start + 900)),
                start_uncertainty_s: None,
                stop_uncertainty_s: None,
                next_start: None,
                complete: true,
                defrost: false,
                settled: number % 2 == 0,
                how: String::new(),
            })));
        }
        for second in [100, 4_000] {
            night.take(&Output::Event(Box::new(Event {
                at: Elapsed::from_secs(second),
                event: "probe_lost".to_owned(),
                subject: "<script>".to_owned(),
                detail: String::new(),
            })));
        }
        night.take(&Output::Moment(Box::new(Moment {
            at: Elapsed::from_secs(9_000),
            state: State::Off,
            levels: vec![],
            layout: Arc::default(),
        })));
        let drawn = strip(&night).unwrap();
        // The sheet itself, five runs, and the border of the one that is not whole.
        assert_eq!(drawn.matches("<rect").count(), 7, "{drawn}");
        assert_eq!(drawn.matches("\nprobe lost\n").count(), 1);
        assert_eq!(drawn.matches("stroke-width=\"4\"").count(), 2, "{drawn}");
        assert!(!drawn.contains("<script>"));
    }
}
