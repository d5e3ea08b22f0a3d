//! The remedies that the supervisor has.

/// The remedies, from the gentlest to the last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rung {
    /// Stop the scan and start it again.
    Scan,
    /// A new event stream, and a new scan.
    Stream,
    /// A new handle of the adapter, and all below.
    Adapter,
    /// A new manager with a connection of its own to the service, and all below.
    Manager,
    /// A new thread and runtime, and all below; the old ones are left to themselves.
    Runtime,
}

impl Rung {
    /// The remedy's word in `events.csv`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Scan => "restart-scan",
            Self::Stream => "new-stream",
            Self::Adapter => "new-adapter",
            Self::Manager => "new-manager",
            Self::Runtime => "new-runtime",
        }
    }

    /// The next remedy; the last has none.
    pub(super) const fn next(self) -> Option<Self> {
        match self {
            Self::Scan => Some(Self::Stream),
            Self::Stream => Some(Self::Adapter),
            Self::Adapter => Some(Self::Manager),
            Self::Manager => Some(Self::Runtime),
            Self::Runtime => None,
        }
    }
}
