//! Studies of settling and cycles against a truth that is known: small seeded samples here, the
//! whole of them with `SETTLED_FULL=1`.

mod cycles;
mod plant;
mod recording;
mod settling;
mod visit;
