//! Lines over time in panels, one quantity a panel: a run, or a whole visit.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use crate::app::picture::canvas::{
    self, Done, Drawn, GRID, INK, LETTERS, LINES, NAMES, NUMBERS, Name, PALE, SHADE, Sheet, WIDTH,
    letters,
};
use crate::app::picture::time::TimeAxis;
use crate::units::time::Elapsed;

/// Height of a panel where there is room, and of all panels together: with its caption, a picture
/// must fit on a sheet of paper.
const PANEL_MAX: u32 = 280;
const PANELS_MAX: u32 = 1_330;
/// Space below the last panel for the clock.
const CLOCK: u32 = 84;
/// Space above the first panel for what is marked.
const TOP: u32 = 56;
/// Space between panels, with the unit in it.
const UNIT: u32 = 46;

/// A line: its name and its stretches without a gap, in shown units.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What it is called.
    pub name: String,
    /// Moments and values.
    pub stretches: Vec<Vec<(Elapsed, f64)>>,
}

/// Lines of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// What is shown, with its unit: `air, °F`.
    pub title: String,
    /// The lines.
    pub lines: Vec<Line>,
}

/// Lines over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Traces {
    /// What a screen reader says.
    pub title: String,
    /// The time axis.
    pub axis: TimeAxis,
    /// One above the other.
    pub panels: Vec<Panel>,
    /// The settled stretches.
    pub settled: Vec<(Elapsed, Elapsed)>,
    /// What they are called: `settled`.
    pub shaded: &'static str,
}

/// Draws lines over time.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn traces(data: &Traces) -> Drawn {
    let panels = data.panels.len() as u32;
    let panel = (PANELS_MAX / panels.max(1)).saturating_sub(UNIT).clamp(80, PANEL_MAX);
    let height = TOP + panels * (panel + UNIT) + CLOCK;
    let about: Vec<String> = data.panels.iter().map(about).collect();
    canvas::sheet(&data.title, &about.join(" "), height, |sheet| {
        for (number, lines) in data.panels.iter().enumerate() {
            let top = (TOP + number as u32 * (panel + UNIT) + UNIT) as i32;
            draw(sheet, data, lines, (top, top + panel as i32))?;
        }
        clock(sheet, data, (height - CLOCK) as i32)
    })
}

/// A panel in words: each line's first and last value.
fn about(panel: &Panel) -> String {
    let line = |line: &Line| {
        let ends = line
            .stretches
            .first()
            .and_then(|first| first.first())
            .zip(line.stretches.last().and_then(|last| last.last()));
        match ends {
            Some((first, last)) => format!("{}: from {:.1} to {:.1}", line.name, first.1, last.1),
            None => format!("{}: nothing", line.name),
        }
    };
    let lines: Vec<String> = panel.lines.iter().map(line).collect();
    format!("{}: {}.", panel.title, lines.join(", "))
}

/// The columns between which lines are drawn.
const LEFT: i32 = NUMBERS as i32;
const RIGHT: i32 = (WIDTH - NAMES) as i32;

fn across(axis: &TimeAxis, at: Elapsed) -> i32 {
    place(axis, axis.x(at))
}

fn place(axis: &TimeAxis, x: f64) -> i32 {
    let range = axis.range();
    let share = ((x - range.start) / (range.end - range.start)).clamp(0.0, 1.0);
    LEFT + (share * f64::from(RIGHT - LEFT)).round() as i32
}

fn draw(sheet: &Sheet<'_>, data: &Traces, panel: &Panel, (top, bottom): (i32, i32)) -> Done {
    let values = panel.lines.iter().flat_map(|line| line.stretches.iter().flatten());
    let range = canvas::range(values.map(|(_, value)| *value), 2.0);
    let up = |value: f64| {
        let share = (value - range.start) / (range.end - range.start);
        bottom - (share * f64::from(bottom - top)).round() as i32
    };
    for (from, to) in &data.settled {
        let (from, to) = (across(&data.axis, *from), across(&data.axis, *to));
        sheet.draw(&Rectangle::new([(from, top), (to.max(from + 2), bottom)], SHADE.filled()))?;
    }
    let title = letters(LETTERS, INK, HPos::Left, VPos::Bottom);
    sheet.draw(&Text::new(panel.title.clone(), (LEFT, top - 6), title))?;
    let numbers = letters(LETTERS, INK, HPos::Right, VPos::Center);
    for tick in canvas::even(&range, 6) {
        let y = up(tick);
        sheet.draw(&PathElement::new(vec![(LEFT, y), (RIGHT, y)], GRID.stroke_width(1)))?;
        sheet.draw(&Text::new(canvas::shortest(tick), (LEFT - 12, y), numbers.clone()))?;
    }
    for x in data.axis.ticks() {
        let x = place(&data.axis, x);
        sheet.draw(&PathElement::new(vec![(x, top), (x, bottom)], GRID.stroke_width(1)))?;
    }
    let border = vec![(LEFT, top), (RIGHT, top), (RIGHT, bottom), (LEFT, bottom), (LEFT, top)];
    sheet.draw(&PathElement::new(border, PALE.stroke_width(2)))?;
    let mut names = Vec::new();
    for (number, line) in panel.lines.iter().enumerate() {
        let colour = LINES[number % LINES.len()];
        let dashed = number >= LINES.len();
        for stretch in &line.stretches {
            let path: Vec<_> =
                stretch.iter().map(|(at, value)| (across(&data.axis, *at), up(*value))).collect();
            if dashed {
                for pair in path.chunks(4) {
                    sheet.draw(&PathElement::new(pair.to_vec(), colour.stroke_width(3)))?;
                }
            } else {
                sheet.draw(&PathElement::new(path, colour.stroke_width(3)))?;
            }
        }
        if let Some((at, value)) = line.stretches.last().and_then(|stretch| stretch.last()) {
            let end = (across(&data.axis, *at), up(*value));
            names.push(Name { end, text: line.name.clone(), colour, dashed });
        }
    }
    canvas::names(sheet, &names, RIGHT, (top + 14, bottom - 10))
}

/// The clock below, and above what is shaded.
fn clock(sheet: &Sheet<'_>, data: &Traces, top: i32) -> Done {
    let style = letters(LETTERS, INK, HPos::Center, VPos::Top);
    for x in data.axis.ticks() {
        let at = (place(&data.axis, x), top + 12);
        sheet.draw(&Text::new(data.axis.label(x), at, style.clone()))?;
    }
    let Some((from, to)) = data.settled.last() else { return Ok(()) };
    let middle = i32::midpoint(across(&data.axis, *from), across(&data.axis, *to));
    let middle = middle.clamp(LEFT + 200, RIGHT - 60);
    let above = letters(LETTERS, INK, HPos::Center, VPos::Top);
    let text = format!("shaded: {}", data.shaded);
    let half = (text.chars().count() as u32 * LETTERS / 4) as i32;
    let swatch = [(middle - half - 52, 10), (middle - half - 12, 34)];
    sheet.draw(&Rectangle::new(swatch, SHADE.filled()))?;
    sheet.draw(&Rectangle::new(swatch, PALE.stroke_width(1)))?;
    sheet.draw(&Text::new(text, (middle, 8), above))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::TimeZone;

    #[test]
    fn each_line_has_its_name_and_a_gap_is_a_gap() {
        let at = Elapsed::from_secs;
        let lines = (0..7).map(|n| Line {
            name: format!("line {n}"),
            stretches: vec![
                vec![(at(0), f64::from(n)), (at(60), f64::from(n))],
                vec![(at(120), f64::from(n)), (at(180), f64::from(n))],
            ],
        });
        let axis = TimeAxis::new((at(0), at(180)), None, &TimeZone::UTC);
        let panels = vec![Panel { title: "air, °C".to_owned(), lines: lines.collect() }];
        let data = Traces {
            title: "a run".to_owned(),
            axis,
            panels,
            settled: vec![(at(60), at(180))],
            shaded: "steady",
        };
        let drawn = traces(&data).unwrap();
        for n in 0..5 {
            assert!(drawn.contains(&format!("\nline {n}\n")), "{n} in {drawn}");
        }
        assert!(drawn.contains("line 5 (dashed)"));
        // Per line two stretches and a leader, beside the grid.
        assert!(drawn.matches("<polyline").count() >= 21);
        assert!(drawn.contains("shaded: steady"));
    }
}
