//! A Modbus supply in good health behind a bad line, in memory.

use crate::mutate::{below, mutate};
use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use tankside::mimic::Prng;
use tankside::mimic::modbus::{RtuInput, TcpInput, crc, rtu, tcp};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

/// One question, and the bytes that were made for it.
#[derive(Clone, Debug)]
pub struct ModbusExchange {
    pub request: Vec<u8>,
    pub reply: Vec<u8>,
}

/// What went over the wire, and how bad it is.
pub struct Talk {
    pub log: Vec<ModbusExchange>,
    /// The share of answers that are spoilt.
    pub spoil: f64,
    /// How many were.
    pub spoiled: u32,
    prng: Prng,
    /// Measured words never repeat for long, so that an answer in the wrong place shows.
    count: u16,
    held: Vec<u8>,
}

/// The wire.
pub struct ModbusWire {
    talk: Arc<Mutex<Talk>>,
    is_tcp: bool,
    line: RtuInput,
    socket: TcpInput,
    said: VecDeque<u8>,
}

impl ModbusWire {
    pub fn new(seed: u64, is_tcp: bool) -> (ModbusWire, Arc<Mutex<Talk>>) {
        let talk = Talk {
            log: Vec::new(),
            spoil: 0.0,
            spoiled: 0,
            prng: Prng::new(seed),
            count: 0,
            held: Vec::new(),
        };
        let talk = Arc::new(Mutex::new(talk));
        let wire = ModbusWire {
            talk: talk.clone(),
            is_tcp,
            line: RtuInput::default(),
            socket: TcpInput::default(),
            said: VecDeque::new(),
        };
        (wire, talk)
    }
}

impl Talk {
    /// The registers of `modbus-example` that are asked for; writes are granted.
    fn pdu(&mut self, request: &[u8]) -> Vec<u8> {
        let [3, a, b, c, d] = *request else { return request[..5.min(request.len())].to_vec() };
        let (first, count) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
        self.count = self.count % 19_000 + 1;
        let mut reply = vec![3, (count * 2) as u8];
        for register in first..first + count {
            let word = match register {
                18 | 19 => 1,
                20 => 0,
                32 => 0x544b,
                33 => 0x4d31,
                34 => 0,
                35 => 815,
                48 => 0x47f1,
                49 => 0x2000,
                other => self.count + other,
            };
            reply.extend(word.to_be_bytes());
        }
        reply
    }

    fn answer(&mut self, unit: u8, transaction: Option<u16>, request: &[u8]) -> Vec<u8> {
        let pdu = self.pdu(request);
        let frame = |transaction: Option<u16>, unit: u8, pdu: &[u8]| match transaction {
            Some(number) => tcp(number, unit, pdu),
            None => rtu(unit, pdu),
        };
        let mut reply = frame(transaction, unit, &pdu);
        let mut out = std::mem::take(&mut self.held);
        if self.prng.unit() < self.spoil {
            self.spoiled += 1;
            match below(&mut self.prng, 10) {
                // Late by one question; twice; nothing at all.
                0 => self.held = reply.clone(),
                1 => out.extend(&reply),
                2 => reply.clear(),
                // Wrong in itself, but framed and summed as if it were right.
                3 | 4 => {
                    let mut wrong = pdu.clone();
                    mutate(&mut self.prng, &mut wrong, &[&[3, 14, 0, 0], &[0x83, 2], &[6, 0, 0, 0, 1]]);
                    wrong.truncate(250);
                    reply = frame(transaction, unit, &wrong);
                }
                5 => reply = frame(transaction, below(&mut self.prng, 256) as u8, &pdu),
                6 => reply = frame(transaction.map(|n| n.wrapping_sub(1)), unit, &pdu),
                // Any changes, with the checksum put right every other time.
                _ => {
                    mutate(&mut self.prng, &mut reply, &[&[1, 3, 14, 0], &[1, 0x83, 2], &[0, 0, 0, 6]]);
                    if transaction.is_none() && self.prng.bits() & 1 == 0 && reply.len() > 2 {
                        let end = reply.len() - 2;
                        let sum = crc(&reply[..end]).to_le_bytes();
                        reply[end..].copy_from_slice(&sum);
                    }
                }
            }
        }
        if self.held.is_empty() {
            out.extend(&reply);
        }
        let request = frame(transaction, unit, request);
        self.log.push(ModbusExchange { request, reply });
        out
    }
}

impl AsyncWrite for ModbusWire {
    fn poll_write(mut self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let wire = &mut *self;
        let mut talk = wire.talk.lock().unwrap();
        if wire.is_tcp {
            wire.socket.push(bytes);
            while let Some(request) = wire.socket.take().expect("the driver frames well") {
                wire.said.extend(talk.answer(request.unit, Some(request.transaction), &request.pdu));
            }
        } else {
            wire.line.push(bytes);
            if wire.line.is_whole() {
                let (unit, request) = wire.line.silence().expect("whole");
                wire.said.extend(talk.answer(unit, None, &request));
            }
        }
        Poll::Ready(Ok(bytes.len()))
    }
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

impl AsyncRead for ModbusWire {
    /// In pieces of any size, every other time just a sound answer's length.
    fn poll_read(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
        room: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let most = room.remaining().min(self.said.len());
        if most == 0 {
            return Poll::Pending;
        }
        let whole = if self.is_tcp { 23 } else { 19 };
        let piece = {
            let prng = &mut self.talk.lock().unwrap().prng;
            if prng.bits() & 1 == 0 { most.min(whole) } else { 1 + below(prng, most) }
        };
        let bytes: Vec<u8> = self.said.drain(..piece).collect();
        room.put_slice(&bytes);
        Poll::Ready(Ok(()))
    }
}
