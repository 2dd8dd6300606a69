//! How to reach a supply and what it should say it is.

use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Where it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Port {
    /// A serial port or pty.
    Serial(PathBuf),
    /// A TCP socket: `host:port`. Raw SCPI or lines, or Modbus TCP, as the dialect has it.
    Tcp(String),
    /// A serial line at the far end of a TCP socket (a serial server): `host:port`. The bytes are those of the
    /// serial line, so Modbus is RTU here.
    Bridge(String),
}

impl Port {
    /// A full path, `tcp:HOST:PORT` or `bridge:HOST:PORT`; `None` for anything else.
    pub fn parse(text: &str) -> Option<Port> {
        if text.starts_with('/') {
            return Some(Port::Serial(text.into()));
        }
        let (kind, address) = text.split_once(':')?;
        let (host, number) = address.rsplit_once(':')?;
        let fits = number.parse::<u16>().is_ok_and(|n| n > 0)
            && !host.is_empty()
            && (!host.contains(['/', ' ', ':']) || (host.starts_with('[') && host.ends_with(']')));
        match kind {
            "tcp" if fits => Some(Port::Tcp(address.into())),
            "bridge" if fits => Some(Port::Bridge(address.into())),
            _ => None,
        }
    }
}

impl std::fmt::Display for Port {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Port::Serial(path) => write!(f, "{}", path.display()),
            Port::Tcp(address) => write!(f, "tcp:{address}"),
            Port::Bridge(address) => write!(f, "bridge:{address}"),
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

/// Flow control of a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Flow {
    /// None.
    #[default]
    None,
    /// RTS and CTS.
    Hardware,
    /// XON and XOFF.
    Software,
}

/// How the supply hangs on its line; the defaults are those of a cable of its own.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Wiring {
    /// Its address, where several supplies share a line; `None` is the dialect's.
    pub unit: Option<u8>,
    /// Seven data bits instead of eight (serial only).
    pub seven_bits: bool,
    /// Flow control (serial only).
    pub flow: Flow,
    /// The adapter hears its own bytes, as half-duplex RS-485 ones may: they are checked and removed.
    pub echo: bool,
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
    /// How it hangs on its line.
    #[serde(default)]
    pub wiring: Wiring,
}

impl Spec {
    /// Its port, and its address there if it has one of its own.
    pub fn name(&self) -> String {
        match self.wiring.unit {
            Some(unit) => format!("{} unit {unit}", self.port),
            None => self.port.to_string(),
        }
    }

    /// One byte on the wire: a start bit, the data bits, parity, stop bits. Zero where the wire is no bottleneck.
    pub fn byte_time(&self) -> std::time::Duration {
        let bits = 10 + u32::from(self.parity != Parity::None) + u32::from(self.two_stop_bits)
            - u32::from(self.wiring.seven_bits);
        match self.port {
            Port::Tcp(_) => std::time::Duration::ZERO,
            Port::Serial(_) | Port::Bridge(_) => std::time::Duration::from_secs(1) * bits / self.baud.max(1),
        }
    }
}
