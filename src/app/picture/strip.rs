//! The night as a strip: runs and pauses from left to right, with what happened beside them.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use crate::app::night::{Night, mark_words};
use crate::app::picture::canvas::{
    self, Done, Drawn, GRID, INK, LETTERS, LINES, PALE, SHADE, Sheet, WIDTH, letters,
};
use crate::app::picture::time::TimeAxis;
use crate::units::time::Elapsed;

/// Rows of marks that are named; what does not find room is a tick without a name.
const ROWS: usize = 4;
const ROW: i32 = 38;
/// The strip's upper and lower edge.
const TOP: i32 = 30 + ROWS as i32 * ROW;
const BOTTOM: i32 = TOP + 110;
const HEIGHT: u32 = BOTTOM as u32 + 122;
const LEFT: i32 = 60;
const RIGHT: i32 = WIDTH as i32 - 60;

/// Draws a session's runs and pauses, its nights shaded, and its marks.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn strip(night: &Night) -> Drawn {
    let axis = TimeAxis::new((Elapsed::ZERO, night.end()), night.utc(Elapsed::ZERO), night.zone());
    let about = format!("{} {} marks.", night.sentence(), night.marks().len());
    canvas::sheet("Runs and pauses", &about, HEIGHT, |sheet| draw(sheet, night, &axis))
}

fn across(axis: &TimeAxis, at: Elapsed) -> i32 {
    place(axis, axis.x(at))
}

fn place(axis: &TimeAxis, x: f64) -> i32 {
    let range = axis.range();
    let share = ((x - range.start) / (range.end - range.start)).clamp(0.0, 1.0);
    LEFT + (share * f64::from(RIGHT - LEFT)).round() as i32
}

fn draw(sheet: &Sheet<'_>, night: &Night, axis: &TimeAxis) -> Done {
    for part in night.nights() {
        let (from, to) = (across(axis, part.from), across(axis, part.to));
        sheet.draw(&Rectangle::new([(from, TOP - 18), (to, BOTTOM + 18)], SHADE.filled()))?;
    }
    for x in axis.ticks() {
        let at = place(axis, x);
        sheet.draw(&PathElement::new(vec![(at, TOP), (at, BOTTOM + 8)], GRID.stroke_width(2)))?;
        let style = letters(LETTERS, INK, HPos::Center, VPos::Top);
        sheet.draw(&Text::new(axis.label(x), (at, BOTTOM + 24), style))?;
    }
    let base = PathElement::new(vec![(LEFT, BOTTOM), (RIGHT, BOTTOM)], PALE.stroke_width(3));
    sheet.draw(&base)?;
    for cycle in night.cycles() {
        // A run whose start or end nobody heard is drawn open on that side.
        let from = across(axis, cycle.start.unwrap_or(Elapsed::ZERO));
        let to = across(axis, cycle.stop.unwrap_or(night.end()));
        let whole = cycle.start.is_some() && cycle.stop.is_some();
        let high = if cycle.settled { TOP } else { i32::midpoint(TOP, BOTTOM) };
        let corners = [(from, high), (to.max(from + 2), BOTTOM)];
        if whole {
            sheet.draw(&Rectangle::new(corners, LINES[0].filled()))?;
        } else {
            sheet.draw(&Rectangle::new(corners, LINES[0].mix(0.35).filled()))?;
            sheet.draw(&Rectangle::new(corners, LINES[0].stroke_width(2)))?;
        }
    }
    marks(sheet, night, axis)?;
    let text = "tall: a run that settled; low: one that did not; pale: not heard from start to \
                end; grey: night";
    let style = letters(LETTERS - 4, INK, HPos::Left, VPos::Top);
    sheet.draw(&Text::new(text, (LEFT, BOTTOM + 74), style))
}

/// A tick above the strip for each mark, with its name where there is room.
fn marks(sheet: &Sheet<'_>, night: &Night, axis: &TimeAxis) -> Done {
    let mut ends = [i32::MIN; ROWS];
    let mut last: Option<(String, i32)> = None;
    for mark in night.marks() {
        let at = across(axis, mark.at);
        let text = mark_words(mark);
        // One after the other of the same kind at the same place is one mark.
        if last.as_ref().is_some_and(|(kind, place)| *kind == text && at - place < 12) {
            continue;
        }
        let width = text.chars().count() as i32 * 15 + 24;
        let start = at.min(RIGHT - width);
        let row = (0..ROWS).find(|row| ends[*row] < start);
        let foot = TOP - 8;
        let head = row.map_or(foot - 14, |row| foot - 14 - ROW * row as i32);
        sheet.draw(&PathElement::new(vec![(at, foot), (at, head)], LINES[1].stroke_width(3)))?;
        if let Some(row) = row {
            ends[row] = start + width;
            let style = letters(LETTERS - 2, INK, HPos::Left, VPos::Bottom);
            sheet.draw(&Text::new(text.clone(), (start + 6, head + 14), style))?;
        }
        last = Some((text, at));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::{Derived, Event, Moment, Output};
    use crate::engine::reading::{Cycle, State};
    use jiff::tz::TimeZone;

    #[test]
    fn each_run_is_drawn_and_each_mark_named_or_ticked() {
        let mut night = Night::new(TimeZone::UTC);
        for number in 0..5_u32 {
            let start = u64::from(number) * 1_800;
            night.take(&Output::Cycle(Cycle {
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
            }));
        }
        for second in [100, 4_000] {
            night.take(&Output::Event(Event {
                at: Elapsed::from_secs(second),
                event: "probe_lost".to_owned(),
                subject: "<script>".to_owned(),
                detail: String::new(),
            }));
        }
        night.take(&Output::Moment(Moment {
            at: Elapsed::from_secs(9_000),
            state: State::Off,
            levels: vec![],
            derived: [None; Derived::ALL.len()],
        }));
        let drawn = strip(&night).unwrap();
        // The sheet itself, five runs, and the border of the one that is not whole.
        assert_eq!(drawn.matches("<rect").count(), 7, "{drawn}");
        assert_eq!(drawn.matches("\nprobe lost\n").count(), 2);
        assert!(!drawn.contains("<script>"));
    }
}
