//! Notices that the job's file has changed while it is watched, and checks it.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

#[cfg(feature = "mqtt")]
use crate::app::broker;
use crate::app::calibrations;
use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::app::keys::Keys;
use crate::engine::document;
use crate::units::time::Elapsed;

/// Time between two looks at the file. A change counts when two looks in a row find the same text,
/// so that a file which is still being written is not taken for half a job.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// What a look at a changed job comes to.
#[derive(Debug)]
pub enum JobNews {
    /// It is in order.
    Changed(Box<JobFile>),
    /// It is wrong, in words; it is told once.
    Refused(String),
}

/// The job's file, as it stands on the disk.
#[derive(Debug)]
pub struct JobOnDisk {
    path: PathBuf,
    /// The text that was judged last: that which the watch began with, at first.
    judged: String,
    /// The text that the last look found, where it was another.
    found: Option<String>,
    looked: Elapsed,
}

impl JobOnDisk {
    /// The job in `path`, which is run as `file`.
    pub fn new(path: &Path, file: &JobFile) -> Self {
        let (path, judged) = (path.to_owned(), file.as_written.clone());
        Self { path, judged, found: None, looked: Elapsed::ZERO }
    }

    /// Looks at the file, where it is time to.
    pub fn look(&mut self, now: Elapsed) -> Option<JobNews> {
        if now - self.looked < LOOK_EVERY {
            return None;
        }
        self.looked = now;
        // A file that is away for the moment is being replaced, or is told by the next start.
        let text = fs::read_to_string(&self.path).ok()?;
        if text == self.judged {
            self.found = None;
            return None;
        }
        if self.found.as_ref() != Some(&text) {
            self.found = Some(text);
            return None;
        }
        self.found = None;
        self.judged.clone_from(&text);
        Some(match self.check(&text) {
            Ok(file) => JobNews::Changed(Box::new(file)),
            Err(why) => JobNews::Refused(why),
        })
    }

    /// All that a new session of the job would ask for.
    fn check(&self, text: &str) -> Result<JobFile, String> {
        let mut file = JobFile::parse(text).map_err(|errors| document::one_line(&errors))?;
        calibrations::add_to(&mut file, &self.path).map_err(|failure| failure.line())?;
        let folder = self.path.parent().unwrap_or(Path::new(""));
        Keys::read(&file.keys, folder).map_err(|failure: Failure| failure.line())?;
        #[cfg(feature = "mqtt")]
        broker::settings(&file, folder).map_err(|failure| failure.line())?;
        fs::create_dir_all(&file.log.folder)
            .map_err(|error| format!("log.folder: {}: {error}", file.log.folder.display()))?;
        Ok(file)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const JOB: &str = "site = \"Bench (invented)\"\n";

    /// Writes `text` and looks at it so many times; what the last look said.
    fn looked(job: &mut JobOnDisk, text: &str, from_s: u64, times: u64) -> Option<JobNews> {
        fs::write(&job.path, text).unwrap();
        (0..times).map(|n| job.look(Elapsed::from_secs(from_s + 2 * n))).last().flatten()
    }

    #[test]
    fn a_change_counts_once_it_stands_still_and_is_told_once() {
        let temp = tempfile::tempdir().unwrap();
        let path = temp.path().join("job.toml");
        let text = format!("{JOB}[log]\nfolder = \"{}\"\n", temp.path().display());
        let mut job = JobOnDisk::new(&path, &JobFile::parse(&text).unwrap());
        assert!(looked(&mut job, &text, 2, 5).is_none(), "as it was");
        let new = format!("altitude = \"450ft\"\n{text}");
        assert!(looked(&mut job, &new[..20], 20, 1).is_none(), "still being written");
        assert!(looked(&mut job, &new, 22, 1).is_none());
        assert!(job.look(Elapsed::from_secs(23)).is_none(), "too soon");
        let news = job.look(Elapsed::from_secs(24));
        let Some(JobNews::Changed(file)) = news else { panic!("{news:?}") };
        assert_eq!(file.text, new);
        assert!(looked(&mut job, &new, 30, 5).is_none(), "told once");
        let news = looked(&mut job, "sit = 1\n", 50, 2);
        let Some(JobNews::Refused(why)) = news else { panic!("{news:?}") };
        assert!(why.contains("sit"), "{why}");
        assert!(looked(&mut job, "sit = 1\n", 60, 5).is_none(), "told once");
        fs::remove_file(&path).unwrap();
        assert!(job.look(Elapsed::from_secs(90)).is_none());
        assert!(matches!(looked(&mut job, &text, 100, 2), Some(JobNews::Changed(_))));
    }
}
