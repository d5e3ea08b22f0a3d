//! The commands: they read arguments and job files, drive the engine, and print.

pub mod cli;
pub mod decode;
pub mod exit;
pub mod profile;
