//! Certificates of an invented authority, made by OpenSSL.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn openssl(folder: &Path, arguments: &[&str]) {
    let output = Command::new("openssl").args(arguments).current_dir(folder).output();
    let output = output.expect("openssl is missing; install it (Debian: openssl)");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// An authority in a folder: `NAME.pem` and `NAME.key`.
pub fn authority(folder: &Path, name: &str) {
    let (key, certificate) = (format!("{name}.key"), format!("{name}.pem"));
    let subject = format!("/CN={name} (invented)");
    openssl(
        folder,
        &[
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
            "-keyout",
            &key,
            "-out",
            &certificate,
            "-subj",
            &subject,
            "-days",
            "2",
        ],
    );
}

/// A certificate by that authority for a host, good for so many days from now.
pub fn certificate(folder: &Path, authority: &str, name: &str, host: &str, days: i32) -> PathBuf {
    let [key, request, made, more] =
        ["key", "csr", "pem", "ext"].map(|ending| format!("{name}.{ending}"));
    fs::write(folder.join(&more), format!("subjectAltName=DNS:{host}\n")).unwrap();
    let subject = format!("/CN={host}");
    openssl(
        folder,
        &[
            "req",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
            "-keyout",
            &key,
            "-out",
            &request,
            "-subj",
            &subject,
        ],
    );
    let (by, by_key) = (format!("{authority}.pem"), format!("{authority}.key"));
    openssl(
        folder,
        &[
            "x509",
            "-req",
            "-in",
            &request,
            "-CA",
            &by,
            "-CAkey",
            &by_key,
            "-CAcreateserial",
            "-days",
            &days.to_string(),
            "-extfile",
            &more,
            "-out",
            &made,
        ],
    );
    folder.join(made)
}
