//! Notes for a session that is being recorded: whoever writes one leaves it in the session's
//! folder, and whoever records takes it from there.
//!
//! A note that waits is a small record of its own, header and rows, put there whole or not at all.
//! It is taken away only when its rows are on the disk as part of the session's record; so a crash
//! in between may bring it twice, and never loses it.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Cursor};
use std::path::{Path, PathBuf};

use crate::edge::clock;
use crate::edge::folder::{FolderError, header_line, io_error, replace, sync_dir};
use crate::edge::rows::Rows;
use crate::engine::input::Input;
use crate::engine::record::write_row;
use crate::units::time::Elapsed;

/// The folder, within a session's, in which notes wait.
pub const SPOOL: &str = "notes-waiting";

/// The file whose lock says that somebody records the session.
pub const CLAIM: &str = ".recording";

/// The right to write a session's record; ends with the process at the latest.
#[derive(Debug)]
pub struct Claim {
    // The lock lives as long as the file is open.
    _file: File,
}

/// Takes the right to write the record in `folder`; `None` where another process has it.
///
/// # Errors
/// Where the disk says no.
pub fn claim(folder: &Path) -> Result<Option<Claim>, FolderError> {
    let path = folder.join(CLAIM);
    let opened = OpenOptions::new().write(true).create(true).truncate(false).open(&path);
    let file = opened.map_err(io_error("open", &path))?;
    match file.try_lock() {
        Ok(()) => Ok(Some(Claim { _file: file })),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(error)) => Err(io_error("lock", &path)(error)),
    }
}

/// Leaves these inputs for whoever records the session; they are on the disk when this returns.
///
/// # Errors
/// Where the disk says no; nothing is then left.
pub fn leave(folder: &Path, inputs: &[Input<'_>]) -> Result<PathBuf, FolderError> {
    let spool = folder.join(SPOOL);
    if !spool.is_dir() {
        fs::create_dir_all(&spool).map_err(io_error("make", &spool))?;
        sync_dir(folder).map_err(io_error("sync", folder))?;
    }
    let mut bytes = header_line();
    for input in inputs {
        write_row(&mut bytes, Elapsed::ZERO, "", input);
    }
    // Named so that they sort as they were written.
    let mut number = 0;
    let path = loop {
        let name = format!("{:016}-{}-{number}.csv", clock::machine_ms(), std::process::id());
        let path = spool.join(name);
        if !path.exists() {
            break path;
        }
        number += 1;
    };
    replace(&path, &bytes).map_err(io_error("write", &path))?;
    Ok(path)
}

/// The names of the notes that wait, oldest first; none where there is no spool.
pub fn waiting(folder: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(folder.join(SPOOL)) else { return Vec::new() };
    let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let is_note = |name: &String| Path::new(name).extension().is_some_and(|end| end == "csv");
    let mut names: Vec<String> = names.filter(is_note).collect();
    names.sort();
    names
}

/// Hands each input of the note called `name` to `take`.
///
/// # Errors
/// Where it cannot be read.
pub fn read(folder: &Path, name: &str, take: &mut dyn FnMut(Input<'_>)) -> Result<(), FolderError> {
    let path = folder.join(SPOOL).join(name);
    let bytes = fs::read(&path).map_err(io_error("read", &path))?;
    let mut rows = Rows::of_stream(Box::new(Cursor::new(bytes)), &path.display().to_string())?;
    while let Some(row) = rows.next_row()? {
        take(row.input);
    }
    Ok(())
}

/// Takes the note called `name` away.
///
/// # Errors
/// Where the disk says no.
pub fn remove(folder: &Path, name: &str) -> io::Result<()> {
    fs::remove_file(folder.join(SPOOL).join(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_read_back_in_order_and_taken_away() {
        let temp = tempfile::tempdir().unwrap();
        assert!(waiting(temp.path()).is_empty());
        leave(temp.path(), &[Input::Note("one, \"two\"\r\nthree")]).unwrap();
        leave(temp.path(), &[Input::Changed("cleaned"), Input::Note("so")]).unwrap();
        fs::write(temp.path().join(SPOOL).join("half.csv.new"), "elapsed").unwrap();
        let names = waiting(temp.path());
        assert_eq!(names.len(), 2, "{names:?}");
        let mut said = Vec::new();
        for name in &names {
            read(temp.path(), name, &mut |input| said.push(format!("{input:?}"))).unwrap();
            remove(temp.path(), name).unwrap();
        }
        let expected = ["Note(\"one, \\\"two\\\"\\r\\nthree\")", "Changed(\"cleaned\")"];
        assert_eq!(said[..2], expected);
        assert_eq!(said.len(), 3);
        assert!(waiting(temp.path()).is_empty());
    }

    #[test]
    fn one_at_a_time_records_a_session() {
        let temp = tempfile::tempdir().unwrap();
        let first = claim(temp.path()).unwrap();
        assert!(first.is_some());
        assert!(claim(temp.path()).unwrap().is_none());
        drop(first);
        assert!(claim(temp.path()).unwrap().is_some());
    }
}
