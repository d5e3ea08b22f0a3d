//! How a command ends: its exit code, and the failure that led to it.

use std::error::Error;
use std::process::ExitCode;

/// How a command ended; each value is the process's exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// All is done.
    Done = 0,
    /// A fault of the program.
    OurFault = 1,
    /// The command line is not of the form.
    Usage = 2,
    /// A file or value is not what it should be.
    BadInput = 3,
    /// The radio, the disk or the network said no.
    WorldSaidNo = 4,
    /// It ended, but was not recorded in full.
    NotRecorded = 5,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// Why a command could not do what it was asked.
#[derive(Debug)]
pub struct Failure {
    /// The exit code.
    pub exit: Exit,
    /// What happened; its chain of sources is printed on one line.
    pub error: Box<dyn Error + Send + Sync>,
    /// What is shown before that line: the errors of a file, each with its place.
    pub explained: Option<String>,
}

impl Failure {
    /// A file or value is not what it should be.
    pub fn bad_input(error: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self { exit: Exit::BadInput, error: error.into(), explained: None }
    }

    /// The radio, the disk or the network said no.
    pub fn world(error: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self { exit: Exit::WorldSaidNo, error: error.into(), explained: None }
    }

    /// The command line is not of the form.
    pub fn usage(error: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self { exit: Exit::Usage, error: error.into(), explained: None }
    }

    /// The failure and its sources, on one line.
    pub fn line(&self) -> String {
        let mut line = self.error.to_string();
        let mut source = self.error.source();
        while let Some(error) = source {
            // Some messages end with their source, for logs that print no chain.
            let text = error.to_string();
            if !line.ends_with(&text) {
                line = format!("{line}: {text}");
            }
            source = error.source();
        }
        line.replace('\n', "; ")
    }
}

#[cfg(test)]
mod tests {
    use std::io;
    use std::path::Path;

    use super::*;
    use crate::edge::folder;

    #[test]
    fn a_cause_is_told_once() {
        let error = folder::replace(Path::new("/nonexistent/x"), b"").unwrap_err();
        let cause = error.to_string();
        let wrapped = folder::io_error("write", Path::new("x"))(error);
        assert_eq!(Failure::world(wrapped).line(), format!("cannot write x: {cause}"));
        let other = Failure::world(io::Error::other("no"));
        assert_eq!(other.line(), "no");
    }
}
