//! Physical quantities as types, engine time, and how people type both.
//!
//! The lowest layer: pure, and used by all others.

pub mod parse;
pub mod quantity;
pub mod time;
