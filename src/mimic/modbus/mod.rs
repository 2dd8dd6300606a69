//! The supply as a Modbus device, on the mimic's side: frames and registers.
//!
//! It shares no code with the station's side, so that one slip in the reading
//! of the standard is not made twice. Pure: bytes in, bytes out.
//!
//! Sources: *MODBUS Application Protocol Specification V1.1b3* for requests,
//! replies and exceptions; *MODBUS over Serial Line Specification and
//! Implementation Guide V1.02* for RTU frames; *MODBUS Messaging on TCP/IP
//! Implementation Guide V1.0b* for the header over TCP.
//!
//! The map is ours. Holding registers, read with 03, written with 06 and 16:
//!
//! | register | what | unit | may be written |
//! |---|---|---|---|
//! | 0 | output: 1 on, 0 off | | yes |
//! | 1 | voltage setpoint | 10 mV | yes |
//! | 2 | current setpoint | 1 mA | yes |
//! | 3 | over-voltage level; writing arms it | 10 mV | yes |
//! | 4 | over-current level; writing arms it | 1 mA | yes |
//! | 5 | 1 clears every trip; reads 0 | | yes |
//! | 16 | measured volts | 10 mV | no |
//! | 17 | measured amperes | 1 mA | no |
//! | 18 | output state | | no |
//! | 19 | regulation: 0 off, 1 current, 2 voltage | | no |
//! | 20 | trips: bit 0 over-voltage, 1 over-current, 2 over-temperature | | no |
//! | 21 | voltage setpoint | 10 mV | no |
//! | 22 | current setpoint | 1 mA | no |
//! | 32..35 | identity: 0x544B, 0x4D31, serial number high, low | | no |
//! | 48..49 | 123456.0 as float32, in the word order it was started with | | no |
//!
//! A setpoint beyond the rating is clipped without a word, as devices do;
//! exception 03 speaks of the request's structure alone (Application Protocol,
//! section 7), and the read-back tells. A word that register 0 or 5 does not
//! know changes nothing.

mod frame;
#[cfg(test)]
mod tests;

pub use frame::{
    Broken, LONGEST_PDU, LONGEST_RTU, RtuInput, TcpInput, TcpRequest, crc, rtu, t1_5, t3_5, tcp,
};

use super::bench::Bench;
use super::supply::Rating;
use crate::quantity::{Amps, Mono, Reading, Regulation, Volts};

/// The device's address.
pub const UNIT: u8 = 1;
/// What registers 48 and 49 hold, to find the word order by.
pub const KNOWN: f32 = 123_456.0;
/// Volts of one count.
const VOLTS: f64 = 0.01;
/// Amperes of one count.
const AMPS: f64 = 0.001;
/// Most registers of one read (Application Protocol, section 6.3).
const MOST_READ: u16 = 125;
/// Most registers of one write (Application Protocol, section 6.12).
const MOST_WRITTEN: u16 = 123;

/// How a float32 lies in two registers. The standard does not say. Named by
/// its bytes in the order of the wire, `A` the one with the sign.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WordOrder {
    /// High word first, each high byte first.
    #[default]
    Abcd,
    /// Low word first, each high byte first.
    Cdab,
    /// High word first, each low byte first.
    Badc,
    /// Low word first, each low byte first.
    Dcba,
}

impl WordOrder {
    /// The two registers of a value.
    pub fn words(self, value: f32) -> [u16; 2] {
        let [a, b, c, d] = value.to_be_bytes();
        let [a, b, c, d] = match self {
            WordOrder::Abcd => [a, b, c, d],
            WordOrder::Cdab => [c, d, a, b],
            WordOrder::Badc => [b, a, d, c],
            WordOrder::Dcba => [d, c, b, a],
        };
        [u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d])]
    }
}

/// Why a request is not carried out (Application Protocol, section 7).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Exception {
    /// 01: a function that the device has not.
    IllegalFunction = 1,
    /// 02: a register that is not there, or may not be written.
    IllegalAddress = 2,
    /// 03: a request that contradicts itself.
    IllegalValue = 3,
    /// 06: ask again later.
    Busy = 6,
    /// 0B: behind this gateway nobody has that address.
    NobodyThere = 11,
}

impl Exception {
    /// As a reply to that function.
    pub fn reply(self, function: u8) -> Vec<u8> {
        vec![function | 0x80, self as u8]
    }
}

/// The registers of one supply.
#[derive(Clone, Copy, Debug)]
pub struct Registers {
    serial: u32,
    order: WordOrder,
}

impl Registers {
    /// With a serial number, 0 where its text is no number, and the word order of the known value.
    pub fn new(serial: &str, order: WordOrder) -> Self {
        Registers { serial: serial.parse().unwrap_or(0), order }
    }

    /// Carries out one request: function code and data, without address and
    /// checksum. Returns the reply, or an exception; empty for an empty request.
    pub fn answer(&self, bench: &mut Bench, now: Mono, request: &[u8]) -> Vec<u8> {
        let Some((&function, data)) = request.split_first() else { return Vec::new() };
        let done = match function {
            3 => self.read(bench, now, data),
            6 => write_one(bench, now, data),
            16 => write_many(bench, now, data),
            _ => Err(Exception::IllegalFunction),
        };
        match done {
            Ok(mut reply) => {
                reply.insert(0, function);
                reply
            }
            Err(exception) => exception.reply(function),
        }
    }

    fn read(&self, bench: &mut Bench, now: Mono, data: &[u8]) -> Result<Vec<u8>, Exception> {
        let [a, b, c, d] = *data else { return Err(Exception::IllegalValue) };
        let (first, count) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
        if !(1..=MOST_READ).contains(&count) {
            return Err(Exception::IllegalValue);
        }
        // One look at the meters for the whole block: its registers belong together.
        let reading = bench.read(now);
        let mut reply = vec![(count * 2) as u8]; // At most 250.
        for i in 0..count {
            let register = first.checked_add(i).ok_or(Exception::IllegalAddress)?;
            let word = self.word(bench, &reading, register).ok_or(Exception::IllegalAddress)?;
            reply.extend(word.to_be_bytes());
        }
        Ok(reply)
    }

    fn word(&self, bench: &Bench, reading: &Reading, register: u16) -> Option<u16> {
        let supply = bench.supply();
        let on = u16::from(supply.output());
        let faults = reading.faults;
        Some(match register {
            0 | 18 => on,
            1 | 21 => counts(supply.volts_setpoint(), VOLTS),
            2 | 22 => counts(supply.amps_setpoint(), AMPS),
            3 => counts(supply.ovp.level, VOLTS),
            4 => counts(supply.ocp.level, AMPS),
            5 => 0,
            16 => counts(reading.volts.get(), VOLTS),
            17 => counts(reading.amps.get(), AMPS),
            19 => match reading.regulation {
                Some(Regulation::ConstantCurrent) => 1,
                Some(Regulation::ConstantVoltage) => 2,
                _ => 0,
            },
            20 => {
                u16::from(faults.over_voltage)
                    | u16::from(faults.over_current) << 1
                    | u16::from(faults.over_temperature) << 2
            }
            32 => 0x544b,
            33 => 0x4d31,
            34 => (self.serial >> 16) as u16,
            35 => self.serial as u16, // The low half.
            48 => self.order.words(KNOWN)[0],
            49 => self.order.words(KNOWN)[1],
            _ => return None,
        })
    }
}

fn write_one(bench: &mut Bench, now: Mono, data: &[u8]) -> Result<Vec<u8>, Exception> {
    let [a, b, c, d] = *data else { return Err(Exception::IllegalValue) };
    let register = u16::from_be_bytes([a, b]);
    writable(register)?;
    write(bench, now, register, u16::from_be_bytes([c, d]));
    Ok(data.to_vec())
}

fn write_many(bench: &mut Bench, now: Mono, data: &[u8]) -> Result<Vec<u8>, Exception> {
    let [a, b, c, d, bytes, ref words @ ..] = *data else { return Err(Exception::IllegalValue) };
    let (first, count) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
    let fits = usize::from(bytes) == words.len() && words.len() == usize::from(count) * 2;
    if !(1..=MOST_WRITTEN).contains(&count) || !fits {
        return Err(Exception::IllegalValue);
    }
    // All or nothing: half a block written would be a setpoint nobody asked for.
    for i in 0..count {
        writable(first.checked_add(i).ok_or(Exception::IllegalAddress)?)?;
    }
    for (register, word) in (first..).zip(words.chunks_exact(2)) {
        write(bench, now, register, u16::from_be_bytes([word[0], word[1]]));
    }
    Ok(vec![a, b, c, d])
}

fn writable(register: u16) -> Result<(), Exception> {
    if register <= 5 { Ok(()) } else { Err(Exception::IllegalAddress) }
}

/// Values are clipped to the rating before they are set, so that none is refused.
fn write(bench: &mut Bench, now: Mono, register: u16, word: u16) {
    let Rating { max_volts, max_amps, .. } = bench.supply().rating();
    let value = f64::from(word);
    let (volts, amps) = (value * VOLTS, value * AMPS);
    let _ = match (register, word) {
        (0, 0 | 1) => {
            // On is refused while a trip stands; register 18 tells.
            bench.output(now, word == 1);
            Ok(())
        }
        (1, _) => bench.set_volts(now, Volts::new(volts.min(max_volts))),
        (2, _) => bench.set_amps(now, Amps::new(amps.min(max_amps))),
        (3, _) => bench.set_ovp(now, Volts::new(volts.min(max_volts * 1.1))),
        (4, _) => bench.set_ocp(now, Amps::new(amps.min(max_amps * 1.1))),
        (5, 1) => {
            bench.clear_trips(now);
            Ok(())
        }
        _ => Ok(()),
    };
}

fn counts(value: f64, step: f64) -> u16 {
    // A cast from float to integer stops at both ends.
    (value / step).round() as u16
}
