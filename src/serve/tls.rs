//! TLS with the certificate of the config.

use crate::config::Tls;
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// Why a certificate or key cannot be used, in the operator's words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlsError {
    /// Which file.
    pub file: PathBuf,
    /// What is wrong with it.
    pub why: String,
}

impl fmt::Display for TlsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "daemon.tls: {}: {}", self.file.display(), self.why)
    }
}
impl std::error::Error for TlsError {}

/// Whether the certificate and the key can be used.
///
/// # Errors
/// Why not.
pub fn check_tls(tls: &Tls) -> Result<(), TlsError> {
    acceptor(tls).map(|_| ())
}

/// TLS 1.3 and 1.2 for HTTP/1.1.
///
/// # Errors
/// A file that cannot be read or has nothing of the kind in it; a key that does not fit.
pub(super) fn acceptor(tls: &Tls) -> Result<TlsAcceptor, TlsError> {
    let failed = |file: &PathBuf, why: String| TlsError { file: file.clone(), why };
    let chain: Vec<_> =
        CertificateDer::pem_file_iter(&tls.certificate).and_then(Iterator::collect).map_err(|e| {
            failed(&tls.certificate, format!("{e}; a chain in PEM is wanted, its own certificate first"))
        })?;
    if chain.is_empty() {
        return Err(failed(
            &tls.certificate,
            "there is no certificate in it; a chain in PEM is wanted".into(),
        ));
    }
    let key = PrivateKeyDer::from_pem_file(&tls.key).map_err(|e| {
        failed(&tls.key, format!("{e}; one private key in PEM is wanted, readable by the daemon's user"))
    })?;
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .and_then(|config| config.with_no_client_auth().with_single_cert(chain, key))
        .map_err(|e| failed(&tls.key, format!("does not go with {}: {e}", tls.certificate.display())))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}
