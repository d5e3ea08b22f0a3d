//! A line of any length in bounded memory: as fine as a picture can show, extremes kept.

use crate::units::time::Elapsed;

/// Most places of a thinned line: more than a picture has columns for one plot.
const PLACES_MAX: usize = 1_024;
/// Width of a place in the beginning (ms).
const WIDTH_MS: u64 = 1_000;

/// A line that is thinned while it grows.
#[derive(Debug, Clone)]
pub struct Thin {
    from: Elapsed,
    width_ms: u64,
    places: Vec<Column>,
}

/// What fell into one place.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Column {
    /// No moment.
    Untouched,
    /// Moments at which nothing was known.
    Gap,
    /// The lowest and the highest value, each with its moment.
    Values((Elapsed, f64), (Elapsed, f64)),
}

impl Column {
    fn with(self, other: Self) -> Self {
        match (self, other) {
            (Self::Values(low, high), Self::Values(other_low, other_high)) => Self::Values(
                if other_low.1 < low.1 { other_low } else { low },
                if other_high.1 > high.1 { other_high } else { high },
            ),
            (Self::Untouched, other) | (Self::Gap, other @ Self::Values(..)) => other,
            (this, _) => this,
        }
    }
}

impl Thin {
    /// An empty line that begins at `from`.
    pub fn new(from: Elapsed) -> Self {
        Self { from, width_ms: WIDTH_MS, places: Vec::new() }
    }

    /// Takes what is known at a moment; moments come in order.
    pub fn push(&mut self, at: Elapsed, value: Option<f64>) {
        let column = value.map_or(Column::Gap, |value| Column::Values((at, value), (at, value)));
        let mut index = self.index(at);
        while index >= PLACES_MAX {
            self.halve();
            index = self.index(at);
        }
        if index >= self.places.len() {
            self.places.resize(index + 1, Column::Untouched);
        }
        self.places[index] = self.places[index].with(column);
    }

    /// The line in stretches without a gap: moments and values, in order.
    pub fn stretches(&self) -> Vec<Vec<(Elapsed, f64)>> {
        let mut stretches: Vec<Vec<(Elapsed, f64)>> = vec![Vec::new()];
        for column in &self.places {
            match column {
                Column::Untouched => {}
                Column::Gap => stretches.push(Vec::new()),
                Column::Values(low, high) => {
                    let (first, second) = if low.0 <= high.0 { (low, high) } else { (high, low) };
                    let stretch = stretches.last_mut().expect("there is always one");
                    stretch.push(*first);
                    if second.0 != first.0 {
                        stretch.push(*second);
                    }
                }
            }
        }
        stretches.retain(|stretch| !stretch.is_empty());
        stretches
    }

    fn index(&self, at: Elapsed) -> usize {
        let since = at.as_ms().saturating_sub(self.from.as_ms());
        usize::try_from(since / self.width_ms).unwrap_or(usize::MAX)
    }

    fn halve(&mut self) {
        self.width_ms *= 2;
        let pairs = self.places.chunks(2);
        self.places =
            pairs.map(|pair| pair.iter().fold(Column::Untouched, |a, b| a.with(*b))).collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_week_at_one_a_second_keeps_its_spike_and_stays_small() {
        let mut line = Thin::new(Elapsed::ZERO);
        for second in 0..604_800 {
            let value = if second == 300_000 { 99.0 } else { f64::from(second % 7) };
            line.push(Elapsed::from_secs(u64::from(second as u32)), Some(value));
        }
        assert!(line.places.len() <= PLACES_MAX);
        let points: Vec<_> = line.stretches().concat();
        assert!(points.len() <= 2 * PLACES_MAX);
        assert!(points.contains(&(Elapsed::from_secs(300_000), 99.0)));
        assert!(points.windows(2).all(|pair| pair[0].0 < pair[1].0));
    }

    #[test]
    fn a_silence_breaks_the_line_and_a_slow_probe_does_not() {
        let mut line = Thin::new(Elapsed::from_secs(100));
        for (at, value) in [(100, Some(1.0)), (160, Some(2.0)), (220, None), (280, Some(3.0))] {
            line.push(Elapsed::from_secs(at), value);
        }
        let lengths: Vec<usize> = line.stretches().iter().map(Vec::len).collect();
        assert_eq!(lengths, [2, 1]);
    }
}
