//! The refrigerant's way round the circuit, on the saturation dome.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, VPos};

use crate::app::picture::canvas::{
    self, Done, Drawn, GRID, INK, LARGE, LETTERS, LINES, NUMBERS, PALE, Sheet, WIDTH, letters,
};
use crate::engine::columns::{Shown, Units};
use crate::engine::diagnose::diagram::{Diagram, Place, State, dome, isotherm};
use crate::units::quantity::QuantityKind;

/// Height of the sheet.
const HEIGHT: u32 = 1_000;
/// Steps of the dome's line.
const DOME_STEPS: u32 = 160;
/// Steps of a line of one temperature.
const ISOTHERM_STEPS: u32 = 40;
/// Space above, and below for the axis.
const TOP: u32 = 64;
const BOTTOM: u32 = 120;

/// Draws a circuit on pressure and enthalpy.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn pressure_enthalpy(diagram: &Diagram, units: Units) -> Drawn {
    let title = format!("{} on pressure and enthalpy", diagram.refrigerant.name());
    canvas::sheet(&title, &about(diagram, units), HEIGHT, |sheet| draw(sheet, diagram, units))
}

/// The same in words, for those who do not see it.
fn about(diagram: &Diagram, units: Units) -> String {
    let pressure = Shown::of(QuantityKind::Pressure, units);
    let enthalpy = Enthalpy::of(units);
    let state = |state: &State| {
        format!(
            "{}: {:.1} ± {:.1} {} at {:.0} ± {:.1} {}",
            state.place.words(),
            enthalpy.shown(state.enthalpy),
            enthalpy.width(state.enthalpy_half),
            enthalpy.unit,
            state.pressure * pressure.scale,
            state.pressure_half * pressure.scale,
            pressure.unit,
        )
    };
    diagram.states.iter().map(state).collect::<Vec<_>>().join("; ")
}

/// How enthalpy is shown.
struct Enthalpy {
    scale: f64,
    unit: &'static str,
}

impl Enthalpy {
    /// In Btu/lb (2,326 J/kg, exact) or kJ/kg, from the reference of the refrigerant's table.
    const fn of(units: Units) -> Self {
        match units {
            Units::Us => Self { scale: 1.0 / 2_326.0, unit: "Btu/lb" },
            Units::Si => Self { scale: 1e-3, unit: "kJ/kg" },
        }
    }

    fn shown(&self, si: f64) -> f64 {
        si * self.scale
    }

    fn width(&self, si: f64) -> f64 {
        si * self.scale
    }
}

/// A plot's place on the sheet: enthalpy across, the logarithm of pressure up.
struct Frame {
    enthalpy: std::ops::Range<f64>,
    pressure: std::ops::Range<f64>,
}

impl Frame {
    /// Around the dome and all states.
    fn of(diagram: &Diagram, dome: &[(f64, f64, f64)]) -> Self {
        let low = diagram.states.iter().map(|state| state.pressure).fold(f64::INFINITY, f64::min);
        let high = diagram.states.iter().map(|state| state.pressure).fold(0.0, f64::max);
        let top = dome.last().map_or(high, |last| last.2).max(high) * 1.25;
        let pressure = low * 0.45..top;
        let shown = dome.iter().filter(|(_, _, p)| *p >= pressure.start);
        let ends = shown.flat_map(|(liquid, vapor, _)| [*liquid, *vapor]);
        let states = diagram.states.iter().map(|state| state.enthalpy);
        let enthalpy = canvas::range(ends.chain(states).chain(diagram.ideal_enthalpy), 1e3);
        Self { enthalpy, pressure }
    }

    fn x(&self, enthalpy: f64) -> i32 {
        let (left, right) = (f64::from(NUMBERS), f64::from(WIDTH - 40));
        let share = (enthalpy - self.enthalpy.start) / (self.enthalpy.end - self.enthalpy.start);
        (left + share * (right - left)).round() as i32
    }

    fn y(&self, pressure: f64) -> i32 {
        let (top, bottom) = (f64::from(TOP), f64::from(HEIGHT - BOTTOM));
        let (low, high) = (libm::log(self.pressure.start), libm::log(self.pressure.end));
        let share = (libm::log(pressure) - low) / (high - low);
        (bottom - share * (bottom - top)).round() as i32
    }

    fn at(&self, enthalpy: f64, pressure: f64) -> (i32, i32) {
        (self.x(enthalpy), self.y(pressure))
    }

    fn holds(&self, enthalpy: f64, pressure: f64) -> bool {
        self.enthalpy.contains(&enthalpy) && self.pressure.contains(&pressure)
    }
}

fn draw(sheet: &Sheet<'_>, diagram: &Diagram, units: Units) -> Done {
    let line = dome(diagram.refrigerant, DOME_STEPS);
    let frame = Frame::of(diagram, &line);
    axes(sheet, &frame, units)?;
    isotherms(sheet, &frame, diagram, units)?;
    for side in [0, 1] {
        let points =
            line.iter().map(|(liquid, vapor, p)| (if side == 0 { *liquid } else { *vapor }, *p));
        let points = points.filter(|(_, p)| *p >= frame.pressure.start);
        let path: Vec<_> = points.map(|(h, p)| frame.at(h, p)).collect();
        sheet.draw(&PathElement::new(path, PALE.stroke_width(3)))?;
    }
    let name = letters(LARGE, PALE, HPos::Center, VPos::Bottom);
    if let Some((liquid, vapor, p)) = line.last() {
        let top = frame.at(f64::midpoint(*liquid, *vapor), *p);
        sheet.draw(&Text::new(diagram.refrigerant.name(), (top.0, top.1 - 12), name))?;
    }
    circuit(sheet, &frame, diagram)?;
    for (number, state) in diagram.states.iter().enumerate() {
        point(sheet, &frame, number, state, units)?;
    }
    Ok(())
}

fn axes(sheet: &Sheet<'_>, frame: &Frame, units: Units) -> Done {
    let enthalpy = Enthalpy::of(units);
    let pressure = Shown::of(QuantityKind::Pressure, units);
    let (left, right) = (NUMBERS as i32, WIDTH as i32 - 40);
    let (top, bottom) = (TOP as i32, (HEIGHT - BOTTOM) as i32);
    let across = letters(LETTERS, INK, HPos::Center, VPos::Top);
    let up = letters(LETTERS, INK, HPos::Right, VPos::Center);
    let shown = enthalpy.shown(frame.enthalpy.start)..enthalpy.shown(frame.enthalpy.end);
    for tick in canvas::even(&shown, 8) {
        let x = frame.x(tick / enthalpy.scale);
        sheet.draw(&PathElement::new(vec![(x, top), (x, bottom)], GRID.stroke_width(1)))?;
        sheet.draw(&Text::new(format!("{tick:.0}"), (x, bottom + 12), across.clone()))?;
    }
    for tick in [1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0] {
        for decade in [0.1, 1.0, 10.0, 100.0, 1_000.0, 10_000.0] {
            let p = tick * decade / pressure.scale;
            if !frame.pressure.contains(&p) {
                continue;
            }
            let y = frame.y(p);
            sheet.draw(&PathElement::new(vec![(left, y), (right, y)], GRID.stroke_width(1)))?;
            sheet.draw(&Text::new(format!("{:.0}", tick * decade), (left - 12, y), up.clone()))?;
        }
    }
    let border = vec![(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
    sheet.draw(&PathElement::new(border, PALE.stroke_width(2)))?;
    let above = letters(LETTERS, INK, HPos::Left, VPos::Bottom);
    sheet.draw(&Text::new(format!("pressure, {}", pressure.unit), (left, top - 12), above))?;
    let below = format!("enthalpy, {}", enthalpy.unit);
    let middle = i32::midpoint(left, right);
    sheet.draw(&Text::new(below, (middle, bottom + 62), across))
}

/// Lines of one temperature in the vapour, named where they leave the picture.
fn isotherms(sheet: &Sheet<'_>, frame: &Frame, diagram: &Diagram, units: Units) -> Done {
    let shown = Shown::temperature(units);
    let temperatures: &[f64] = match units {
        Units::Us => &[0.0, 50.0, 100.0, 150.0, 200.0, 250.0],
        Units::Si => &[-20.0, 0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0],
    };
    for temperature in temperatures {
        let line = isotherm(
            diagram.refrigerant,
            (temperature - shown.offset) / shown.scale,
            ISOTHERM_STEPS,
        );
        let seen = line.into_iter().filter(|(h, p)| frame.holds(*h, *p));
        let path: Vec<_> = seen.map(|(h, p)| frame.at(h, p)).collect();
        let Some(last) = path.last().copied().filter(|_| path.len() > 2) else { continue };
        sheet.draw(&PathElement::new(path, PALE.mix(0.55).stroke_width(1)))?;
        // A line that leaves at the side has its name inside the frame.
        let (side, x) = if last.0 > WIDTH as i32 - 40 - 70 {
            (HPos::Right, last.0 - 12)
        } else {
            (HPos::Center, last.0)
        };
        let style = letters(LETTERS - 5, PALE, side, VPos::Bottom);
        sheet.draw(&Text::new(
            format!("{temperature:.0} {}", shown.unit),
            (x, last.1 - 4),
            style,
        ))?;
    }
    Ok(())
}

/// The way round, as far as its corners are known; dashed where nothing is measured between.
fn circuit(sheet: &Sheet<'_>, frame: &Frame, diagram: &Diagram) -> Done {
    let place = |place: Place| diagram.states.iter().find(|state| state.place == place);
    let corner = |state: &State| frame.at(state.enthalpy, state.pressure);
    let way = [Place::Suction, Place::Discharge, Place::Liquid, Place::Expanded, Place::Suction];
    for pair in way.windows(2) {
        if let (Some(from), Some(to)) = (place(pair[0]), place(pair[1])) {
            let line = vec![corner(from), corner(to)];
            sheet.draw(&PathElement::new(line, LINES[0].stroke_width(5)))?;
        }
    }
    if let (Some(from), Some(enthalpy)) = (place(Place::Suction), diagram.ideal_enthalpy) {
        let high = diagram.states.iter().map(|state| state.pressure).fold(0.0, f64::max);
        dashed(sheet, corner(from), frame.at(enthalpy, high), PALE)?;
    }
    Ok(())
}

/// A dashed straight line.
fn dashed(sheet: &Sheet<'_>, from: (i32, i32), to: (i32, i32), colour: RGBColor) -> Done {
    let (dx, dy) = (f64::from(to.0 - from.0), f64::from(to.1 - from.1));
    let dashes = (libm::hypot(dx, dy) / 24.0).ceil().max(1.0);
    let at =
        |share: f64| (from.0 + (dx * share).round() as i32, from.1 + (dy * share).round() as i32);
    for dash in 0..dashes as u32 {
        let start = f64::from(dash) / dashes;
        let ends = vec![at(start), at(start + 0.55 / dashes)];
        sheet.draw(&PathElement::new(ends, colour.stroke_width(3)))?;
    }
    Ok(())
}

/// A state: its place, the cross of its intervals, and its name.
fn point(sheet: &Sheet<'_>, frame: &Frame, number: usize, state: &State, units: Units) -> Done {
    let (h, p) = (state.enthalpy, state.pressure);
    let (x, y) = frame.at(h, p);
    let across = vec![frame.at(h - state.enthalpy_half, p), frame.at(h + state.enthalpy_half, p)];
    let low = (p - state.pressure_half).max(frame.pressure.start);
    let up = vec![frame.at(h, low), frame.at(h, p + state.pressure_half)];
    sheet.draw(&Circle::new((x, y), 8, WHITE.filled()))?;
    sheet.draw(&Circle::new((x, y), 8, INK.stroke_width(4)))?;
    for cross in [across, up] {
        sheet.draw(&PathElement::new(cross, LINES[1].stroke_width(4)))?;
    }
    // Of the two on the low side one name stands below the line and one above it, inside the
    // circuit, so that they cannot touch.
    let below = state.place == Place::Suction;
    let (down, dy): (_, i32) = if below { (VPos::Top, 14) } else { (VPos::Bottom, -14) };
    // A name that would leave the sheet stands on the other side, and a line further off, where
    // it is clear of the name at the line's other end.
    let (side, dx, dy) = if x > WIDTH as i32 - 440 {
        (HPos::Right, 0, dy + dy.signum() * LETTERS as i32)
    } else {
        (HPos::Left, 10, dy)
    };
    let shown = Shown::temperature(units);
    let heat = state.temperature.map_or(String::new(), |t| {
        format!(", {:.1} {}", t * shown.scale + shown.offset, shown.unit)
    });
    let text = format!("{} {}{heat}", number + 1, state.place.words());
    clear(sheet, &text, (x + dx, y + dy), (side, down))?;
    sheet.draw(&Text::new(text, (x + dx, y + dy), letters(LETTERS, INK, side, down)))
}

/// Clears the ground of a name, so that no line crosses it.
fn clear(sheet: &Sheet<'_>, text: &str, (x, y): (i32, i32), (side, down): (HPos, VPos)) -> Done {
    // Letters are somewhat over half as wide as high.
    let wide = (text.chars().count() as u32 * LETTERS * 13 / 25) as i32;
    let left = if matches!(side, HPos::Right) { x - wide } else { x };
    let top = if matches!(down, VPos::Top) { y } else { y - LETTERS as i32 };
    let ground = [(left, top), (left + wide, top + LETTERS as i32)];
    sheet.draw(&Rectangle::new(ground, WHITE.filled()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::refrigerant::Refrigerant;

    fn diagram() -> Diagram {
        let state = |place, enthalpy, pressure, temperature| State {
            place,
            enthalpy,
            enthalpy_half: 900.0,
            pressure,
            pressure_half: 12e3,
            temperature,
        };
        Diagram {
            refrigerant: Refrigerant::by_name("R-410A").unwrap(),
            states: vec![
                state(Place::Suction, 428e3, 915e3, Some(12.0)),
                state(Place::Discharge, 465e3, 2_550e3, Some(75.0)),
                state(Place::Liquid, 258e3, 2_550e3, Some(36.0)),
                state(Place::Expanded, 258e3, 915e3, None),
            ],
            ideal_enthalpy: Some(452e3),
            pressures_from: ["suction pressure", "liquid-line pressure"],
            remarks: vec![],
        }
    }

    #[test]
    fn every_state_is_drawn_named_and_told_in_words() {
        for units in [Units::Us, Units::Si] {
            let drawn = pressure_enthalpy(&diagram(), units).unwrap();
            for state in &diagram().states {
                assert!(drawn.matches(state.place.words()).count() >= 2, "{:?}", state.place);
            }
            assert!(!drawn.contains("NaN") && !drawn.contains("inf"));
        }
        let si = pressure_enthalpy(&diagram(), Units::Si).unwrap();
        assert!(si.contains("suction line: 428.0 ± 0.9 kJ/kg at 915 ± 12.0 kPa absolute"), "{si}");
    }

    #[test]
    fn more_pressure_is_higher_and_more_enthalpy_further_right() {
        let line = dome(diagram().refrigerant, 40);
        let frame = Frame::of(&diagram(), &line);
        assert!(frame.y(2e6) < frame.y(1e6));
        assert!(frame.x(450e3) > frame.x(250e3));
        for (liquid, vapor, p) in line.iter().filter(|(_, _, p)| frame.pressure.contains(p)) {
            assert!(frame.holds(*liquid, *p) && frame.holds(*vapor, *p));
        }
    }
}
