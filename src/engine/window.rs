//! The last hour or so of one channel as averages over short blocks: what settling, hunting and
//! the approach are read from. Its memory does not grow with the record.

use std::collections::VecDeque;

/// Readings of a few seconds, averaged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Block {
    /// First reading (s).
    pub from_s: f64,
    /// Last reading (s).
    pub to_s: f64,
    /// Mean time (s).
    pub t: f64,
    /// Mean value (K).
    pub x: f64,
    /// Sum of squared deviations of the readings from their mean (K²).
    pub within: f64,
    /// How many readings.
    pub readings: u32,
    /// The last reading as it was (K).
    pub last: f64,
}

impl Block {
    const fn of(t: f64, x: f64) -> Self {
        Self { from_s: t, to_s: t, t, x, within: 0.0, readings: 1, last: x }
    }

    fn add(&mut self, t: f64, x: f64) {
        self.readings += 1;
        let share = 1.0 / f64::from(self.readings);
        let off = x - self.x;
        self.t += (t - self.t) * share;
        self.x += off * share;
        self.within += off * (x - self.x);
        self.to_s = t;
        self.last = x;
    }
}

/// Block averages of one channel, the newest last.
#[derive(Debug, Clone)]
pub struct Window {
    block_s: f64,
    blocks_max: usize,
    blocks: VecDeque<Block>,
    open: Option<Block>,
    last_reading: Option<(f64, f64)>,
    step: f64,
}

impl Window {
    /// A window of at most `blocks_max` blocks, each of readings of `block_s` seconds.
    pub fn new(block_s: f64, blocks_max: usize) -> Self {
        Self {
            block_s,
            blocks_max,
            blocks: VecDeque::new(),
            open: None,
            last_reading: None,
            step: f64::INFINITY,
        }
    }

    /// Takes a reading (s, K); says whether a block became complete.
    pub fn take(&mut self, t: f64, x: f64) -> bool {
        if let Some((_, before)) = self.last_reading {
            let step = (x - before).abs();
            // Unit conversion leaves steps that differ in the last digits only: those are none.
            if step > 1e-6 && step < self.step {
                self.step = step;
            }
        }
        self.last_reading = Some((t, x));
        let Some(open) = &mut self.open else {
            self.open = Some(Block::of(t, x));
            return false;
        };
        // A block also ends where the next reading would make it too long.
        if t - open.from_s < self.block_s {
            open.add(t, x);
            return false;
        }
        let done = std::mem::replace(open, Block::of(t, x));
        if self.blocks.len() == self.blocks_max {
            self.blocks.pop_front();
        }
        self.blocks.push_back(done);
        true
    }

    /// The complete blocks, the oldest first.
    pub const fn blocks(&self) -> &VecDeque<Block> {
        &self.blocks
    }

    /// The latest reading (s, K).
    pub const fn last_reading(&self) -> Option<(f64, f64)> {
        self.last_reading
    }

    /// The smallest difference between two readings in a row (K): the probe's step, where it is
    /// coarser than the noise. Infinite before there were two different readings.
    pub const fn step(&self) -> f64 {
        self.step
    }

    /// Drops all blocks that begin before `t` (s).
    pub fn trim_before(&mut self, t: f64) {
        while self.blocks.front().is_some_and(|block| block.from_s < t) {
            self.blocks.pop_front();
        }
        if self.open.is_some_and(|open| open.from_s < t) {
            self.open = None;
        }
    }

    /// Drops all blocks: nothing before now may be pooled with what comes.
    pub fn restart(&mut self) {
        self.blocks.clear();
        self.open = None;
        self.last_reading = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_holds_the_mean_and_the_scatter_of_its_readings() {
        let mut window = Window::new(10.0, 4);
        for (t, x) in [(0.0, 1.0), (4.0, 3.0), (8.0, 2.0)] {
            assert!(!window.take(t, x));
        }
        assert!(window.take(10.0, 5.0));
        let block = window.blocks()[0];
        assert_eq!((block.t, block.x, block.readings), (4.0, 2.0, 3));
        assert!((block.within - 2.0).abs() < 1e-12, "{}", block.within);
    }

    #[test]
    fn memory_is_bounded_whatever_the_record() {
        let mut window = Window::new(10.0, 4);
        for n in 0..10_000 {
            window.take(f64::from(n), 0.0);
        }
        assert_eq!(window.blocks().len(), 4);
        assert!(window.blocks.capacity() <= 8);
    }
}
