//! The password and the certificates, read from their files at each connection: a changed one needs no new start.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rumqttc::{TlsConfiguration, Transport};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};

/// Why a connection cannot even be tried.
#[derive(Debug, thiserror::Error)]
pub(super) enum SecretError {
    #[error("the password file {} cannot be read: {source}", .path.display())]
    Unreadable { path: PathBuf, source: std::io::Error },
    #[error("every user of this machine may read the password in {path}, so it is not used: chmod 600 {path}", path = .0.display())]
    Open(PathBuf),
    #[error("the password file {} is empty; write the password alone into it", .0.display())]
    Empty(PathBuf),
    #[error("{} holds no certificate that can be used: {why}", .path.display())]
    Certificates { path: PathBuf, why: String },
    #[error("this machine has no certificate authorities; install ca-certificates, or set `ca_file`")]
    NoAuthorities,
    #[error("encryption cannot be set up: {0}")]
    Encryption(#[from] rustls::Error),
}

/// The first line of a file that not everybody may read.
pub(super) fn password(path: &Path) -> Result<String, SecretError> {
    let unreadable = |source| SecretError::Unreadable { path: path.to_owned(), source };
    let mode = std::fs::metadata(path).map_err(unreadable)?.permissions().mode();
    if mode & 0o004 != 0 {
        return Err(SecretError::Open(path.to_owned()));
    }
    let text = std::fs::read_to_string(path).map_err(unreadable)?;
    match text.lines().next() {
        Some(line) if !line.is_empty() => Ok(line.to_owned()),
        _ => Err(SecretError::Empty(path.to_owned())),
    }
}

/// Encryption that trusts the authorities in a file, or those that this machine trusts.
pub(super) fn encrypted(ca_file: Option<&Path>) -> Result<Transport, SecretError> {
    let mut roots = RootCertStore::empty();
    match ca_file {
        Some(path) => {
            let wrong = |why: String| SecretError::Certificates { path: path.to_owned(), why };
            for certificate in CertificateDer::pem_file_iter(path).map_err(|error| wrong(error.to_string()))? {
                let certificate = certificate.map_err(|error| wrong(error.to_string()))?;
                roots.add(certificate).map_err(|error| wrong(error.to_string()))?;
            }
            if roots.is_empty() {
                return Err(wrong("there is no PEM block in it".to_owned()));
            }
        }
        None => {
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
            if roots.is_empty() {
                return Err(SecretError::NoAuthorities);
            }
        }
    }
    let config = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Transport::tls_with_config(TlsConfiguration::Rustls(Arc::new(config))))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_that_everybody_may_read_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("password");
        std::fs::write(&path, "horse battery\nstaple\n").unwrap();
        let set = |mode| std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        set(0o644);
        let said = password(&path).unwrap_err().to_string();
        assert!(said.contains("chmod 600") && !said.contains("horse"), "{said}");
        set(0o640);
        assert_eq!(password(&path).unwrap(), "horse battery");
        std::fs::write(&path, "\n").unwrap();
        assert!(matches!(password(&path), Err(SecretError::Empty(_))));
        assert!(matches!(password(&folder.path().join("none")), Err(SecretError::Unreadable { .. })));
        assert!(matches!(encrypted(Some(&path)), Err(SecretError::Certificates { .. })));
    }
}
