//! Small charts of a night, as SVG in the page: bars and points with their intervals.
//!
//! Ink alone, in the page's own colours; every mark bears its numbers as a title, and a table or
//! sentence beside the chart says the same.

use maud::{Markup, html};

/// Width and height of a chart (px at a scale of one).
const SIZE: (f64, f64) = (360.0, 190.0);
/// Room for the axes on the left and below (px).
const LEFT: f64 = 44.0;
const BELOW: f64 = 26.0;
/// Room on the right and above (px).
const RIGHT: f64 = 22.0;
const ABOVE: f64 = 10.0;
/// Room of a label on an axis (px).
const LABEL: f64 = 52.0;

/// A mark with what is said of it.
#[derive(Debug, Clone)]
pub struct Mark {
    /// Where on the axis.
    pub x: f64,
    /// The value.
    pub y: f64,
    /// Its interval, where there is one.
    pub interval: Option<[f64; 2]>,
    /// What it says.
    pub says: String,
}

/// How the marks are drawn.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// As bars of this width on the x axis, from zero.
    Bars(f64),
    /// As points; with a line through them, where there is a value for each, and beside it the
    /// lines that would do as well.
    Points(Vec<[f64; 3]>),
}

/// A chart: its marks, and how its axes are labelled.
#[derive(Debug, Clone)]
pub struct Chart<'a> {
    /// What it shows, for those who do not see it.
    pub says: String,
    /// How the marks are drawn.
    pub kind: Kind,
    /// The marks.
    pub marks: Vec<Mark>,
    /// What stands at the x axis' ticks: where and what, and how far apart they may be at least.
    pub x: Axis<'a>,
    /// The same for the y axis.
    pub y: Axis<'a>,
}

/// An axis.
#[derive(Debug, Clone, Copy)]
pub struct Axis<'a> {
    /// The steps that its ticks may have, ascending; none: any round one.
    pub steps: &'a [f64],
    /// What stands at a tick.
    pub label: fn(f64) -> String,
    /// Least length of the axis.
    pub least: f64,
}

/// An axis as it is drawn.
struct Scale {
    from: f64,
    to: f64,
    ticks: Vec<f64>,
}

impl Scale {
    /// A scale that holds all of `values` and begins and ends at a tick.
    fn of(values: impl Iterator<Item = f64> + Clone, axis: &Axis<'_>, ticks_max: f64) -> Self {
        let low = values.clone().fold(f64::INFINITY, f64::min);
        let high = values.fold(f64::NEG_INFINITY, f64::max);
        let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
        let more = (axis.least - (high - low)).max(0.0) / 2.0;
        let (low, high) = (low - more, high + more);
        let step = step((high - low) / ticks_max.max(1.0), axis.steps);
        let from = (low / step).floor();
        let count = ((high / step).ceil() - from).max(1.0) as usize;
        let ticks: Vec<f64> = (0..=count).map(|n| (from + n as f64) * step).collect();
        Self { from: ticks[0], to: ticks[count], ticks }
    }

    /// Where a value lies (0 to 1).
    fn at(&self, value: f64) -> f64 {
        (value - self.from) / (self.to - self.from)
    }
}

/// The least step that is at least `least`: of the given ones, or 1, 2 or 5 with a power of ten.
fn step(least: f64, steps: &[f64]) -> f64 {
    if let Some(step) = steps.iter().find(|step| **step >= least) {
        return *step;
    }
    if let Some(last) = steps.last() {
        return last * (least / last).ceil();
    }
    let mut power = 1e-3;
    loop {
        for digit in [1.0, 2.0, 5.0] {
            if digit * power >= least {
                return digit * power;
            }
        }
        power *= 10.0;
    }
}

/// Draws a chart.
pub fn draw(chart: &Chart<'_>) -> Markup {
    let (width, height) = SIZE;
    let (inner_width, inner_height) = (width - LEFT - RIGHT, height - ABOVE - BELOW);
    let half = if let Kind::Bars(width) = &chart.kind { width / 2.0 } else { 0.0 };
    let xs = chart.marks.iter().flat_map(|mark| [mark.x - half, mark.x + half]);
    let x = Scale::of(xs, &chart.x, inner_width / LABEL);
    let ys = chart.marks.iter().flat_map(|mark| {
        let [low, high] = mark.interval.unwrap_or([mark.y; 2]);
        [mark.y, low, high]
    });
    let zero = matches!(chart.kind, Kind::Bars(_)).then_some(0.0);
    let ys: Vec<f64> = ys.chain(zero).collect();
    let y = Scale::of(ys.iter().copied(), &chart.y, 4.0);
    let px = |value: f64| LEFT + inner_width * x.at(value);
    let py = |value: f64| ABOVE + inner_height * (1.0 - y.at(value));
    let text = |value: f64| format!("{value:.1}");
    html! {
        svg.chart viewBox=(format!("0 0 {width} {height}")) role="img" aria-label=(chart.says) {
            @for tick in &y.ticks {
                line.grid x1=(text(LEFT)) x2=(text(width - RIGHT)) y1=(text(py(*tick))) y2=(text(py(*tick))) {}
                text.tick x=(text(LEFT - 6.0)) y=(text(py(*tick) + 4.0)) text-anchor="end" {
                    ((chart.y.label)(*tick))
                }
            }
            @for tick in &x.ticks {
                text.tick x=(text(px(*tick))) y=(text(height - 8.0)) text-anchor="middle" {
                    ((chart.x.label)(*tick))
                }
                line.grid x1=(text(px(*tick))) x2=(text(px(*tick))) y1=(text(ABOVE)) y2=(text(height - BELOW + 4.0)) {}
            }
            @if let Kind::Points(fitted) = &chart.kind {
                (trend(&chart.marks, fitted, (&px, &py)))
            }
            @for mark in &chart.marks {
                g.mark {
                    title { (mark.says) }
                    @match &chart.kind {
                        Kind::Bars(_) => {
                            rect.bar x=(text(px(mark.x - half) + 1.0)) y=(text(py(mark.y)))
                                width=(text((px(mark.x + half) - px(mark.x - half) - 2.0).max(1.0)))
                                height=(text(py(0.0) - py(mark.y))) {}
                        }
                        Kind::Points(_) => {
                            @if let Some([low, high]) = mark.interval {
                                line.whisker x1=(text(px(mark.x))) x2=(text(px(mark.x)))
                                    y1=(text(py(low))) y2=(text(py(high))) {}
                            }
                            circle.point cx=(text(px(mark.x))) cy=(text(py(mark.y))) r="4" {}
                        }
                    }
                }
            }
        }
    }
}

/// The line through the points, between those that would do as well.
fn trend(
    marks: &[Mark],
    fitted: &[[f64; 3]],
    (px, py): (&dyn Fn(f64) -> f64, &dyn Fn(f64) -> f64),
) -> Markup {
    let points = |which: usize| -> Vec<String> {
        let both = marks.iter().zip(fitted);
        both.map(|(mark, fit)| format!("{:.1},{:.1}", px(mark.x), py(fit[which]))).collect()
    };
    let mut fan = points(1);
    fan.extend(points(2).into_iter().rev());
    html! {
        @if !fitted.is_empty() {
            polygon.fan points=(fan.join(" ")) {}
            polyline.trend points=(points(0).join(" ")) {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_hold_all_values() {
        let axis = Axis { steps: &[], label: |v| v.to_string(), least: 0.0 };
        let scale = Scale::of([12.3, 18.9].into_iter(), &axis, 4.0);
        assert_eq!(scale.ticks, [12.0, 14.0, 16.0, 18.0, 20.0]);
        let one = Scale::of([5.0].into_iter(), &Axis { least: 1.0, ..axis }, 4.0);
        assert!(one.from < 5.0 && one.to > 5.0);
        let none = Scale::of(std::iter::empty(), &axis, 4.0);
        assert!(none.from < none.to);
    }

    #[test]
    fn what_a_mark_says_is_escaped() {
        let mark = Mark { x: 1.0, y: 2.0, interval: None, says: "<script>".to_owned() };
        let axis = Axis { steps: &[], label: |v| format!("{v:.0}"), least: 1.0 };
        let (says, kind) = ("a chart".to_owned(), Kind::Points(Vec::new()));
        let svg = draw(&Chart { says, kind, marks: vec![mark], x: axis, y: axis }).into_string();
        assert!(svg.contains("&lt;script&gt;") && !svg.contains("<script>"), "{svg}");
    }
}
