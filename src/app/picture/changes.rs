//! What changed between two sides: each measure's difference with its interval, against zero.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use crate::app::picture::canvas::{
    self, Done, Drawn, GRID, INK, LETTERS, LINES, PALE, Sheet, WIDTH, letters,
};

/// One measure's change, in shown units.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The measure.
    pub name: String,
    /// After less before.
    pub difference: f64,
    /// The interval that holds it with 95 % probability.
    pub interval_95: [f64; 2],
    /// Whether the two sides may be compared.
    pub comparable: bool,
}

const LEFT: i32 = 420;
const RIGHT: i32 = WIDTH as i32 - 60;
const TOP: i32 = 64;
const ROW: i32 = 56;

/// Draws changes that share a unit.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn changes(changes: &[Change], unit: &str) -> Drawn {
    let height = (TOP + ROW * changes.len() as i32 + 100) as u32;
    let about: Vec<String> = changes
        .iter()
        .map(|c| {
            format!(
                "{}: {:+.1} ({:+.1} to {:+.1}) {unit}",
                c.name, c.difference, c.interval_95[0], c.interval_95[1]
            )
        })
        .collect();
    canvas::sheet("What changed", &about.join("; "), height, |sheet| draw(sheet, changes, unit))
}

fn draw(sheet: &Sheet<'_>, changes: &[Change], unit: &str) -> Done {
    let range = canvas::range(changes.iter().flat_map(|c| c.interval_95).chain([0.0]), 2.0);
    let across = |value: f64| {
        let share = (value - range.start) / (range.end - range.start);
        LEFT + (share * f64::from(RIGHT - LEFT)).round() as i32
    };
    let bottom = TOP + ROW * changes.len() as i32;
    let above = letters(LETTERS, INK, HPos::Center, VPos::Bottom);
    for tick in canvas::even(&range, 8) {
        let x = across(tick);
        sheet.draw(&PathElement::new(vec![(x, TOP), (x, bottom)], GRID.stroke_width(1)))?;
        let style = letters(LETTERS, INK, HPos::Center, VPos::Top);
        let text = canvas::shortest(tick);
        sheet.draw(&Text::new(text, (x, bottom + 10), style))?;
    }
    let zero = across(0.0);
    sheet.draw(&PathElement::new(vec![(zero, TOP), (zero, bottom)], INK.stroke_width(3)))?;
    sheet.draw(&Text::new("no change", (zero.clamp(LEFT + 80, RIGHT - 80), TOP - 8), above))?;
    for (number, change) in changes.iter().enumerate() {
        let y = TOP + ROW * number as i32 + ROW / 2;
        let name = letters(LETTERS, INK, HPos::Right, VPos::Center);
        sheet.draw(&Text::new(canvas::short(&change.name, 26), (LEFT - 24, y), name))?;
        let colour = if change.comparable { LINES[0] } else { PALE };
        let [low, high] = change.interval_95.map(across);
        sheet.draw(&PathElement::new(vec![(low, y), (high, y)], colour.stroke_width(5)))?;
        let middle = (across(change.difference), y);
        if change.comparable {
            sheet.draw(&Circle::new(middle, 9, colour.filled()))?;
        } else {
            sheet.draw(&Circle::new(middle, 9, WHITE.filled()))?;
            sheet.draw(&Circle::new(middle, 9, colour.stroke_width(3)))?;
        }
    }
    let below = letters(LETTERS, INK, HPos::Center, VPos::Top);
    let text = format!("after less before, {unit}   (open circle: not comparable)");
    sheet.draw(&Text::new(text, (i32::midpoint(LEFT, RIGHT), bottom + 54), below))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_change_is_named_and_told() {
        let change = |name: &str, difference: f64, comparable| Change {
            name: name.to_owned(),
            difference,
            interval_95: [difference - 1.0, difference + 1.0],
            comparable,
        };
        let drawn =
            changes(&[change("superheat", -12.0, true), change("approach", 0.3, false)], "K")
                .unwrap();
        assert!(drawn.contains("superheat: -12.0 (-13.0 to -11.0) K"));
        assert!(drawn.contains("\nsuperheat\n") && drawn.contains("no change"));
    }
}
