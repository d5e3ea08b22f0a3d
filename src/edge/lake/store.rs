//! The store that the lake lies in: a folder, or a bucket that speaks S3.
//!
//! A file is in the store as a whole or not at all. In a folder it is written to `.incoming` and
//! moved once it is on the disk: engines read all that lies in a table's folder, also what a crash
//! left there. In a bucket it is there once its upload is completed. All waits on the network end:
//! each request after `REQUEST_MAX`, and it is tried again at most `RETRIES_MAX` times.

use std::collections::BTreeMap;
use std::error::Error;
use std::fs::{self, File};
use std::io::{self, Read};
use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use futures::TryStreamExt;
use object_store::aws::{AmazonS3Builder, AmazonS3ConfigKey};
use object_store::client::{HttpError, HttpErrorKind};
use object_store::local::LocalFileSystem;
use object_store::path::Path;
use object_store::{
    BackoffConfig, ClientConfigKey, ObjectStore, ObjectStoreExt, RetryConfig, WriteMultipart,
};
use tokio::runtime::{Builder, Runtime};

use crate::edge::lake::layout::{Identity, Partition};
use crate::edge::lake::table::Written;
use crate::engine::lake;

/// Longest time that a request may take: a part at 0.6 Mbit/s.
const REQUEST_MAX: Duration = Duration::from_secs(120);
/// Longest time to a connection.
const CONNECT_MAX: Duration = Duration::from_secs(10);
/// How often a request is tried again.
const RETRIES_MAX: usize = 4;
/// After this no request is begun again.
const RETRY_MAX: Duration = Duration::from_secs(120);
/// Longest pause between two tries.
const BACKOFF_MAX: Duration = Duration::from_secs(8);

/// Files up to this size go in one request, larger ones in parts of it (bytes). S3 takes parts from
/// 5 MiB on, and 10,000 of them.
const PART_BYTES: usize = 8 * 1024 * 1024;
/// Parts of one file under way at a time; so many are in memory, and one more.
const PARTS_AT_ONCE: usize = 2;

/// Where files lie in a folder until they are whole.
const INCOMING: &str = ".incoming";
/// What lies there for so long was left by a crash; no export takes so long for a file.
const INCOMING_MAX: Duration = Duration::from_hours(24);

/// Where a machine without keys asks for those of its role; nobody answers elsewhere.
const ROLE_ADDRESS: &str = "169.254.169.254";

/// Why the lake could not be reached or written.
#[derive(Debug, thiserror::Error)]
pub enum LakeError {
    /// It is no place that is known.
    #[error("`{0}` is no lake; give a folder, or s3://BUCKET or s3://BUCKET/PREFIX")]
    NoPlace(String),
    /// The network is not to be trusted with it.
    #[error(
        "the endpoint {0} sends everything in the clear; use https, or set AWS_ALLOW_HTTP=true if \
         you trust the network to it"
    )]
    InTheClear(String),
    /// The settings of the environment do not hold together.
    #[error("the AWS_* environment variables cannot be used")]
    Settings(#[source] Box<object_store::Error>),
    /// There is no bucket.
    #[error(
        "{0} is not there; make the bucket, or correct its name, AWS_REGION or AWS_ENDPOINT_URL"
    )]
    NoBucket(String),
    /// Nobody says who we are.
    #[error(
        "no keys for {0}; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (and AWS_SESSION_TOKEN if \
         you were given one)"
    )]
    NoKeys(String),
    /// We are not let in.
    #[error(
        "{place} refuses these keys; check AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY and AWS_REGION, \
         and that they may list, read, write and delete there ({why})"
    )]
    Refused {
        /// The lake.
        place: String,
        /// The store's word for it.
        why: String,
    },
    /// Nobody answers.
    #[error(
        "{0} does not answer; check the network and AWS_ENDPOINT_URL, and export again: what is \
         already there stays, and nothing is put there twice"
    )]
    Unreachable(String),
    /// Anything else that the store says.
    #[error("cannot {what} {path} in {place}; export again when the store serves")]
    Store {
        /// What was tried.
        what: &'static str,
        /// On which file.
        path: String,
        /// The lake.
        place: String,
        /// Why it failed.
        source: Box<object_store::Error>,
    },
    /// This machine's disk said no.
    #[error("cannot {what} {path}")]
    Disk {
        /// What was tried.
        what: &'static str,
        /// On which file or folder.
        path: PathBuf,
        /// Why it failed.
        source: io::Error,
    },
}

/// What became of a session in the lake.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Put {
    /// It was not there before.
    New,
    /// It was there as it is, and nothing was written.
    Same,
    /// Something else was there in its place.
    Replaced,
}

/// The sessions that are in the lake, each with where it lies: in one place, unless an export was
/// cut off while it moved.
pub type Known = BTreeMap<Identity, Vec<Partition>>;

/// A lake.
pub struct Lake {
    /// What people call it.
    place: String,
    store: Arc<dyn ObjectStore>,
    prefix: Path,
    /// It is a folder of this machine.
    folder: bool,
    runtime: Runtime,
}

impl Lake {
    /// The lake at `place`: a folder, which is made where there is none, or `s3://BUCKET/PREFIX`
    /// with keys and endpoint from the environment.
    ///
    /// # Errors
    /// Where it is no such place, or cannot be one.
    pub fn open(place: &str) -> Result<Self, LakeError> {
        let disk = |what, path: &str, source| LakeError::Disk { what, path: path.into(), source };
        let (store, prefix): (Arc<dyn ObjectStore>, Path) = match place.split_once("://") {
            Some(("s3", rest)) => bucket(place, rest)?,
            None if !place.is_empty() => {
                fs::create_dir_all(place).map_err(|error| disk("make", place, error))?;
                clear(&std::path::Path::new(place).join(INCOMING));
                let folder = LocalFileSystem::new_with_prefix(place)
                    .map_err(|error| disk("open", place, io::Error::other(error)))?;
                (Arc::new(folder.with_fsync(true)), Path::ROOT)
            }
            _ => return Err(LakeError::NoPlace(place.to_owned())),
        };
        let runtime = Builder::new_multi_thread().worker_threads(2).enable_all().build();
        let runtime = runtime.map_err(|error| disk("begin to write to", place, error))?;
        let folder = !place.contains("://");
        Ok(Self { place: place.trim_end_matches('/').to_owned(), store, prefix, folder, runtime })
    }

    /// What people call it.
    pub fn place(&self) -> &str {
        &self.place
    }

    /// The sessions that are there.
    ///
    /// # Errors
    /// Where the store cannot be reached or does not let us in.
    pub fn known(&self) -> Result<Known, LakeError> {
        let table = lake::SESSIONS.name;
        let folder = self.path(table)?;
        let files = self.runtime.block_on(self.store.list(Some(&folder)).try_collect::<Vec<_>>());
        let files = files.map_err(|error| self.error("list", table, error))?;
        let mut known = Known::new();
        for file in files {
            let Some(path) = file.location.as_ref().strip_prefix(folder.as_ref()) else { continue };
            let path = path.trim_start_matches('/');
            let session = file.location.filename().and_then(Identity::of_file);
            if let Some((session, partition)) = session.zip(Partition::of_path(path)) {
                known.entry(session).or_default().push(partition);
            }
        }
        Ok(known)
    }

    /// Puts the files of a session there, `sessions` last, in place of what `known` says is there
    /// of it. Until it is whole, a session that is replaced is not there.
    ///
    /// # Errors
    /// Where the store says no; the session is then not there, or as it was.
    pub fn put(
        &self,
        session: &Identity,
        partition: &Partition,
        files: &[Written],
        known: &[Partition],
    ) -> Result<Put, LakeError> {
        if known == std::slice::from_ref(partition) && self.holds(session, partition, files)? {
            return Ok(Put::Same);
        }
        for old in known {
            let sessions = old.file(lake::SESSIONS.name, session);
            self.delete(&sessions)?;
            if old != partition {
                self.remove(session, old)?;
            }
        }
        for file in files {
            let path = partition.file(file.table, session);
            if self.folder {
                let (process, name) = (std::process::id(), session.as_str());
                let incoming = format!("{INCOMING}/{process}-{name}-{}", file.table);
                self.upload(file, &incoming)?;
                self.rename(&incoming, &path)?;
            } else {
                self.upload(file, &path)?;
            }
        }
        Ok(if known.is_empty() { Put::New } else { Put::Replaced })
    }

    /// Takes all of a session out of one partition, so that it is not there before its parts go.
    ///
    /// # Errors
    /// Where the store says no.
    pub fn remove(&self, session: &Identity, partition: &Partition) -> Result<(), LakeError> {
        let tables = lake::ALL.iter().rev();
        tables.map(|table| partition.file(table.name, session)).try_for_each(|f| self.delete(&f))
    }

    /// Whether the session is there as these files say. The one of `sessions` was put there last
    /// and names the others by their digests, so it alone is compared.
    fn holds(
        &self,
        session: &Identity,
        partition: &Partition,
        files: &[Written],
    ) -> Result<bool, LakeError> {
        let name = lake::SESSIONS.name;
        let Some(own) = files.iter().find(|file| file.table == name) else { return Ok(false) };
        let own = fs::read(&own.path).map_err(|source| LakeError::Disk {
            what: "read",
            path: own.path.clone(),
            source,
        })?;
        let path = partition.file(name, session);
        let location = self.path(&path)?;
        let there = self.runtime.block_on(async {
            let object = self.store.get(&location).await?;
            let alike = object.meta.size == own.len() as u64;
            if alike { object.bytes().await.map(Some) } else { Ok(None) }
        });
        match there {
            Ok(there) => Ok(there.is_some_and(|there| there == own)),
            Err(object_store::Error::NotFound { .. }) => Ok(false),
            Err(error) => Err(self.error("read", &path, error)),
        }
    }

    fn rename(&self, from: &str, to: &str) -> Result<(), LakeError> {
        let (from, location) = (self.path(from)?, self.path(to)?);
        let renamed = self.runtime.block_on(self.store.rename(&from, &location));
        renamed.map_err(|error| self.error("write", to, error))
    }

    fn delete(&self, path: &str) -> Result<(), LakeError> {
        let location = self.path(path)?;
        match self.runtime.block_on(self.store.delete(&location)) {
            Ok(()) | Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(error) => Err(self.error("delete", path, error)),
        }
    }

    fn upload(&self, file: &Written, path: &str) -> Result<(), LakeError> {
        let location = self.path(path)?;
        let disk = |source| LakeError::Disk { what: "read", path: file.path.clone(), source };
        let mut source = File::open(&file.path).map_err(disk)?;
        let first = part(&mut source).map_err(disk)?;
        let put = async {
            if first.len() < PART_BYTES {
                return self.store.put(&location, first.into()).await.map(|_| Ok(()));
            }
            let upload = self.store.put_multipart(&location).await?;
            let mut upload = WriteMultipart::new_with_chunk_size(upload, PART_BYTES);
            let mut next = first;
            while !next.is_empty() {
                if let Err(error) = upload.wait_for_capacity(PARTS_AT_ONCE).await {
                    upload.abort().await?;
                    return Err(error);
                }
                upload.put(next.into());
                next = match part(&mut source) {
                    Ok(next) => next,
                    Err(error) => {
                        upload.abort().await?;
                        return Ok(Err(error));
                    }
                };
            }
            upload.finish().await.map(|_| Ok(()))
        };
        let put = self.runtime.block_on(put);
        put.map_err(|error| self.error("write", path, error))?.map_err(disk)
    }

    fn path(&self, path: &str) -> Result<Path, LakeError> {
        Path::parse(format!("{}/{path}", self.prefix))
            .map_err(|error| self.error("name", path, error.into()))
    }

    /// What an error of the store means, and what is to be done.
    fn error(&self, what: &'static str, path: &str, error: object_store::Error) -> LakeError {
        let place = self.place.clone();
        let is = |kinds: &[HttpErrorKind]| {
            let mut http = chain(&error).filter_map(|error| error.downcast_ref::<HttpError>());
            http.any(|error| kinds.contains(&error.kind()))
        };
        // The library tells a listing's status and code in words alone.
        let words = chain(&error).map(ToString::to_string).collect::<Vec<_>>().join(" ");
        let says = |text: &str| words.contains(text);
        if says(ROLE_ADDRESS) {
            LakeError::NoKeys(place)
        } else if is(&[HttpErrorKind::Connect, HttpErrorKind::Timeout]) {
            LakeError::Unreachable(place)
        } else if says("NoSuchBucket") {
            LakeError::NoBucket(place)
        } else if ["401", "403"].iter().any(|status| says(&format!("status code: {status}"))) {
            LakeError::Refused { place, why: code(&words) }
        } else {
            LakeError::Store { what, path: path.to_owned(), place, source: Box::new(error) }
        }
    }
}

/// Takes away what crashes have left among the files that come in. What cannot be is of no harm.
fn clear(incoming: &std::path::Path) {
    for file in fs::read_dir(incoming).into_iter().flatten().flatten() {
        let age = file.metadata().and_then(|file| file.modified()).map(|at| at.elapsed());
        if age.is_ok_and(|age| age.is_ok_and(|age| age > INCOMING_MAX)) {
            drop(fs::remove_file(file.path()));
        }
    }
}

/// The bucket and prefix in `rest` of the lake `place`.
fn bucket(place: &str, rest: &str) -> Result<(Arc<dyn ObjectStore>, Path), LakeError> {
    let no_place = || LakeError::NoPlace(place.to_owned());
    let (bucket, prefix) = rest.split_once('/').unwrap_or((rest, ""));
    if bucket.is_empty() {
        return Err(no_place());
    }
    let prefix = Path::parse(prefix).map_err(|_| no_place())?;
    let mut settings = AmazonS3Builder::from_env().with_bucket_name(bucket);
    let endpoint = [AmazonS3ConfigKey::S3Endpoint, AmazonS3ConfigKey::Endpoint];
    let endpoint = endpoint.iter().find_map(|key| settings.get_config_value(key));
    if let Some(endpoint) = endpoint.filter(|endpoint| endpoint.starts_with("http://")) {
        let allowed = AmazonS3ConfigKey::Client(ClientConfigKey::AllowHttp);
        let allowed = settings.get_config_value(&allowed);
        if is_this_machine(&endpoint) {
            settings = settings.with_allow_http(true);
        } else if allowed.is_none_or(|allowed| allowed != "true") {
            return Err(LakeError::InTheClear(endpoint));
        }
    }
    let limit = |key, limit: Duration| (AmazonS3ConfigKey::Client(key), limit.as_secs());
    for (key, secs) in [
        limit(ClientConfigKey::Timeout, REQUEST_MAX),
        limit(ClientConfigKey::ConnectTimeout, CONNECT_MAX),
    ] {
        settings = settings.with_config(key, format!("{secs} seconds"));
    }
    let backoff = BackoffConfig { max_backoff: BACKOFF_MAX, ..BackoffConfig::default() };
    let retry = RetryConfig { backoff, max_retries: RETRIES_MAX, retry_timeout: RETRY_MAX };
    let store = settings.with_retry(retry).build();
    let store = store.map_err(|error| LakeError::Settings(Box::new(error)))?;
    Ok((Arc::new(store), prefix))
}

/// Whether an endpoint is on this machine, so that nothing goes over a network.
fn is_this_machine(endpoint: &str) -> bool {
    let authority = endpoint.trim_start_matches("http://").split('/').next().unwrap_or_default();
    let host = match authority.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => authority.split(':').next().unwrap_or_default(),
    };
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// The next part of a file; empty at its end.
fn part(source: &mut File) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    source.take(PART_BYTES as u64).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// An error and its sources.
fn chain<'a>(
    error: &'a (dyn Error + 'static),
) -> impl Iterator<Item = &'a (dyn Error + 'static)> + 'a {
    std::iter::successors(Some(error), |&error| error.source())
}

/// The store's own word in an answer: `<Code>InvalidAccessKeyId</Code>`.
fn code(answer: &str) -> String {
    let code = answer.split("<Code>").nth(1).and_then(|rest| rest.split("</Code>").next());
    code.unwrap_or("it does not say why").to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_is_spoken_to_in_the_clear() {
        for here in ["http://127.0.0.1:9000", "http://localhost", "http://[::1]:9000/x"] {
            assert!(is_this_machine(here), "{here}");
        }
        for elsewhere in [
            "http://10.0.0.1:9000",
            "http://localhost.example",
            "http://127.0.0.1.example",
            "http://",
        ] {
            assert!(!is_this_machine(elsewhere), "{elsewhere}");
        }
    }

    #[test]
    fn a_place_is_a_folder_or_a_bucket() {
        for wrong in ["", "s3://", "s3:///x", "gs://bucket/x", "s3://bucket/a//b", "s3://b/../c"] {
            assert!(matches!(Lake::open(wrong), Err(LakeError::NoPlace(_))), "{wrong}");
        }
    }

    #[test]
    fn the_store_s_own_word_is_told() {
        assert_eq!(code("x <Error><Code>AccessDenied</Code></Error>"), "AccessDenied");
        assert_eq!(code("odd"), "it does not say why");
    }
}
