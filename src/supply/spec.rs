//! How to reach a supply and what it should say it is.

use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Where it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Port {
    /// A serial port or pty.
    Serial(PathBuf),
    /// A raw TCP socket: `host:port`.
    Tcp(String),
}

impl std::fmt::Display for Port {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Port::Serial(path) => write!(f, "{}", path.display()),
            Port::Tcp(address) => write!(f, "tcp:{address}"),
        }
    }
}

/// Parity of a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Parity {
    /// None.
    #[default]
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// One supply as the config describes it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Spec {
    /// Name of the dialect file.
    pub dialect: String,
    /// Where it is.
    pub port: Port,
    /// Baud rate (serial only).
    pub baud: u32,
    /// Parity (serial only).
    pub parity: Parity,
    /// Two stop bits instead of one (serial only).
    pub two_stop_bits: bool,
    /// What its identity must contain; `None` accepts any and says so.
    pub identity: Option<String>,
}
