//! The diagnostic core: from a settled set to what is right, what is wrong and how sure.

pub mod finding;
