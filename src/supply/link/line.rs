//! One line of text out, one line back: framing, time-outs and trust.
//!
//! After anything that does not fit, the line is *suspect*: what comes next
//! may be the answer to an older question. [`Line::quiet`] waits until no late
//! answer can still be on its way and throws away what came; the caller then
//! asks one question whose answer it knows.

use super::rest::{Habits, Rest};
use super::trouble::{Bytes, Trouble};
use super::tty::looker;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, ReadBuf};
use tokio::time::{Instant, timeout_at};

/// Anything that carries bytes both ways.
pub trait Wire: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Wire for T {}

/// No reply of a supply is longer; whatever is, has no end.
const LONGEST: usize = 512;

/// How fast things go on this line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pace {
    pub reply_timeout: Duration,
    pub gap_timeout: Duration,
    pub min_gap: Duration,
    /// One byte on the wire; zero where the wire is no bottleneck.
    pub byte_time: Duration,
}

/// A whole line that came in time after a question.
#[derive(Debug)]
pub(super) struct Answer {
    pub bytes: Vec<u8>,
    /// Half-way between the end of the question and the first byte of the answer:
    /// the best guess at when the supply looked.
    pub at: Instant,
}

/// A link with its rules of trust.
pub(super) struct Line<S> {
    io: S,
    pace: Pace,
    send_end: Vec<u8>,
    reply_end: u8,
    suspect: bool,
    /// Part of a line may be in the supply's input: from us, or from whoever had the port before.
    cut: bool,
    free_at: Instant,
    late_until: Instant,
    unsolicited: u64,
    rest: Rest,
    habits: Habits,
}

impl<S: Wire> Line<S> {
    pub fn new(io: S, pace: Pace, send_end: &[u8], reply_end: &[u8]) -> Self {
        let now = Instant::now();
        Line {
            io,
            pace,
            send_end: send_end.into(),
            reply_end: reply_end.last().copied().unwrap_or(b'\n'),
            suspect: true,
            cut: true,
            free_at: now,
            late_until: now,
            unsolicited: 0,
            rest: Rest::default(),
            habits: Habits::default(),
        }
    }

    /// Whether an answer could be the answer to something else.
    pub fn is_suspect(&self) -> bool {
        self.suspect
    }

    /// The caller could not make sense of an answer, so the next may be wrong too.
    pub fn distrust(&mut self) {
        self.suspect = true;
        self.late_until = Instant::now() + self.pace.reply_timeout;
    }

    /// Bytes that came without a question.
    pub fn unsolicited(&self) -> u64 {
        self.unsolicited
    }

    /// Sends a line that has no answer.
    pub async fn tell(&mut self, command: &str) -> Result<(), Trouble> {
        self.rest.until(self.free_at).await;
        self.write(command).await
    }

    /// Sends a question and waits for one whole line. It neither checks nor
    /// mends trust; that is for the caller, who knows a question to try.
    pub async fn ask(&mut self, question: &str) -> Result<Answer, Trouble> {
        self.rest.until(self.free_at).await;
        let left = self.habits.nearly(&question).filter(|_| !self.pace.byte_time.is_zero());
        self.stale(question, left.is_some())?;
        // If the caller is dropped while waiting, the answer is still to come.
        let trusted = !std::mem::replace(&mut self.suspect, true);
        self.late_until = Instant::now() + self.pace.reply_timeout * 2;
        self.write(question).await?;
        let sent = self.free_at - self.pace.min_gap;
        let answer = self.answer(question, sent, left).await;
        self.rest.done();
        match answer {
            Ok(answer) => {
                self.suspect = !trusted;
                self.free_at = Instant::now() + self.pace.min_gap;
                Ok(answer)
            }
            Err(trouble) => {
                self.distrust();
                Err(trouble)
            }
        }
    }

    /// The known question was answered right.
    pub fn trust(&mut self) {
        self.suspect = false;
    }

    /// Waits until the line has been silent for the gap time-out and no late
    /// reply can be on its way; throws away what comes meanwhile.
    pub async fn quiet(&mut self) -> Result<(), Trouble> {
        let late = self.late_until.max(Instant::now());
        let give_up = late + self.pace.reply_timeout + self.gap() * 4;
        let mut silent = Instant::now() + self.gap();
        let mut chunk = [0; 256];
        loop {
            let Ok(read) = timeout_at(silent.max(late), self.io.read(&mut chunk)).await else {
                return Ok(());
            };
            let count = alive(read)?;
            self.unsolicited += count as u64;
            silent = Instant::now() + self.gap();
            if Instant::now() > give_up {
                let came = Bytes(chunk[..count].to_vec());
                return Err(Trouble::Endless { asked: "nothing".into(), came });
            }
        }
    }

    fn gap(&self) -> Duration {
        self.pace.gap_timeout.max(self.pace.byte_time * 4)
    }

    /// What already lies there before a question cannot be its answer. If the answer is to be left alone, nobody is
    /// woken any more by what comes.
    fn stale(&mut self, question: &str, alone: bool) -> Result<(), Trouble> {
        let mut came = Vec::new();
        let mut chunk = [0; 256];
        // A look that does not wait. A timer, even one that has run out, would cost a millisecond.
        loop {
            let mut room = ReadBuf::new(&mut chunk);
            let mut look = Context::from_waker(looker(alone));
            let Poll::Ready(read) = Pin::new(&mut self.io).poll_read(&mut look, &mut room) else { break };
            alive(read.map(|()| room.filled().len()))?;
            came.extend_from_slice(room.filled());
            if came.len() > LONGEST {
                break;
            }
        }
        if came.trim_ascii().is_empty() {
            return Ok(());
        }
        self.unsolicited += came.len() as u64;
        self.distrust();
        Err(Trouble::Garbled {
            asked: question.into(),
            why: "it came before the question".into(),
            came: Bytes(came),
        })
    }

    async fn write(&mut self, text: &str) -> Result<(), Trouble> {
        let mut frame = Vec::with_capacity(text.len() + 4);
        if std::mem::replace(&mut self.cut, true) {
            frame.extend_from_slice(&self.send_end);
        }
        frame.extend_from_slice(text.as_bytes());
        frame.extend_from_slice(&self.send_end);
        let on_wire = self.pace.byte_time * u32::try_from(frame.len()).unwrap_or(u32::MAX);
        let limit = on_wire + self.pace.reply_timeout;
        // Not flushed: on a serial port that blocks the thread until the last bit is out.
        match timeout_at(Instant::now() + limit, self.io.write_all(&frame)).await {
            Err(_) => {
                self.distrust();
                Err(Trouble::NoReply { asked: text.into(), waited: limit })
            }
            Ok(Err(error)) => Err(Trouble::Gone(error.to_string())),
            Ok(Ok(())) => {
                self.cut = false;
                self.free_at = Instant::now() + on_wire + self.pace.min_gap;
                Ok(())
            }
        }
    }

    async fn answer(
        &mut self,
        question: &str,
        sent: Instant,
        left: Option<Duration>,
    ) -> Result<Answer, Trouble> {
        let asked = || question.to_owned();
        let mut came = Vec::new();
        let mut chunk = [0; 256];
        let mut deadline = sent + self.pace.reply_timeout;
        let longest = self.pace.byte_time * u32::try_from(LONGEST).unwrap_or(u32::MAX);
        let end = deadline + longest + self.pace.reply_timeout;
        let mut first = None;
        // Until then there is nothing to do but to be woken byte by byte. Whatever comes instead of the usual
        // answer, or nothing, is seen then: earlier than the usual answer would be.
        if let Some(left) = left {
            self.rest.until((sent + left).min(deadline)).await;
        }
        let mut looks = 0;
        loop {
            looks += 1;
            let count = match self.rest.within(deadline.min(end), self.io.read(&mut chunk)).await {
                Some(read) => alive(read)?,
                None if came.is_empty() => {
                    return Err(Trouble::NoReply { asked: asked(), waited: self.pace.reply_timeout });
                }
                None if deadline > end => {
                    return Err(Trouble::Endless { asked: asked(), came: Bytes(came) });
                }
                None => return Err(Trouble::Truncated { asked: asked(), came: Bytes(came) }),
            };
            let now = Instant::now();
            // What came in one piece took its time on the wire.
            let took = self.pace.byte_time * u32::try_from(count).unwrap_or(u32::MAX);
            let first = *first.get_or_insert(now.checked_sub(took).map_or(sent, |first| first.max(sent)));
            came.extend_from_slice(&chunk[..count]);
            if let Some(stop) = came.iter().position(|b| *b == self.reply_end) {
                if !came[stop + 1..].trim_ascii().is_empty() {
                    let why = "more than one line came".into();
                    return Err(Trouble::Garbled { asked: asked(), why, came: Bytes(came) });
                }
                came.truncate(stop);
                let took = now.saturating_duration_since(sent);
                self.habits.learn(&question, took, left, looks);
                let at = sent.min(first) + first.saturating_duration_since(sent) / 2;
                return Ok(Answer { bytes: came, at });
            }
            if came.len() > LONGEST {
                return Err(Trouble::Endless { asked: asked(), came: Bytes(came) });
            }
            deadline = now + self.gap();
        }
    }
}

/// Zero bytes and every error mean the same: the port is gone.
fn alive(read: std::io::Result<usize>) -> Result<usize, Trouble> {
    match read {
        Ok(0) => Err(Trouble::Gone("the port hung up".into())),
        Ok(count) => Ok(count),
        Err(error) => Err(Trouble::Gone(error.to_string())),
    }
}
