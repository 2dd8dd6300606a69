//! Modbus RTU and TCP on one stream: requests out, answers back, and every
//! answer held against its request.
//!
//! Framing and CRC are tokio-modbus's. What it has no notion of is added here
//! from outside, by a [`Tap`] on the bytes: time-outs for the first byte and
//! for gaps, the number of bytes that an answer to *this* request has, and
//! what lay on the line before the question. RTU has no transaction number, so
//! an answer that came late would be taken for the next one; the bus above
//! keeps silent and drains after anything that did not fit.
//!
//! Over TCP the client is kept for the life of the stream: a new one would
//! start its transaction numbers at 0 again, and a late answer to the old
//! number 0 would pass for an answer to the new one. An RTU client is made
//! anew after trouble: it has no numbers, and after a bad frame the old one
//! would first report an end of the stream that is none.

use super::line::{Pace, Wire};
use super::rest::{Habits, Rest};
use super::tap::Tap;
use super::trouble::{Bytes, Trouble};
use std::fmt;
use std::future::poll_fn;
use std::pin::pin;
use std::task::Poll;
use std::time::Duration;
use tokio::time::{Instant, timeout_at};
use tokio_modbus::client::{Client as _, Context};
use tokio_modbus::prelude::{Request, Response, Slave, SlaveContext as _};
use tokio_modbus::{Error, ExceptionCode};

use super::dialect::{Block, Space};

/// One question to one unit.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(super) enum Registers {
    Read(Block),
    /// Function code 05.
    WriteCoil(u16, bool),
    /// Function code 06.
    WriteOne(u16, u16),
    /// Function code 16.
    Write(u16, Vec<u16>),
}

impl fmt::Display for Registers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Registers::Read(Block { space, first, count: 1 }) if space.is_bits() => {
                write!(f, "read {} {first}", space.place())
            }
            Registers::Read(block) => {
                let last = u32::from(block.first) + u32::from(block.count).saturating_sub(1);
                write!(f, "read {}s {} to {last}", block.space.place(), block.first)
            }
            Registers::WriteCoil(coil, on) => write!(f, "coil {coil} = {}", u8::from(*on)),
            Registers::WriteOne(register, word) => write!(f, "register {register} = {word}"),
            Registers::Write(register, words) => {
                let words: Vec<String> = words.iter().map(u16::to_string).collect();
                write!(f, "registers from {register} = {}", words.join(" "))
            }
        }
    }
}

impl Registers {
    fn request(&self) -> Request<'static> {
        match self {
            Registers::Read(Block { space: Space::Holding, first, count }) => {
                Request::ReadHoldingRegisters(*first, *count)
            }
            Registers::Read(Block { space: Space::Input, first, count }) => {
                Request::ReadInputRegisters(*first, *count)
            }
            Registers::Read(Block { space: Space::Coil, first, count }) => Request::ReadCoils(*first, *count),
            Registers::Read(Block { space: Space::Discrete, first, count }) => {
                Request::ReadDiscreteInputs(*first, *count)
            }
            Registers::WriteCoil(coil, on) => Request::WriteSingleCoil(*coil, *on),
            Registers::WriteOne(register, word) => Request::WriteSingleRegister(*register, *word),
            Registers::Write(register, words) => {
                Request::WriteMultipleRegisters(*register, words.clone().into())
            }
        }
    }

    /// Bytes of the answer's protocol data unit.
    fn answer_len(&self) -> usize {
        match self {
            Registers::Read(block) if block.space.is_bits() => 2 + usize::from(block.count.div_ceil(8)),
            Registers::Read(block) => 2 + 2 * usize::from(block.count),
            Registers::WriteCoil(..) | Registers::WriteOne(..) | Registers::Write(..) => 5,
        }
    }
}

/// An exception's protocol data unit: function code and exception code.
const EXCEPTION_LEN: usize = 2;

/// The only talker on its stream.
pub(super) struct Master {
    tap: Tap,
    context: Context,
    tcp: bool,
    /// Bytes around a protocol data unit: address and CRC, or the TCP header.
    around: usize,
    pace: Pace,
    free_at: Instant,
    late_until: Instant,
    rest: Rest,
    habits: Habits,
}

impl Master {
    pub fn new(io: Box<dyn Wire>, pace: Pace, tcp: bool) -> Self {
        let tap = Tap::new(io);
        let context = if tcp {
            tokio_modbus::client::tcp::attach(tap.clone())
        } else {
            tokio_modbus::client::rtu::attach(tap.clone())
        };
        let around = if tcp { 7 } else { 3 };
        // Frames are told apart by a silence of 3.5 characters, at least 1.75 ms (Modbus over Serial Line V1.02,
        // section 2.5.1.1).
        let silence = (pace.byte_time * 7 / 2).max(Duration::from_micros(1750));
        let min_gap = if tcp { pace.min_gap } else { pace.min_gap.max(silence) };
        let now = Instant::now();
        let pace = Pace { min_gap, ..pace };
        let (rest, habits) = (Rest::default(), Habits::default());
        Master { tap, context, tcp, around, pace, free_at: now, late_until: now, rest, habits }
    }

    /// Bytes that came without a question.
    pub fn unsolicited(&self) -> u64 {
        self.tap.unsolicited()
    }

    /// One exchange. Whatever goes wrong but a refusal, the line is then dirty.
    /// With `anyway` it goes out whatever lies on the line.
    pub async fn exchange(
        &mut self,
        unit: u8,
        what: &Registers,
        anyway: bool,
    ) -> Result<(Vec<u16>, Instant), Trouble> {
        self.rest.until(self.free_at).await;
        let asked = || format!("unit {unit}: {what}");
        let alone = self.left(unit, what).is_some();
        if let Some(came) = self.tap.lying(alone)?.filter(|_| !anyway) {
            self.late();
            return Err(Trouble::Garbled { asked: asked(), why: "it came before the question".into(), came });
        }
        self.context.set_slave(Slave(unit));
        let answer = self.call(unit, what, &asked).await;
        self.rest.done();
        self.free_at = Instant::now() + self.pace.min_gap;
        let came = self.tap.came();
        // Over TCP nothing echoes, and the header makes the answer to function code 06 look as if it did.
        if !self.tcp && self.tap.echoed() {
            self.late();
            return Err(Trouble::Echo { asked: asked() });
        }
        let garbled = |why: String| Trouble::Garbled { asked: asked(), why, came: Bytes(came.clone()) };
        let wanted = self.around
            + match &answer {
                Ok(Ok(_)) => what.answer_len(),
                _ => EXCEPTION_LEN,
            };
        let checked = match answer {
            Err(trouble) => Err(trouble),
            Ok(_) if came.len() != wanted => {
                Err(garbled(format!("{} bytes instead of {wanted}", came.len())))
            }
            Ok(Err(code)) => return Err(refused(asked(), code)),
            Ok(Ok(answer)) => match (what, answer) {
                (Registers::Read(block), Response::ReadHoldingRegisters(words))
                    if block.space == Space::Holding && words.len() == usize::from(block.count) =>
                {
                    Ok(words)
                }
                (Registers::Read(block), Response::ReadInputRegisters(words))
                    if block.space == Space::Input && words.len() == usize::from(block.count) =>
                {
                    Ok(words)
                }
                (Registers::Read(block), Response::ReadCoils(bits)) if block.space == Space::Coil => {
                    Ok(states(block, &bits))
                }
                (Registers::Read(block), Response::ReadDiscreteInputs(bits))
                    if block.space == Space::Discrete =>
                {
                    Ok(states(block, &bits))
                }
                (Registers::WriteCoil(coil, on), Response::WriteSingleCoil(at, is))
                    if (*coil, *on) == (at, is) =>
                {
                    Ok(Vec::new())
                }
                (Registers::WriteOne(register, word), Response::WriteSingleRegister(at, wrote))
                    if (*register, *word) == (at, wrote) =>
                {
                    Ok(Vec::new())
                }
                (Registers::Write(register, words), Response::WriteMultipleRegisters(at, count))
                    if *register == at && words.len() == usize::from(count) =>
                {
                    Ok(Vec::new())
                }
                _ => Err(garbled("it belongs to another question".into())),
            },
        };
        match checked {
            Ok(words) => Ok((words, self.tap.middle())),
            Err(trouble) => {
                self.late();
                Err(trouble)
            }
        }
    }

    /// How long to leave the answer alone, if at all.
    fn left(&self, unit: u8, what: &Registers) -> Option<Duration> {
        self.habits.nearly(&(unit, what)).filter(|_| !self.pace.byte_time.is_zero())
    }

    /// Nothing that is still on its way can come after this.
    fn late(&mut self) {
        self.late_until = Instant::now() + self.pace.reply_timeout;
        if !self.tcp {
            self.context = tokio_modbus::client::rtu::attach(self.tap.clone());
        }
    }

    async fn call(
        &mut self,
        unit: u8,
        what: &Registers,
        asked: &impl Fn() -> String,
    ) -> Result<Result<Response, ExceptionCode>, Trouble> {
        self.tap.begin(self.pace.byte_time);
        let gap = self.pace.gap_timeout.max(self.pace.byte_time * 4);
        let begun = Instant::now();
        let question = (unit, what);
        let left = self.left(unit, what);
        self.tap.hold(left.is_some());
        let mut answer = None;
        {
            let mut call = pin!(self.context.call(what.request()));
            // Until then there is nothing to do but to be woken byte by byte. Whatever comes instead of the usual
            // answer, or nothing, is seen then: earlier than the usual answer would be.
            if let Some(left) = left {
                match poll_fn(|cx| Poll::Ready(call.as_mut().poll(cx))).await {
                    Poll::Ready(failed) => answer = Some(failed),
                    Poll::Pending if self.tap.awaited() => {
                        let sent = self.tap.written().unwrap_or(begun);
                        self.rest.until(sent + left.min(self.pace.reply_timeout)).await;
                    }
                    // The port has not taken the whole question yet.
                    Poll::Pending => {}
                }
                self.tap.hold(false);
            }
            while answer.is_none() {
                let deadline = match (self.tap.last(), self.tap.written()) {
                    (Some(last), _) => last + gap,
                    (None, Some(written)) => written + self.pace.reply_timeout,
                    (None, None) => begun + self.pace.reply_timeout,
                };
                match self.rest.within(deadline, &mut call).await {
                    Some(came) => answer = Some(came),
                    None if self.tap.moved_since(deadline, gap, self.pace.reply_timeout) => {}
                    None => break,
                }
            }
        }
        if let (Some(Ok(Ok(_))), Some(written)) = (&answer, self.tap.written()) {
            let took = Instant::now().saturating_duration_since(written);
            self.habits.learn(&question, took, left, self.tap.looks());
        }
        let came = || Bytes(self.tap.came());
        match answer {
            None if self.tap.written().is_none() => Err(Trouble::Gone("the port takes no more bytes".into())),
            None if self.tap.came().is_empty() => {
                Err(Trouble::NoReply { asked: asked(), waited: self.pace.reply_timeout })
            }
            None => Err(Trouble::Truncated { asked: asked(), came: came() }),
            Some(Ok(answer)) => Ok(answer),
            Some(Err(_)) if self.tap.endless() => Err(Trouble::Endless { asked: asked(), came: came() }),
            Some(Err(error)) => Err(match (self.tap.gone(), error) {
                (Some(why), _) => Trouble::Gone(why),
                (None, Error::Protocol(_)) => Trouble::Garbled {
                    asked: asked(),
                    why: "it belongs to another question".into(),
                    came: came(),
                },
                (None, Error::Transport(error)) => {
                    Trouble::Garbled { asked: asked(), why: error.to_string(), came: came() }
                }
            }),
        }
    }

    /// Waits until no late answer can be on its way and throws away what comes.
    pub async fn quiet(&mut self) -> Result<(), Trouble> {
        let gap = self.pace.gap_timeout.max(self.pace.byte_time * 4);
        let late = self.late_until.max(Instant::now());
        let give_up = late + self.pace.reply_timeout + gap * 4;
        let mut silent = Instant::now() + gap;
        while timeout_at(silent.max(late), self.tap.drain()).await.map_or(Ok(false), |r| r.map(|()| true))? {
            silent = Instant::now() + gap;
            if Instant::now() > give_up {
                return Err(Trouble::Endless { asked: "nothing".into(), came: Bytes(self.tap.came()) });
            }
        }
        Ok(())
    }
}

/// Bits as 0 and 1. They come in whole bytes, whose number has been held against the question; what fills up the last
/// one says nothing.
fn states(block: &Block, bits: &[bool]) -> Vec<u16> {
    bits.iter().take(usize::from(block.count)).map(|bit| u16::from(*bit)).collect()
}

/// Exception codes in words (V1.1b3, section 7).
fn refused(told: String, code: ExceptionCode) -> Trouble {
    let said = match code {
        ExceptionCode::Acknowledge | ExceptionCode::ServerDeviceBusy => {
            return Trouble::DeviceBusy { asked: told };
        }
        ExceptionCode::IllegalFunction => {
            "it does not know this function code; look up which ones its manual lists"
        }
        ExceptionCode::IllegalDataAddress => {
            "it has no such register (or coil), or not all of them; compare the numbers with its manual, which may count from 1 \
             (then write one less) or from 40001 or 30001 (then subtract that: for 40033 write 32)"
        }
        ExceptionCode::IllegalDataValue => "it does not take this request's length or value",
        ExceptionCode::ServerDeviceFailure => "it failed while doing it; look at its front panel",
        ExceptionCode::MemoryParityError => "its memory failed a parity check",
        ExceptionCode::GatewayPathUnavailable => "the gateway has no way to this unit; check its settings",
        ExceptionCode::GatewayTargetDevice => {
            "the gateway got no answer from this unit; check address and cable"
        }
        ExceptionCode::Custom(7) => "negative acknowledge: it cannot do this",
        ExceptionCode::Custom(_) => "an exception of its own; look it up in its manual",
    };
    Trouble::Refused { told, code: u8::from(code).into(), said: said.into() }
}
