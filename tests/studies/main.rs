//! Studies of settling and cycles against a truth that is known: small seeded samples here, the
//! whole of them with `SETTLED_FULL=1`.

#![expect(clippy::unwrap_used, reason = "a study that cannot go on must stop")]

mod cycles;
mod plant;
mod recording;
mod settling;
mod visit;
