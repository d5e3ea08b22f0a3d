//! The engine: from what a probe sent to a finding. It decides; the edge acts.
//!
//! Pure: no clock, file, thread or log. Everything it needs comes in as an argument, so the same
//! inputs always give the same findings, from the radio, a record or a test.

pub mod channel;
pub mod columns;
pub mod decode;
pub mod diagnose;
pub mod input;
pub mod job;
pub mod json;
pub mod output;
pub mod presence;
pub mod profile;
pub mod radio;
pub mod reading;
pub mod record;
pub mod seal;
