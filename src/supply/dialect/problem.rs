//! One thing wrong in a dialect file.

use std::fmt;

/// What is wrong, where, and what would be right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Line, counted from 1.
    pub line: usize,
    /// Column in characters, counted from 1.
    pub column: usize,
    /// The key with its tables, empty where the file is not TOML at all.
    pub key: String,
    /// What is wrong; what would be right.
    pub text: String,
}

impl fmt::Display for Problem {
    /// `line:column key: text`; the caller puts the file's name before it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{} ", self.line, self.column)?;
        if !self.key.is_empty() {
            write!(f, "{}: ", self.key)?;
        }
        f.write_str(&self.text)
    }
}

impl std::error::Error for Problem {}

/// Line and column of a byte, both from 1.
pub(super) fn place(text: &str, byte: usize) -> (usize, usize) {
    let mut byte = byte.min(text.len());
    while !text.is_char_boundary(byte) {
        byte -= 1;
    }
    let before = &text[..byte];
    let start = before.rfind('\n').map_or(0, |at| at + 1);
    (before.matches('\n').count() + 1, before[start..].chars().count() + 1)
}
