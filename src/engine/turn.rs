//! Turns: when a channel's course breaks, as at a start or stop of the compressor.
//!
//! A supply duct stays cold after a stop and a discharge line stays hot, so no level tells when
//! the compressor stopped; the turn of the curve does. How far a channel has come from its extreme
//! of the last minutes says that something happened; a line with a bend in it, laid through the
//! points around, says when.

use crate::engine::window::{Block, Window};

/// How far back an extreme counts (s, 60 to 600; default 180).
const BACK_S: f64 = 180.0;
/// The same for slow probes (usual intervals, 3 to 10; default 4).
const BACK_INTERVALS: f64 = 4.0;
/// Length of the points that a bend is laid through (s, 1 to 30; default 4).
const POINT_S: f64 = 4.0;
/// Intervals from which on the curve's shape between readings is not seen (s, 10 to 60; default
/// 15).
const SLOW_S: f64 = 15.0;
/// A reading is off the old course once it has gone this share of the way (0.05 to 0.3; default
/// 0.12).
const OFF_SHARE: f64 = 0.12;
/// The course before a turn belongs to another one where it comes back by this share of the way
/// since (0.1 to 0.5; default 0.25), and by this much (K, 0.3 to 2; default 0.8).
const RETURN_SHARE: f64 = 0.25;
const RETURN_K_MIN: f64 = 0.8;
/// Share of a probe's time constant by which a straight bend comes out late (0 to 1; default 0.4).
/// A straight line through the first part of a lagged curve meets the old course between the
/// true moment and one time constant later.
const LAG_SHARE: f64 = 0.4;
/// How many points are kept (30 to 200; default 120): eight minutes at 1 Hz.
const POINTS_MAX: usize = 120;
/// How much of the course before an extreme the bend is laid through (s, 60 to 300; default 120).
const BEFORE_S: f64 = 120.0;

/// A course swings, as that of a valve that hunts, where it crosses its own line this often within
/// this time (s; intervals of slow probes), and this far after the turn before (s); smaller swings (K, root of the mean square,
/// 0.2 to 1; default 0.3) do not matter.
const CROSSINGS_MIN: usize = 3;
const SWING_BACK_S: f64 = 420.0;
const SWING_BACK_INTERVALS: f64 = 8.0;
const SWING_CALM_S: f64 = 90.0;
const SWING_K_MIN: f64 = 0.3;
/// A point lies out of the swing beyond this many times its root of the mean square (1.5 to 2.5;
/// default 1.8; the crest of a sine is at 1.41).
const OUT_OF_SWING: f64 = 1.8;
/// How much of the later course is drawn back to the level of the swing (s, 40 to 120; default 60).
const DRAWN_BACK_S: f64 = 60.0;
/// What is not known of a turn out of a swing that nothing can be drawn back to (s).
const LOST_IN_SWING_S: f64 = 60.0;

/// How far a channel has come within the last minutes (K): up from its lowest, down from its
/// highest.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Travel {
    /// Rise since the lowest point.
    pub up: f64,
    /// Fall since the highest point.
    pub down: f64,
}

/// A moment with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// When (s).
    pub at_s: f64,
    /// Standard uncertainty (s).
    pub uncertainty_s: f64,
}

/// The latest course of one channel in fine points.
#[derive(Debug, Clone)]
pub struct Course {
    points: Window,
}

impl Default for Course {
    fn default() -> Self {
        Self::new()
    }
}

impl Course {
    /// An empty course.
    pub fn new() -> Self {
        Self { points: Window::new(POINT_S, POINTS_MAX) }
    }

    /// Takes a reading (s, K); says whether a point became complete.
    pub fn take(&mut self, t: f64, x: f64) -> bool {
        self.points.take(t, x)
    }

    /// Forgets the course.
    pub fn restart(&mut self) {
        self.points.restart();
    }

    /// Seconds from the first point to the last.
    pub fn length_s(&self) -> f64 {
        let points = self.points.blocks();
        match (points.front(), points.back()) {
            (Some(first), Some(last)) => last.t - first.t,
            _ => 0.0,
        }
    }

    /// The lowest and the highest point of the course, taken `way` up (K, times `way`).
    pub fn extremes(&self, way: f64) -> Option<(f64, f64)> {
        let first = way * self.points.blocks().front()?.x;
        Some(self.points.blocks().iter().fold((first, first), |(low, high), point| {
            (low.min(way * point.x), high.max(way * point.x))
        }))
    }

    /// The stretch that [`Course::travel`] looks at, among points after `since_s`: from when (s), and
    /// its last point (s).
    pub fn stretch(&self, interval_s: f64, since_s: f64) -> Option<(f64, f64)> {
        let last = self.points.blocks().back()?;
        Some(((last.t - BACK_S.max(BACK_INTERVALS * interval_s)).max(since_s), last.t))
    }

    /// How far the channel has come by its last point from where it was `back` (s) and later.
    pub fn travel(&self, back: f64) -> Travel {
        let points = self.points.blocks();
        let Some(last) = points.back() else { return Travel::default() };
        let (mut lowest, mut highest) = (last.x, last.x);
        for point in points.iter().rev().take_while(|point| point.t >= back) {
            lowest = lowest.min(point.x);
            highest = highest.max(point.x);
        }
        Travel { up: last.x - lowest, down: highest - last.x }
    }

    /// When the course bent `way` (1 up, −1 down) to where it is now, looking at points after
    /// `since_s` and up to `until_s`. `lag_s` is the probe's time constant, `delay_s` how much
    /// later than the compressor the place itself may turn.
    pub fn bend(
        &self,
        way: f64,
        interval_s: f64,
        since_s: f64,
        until_s: f64,
        (lag_s, delay_s): (f64, f64),
    ) -> Option<Moment> {
        let points = self.points.blocks();
        let until_s = until_s.min(points.back()?.t);
        let back = (until_s - BACK_S.max(BACK_INTERVALS * interval_s)).max(since_s);
        // Back from the end to the extreme that the course left. Where the course before it comes
        // back by a good part of the way, as a valve that hunts makes it, that was another turn.
        let end = way * points.back()?.x;
        let (mut turned, mut lowest, mut from) = (until_s, f64::INFINITY, back);
        let recent = points.iter().rev().skip_while(|point| point.t > until_s);
        for point in recent.take_while(|point| point.t >= back) {
            let y = way * point.x;
            if y < lowest {
                (turned, lowest) = (point.t, y);
            } else if y - lowest > (RETURN_SHARE * (end - lowest)).max(RETURN_K_MIN) && end > lowest
            {
                from = point.t;
                break;
            }
        }
        let before = BEFORE_S.max(3.0 * interval_s);
        let from = from.max(turned - before).max(since_s);
        let near: Vec<(f64, f64)> = points
            .iter()
            .filter(|point| point.t >= from && point.t <= until_s)
            .map(|point| (point.t - turned, way * point.x))
            .collect();
        let found = bend_of(&near)?;
        let spacing = POINT_S.max(interval_s);
        let lag_s = LAG_SHARE * lag_s;
        let at_s = turned + found.at_s - if found.square { 0.0 } else { lag_s };
        // What the bend's own shape leaves unknown: a quarter of a point and half the lag.
        let shape = 0.25 * spacing + lag_s + delay_s;
        let uncertainty_s = libm::hypot(found.uncertainty_s, shape);
        let swing = self.swing(way, since_s, turned, interval_s);
        if interval_s < SLOW_S {
            let Some(swing) = swing else { return Some(Moment { at_s, uncertainty_s }) };
            // Such a course bends all the time; its last crest is not the turn.
            let drawn = swing.drawn_back(&near, turned);
            let (at_s, own_s) =
                drawn.map_or((at_s, LOST_IN_SWING_S), |(at, own)| (at - lag_s, own));
            return Some(Moment { at_s, uncertainty_s: libm::hypot(own_s, shape) });
        }
        // Between two readings of a slow probe the curve's shape is not seen. The bend lies
        // between the last reading that is still on the old course and the first that is not.
        let (last, first) = bracket(&near, swing)?;
        let within = at_s.clamp(turned + last, turned + first);
        let middle = turned + f64::midpoint(last, first);
        let own_s = swing.map_or(0.0, |swing| swing.rms / swing.slope_out(&near, last));
        let width_s = libm::hypot((first - last) / 12.0_f64.sqrt(), own_s.min(LOST_IN_SWING_S));
        Some(Moment {
            at_s: if swing.is_some() { middle } else { f64::midpoint(within, middle) },
            uncertainty_s: libm::hypot(width_s, lag_s + delay_s),
        })
    }
}

impl Course {
    /// The swing about a level by `turned` (s), where the course does swing; taken `way` up.
    fn swing(&self, way: f64, since_s: f64, turned: f64, interval_s: f64) -> Option<Swing> {
        let back = SWING_BACK_S.max(SWING_BACK_INTERVALS * interval_s);
        let from = (since_s + SWING_CALM_S).max(turned - back);
        let within = |point: &&Block| point.t >= from && point.t <= turned;
        let points: Vec<(f64, f64)> =
            self.points.blocks().iter().filter(within).map(|p| (p.t - turned, way * p.x)).collect();
        let line = Line::through(&points)?;
        let off = |(t, x): &(f64, f64)| x - line.at(*t);
        let squares: f64 = points.iter().map(|point| off(point) * off(point)).sum();
        let rms = (squares / points.len() as f64).sqrt();
        if rms < SWING_K_MIN {
            return None;
        }
        let (mut side, mut crossings) = (0.0, 0);
        for point in &points {
            let now = off(point);
            if now.abs() > 0.5 * rms && now.signum() != side {
                crossings += usize::from(side != 0.0);
                side = now.signum();
            }
        }
        (crossings >= CROSSINGS_MIN).then(|| Swing { level: line.at(0.0), rms })
    }
}

/// A swing about a level (K).
#[derive(Debug, Clone, Copy)]
struct Swing {
    level: f64,
    rms: f64,
}

impl Swing {
    /// How fast the course leaves the swing after `last` (s) to where `points` end (K/s).
    fn slope_out(&self, points: &[(f64, f64)], last: f64) -> f64 {
        let Some((t, y)) = points.last() else { return 0.0 };
        ((y - self.level) / (t - last).max(1.0)).max(1e-3)
    }

    /// Where the course after the swing, drawn back as a line, meets the swing's level (s), and how
    /// far that is off because the swing may have been anywhere then (s). `points` (s from
    /// `turned`, K) rise in the end.
    fn drawn_back(&self, points: &[(f64, f64)], turned: f64) -> Option<(f64, f64)> {
        let limit = self.level + OUT_OF_SWING * self.rms;
        let last = points.iter().rposition(|(_, y)| *y <= limit)?;
        let out = points.get(last + 1..)?;
        let first = out.first()?.0;
        let out: Vec<(f64, f64)> =
            out.iter().copied().take_while(|(t, _)| *t <= first + DRAWN_BACK_S).collect();
        let line = Line::through(&out)?;
        (line.slope > 0.0).then(|| {
            let at = line.mean_t - (line.mean_x - self.level) / line.slope;
            (turned + at.min(first), self.rms / line.slope)
        })
    }
}

/// A least-squares line.
#[derive(Debug, Clone, Copy)]
struct Line {
    mean_t: f64,
    mean_x: f64,
    slope: f64,
}

impl Line {
    /// Through four points (s, K) or more.
    fn through(points: &[(f64, f64)]) -> Option<Self> {
        if points.len() < 4 {
            return None;
        }
        let n = points.len() as f64;
        let mean_t = points.iter().map(|(t, _)| t).sum::<f64>() / n;
        let mean_x = points.iter().map(|(_, x)| x).sum::<f64>() / n;
        let (mut tt, mut tx) = (0.0, 0.0);
        for (t, x) in points {
            tt += (t - mean_t) * (t - mean_t);
            tx += (t - mean_t) * (x - mean_x);
        }
        (tt > 0.0).then(|| Self { mean_t, mean_x, slope: tx / tt })
    }

    fn at(&self, t: f64) -> f64 {
        self.mean_x + self.slope * (t - self.mean_t)
    }
}

/// The last point on the old course, or within its swing, and the first off it, for points (s, K)
/// that rise in the end.
fn bracket(points: &[(f64, f64)], swing: Option<Swing>) -> Option<(f64, f64)> {
    let lowest = points.iter().map(|(_, y)| *y).fold(f64::INFINITY, f64::min);
    let (_, latest) = points.last()?;
    let off = lowest + OFF_SHARE * (latest - lowest);
    let limit = swing.map_or(off, |swing| off.max(swing.level + OUT_OF_SWING * swing.rms));
    let last = points.iter().rposition(|(_, y)| *y <= limit)?;
    Some((points[last].0, points.get(last + 1)?.0))
}

struct Bend {
    at_s: f64,
    uncertainty_s: f64,
    square: bool,
}

/// The bend that fits best: a line, and from the bend on another slope or a parabola on top.
fn bend_of(points: &[(f64, f64)]) -> Option<Bend> {
    if points.len() < 4 {
        return None;
    }
    let mut tried = Vec::with_capacity(8 * points.len());
    for pair in points[..points.len() - 1].windows(2) {
        for quarter in 0..4 {
            let at = pair[0].0 + (pair[1].0 - pair[0].0) * f64::from(quarter) / 4.0;
            for square in [false, true] {
                if let Some(left) = left_over(points, at, square) {
                    tried.push((left, at, square));
                }
            }
        }
    }
    let (least, at_s, square) = tried.iter().copied().min_by(|a, b| a.0.total_cmp(&b.0))?;
    let freedom = (points.len() as f64 - 4.0).max(1.0);
    // Bends whose squares exceed the least by one variance lie within one standard deviation.
    let limit = least * (1.0 + 1.0 / freedom) + 1e-9;
    let near = tried.iter().filter(|(left, _, shape)| *left <= limit && *shape == square);
    let widest = near.fold(0.0_f64, |widest, (_, at, _)| widest.max((at - at_s).abs()));
    Some(Bend { at_s, uncertainty_s: widest, square })
}

/// Sum of squares left over by `a + b·t + d·f(t − at)`, d > 0, with f = u or u² after `at`.
fn left_over(points: &[(f64, f64)], at: f64, square: bool) -> Option<f64> {
    let n = points.len() as f64;
    let bent = |t: f64| {
        let u = (t - at).max(0.0);
        if square { u * u } else { u }
    };
    let (mut st, mut sy, mut sf) = (0.0, 0.0, 0.0);
    for (t, y) in points {
        st += t;
        sy += y;
        sf += bent(*t);
    }
    let (mt, my, mf) = (st / n, sy / n, sf / n);
    let (mut tt, mut tf, mut ff, mut ty, mut fy, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (t, y) in points {
        let (t, f, y) = (t - mt, bent(*t) - mf, y - my);
        tt += t * t;
        tf += t * f;
        ff += f * f;
        ty += t * y;
        fy += f * y;
        yy += y * y;
    }
    let det = tt * ff - tf * tf;
    if det <= 1e-9 * tt * ff {
        return None;
    }
    let slope = (ty * ff - fy * tf) / det;
    let bend = (fy * tt - ty * tf) / det;
    (bend > 0.0).then(|| (yy - slope * ty - bend * fy).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A plateau that falls off from `at` on, with a ripple that stands for noise.
    fn course(at: f64, interval: f64, fall: f64) -> Course {
        let mut course = Course::new();
        let mut t = 0.0;
        while t <= at + 60.0_f64.max(3.0 * interval) {
            let ripple = 0.02 * libm::sin(t * 1.7);
            course.take(t, 50.0 + ripple - fall * (t - at).max(0.0));
            t += interval;
        }
        course
    }

    #[test]
    fn a_bend_is_found_where_it_is() {
        for (at, interval, tolerance) in
            [(300.0, 1.0, 3.0), (303.0, 5.0, 4.0), (1_000.0, 60.0, 30.0)]
        {
            let course = course(at, interval, 0.1);
            let found = course.bend(-1.0, interval, 0.0, f64::INFINITY, (0.0, 0.0)).unwrap();
            assert!((found.at_s - at).abs() < tolerance, "{at} {interval}: {found:?}");
        }
    }

    #[test]
    fn a_turn_out_of_a_swing_is_not_mistaken_for_its_last_crest() {
        // A valve hunts by ±1.2 K until 603 s, whatever it is at then; after that the line cools.
        for phase in [0.0, 1.5, 3.0, 4.5] {
            let mut course = Course::new();
            for t in 0..690 {
                let t = f64::from(t);
                let swing = 1.2 * libm::sin(std::f64::consts::TAU * t / 120.0 + phase);
                let gone = t - 603.0;
                course.take(t, if gone < 0.0 { 70.0 + swing } else { 70.0 - 0.06 * gone });
            }
            let found = course.bend(-1.0, 1.0, 0.0, f64::INFINITY, (0.0, 0.0)).unwrap();
            assert!((found.at_s - 603.0).abs() < 10.0, "{phase}: {found:?}");
            // 0.85 K of swing at 0.06 K/s.
            assert!((8.0..25.0).contains(&found.uncertainty_s), "{found:?}");
        }
    }

    #[test]
    fn a_slow_drift_is_no_travel() {
        let mut course = Course::new();
        for t in 0..3_600 {
            course.take(f64::from(t), f64::from(t) * 0.001);
        }
        let (back, _) = course.stretch(1.0, 0.0).unwrap();
        let travel = course.travel(back);
        assert!(travel.up < 0.3 && travel.down == 0.0, "{travel:?}");
    }
}
