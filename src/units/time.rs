//! Engine time: whole milliseconds since the session began.

use std::fmt;
use std::ops::{Add, Sub};
use std::time::Duration;

/// A moment of a session (ms since it began).
///
/// It is given to the engine, never read by it. Wall-clock time is a label that the edge adds.
///
/// ```
/// use settled::units::time::Elapsed;
/// use std::time::Duration;
/// let start = Elapsed::from_ms(1_500);
/// assert_eq!(start + Duration::from_secs(2), Elapsed::from_ms(3_500));
/// assert_eq!((Elapsed::from_ms(3_500) - start).as_secs(), 2);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Elapsed(u64);

impl Elapsed {
    /// The session's beginning.
    pub const ZERO: Self = Self(0);

    /// The moment `ms` milliseconds after the session began.
    pub const fn from_ms(ms: u64) -> Self {
        Self(ms)
    }

    /// The moment `secs` seconds after the session began.
    pub const fn from_secs(secs: u64) -> Self {
        Self(secs * 1000)
    }

    /// Milliseconds since the session began.
    pub const fn as_ms(self) -> u64 {
        self.0
    }

    /// Seconds since the session began.
    pub fn as_secs(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// The length of time since `earlier`; zero if `earlier` is in fact later.
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_millis(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for Elapsed {
    type Output = Self;
    fn add(self, length: Duration) -> Self {
        let ms = u64::try_from(length.as_millis()).unwrap_or(u64::MAX);
        Self(self.0.saturating_add(ms))
    }
}

impl Sub for Elapsed {
    type Output = Duration;
    fn sub(self, earlier: Self) -> Duration {
        self.since(earlier)
    }
}

impl Sub<Duration> for Elapsed {
    type Output = Self;
    fn sub(self, length: Duration) -> Self {
        let ms = u64::try_from(length.as_millis()).unwrap_or(u64::MAX);
        Self(self.0.saturating_sub(ms))
    }
}

impl fmt::Display for Elapsed {
    /// Minutes and seconds, with hours where there are any: `12:05`, `1:02:05`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let s = self.0 / 1000;
        let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
        if h > 0 { write!(f, "{h}:{m:02}:{s:02}") } else { write!(f, "{m}:{s:02}") }
    }
}
