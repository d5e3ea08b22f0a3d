//! Keys of probes that send encrypted, and the opening of what they send.

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::app::exit::Failure;
use crate::engine::job::ProbeRef;
use crate::engine::reading::{Payload, Via};
use crate::engine::seal::{self, Opener, SealError, SealKey};

/// The service of BTHome, the open format that has encryption.
const BTHOME: u128 = 0x0000_FCD2_0000_1000_8000_0080_5F9B_34FB;

/// Why a payload is refused.
#[derive(Debug, thiserror::Error)]
pub enum KeysError {
    /// It is encrypted and the job names no key.
    #[error("it sends encrypted; name its key in the job: key_file = \"…\"")]
    NoKey,
    /// The address cannot be used for opening.
    #[error("its address is no Bluetooth address, so what it sends cannot be opened")]
    Address,
    /// The frame before it, sent again; no news.
    #[error("sent again")]
    Again,
    /// It cannot be opened.
    #[error(transparent)]
    Seal(SealError),
}

impl From<SealError> for KeysError {
    fn from(error: SealError) -> Self {
        if error == SealError::Repeated { Self::Again } else { Self::Seal(error) }
    }
}

/// All keys of a job. Never printed.
#[derive(Default)]
pub struct Keys {
    keys: Vec<(ProbeRef, SealKey)>,
    /// By address.
    openers: HashMap<String, Opener>,
}

impl Keys {
    /// Reads the key files, whose paths are relative to the job's `folder`.
    ///
    /// # Errors
    /// A file that cannot be read or holds no key.
    pub fn read(files: &[(ProbeRef, PathBuf)], folder: &Path) -> Result<Self, Failure> {
        let mut keys = Vec::new();
        for (which, path) in files {
            let path = folder.join(path);
            let text = fs::read_to_string(&path).map_err(|error| {
                Failure::bad_input(format!("cannot read the key file {}: {error}", path.display()))
            })?;
            let key = SealKey::parse(text.trim()).ok_or_else(|| {
                let path = path.display();
                Failure::bad_input(format!("{path} holds no key; write 32 hex digits in it"))
            })?;
            keys.push((which.clone(), key));
        }
        Ok(Self { keys, openers: HashMap::new() })
    }

    /// Opens a payload into `plain` and gives service and counter; `None` where it is plain and
    /// may be.
    ///
    /// # Errors
    /// Where it is encrypted and cannot be opened, or plain though the probe has a key.
    pub fn open(
        &mut self,
        payload: &Payload<'_>,
        name: Option<&str>,
        plain: &mut Vec<u8>,
    ) -> Result<Option<(u128, u32)>, KeysError> {
        if payload.via != Via::Service(BTHOME) {
            return Ok(None);
        }
        if let Some(opener) = self.openers.get_mut(payload.probe) {
            return Ok(Some((BTHOME, opener.open(payload.bytes, plain)?)));
        }
        let is_it = |which: &ProbeRef| match which {
            ProbeRef::Address(address) => address == payload.probe,
            ProbeRef::Name(wanted) => Some(wanted.as_str()) == name,
        };
        let Some((_, key)) = self.keys.iter().find(|(which, _)| is_it(which)) else {
            return if seal::is_sealed(payload.bytes) { Err(KeysError::NoKey) } else { Ok(None) };
        };
        let opener = Opener::new(key, payload.probe).ok_or(KeysError::Address)?;
        let opener = self.openers.entry(payload.probe.to_owned()).or_insert(opener);
        Ok(Some((BTHOME, opener.open(payload.bytes, plain)?)))
    }
}
