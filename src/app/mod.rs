//! The commands: they read arguments and job files, drive the engine, and print.

pub mod air;
pub mod barometer;
pub mod cli;
pub mod compare;
pub mod connect;
pub mod decode;
pub mod demo;
pub mod diagnose;
pub mod exit;
pub mod findings;
pub mod import;
pub mod job;
pub mod keys;
pub mod listen;
pub mod note;
pub mod profile;
pub mod replay;
pub mod saturation;
pub mod screen;
pub mod service;
pub mod shutdown;
pub mod tell;
pub mod trend;
pub mod visit;
pub mod watch;
pub mod wording;
