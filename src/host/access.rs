//! Whether the daemon may answer where it is told to.

use super::Failure;
use super::setup::Setup;
use crate::serve::{Tokens, check_notify, check_tls};
use std::net::SocketAddr;

/// The tokens, if whoever may reach that address could have one.
///
/// # Errors
/// For an address that others can reach, as long as there is no token; for a certificate that cannot be used.
pub(crate) fn tokens(setup: &Setup, at: SocketAddr) -> Result<Tokens, Failure> {
    let daemon = &setup.config.daemon;
    let tokens = Tokens::at(&daemon.state);
    if let Some(tls) = &daemon.tls {
        check_tls(tls).map_err(|e| Failure::config(e.to_string()))?;
    }
    let any = tokens.any().map_err(|e| Failure::config(e.to_string()))?;
    if at.ip().is_loopback() {
        return Ok(tokens);
    }
    if !any {
        return Err(Failure::config(format!(
            "daemon.listen: {at} can be reached from other machines, and there is no token; make one with \
             \"tankside token add NAME --scope operate\", or listen on 127.0.0.1"
        )));
    }
    if daemon.tls.is_none() {
        tracing::warn!(
            "tokens pass {at} in plain text, for anybody on that network to read: set daemon.tls, or put a proxy with \
             TLS before a daemon on 127.0.0.1 (deploy/README.md)"
        );
    }
    Ok(tokens)
}

/// Whether those who are to be told can be: what is worth a look.
///
/// # Errors
/// A secret, password or certificate file that cannot be used.
pub(crate) fn told(setup: &Setup) -> Result<Vec<String>, Failure> {
    check_notify(&setup.config.notify).map_err(|why| Failure::config(format!("notify: {why}")))
}
