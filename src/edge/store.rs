//! Parts of a record as files of a folder.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use crate::edge::folder::sync_dir;
use crate::edge::journal::{Part, Store};

/// A folder in which a journal keeps its parts; a clone names the same one, so that the folder can
/// be renamed while the journal runs.
#[derive(Debug, Clone)]
pub struct FolderStore {
    path: Arc<Mutex<PathBuf>>,
}

impl FolderStore {
    /// The folder at `path`.
    pub fn new(path: &Path) -> Self {
        Self { path: Arc::new(Mutex::new(path.to_owned())) }
    }

    /// The folder has a new name.
    pub fn renamed(&self, path: &Path) {
        path.clone_into(&mut self.path.lock().unwrap_or_else(PoisonError::into_inner));
    }

    fn path(&self) -> PathBuf {
        self.path.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Store for FolderStore {
    fn create(&mut self, name: &str) -> io::Result<Box<dyn Part>> {
        let path = self.path();
        let file = OpenOptions::new().write(true).create_new(true).open(path.join(name))?;
        sync_dir(&path)?;
        Ok(Box::new(file))
    }

    fn discard(&mut self, name: &str) -> io::Result<()> {
        let path = self.path();
        fs::remove_file(path.join(name))?;
        sync_dir(&path)
    }

    fn free_bytes(&mut self) -> Option<u64> {
        free_bytes(&self.path())
    }
}

impl Part for File {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

/// How much room is left where `path` is (bytes); `None` where the system does not say.
#[cfg(unix)]
pub fn free_bytes(path: &Path) -> Option<u64> {
    let space = rustix::fs::statvfs(path).ok()?;
    space.f_bavail.checked_mul(space.f_frsize)
}

/// How much room is left where `path` is (bytes); `None` where the system does not say.
#[cfg(not(unix))]
pub fn free_bytes(_path: &Path) -> Option<u64> {
    None
}
