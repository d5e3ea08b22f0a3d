//! First-order lags: metal, ducts and probes follow what drives them.

/// A value that follows its target as heat capacity does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lag {
    value: f64,
}

impl Lag {
    /// At rest at `value`.
    pub const fn at(value: f64) -> Self {
        Self { value }
    }

    /// The value now.
    pub const fn get(self) -> f64 {
        self.value
    }

    /// Follows `target` for `step_s` with time constant `tau_s` (both s; exact for a held target).
    pub fn follow(&mut self, target: f64, tau_s: f64, step_s: f64) {
        let left = if tau_s > 0.0 { libm::exp(-step_s / tau_s) } else { 0.0 };
        self.value = target + (self.value - target) * left;
    }
}

/// How a value answers a step: a fast share and the slow rest, each a first-order lag.
///
/// The capacity of an air conditioner after its start follows a sum of two exponentials.
/// Source: Kim & Bullard, abstract at studylib.net/doc/18538380. The sizes are tuned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// Share of the fast lag; above 1 the value overshoots and comes back.
    pub fast_share: f64,
    /// Time constant of the fast lag (s).
    pub fast_s: f64,
    /// Time constant of the slow lag (s).
    pub slow_s: f64,
}

/// A value that answers as the sum of two exponentials.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoLags {
    fast: Lag,
    slow: Lag,
    answer: Answer,
}

impl TwoLags {
    /// At rest at `value`; it will answer to a drive as `answer` says.
    pub const fn at(value: f64, answer: Answer) -> Self {
        Self { fast: Lag::at(value), slow: Lag::at(value), answer }
    }

    /// The value now.
    pub fn get(&self) -> f64 {
        self.answer.fast_share * self.fast.get() + (1.0 - self.answer.fast_share) * self.slow.get()
    }

    /// Follows `target` for `step_s` (s) while something drives it.
    pub fn drive(&mut self, target: f64, step_s: f64) {
        self.fast.follow(target, self.answer.fast_s, step_s);
        self.slow.follow(target, self.answer.slow_s, step_s);
    }

    /// Drifts to `target` with one time constant, as when nothing drives it.
    pub fn drift(&mut self, target: f64, tau_s: f64, step_s: f64) {
        let mut whole = Lag::at(self.get());
        whole.follow(target, tau_s, step_s);
        (self.fast, self.slow) = (whole, whole);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lag_has_gone_63_percent_after_its_time_constant() {
        let mut lag = Lag::at(0.0);
        for _ in 0..30 {
            lag.follow(1.0, 30.0, 1.0);
        }
        assert!((lag.get() - 0.632_12).abs() < 1e-5, "{}", lag.get());
    }

    #[test]
    fn an_answer_is_the_sum_of_two_exponentials() {
        let mut lags = TwoLags::at(0.0, Answer { fast_share: 0.6, fast_s: 10.0, slow_s: 100.0 });
        for _ in 0..50 {
            lags.drive(1.0, 1.0);
        }
        let expected = 1.0 - 0.6 * libm::exp(-5.0) - 0.4 * libm::exp(-0.5);
        assert!((lags.get() - expected).abs() < 1e-12);
    }

    #[test]
    fn a_drift_starts_where_the_value_stood() {
        let mut lags = TwoLags::at(0.0, Answer { fast_share: 1.3, fast_s: 10.0, slow_s: 100.0 });
        lags.drive(1.0, 20.0);
        let before = lags.get();
        lags.drift(before, 50.0, 1.0);
        assert!((lags.get() - before).abs() < 1e-12);
    }
}
