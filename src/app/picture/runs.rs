//! From run to run: the settled values with their intervals, and duty against outdoor temperature.

use std::ops::Range;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use crate::app::night::Night;
use crate::app::picture::canvas::{
    self, Done, GRID, INK, LETTERS, LINES, NUMBERS, PALE, Sheet, WIDTH, letters,
};
use crate::app::picture::time::TimeAxis;
use crate::app::trend::MEASURES;
use crate::engine::columns::{Shown, Units};

const LEFT: i32 = NUMBERS as i32;
const RIGHT: i32 = WIDTH as i32 - 60;
const TOP: i32 = 60;
const HEIGHT: u32 = 560;
const BOTTOM: i32 = HEIGHT as i32 - 110;

/// Draws the settled values of one of [`MEASURES`], run by run, each with the interval that holds
/// it with 95 % probability. `None` where no run gave one.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn settled(
    night: &Night,
    measure: &str,
    units: Units,
) -> Result<Option<String>, canvas::PictureError> {
    let Some(place) = MEASURES.iter().position(|name| *name == measure) else { return Ok(None) };
    let axis = TimeAxis::new(
        (crate::units::time::Elapsed::ZERO, night.end()),
        night.utc(crate::units::time::Elapsed::ZERO),
        night.zone(),
    );
    let shown = Shown::difference(units);
    let points: Vec<(f64, f64, [f64; 2])> = night
        .settled()
        .filter_map(|run| {
            let found = run.measures[place]?;
            let value = found.value * shown.scale;
            let interval =
                found.interval_95.map_or([value; 2], |pair| pair.map(|v| v * shown.scale));
            Some((axis.x(run.to), value, interval))
        })
        .collect();
    if points.is_empty() {
        return Ok(None);
    }
    let unit = if units == Units::Us { "°F" } else { "K" };
    let name = measure.replace('_', " ");
    let about = format!(
        "{} runs; first {:.1}, last {:.1} {unit}",
        points.len(),
        points[0].1,
        points[points.len() - 1].1
    );
    let title = format!("{name}, {unit}, run by run");
    let range = canvas::range(points.iter().flat_map(|(_, _, interval)| *interval), 2.0);
    let plot = Plot { across: axis.range(), up: range };
    let drawn = canvas::sheet(&title, &about, HEIGHT, |sheet| {
        let ticks: Vec<(f64, String)> =
            axis.ticks().into_iter().map(|x| (x, axis.label(x))).collect();
        plot.frame(sheet, &title, &ticks, "")?;
        for (x, value, [low, high]) in &points {
            plot.whisker(sheet, (*x, *low, *high))?;
            sheet.draw(&Circle::new(plot.at(*x, *value), 7, LINES[0].filled()))?;
        }
        Ok(())
    });
    drawn.map(Some)
}

/// Draws duty against outdoor temperature, one point an hour. `None` with fewer than three hours
/// of which both are known.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn duty(night: &Night, units: Units) -> Result<Option<String>, canvas::PictureError> {
    let shown = Shown::temperature(units);
    let points: Vec<(f64, f64)> = night
        .hours()
        .iter()
        .filter_map(|hour| Some((hour.outdoor? * shown.scale + shown.offset, 100.0 * hour.duty?)))
        .collect();
    if points.len() < 3 {
        return Ok(None);
    }
    let title = "Share of each hour that the compressor ran, %";
    let about = format!("{} hours", points.len());
    let across = canvas::range(points.iter().map(|(x, _)| *x), 4.0);
    let plot = Plot { across, up: -4.0..104.0 };
    let drawn = canvas::sheet(title, &about, HEIGHT, |sheet| {
        let ticks: Vec<(f64, String)> =
            even(&plot.across, 8).into_iter().map(|x| (x, format!("{x:.0}"))).collect();
        plot.frame(sheet, title, &ticks, &format!("outdoor air, {}", shown.unit))?;
        for (x, y) in &points {
            sheet.draw(&Circle::new(plot.at(*x, *y), 8, LINES[0].filled()))?;
        }
        Ok(())
    });
    drawn.map(Some)
}

/// A plot of points.
struct Plot {
    across: Range<f64>,
    up: Range<f64>,
}

impl Plot {
    fn at(&self, x: f64, y: f64) -> (i32, i32) {
        let share =
            |value: f64, range: &Range<f64>| (value - range.start) / (range.end - range.start);
        let right = share(x, &self.across).clamp(0.0, 1.0) * f64::from(RIGHT - LEFT);
        let up = share(y, &self.up) * f64::from(BOTTOM - TOP);
        (LEFT + right.round() as i32, BOTTOM - up.round() as i32)
    }

    fn frame(&self, sheet: &Sheet<'_>, title: &str, ticks: &[(f64, String)], below: &str) -> Done {
        let head = letters(LETTERS, INK, HPos::Left, VPos::Bottom);
        sheet.draw(&Text::new(title.to_owned(), (LEFT, TOP - 10), head))?;
        let numbers = letters(LETTERS, INK, HPos::Right, VPos::Center);
        for tick in even(&self.up, 6) {
            let (_, y) = self.at(self.across.start, tick);
            sheet.draw(&PathElement::new(vec![(LEFT, y), (RIGHT, y)], GRID.stroke_width(1)))?;
            let text =
                if tick == tick.trunc() { format!("{tick:.0}") } else { format!("{tick:.1}") };
            sheet.draw(&Text::new(text, (LEFT - 12, y), numbers.clone()))?;
        }
        let style = letters(LETTERS, INK, HPos::Center, VPos::Top);
        for (x, text) in ticks {
            let (x, _) = self.at(*x, self.up.start);
            sheet.draw(&PathElement::new(vec![(x, TOP), (x, BOTTOM)], GRID.stroke_width(1)))?;
            sheet.draw(&Text::new(text.clone(), (x, BOTTOM + 12), style.clone()))?;
        }
        let border = vec![(LEFT, TOP), (RIGHT, TOP), (RIGHT, BOTTOM), (LEFT, BOTTOM), (LEFT, TOP)];
        sheet.draw(&PathElement::new(border, PALE.stroke_width(2)))?;
        let middle = (i32::midpoint(LEFT, RIGHT), BOTTOM + 56);
        sheet.draw(&Text::new(below.to_owned(), middle, style))
    }

    /// An interval: a line with a bar at each end.
    fn whisker(&self, sheet: &Sheet<'_>, (x, low, high): (f64, f64, f64)) -> Done {
        let (low, high) = (self.at(x, low), self.at(x, high));
        for line in [
            vec![low, high],
            vec![(low.0 - 6, low.1), (low.0 + 6, low.1)],
            vec![(high.0 - 6, high.1), (high.0 + 6, high.1)],
        ] {
            sheet.draw(&PathElement::new(line, PALE.stroke_width(2)))?;
        }
        Ok(())
    }
}

/// Even, round numbers within a range, at most so many.
fn even(range: &Range<f64>, most: u32) -> Vec<f64> {
    let steps = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0];
    let length = range.end - range.start;
    let step = steps.into_iter().find(|step| length / step <= f64::from(most)).unwrap_or(length);
    let first = (range.start / step).ceil();
    let tick = |n: u32| ((first + f64::from(n)) * step * 10.0).round() / 10.0;
    (0..=most).map(tick).take_while(|tick| *tick <= range.end).collect()
}
