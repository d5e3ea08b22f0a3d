//! The engine: from what a probe sent to a finding. It decides; the edge acts.
//!
//! Pure: no clock, file, thread or log. Everything it needs comes in as an argument, so the same
//! inputs always give the same findings, from the radio, a record or a test.

pub mod approach;
pub mod calibrate;
pub mod channel;
pub mod columns;
pub mod compare;
pub mod cycle;
pub mod decode;
pub mod defrost;
pub mod diagnose;
pub mod document;
pub mod drift;
pub mod frost;
pub mod hearing;
pub mod hunting;
pub mod input;
pub mod job;
pub mod json;
#[cfg(feature = "lake")]
pub mod lake;
pub mod learn;
pub mod night;
pub mod output;
pub mod phrase;
pub mod place;
pub mod presence;
pub mod profile;
pub mod progress;
pub mod radio;
pub mod reading;
pub mod ready;
pub mod record;
pub mod role;
pub mod run;
pub mod seal;
pub mod session;
pub mod set;
pub mod settle;
pub mod signals;
pub mod smooth;
pub mod snapshot;
pub mod steady;
pub mod tables;
pub mod turn;
pub mod window;
