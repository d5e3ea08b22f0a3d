//! The commands: they read arguments and job files, drive the engine, and print.

pub mod cli;
pub mod decode;
pub mod demo;
pub mod diagnose;
pub mod exit;
pub mod findings;
pub mod import;
pub mod job;
pub mod profile;
pub mod screen;
pub mod tell;
pub mod visit;
pub mod wording;
