//! Defrost: in heating the circuit is turned round for some minutes, so that the outdoor coil gets
//! hot and the indoor coil cold, while the compressor runs on.
//!
//! A stop looks alike on the indoor side, and brings the outdoor coil up to outdoor air. So a coil
//! that warms tells a defrost only where the compressor is known to run by its electricity, or
//! where it gets well above the outdoor air. Where neither is heard, there is no answer.

use crate::engine::window::Window;

/// How far back both courses are looked at (s, 300 to 1,200; default 600): a defrost lasts some
/// minutes. Common practice, no source.
const BACK_S: f64 = 600.0;
/// Least fall of the indoor coil or the supply air (K, 3 to 10; default 5).
const FALL_K: f64 = 5.0;
/// Least rise of the outdoor coil or liquid line (K, 4 to 15; default 8).
const RISE_K: f64 = 8.0;
/// How far above outdoor air a coil must get where electricity does not tell (K, 3 to 10;
/// default 5).
const ABOVE_AIR_K: f64 = 5.0;

/// The windows that a defrost shows in.
#[derive(Debug, Clone, Copy)]
pub struct Lines<'a> {
    /// Indoor coil and supply air.
    pub indoor: [Option<&'a Window>; 2],
    /// Outdoor coil and liquid line.
    pub outdoor: [Option<&'a Window>; 2],
    /// Outdoor air (°C).
    pub outdoor_air: Option<f64>,
    /// Whether the compressor's current or power says that it runs.
    pub runs: bool,
}

/// Whether the unit defrosts now, as far as these show it.
pub fn look(lines: &Lines<'_>) -> bool {
    let falls = lines.indoor.iter().flatten().any(|window| travel(window, -1.0) >= FALL_K);
    let rises = |window: &&&Window| travel(window, 1.0) >= RISE_K;
    let Some(warm) = lines.outdoor.iter().flatten().find(rises) else { return false };
    let above = lines.outdoor_air.zip(warm.blocks().back());
    let hot = above.is_some_and(|(air, last)| last.x >= air + ABOVE_AIR_K);
    falls && (lines.runs || hot)
}

/// How far a channel has come from its extreme of the last minutes, taken `way` up (K).
fn travel(window: &Window, way: f64) -> f64 {
    let blocks = window.blocks();
    let Some(last) = blocks.back() else { return 0.0 };
    let recent = blocks.iter().rev().take_while(|block| block.t >= last.t - BACK_S);
    recent.fold(0.0, |far: f64, block| far.max(way * (last.x - block.x)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn window(course: impl Fn(f64) -> f64) -> Window {
        let mut window = Window::new(10.0, 360);
        for t in 0..900 {
            window.take(f64::from(t), course(f64::from(t)));
        }
        window
    }

    /// From 700 s on a channel goes from `from` towards `to` within a minute or so.
    fn turned(from: f64, to: f64) -> Window {
        window(|t| to + (from - to) * libm::exp(-(t - 700.0).max(0.0) / 60.0))
    }

    fn check(supply: &Window, coil: &Window, outdoor_air: Option<f64>, runs: bool, expected: bool) {
        let (indoor, outdoor) = ([None, Some(supply)], [Some(coil), None]);
        assert_eq!(look(&Lines { indoor, outdoor, outdoor_air, runs }), expected);
    }

    #[test]
    fn a_defrost_is_told_from_a_stop_only_where_the_data_show_it() {
        let (supply, melting, resting) =
            (turned(38.0, 18.0), turned(-6.0, 15.0), turned(-9.0, 1.0));
        check(&supply, &melting, None, true, true);
        check(&supply, &melting, Some(1.0), false, true);
        // A stop brings the coil to outdoor air and no further.
        check(&supply, &resting, Some(1.0), false, false);
        check(&supply, &melting, None, false, false);
        // The indoor side must fall, too.
        check(&window(|_| 38.0), &melting, Some(1.0), true, false);
    }
}
