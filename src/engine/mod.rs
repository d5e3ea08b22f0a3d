//! The engine: from what a probe sent to a finding. It decides; the edge acts.
//!
//! Pure: no clock, file, thread or log. Everything it needs comes in as an argument, so the same
//! inputs always give the same findings, from the radio, a record or a test.

pub mod approach;
pub mod channel;
pub mod cycle;
pub mod decode;
pub mod diagnose;
pub mod frost;
pub mod hunting;
pub mod input;
pub mod job;
pub mod output;
pub mod profile;
pub mod progress;
pub mod reading;
pub mod role;
pub mod run;
pub mod seal;
pub mod set;
pub mod settle;
pub mod signals;
pub mod smooth;
pub mod turn;
pub mod window;
