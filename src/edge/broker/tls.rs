//! How the broker shows that it is the right one, and how we do: certificates from files.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};

use crate::edge::broker::read_file;

/// The files.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Files {
    /// Whom the broker's certificate may be signed by; `None` is whom the system trusts.
    pub authority: Option<PathBuf>,
    /// Our own certificate and its key.
    pub own: Option<(PathBuf, PathBuf)>,
}

/// Reads and checks the files.
///
/// # Errors
/// In words, which file is wrong and what should be in it.
pub fn config(files: &Files) -> Result<Arc<ClientConfig>, String> {
    let mut roots = RootCertStore::empty();
    if let Some(path) = &files.authority {
        for certificate in certificates("CA file", path)? {
            let wrong = |error| format!("the CA file {} is of no use: {error}", path.display());
            roots.add(certificate).map_err(wrong)?;
        }
    } else {
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if roots.is_empty() {
            return Err("this system trusts nobody's certificates; name whom to trust: \
                            ca_file = \"…\" (Debian: or install ca-certificates)"
                .to_owned());
        }
    }
    let provider = Arc::new(ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?
        .with_root_certificates(roots);
    let config = match &files.own {
        None => builder.with_no_client_auth(),
        Some((certificate, key)) => {
            let chain = certificates("certificate", certificate)?;
            let text = read_secret("key", key)?;
            let secret = PrivateKeyDer::from_pem_slice(text.as_bytes()).map_err(|_| {
                format!("{} holds no private key; it should be a PEM file", key.display())
            })?;
            builder.with_client_auth_cert(chain, secret).map_err(|error| {
                let (certificate, key) = (certificate.display(), key.display());
                format!("the key {key} does not fit the certificate {certificate}: {error}")
            })?
        }
    };
    Ok(Arc::new(config))
}

fn certificates(what: &str, path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let text = read_file(what, path)?;
    let read: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(text.as_bytes()).collect();
    let found = read.map_err(|error| format!("the {what} {}: {error}", path.display()))?;
    if found.is_empty() {
        let path = path.display();
        return Err(format!("{path} holds no certificate; it should be a PEM file"));
    }
    Ok(found)
}

/// Reads a file that nobody but us and our group may be able to read.
///
/// # Errors
/// The file cannot be read, or anybody can.
pub fn read_secret(what: &str, path: &Path) -> Result<String, String> {
    let text = read_file(what, path)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let metadata = std::fs::metadata(path);
        let mode = metadata.map_err(|error| format!("{}: {error}", path.display()))?.permissions();
        if mode.mode() & 0o007 != 0 {
            let path = path.display();
            return Err(format!("anybody can read the {what} {path}; run: chmod o= {path}"));
        }
    }
    Ok(text)
}
