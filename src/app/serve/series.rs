//! The values of a visit as the page plots them: fine for the last two days, and as extremes of a
//! minute or so for months, in bounded memory.

use std::collections::VecDeque;

/// Moments that are kept one by one: two days at one a second (some 0.7 MB a column).
const FINE_MAX: usize = 172_800;
/// Moments whose extremes are kept together once they are no longer kept one by one.
const BLOCK: usize = 64;
/// Blocks that are kept: 74 days at one moment a second (some 0.8 MB a column).
const BLOCKS_MAX: usize = 100_000;

/// Columns of values over one grid of moments; a value that is not known is NaN.
#[derive(Debug, Default)]
pub struct Series {
    columns: Vec<Column>,
    /// Number of the first moment that is kept one by one.
    fine_from: usize,
    /// Number of the first block that is kept.
    blocks_from: usize,
    /// Moments so far.
    len: usize,
}

#[derive(Debug, Default)]
struct Column {
    fine: VecDeque<f32>,
    /// Least and greatest of each block.
    blocks: VecDeque<[f32; 2]>,
}

/// Points for a plot: at each moment (a number on the grid, with halves) a value a column.
#[derive(Debug, Default, PartialEq)]
pub struct Points {
    /// The moments.
    pub moments: Vec<usize>,
    /// For each column its values, NaN where nothing is known.
    pub values: Vec<Vec<f32>>,
}

impl Series {
    /// No moment yet, of so many columns to begin with.
    pub fn new(columns: usize) -> Self {
        let columns = (0..columns).map(|_| Column::default()).collect();
        Self { columns, ..Self::default() }
    }

    /// How many moments there are.
    pub fn len(&self) -> usize {
        self.len
    }

    /// Adds a moment; `values` has a value for each column, and more where columns are new. What it
    /// lacks is not known.
    pub fn push(&mut self, values: impl ExactSizeIterator<Item = f32>) {
        let fine_len = self.len - self.fine_from;
        let blocks_len = self.len.div_ceil(BLOCK) - self.blocks_from;
        while self.columns.len() < values.len() {
            let fine = VecDeque::from(vec![f32::NAN; fine_len]);
            let blocks = VecDeque::from(vec![[f32::NAN; 2]; blocks_len]);
            self.columns.push(Column { fine, blocks });
        }
        let begins = self.len.is_multiple_of(BLOCK);
        let values = values.chain(std::iter::repeat(f32::NAN));
        for (column, value) in self.columns.iter_mut().zip(values) {
            column.fine.push_back(value);
            if begins {
                column.blocks.push_back([value; 2]);
            } else if let Some([least, greatest]) = column.blocks.back_mut() {
                // The extremes of a number and NaN are the number.
                (*least, *greatest) = (least.min(value), greatest.max(value));
            }
        }
        self.len += 1;
        self.forget();
    }

    /// Forgets what is older than what is kept.
    fn forget(&mut self) {
        if self.len - self.fine_from > FINE_MAX {
            for column in &mut self.columns {
                column.fine.pop_front();
            }
            self.fine_from += 1;
        }
        if self.len.div_ceil(BLOCK) - self.blocks_from > BLOCKS_MAX {
            for column in &mut self.columns {
                column.blocks.pop_front();
            }
            self.blocks_from += 1;
        }
    }

    /// At most some `points_max` points of the moments `from..to`: all of them where they are that
    /// few, else of each bucket the least and the greatest, in the order in which they came.
    pub fn points(&self, from: usize, to: usize, points_max: usize) -> Points {
        let from = from.min(self.len);
        let to = to.clamp(from, self.len);
        let buckets = (points_max / 2).max(1);
        if from >= self.fine_from && to - from <= points_max {
            return Points {
                moments: (from..to).collect(),
                values: self.columns.iter().map(|column| self.fine(column, from, to)).collect(),
            };
        }
        let size = (to - from).div_ceil(buckets).max(1);
        let starts: Vec<usize> = (from..to).step_by(size).collect();
        let moments = starts.iter().flat_map(|start| [*start, start + size / 2]).collect();
        let values = self.columns.iter().map(|column| {
            starts.iter().flat_map(|start| self.extremes(column, *start, (start + size).min(to)))
        });
        Points { moments, values: values.map(Iterator::collect).collect() }
    }

    fn fine(&self, column: &Column, from: usize, to: usize) -> Vec<f32> {
        column.fine.range(from - self.fine_from..to - self.fine_from).copied().collect()
    }

    /// The least and greatest of a column over `from..to`, the earlier one first.
    fn extremes(&self, column: &Column, from: usize, to: usize) -> [f32; 2] {
        if from < self.fine_from {
            let blocks = from / BLOCK..to.div_ceil(BLOCK);
            let known = blocks
                .filter_map(|number| column.blocks.get(number.checked_sub(self.blocks_from)?));
            return known.fold([f32::NAN; 2], |[least, greatest], block| {
                [least.min(block[0]), greatest.max(block[1])]
            });
        }
        let (mut least, mut greatest) = ((f32::NAN, 0), (f32::NAN, 0));
        let values = column.fine.range(from - self.fine_from..to - self.fine_from);
        for (place, value) in values.enumerate() {
            if !value.is_finite() {
                continue;
            }
            if least.0.is_nan() || *value < least.0 {
                least = (*value, place);
            }
            if greatest.0.is_nan() || *value > greatest.0 {
                greatest = (*value, place);
            }
        }
        if least.1 <= greatest.1 { [least.0, greatest.0] } else { [greatest.0, least.0] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(values: impl Iterator<Item = f32>) -> Series {
        let mut series = Series::default();
        values.for_each(|value| series.push([value].into_iter()));
        series
    }

    #[test]
    fn what_fits_is_given_as_it_is() {
        let series = series([1.0, 2.0, 3.0, 4.0].into_iter());
        let points = series.points(1, 3, 100);
        assert_eq!((points.moments, points.values), (vec![1, 2], vec![vec![2.0, 3.0]]));
        assert!(series.points(9, 3, 100).moments.is_empty());
        assert!(series.points(3, 1, 100).moments.is_empty());
    }

    #[test]
    fn the_extremes_of_a_night_are_kept_in_few_points() {
        // Eight hours at one a second, with one spike each way.
        let night = (0..28_800).map(|n| match n {
            10_007 => 90.0,
            20_011 => -40.0,
            n => (n % 10) as f32,
        });
        let points = series(night).points(0, 28_800, 1_000);
        assert!(points.moments.len() <= 1_000, "{}", points.moments.len());
        assert!(points.moments.is_sorted());
        assert_eq!(points.values[0].len(), points.moments.len());
        assert!(points.values[0].contains(&90.0) && points.values[0].contains(&-40.0));
    }

    #[test]
    fn what_came_first_stands_first_in_a_bucket() {
        let falling = series((0..100).rev().map(|n| n as f32));
        assert_eq!(falling.points(0, 100, 2).values[0], [99.0, 0.0]);
    }

    #[test]
    fn what_is_not_known_is_no_extreme() {
        let gap = series([f32::NAN, 5.0, f32::NAN, 6.0].into_iter());
        assert_eq!(gap.points(0, 4, 2).values[0], [5.0, 6.0]);
        let none = series([f32::NAN; 4].into_iter());
        assert!(none.points(0, 4, 2).values[0].iter().all(|value| value.is_nan()));
    }

    #[test]
    fn a_column_that_comes_later_begins_unknown() {
        let mut series = series([1.0, 2.0].into_iter());
        series.push([3.0, 7.0].into_iter());
        let points = series.points(0, 3, 100);
        assert!(points.values[1][0].is_nan() && points.values[1][2] == 7.0);
    }

    #[test]
    fn months_take_no_more_memory_than_days_and_keep_their_extremes() {
        let mut series = Series::default();
        for n in 0..400_000 {
            series.push([if n == 5 { 99.0 } else { 1.0 }].into_iter());
        }
        assert_eq!(series.columns[0].fine.len(), FINE_MAX);
        assert_eq!(series.columns[0].blocks.len(), 400_000 / BLOCK);
        let points = series.points(0, 400_000, 500);
        assert_eq!(points.values[0].iter().copied().fold(0.0, f32::max), 99.0);
        assert!(points.moments.len() <= 500);
    }
}
