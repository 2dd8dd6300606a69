//! Transcripts: every byte of a probe, kept so that it becomes a test.
//!
//! A transcript is text. Lines that begin with `# key: value` are its header,
//! `> ` went to the supply, `< ` came from it, with every byte that is not
//! printable ASCII as an escape. Replayed, it plays the supply.

use super::line::Wire;
use super::probe::{Found, survey};
use super::session::Session;
use super::{Clock, Device, Dialect, Port, Spec};
use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, Waker, ready};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

/// The first line of every transcript.
const FIRST: &str = "# tankside transcript 1";

#[derive(Clone, Debug, PartialEq, Eq)]
enum Step {
    Sent(Vec<u8>),
    Came(Vec<u8>),
}

/// Keeps what passes.
pub(super) struct Recorder<S> {
    io: S,
    log: Log,
}

/// What has passed so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Log(Arc<Mutex<Vec<Step>>>);

impl Log {
    fn add(&self, sent: bool, bytes: &[u8]) {
        let mut steps = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match (steps.last_mut(), sent) {
            _ if bytes.is_empty() => {}
            (Some(Step::Sent(last)), true) | (Some(Step::Came(last)), false) => last.extend_from_slice(bytes),
            (_, true) => steps.push(Step::Sent(bytes.into())),
            (_, false) => steps.push(Step::Came(bytes.into())),
        }
    }

    /// As text, with what was found as its header.
    pub fn text(&self, found: &Found) -> String {
        let mut lines = vec![FIRST.to_owned()];
        let mut header = |key: &str, value: String| lines.push(format!("# {key}: {value}"));
        header("dialect", found.spec.dialect.clone());
        header("framing", if matches!(found.spec.port, Port::Tcp(_)) { "tcp" } else { "serial" }.into());
        if let Some(unit) = found.spec.wiring.unit {
            header("unit", unit.to_string());
        }
        header("identity", found.identity.escape_debug().to_string());
        header("reading", found.said());
        for note in ["model", "firmware", "who", "when", "notes"] {
            header(note, String::new());
        }
        for step in self.0.lock().unwrap_or_else(PoisonError::into_inner).iter() {
            lines.push(match step {
                Step::Sent(bytes) => format!("> {}", bytes.escape_ascii()),
                Step::Came(bytes) => format!("< {}", bytes.escape_ascii()),
            });
        }
        lines.join("\n") + "\n"
    }
}

impl<S: Wire> Recorder<S> {
    pub fn new(io: S, log: Log) -> Self {
        Recorder { io, log }
    }
}

impl<S: Wire> AsyncRead for Recorder<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        ready!(Pin::new(&mut self.io).poll_read(cx, buf))?;
        self.log.add(false, &buf.filled()[before..]);
        Poll::Ready(Ok(()))
    }
}

impl<S: Wire> AsyncWrite for Recorder<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let count = ready!(Pin::new(&mut self.io).poll_write(cx, bytes))?;
        self.log.add(true, &bytes[..count]);
        Poll::Ready(Ok(count))
    }
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_flush(cx)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_shutdown(cx)
    }
}

/// Plays the supply of a transcript: answers what was asked then, as long as it is asked the same again.
struct Player {
    steps: VecDeque<Step>,
    /// What of the present question has been asked already.
    asked: usize,
    waiting: Option<Waker>,
}

impl AsyncRead for Player {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let Some(Step::Came(bytes)) = self.steps.front_mut() else {
            self.waiting = Some(cx.waker().clone());
            return Poll::Pending;
        };
        let count = bytes.len().min(buf.remaining());
        buf.put_slice(&bytes[..count]);
        bytes.drain(..count);
        if bytes.is_empty() {
            self.steps.pop_front();
        }
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Player {
    fn poll_write(mut self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let asked = self.asked;
        let other = |wanted: &[u8]| {
            let (now, then) = (bytes.escape_ascii(), wanted.escape_ascii());
            Poll::Ready(Err(io::Error::other(format!("asked \"{now}\", the transcript has \"{then}\""))))
        };
        let done = match self.steps.front() {
            Some(Step::Sent(wanted)) if wanted[asked..].starts_with(bytes) => {
                asked + bytes.len() == wanted.len()
            }
            Some(Step::Sent(wanted) | Step::Came(wanted)) => return other(wanted),
            None => return other(b""),
        };
        self.asked = if done { 0 } else { asked + bytes.len() };
        if done {
            self.steps.pop_front();
            if let Some(waker) = self.waiting.take() {
                waker.wake();
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

/// A transcript that was read back.
#[derive(Clone, Debug)]
pub struct Transcript {
    header: Vec<(String, String)>,
    steps: Vec<Step>,
}

impl Transcript {
    /// Reads one.
    ///
    /// # Errors
    /// The line that cannot be read, and why.
    pub fn parse(text: &str) -> Result<Transcript, String> {
        let mut lines = text.lines();
        if lines.next() != Some(FIRST) {
            return Err(format!("line 1: is not \"{FIRST}\""));
        }
        let (mut header, mut steps) = (Vec::new(), Vec::new());
        for (number, line) in (2..).zip(lines) {
            let bytes = |text: &str| unescape(text).ok_or(format!("line {number}: has a bad escape"));
            if let Some(text) = line.strip_prefix("> ") {
                steps.push(Step::Sent(bytes(text)?));
            } else if let Some(text) = line.strip_prefix("< ") {
                steps.push(Step::Came(bytes(text)?));
            } else if let Some((key, value)) = line.strip_prefix("# ").and_then(|l| l.split_once(':')) {
                header.push((key.trim().into(), value.trim().into()));
            } else if !line.trim().is_empty() {
                return Err(format!("line {number}: begins with none of \"# \", \"> \", \"< \""));
            }
        }
        Ok(Transcript { header, steps })
    }

    /// A value of the header; empty if it is not there.
    pub fn header(&self, key: &str) -> &str {
        self.header.iter().find(|(k, _)| k == key).map_or("", |(_, value)| value)
    }

    /// Does again what the probe did, with the transcript in the supply's place.
    ///
    /// # Errors
    /// In the operator's words: the supply was asked something else, or did not make sense.
    pub async fn replay(&self, dialect: &Arc<Dialect>) -> Result<Found, String> {
        let port = Port::Bridge("transcript:1".into());
        let port = if self.header("framing") == "tcp" { Port::Tcp("transcript:1".into()) } else { port };
        let unit = self.header("unit").parse().ok();
        let spec = Spec {
            dialect: dialect.name.clone(),
            port,
            baud: 115_200,
            parity: super::Parity::None,
            two_stop_bits: false,
            identity: None,
            wiring: crate::supply::Wiring { unit, ..crate::supply::Wiring::default() },
        };
        let player = Player { steps: self.steps.clone().into(), asked: 0, waiting: None };
        let mut device = Device::new(spec.clone(), dialect.clone(), Clock::new());
        device.attach(Session::over(Box::new(player), &spec, dialect));
        survey(&mut device).await.map_err(|trouble| trouble.to_string())
    }
}

/// The reverse of `escape_ascii`.
fn unescape(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        bytes.push(match (byte, byte == b'\\') {
            (byte, false) => byte,
            (_, true) => match rest.next()? {
                b'n' => b'\n',
                b'r' => b'\r',
                b't' => b'\t',
                b'x' => {
                    let pair = [rest.next()?, rest.next()?];
                    u8::from_str_radix(std::str::from_utf8(&pair).ok()?, 16).ok()?
                }
                plain @ (b'\\' | b'\'' | b'"') => plain,
                _ => return None,
            },
        });
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_byte_comes_back_from_its_escape(bytes in proptest::collection::vec(any::<u8>(), 0..64)) {
            prop_assert_eq!(unescape(&bytes.escape_ascii().to_string()), Some(bytes));
        }

        #[test]
        fn no_text_makes_a_transcript_panic(text in ".{0,200}") {
            let _ = Transcript::parse(&format!("{FIRST}\n{text}"));
        }
    }
}
