//! Frost on the indoor coil, as far as lines and pressures show it.

use crate::engine::columns::Units;
use crate::engine::job::Mode;
use crate::engine::phrase::Phrase;
use crate::engine::settle::lay;
use crate::engine::window::Window;
use crate::units::quantity::QuantityKind;

/// How long the suction line must have been that cold (s, 30 to 600; default 60).
const COLD_S: f64 = 60.0;
/// How long a fall must last to be suspected (s, 600 to 3,600; default 1,200).
const FALL_S: f64 = 1_200.0;
/// Least fall that is suspicious (K/s, 0.01 to 0.2 K a minute; default 0.05).
const FALL_K_PER_S: f64 = 0.05 / 60.0;

/// The windows that frost shows in.
#[derive(Debug, Clone, Copy)]
pub struct Lines<'a> {
    /// Suction line, temperature.
    pub suction: &'a Window,
    /// Low-side pressure, in kelvins of its saturation, or the coil's own temperature.
    pub evaporating: Option<&'a Window>,
    /// Return air.
    pub back: Option<&'a Window>,
}

/// What was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seen {
    /// The suction line is that cold: sufficient for frost, not necessary.
    Frost {
        /// Its temperature (°C).
        suction: f64,
    },
    /// Suction line and evaporating temperature fall through the run while return air holds.
    Suspected {
        /// Drift of the suction line (K/s), below 0.
        fall: f64,
    },
}

impl Seen {
    /// The event's name.
    pub const fn event(&self) -> &'static str {
        match self {
            Self::Frost { .. } => "icing",
            Self::Suspected { .. } => "icing_suspected",
        }
    }

    /// The rest, in words.
    pub fn detail(&self, units: Units) -> String {
        let said = Phrase::of(QuantityKind::Temperature, units);
        match self {
            Self::Frost { suction } => {
                format!("the suction line is at {}, where water freezes", said.value(*suction))
            }
            Self::Suspected { fall } => format!(
                "suction line and evaporating temperature fall ({}) while return air holds",
                said.rate(fall.abs()),
            ),
        }
    }
}

/// Looks for frost while the compressor runs; in heating the indoor coil is warm and has none.
pub fn look(lines: &Lines<'_>, frost_c: f64, mode: Mode) -> Option<Seen> {
    if mode == Mode::Heating {
        return None;
    }
    let blocks = lines.suction.blocks();
    let last = blocks.back()?;
    let cold = blocks.iter().rev().take_while(|block| block.x <= frost_c).last();
    if cold.is_some_and(|first| last.to_s - first.from_s >= COLD_S) {
        return Some(Seen::Frost { suction: last.x });
    }
    let falls = |window: &Window| {
        let stretch = long(window)?;
        (stretch.0 + stretch.1 < -FALL_K_PER_S).then_some(stretch.0)
    };
    let fall = falls(lines.suction)?;
    falls(lines.evaporating?)?;
    let (back, margin) = long(lines.back?)?;
    (back.abs() + margin < FALL_K_PER_S).then_some(Seen::Suspected { fall })
}

/// Drift and its margin (K/s) over the last long stretch, where there is one.
fn long(window: &Window) -> Option<(f64, f64)> {
    let blocks = window.blocks();
    let last = blocks.back()?;
    let first = blocks.partition_point(|block| block.from_s < last.to_s - FALL_S);
    let whole = last.to_s - blocks[first].from_s > 0.9 * FALL_S && blocks.len() - first >= 10;
    whole.then(|| {
        let stretch = lay(blocks, first, 0.0);
        (stretch.drift, stretch.drift_margin)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half an hour, with a little ripple, that falls by `fall` (K a minute).
    fn window(from: f64, fall: f64) -> Window {
        let mut window = Window::new(10.0, 362);
        for t in 0..1_800 {
            let t = f64::from(t);
            window.take(t, from - fall / 60.0 * t + 0.02 * libm::sin(7.0 * t));
        }
        window
    }

    fn check(suction: &Window, coil: Option<&Window>, back: &Window, expected: Option<&str>) {
        let lines = Lines { suction, evaporating: coil, back: Some(back) };
        let seen = look(&lines, 0.0, Mode::Cooling);
        assert_eq!(seen.map(|seen| seen.event()), expected, "{seen:?}");
        assert_eq!(look(&lines, 0.0, Mode::Heating), None);
    }

    #[test]
    fn frost_is_seen_by_its_cold_and_suspected_by_a_fall_of_both() {
        let (still, falling) = (window(8.0, 0.0), window(8.0, 0.15));
        let (room, cooling_room) = (window(25.0, 0.0), window(25.0, 0.15));
        check(&window(-1.0, 0.0), None, &room, Some("icing"));
        check(&still, Some(&still), &room, None);
        check(&falling, Some(&falling), &room, Some("icing_suspected"));
        // Either alone is no suspicion, nor is a fall that the room explains.
        check(&falling, Some(&still), &room, None);
        check(&still, Some(&falling), &room, None);
        check(&falling, None, &room, None);
        check(&falling, Some(&falling), &cooling_room, None);
    }

    #[test]
    fn a_suction_line_that_dips_for_half_a_minute_is_no_frost() {
        let mut dip = window(4.0, 0.0);
        for t in 1_800..1_830 {
            dip.take(f64::from(t), -1.0);
        }
        check(&dip, None, &window(25.0, 0.0), None);
    }
}
