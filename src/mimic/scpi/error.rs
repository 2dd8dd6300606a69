//! Error numbers and the queue that keeps them.
//!
//! Numbers and texts: SCPI-1999 volume 2, chapter 21, as listed in the public
//! `scpi-parser` library's `error.h`.

use std::collections::VecDeque;

/// One entry of the error queue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Error {
    /// The number; 0 is none.
    pub code: i16,
    /// The standard's text.
    pub text: &'static str,
}

macro_rules! errors {
    ($($(#[$doc:meta])* $name:ident = $code:literal, $text:literal;)+) => {
        impl Error {
            $($(#[$doc])* pub const $name: Error = Error { code: $code, text: $text };)+
        }
    };
}

errors! {
    /// Nothing in the queue.
    NONE = 0, "No error";
    /// A byte that no message may hold.
    INVALID_CHARACTER = -101, "Invalid character";
    /// Not a program message at all.
    SYNTAX = -102, "Syntax error";
    /// Two things run together.
    INVALID_SEPARATOR = -103, "Invalid separator";
    /// A string where a number belongs, or the like.
    DATA_TYPE = -104, "Data type error";
    /// More parameters than the header takes.
    PARAMETER_NOT_ALLOWED = -108, "Parameter not allowed";
    /// Fewer.
    MISSING_PARAMETER = -109, "Missing parameter";
    /// Over 12 characters in a mnemonic.
    MNEMONIC_TOO_LONG = -112, "Program mnemonic too long";
    /// No such header.
    UNDEFINED_HEADER = -113, "Undefined header";
    /// There is no second output.
    SUFFIX_OUT_OF_RANGE = -114, "Header suffix out of range";
    /// Begins like a number and is none.
    INVALID_NUMBER_CHARACTER = -121, "Invalid character in number";
    /// Over 32000.
    EXPONENT_TOO_LARGE = -123, "Exponent too large";
    /// Over 255 digits.
    TOO_MANY_DIGITS = -124, "Too many digits";
    /// A unit that does not fit.
    INVALID_SUFFIX = -131, "Invalid suffix";
    /// A unit where none belongs.
    SUFFIX_NOT_ALLOWED = -138, "Suffix not allowed";
    /// A word that the header does not know.
    INVALID_CHARACTER_DATA = -141, "Invalid character data";
    /// On refused: a protection stands tripped.
    SETTINGS_CONFLICT = -221, "Settings conflict";
    /// Beyond what the supply can do.
    DATA_OUT_OF_RANGE = -222, "Data out of range";
    /// Nothing is fitted there.
    HARDWARE_MISSING = -241, "Hardware missing";
    /// Errors were lost.
    QUEUE_OVERFLOW = -350, "Queue overflow";
    /// A message longer than the input buffer.
    INPUT_BUFFER_OVERRUN = -363, "Input buffer overrun";
}

impl Error {
    /// The bit of the standard event status register (IEEE 488.2) for this class.
    pub fn event_bit(self) -> u8 {
        match self.code {
            -199..=-100 => 32,
            -299..=-200 => 16,
            -399..=-300 => 8,
            -499..=-400 => 4,
            _ => 0,
        }
    }
}

/// First in, first out; when full, its last entry becomes -350.
#[derive(Clone, Debug, Default)]
pub struct Queue(VecDeque<Error>);

/// How many errors are kept.
pub const QUEUE_DEPTH: usize = 16;

impl Queue {
    /// Adds one.
    pub fn push(&mut self, error: Error) {
        if self.0.len() < QUEUE_DEPTH {
            self.0.push_back(error);
        } else if let Some(last) = self.0.back_mut() {
            *last = Error::QUEUE_OVERFLOW;
        }
    }
    /// Takes the oldest.
    pub fn pop(&mut self) -> Error {
        self.0.pop_front().unwrap_or(Error::NONE)
    }
    /// How many there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }
    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
    /// Forgets all.
    pub fn clear(&mut self) {
        self.0.clear();
    }
}
