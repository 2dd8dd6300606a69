//! Frames: RTU with its checksum and silences, TCP with its header.

use std::time::Duration;

/// Longest request or reply without address and checksum (Application Protocol, section 4.1).
pub const LONGEST_PDU: usize = 253;
/// Longest RTU frame (Serial Line, section 2.3).
pub const LONGEST_RTU: usize = 256;

/// The checksum of an RTU frame (Serial Line, appendix B); on the wire its low byte goes first.
pub fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xa001 } else { crc >> 1 })
    })
}

/// A frame with address and checksum.
pub fn rtu(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit];
    frame.extend(pdu);
    frame.extend(crc(&frame).to_le_bytes());
    frame
}

/// Silence between two frames: 3.5 characters of 11 bits up to 19,200 baud, 1.75 ms above
/// (Serial Line, section 2.5.1.1).
pub fn t3_5(baud: u32) -> Duration {
    silence(baud, 7, Duration::from_micros(1750))
}

/// Longest silence inside a frame: 1.5 characters of 11 bits up to 19,200 baud, 750 µs above
/// (Serial Line, section 2.5.1.1).
pub fn t1_5(baud: u32) -> Duration {
    silence(baud, 3, Duration::from_micros(750))
}

fn silence(baud: u32, half_characters: u64, fixed: Duration) -> Duration {
    if baud > 19_200 {
        fixed
    } else {
        Duration::from_nanos(half_characters * 11 * 500_000_000 / u64::from(baud.max(1)))
    }
}

/// What has come down a serial line since the last silence.
#[derive(Clone, Debug, Default)]
pub struct RtuInput {
    bytes: Vec<u8>,
    overrun: bool,
}

impl RtuInput {
    /// Adds bytes; beyond [`LONGEST_RTU`] none are kept.
    pub fn push(&mut self, bytes: &[u8]) {
        let room = LONGEST_RTU - self.bytes.len();
        self.overrun |= bytes.len() > room;
        self.bytes.extend(bytes.iter().take(room));
    }

    /// Whether nothing has come.
    pub fn is_empty(&self) -> bool {
        self.bytes.is_empty()
    }

    /// Whether a whole request is there by its own account, with its checksum
    /// and nothing behind it: no need to wait for more.
    pub fn is_whole(&self) -> bool {
        let length = match *self.bytes {
            [_, 1..=6, ..] => 8,
            [_, 15 | 16, _, _, _, _, count, ..] => 9 + usize::from(count),
            _ => return false,
        };
        self.bytes.len() == length && self.sound()
    }

    /// The line fell silent: address and request of the frame that ended, or
    /// nothing if what came was none. Starts afresh.
    pub fn silence(&mut self) -> Option<(u8, Vec<u8>)> {
        let sound = self.sound();
        let bytes = std::mem::take(&mut self.bytes);
        self.overrun = false;
        sound.then(|| (bytes[0], bytes[1..bytes.len() - 2].to_vec()))
    }

    /// Address, function and checksum at least, and the checksum is right.
    fn sound(&self) -> bool {
        match self.bytes.split_last_chunk::<2>() {
            Some((frame, sum)) => !self.overrun && frame.len() >= 2 && crc(frame) == u16::from_le_bytes(*sum),
            None => false,
        }
    }
}

/// One request that came over TCP.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TcpRequest {
    /// Whatever number the other side gave it.
    pub transaction: u16,
    /// For whom.
    pub unit: u8,
    /// Function code and data.
    pub pdu: Vec<u8>,
}

/// A length that cannot be: where the next frame begins is anybody's guess, so the connection must end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Broken;

/// What has come down a TCP connection and is not yet a whole frame.
#[derive(Clone, Debug, Default)]
pub struct TcpInput {
    bytes: Vec<u8>,
}

impl TcpInput {
    /// Adds bytes. Take the requests out before adding more.
    pub fn push(&mut self, bytes: &[u8]) {
        self.bytes.extend(bytes);
    }

    /// The next whole request. One of another protocol than 0 is dropped (Messaging on TCP/IP, section 4.4.2).
    ///
    /// # Errors
    /// [`Broken`].
    pub fn take(&mut self) -> Result<Option<TcpRequest>, Broken> {
        while let [t_high, t_low, p_high, p_low, l_high, l_low, unit, ..] = *self.bytes {
            let length = usize::from(u16::from_be_bytes([l_high, l_low]));
            // Unit, function, and at most the rest of a request.
            if !(2..=LONGEST_PDU + 1).contains(&length) {
                return Err(Broken);
            }
            if self.bytes.len() < 6 + length {
                return Ok(None);
            }
            let pdu = self.bytes[7..6 + length].to_vec();
            self.bytes.drain(..6 + length);
            if (p_high, p_low) == (0, 0) {
                let transaction = u16::from_be_bytes([t_high, t_low]);
                return Ok(Some(TcpRequest { transaction, unit, pdu }));
            }
        }
        Ok(None)
    }
}

/// A frame with its header.
pub fn tcp(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let length = pdu.len() as u16 + 1; // No reply of ours is longer than LONGEST_PDU.
    let mut frame = Vec::with_capacity(pdu.len() + 7);
    frame.extend(transaction.to_be_bytes());
    frame.extend([0, 0]);
    frame.extend(length.to_be_bytes());
    frame.push(unit);
    frame.extend(pdu);
    frame
}
