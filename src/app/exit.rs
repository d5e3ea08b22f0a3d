//! Exit codes: 0 done, 1 our fault, 2 usage, 3 bad input, 4 the world said no, 5 not all recorded.

use std::process::ExitCode;

/// How a command ended.
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
    /// It ended, but the record has a gap.
    NotRecorded = 5,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
