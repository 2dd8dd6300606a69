//! Wires that are functions: what is asked is answered in the same instant, in memory.

use crate::mutate::{below, mutate};
use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tankside::mimic::Prng;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep};

/// One line asked, and the bytes that were made for it.
#[derive(Clone, Debug)]
pub struct Exchange {
    pub question: String,
    pub reply: Vec<u8>,
}

/// What went over the wire, and how bad it is.
pub struct Talk {
    /// Questions with the replies to them, mutated or not. A reply that was held back stands with its own question.
    pub log: Vec<Exchange>,
    /// The share of replies that are spoilt.
    pub spoil: f64,
    /// How many were.
    pub spoiled: u32,
    prng: Prng,
    /// Numbers never repeat, so that a reply in the wrong place shows.
    count: u32,
    held: Vec<u8>,
}

/// A supply in good health behind a bad line.
pub struct ScpiWire {
    talk: Arc<Mutex<Talk>>,
    asked: Vec<u8>,
    said: VecDeque<u8>,
}

impl ScpiWire {
    pub fn new(seed: u64) -> (ScpiWire, Arc<Mutex<Talk>>) {
        let talk = Talk {
            log: Vec::new(),
            spoil: 0.0,
            spoiled: 0,
            prng: Prng::new(seed),
            count: 0,
            held: Vec::new(),
        };
        let talk = Arc::new(Mutex::new(talk));
        (ScpiWire { talk: talk.clone(), asked: Vec::new(), said: VecDeque::new() }, talk)
    }
}

impl Talk {
    fn answer(&mut self, line: &str) -> Vec<u8> {
        let questions = line.split(';').filter(|q| q.contains('?'));
        let answers: Vec<String> = questions.map(|q| self.one(q.trim_start_matches(':'))).collect();
        if answers.is_empty() {
            return Vec::new();
        }
        let mut reply = (answers.join(";") + "\n").into_bytes();
        let mut out = std::mem::take(&mut self.held);
        let spoil = self.prng.unit() < self.spoil;
        if spoil {
            self.spoiled += 1;
            match below(&mut self.prng, 10) {
                // One in ten comes only after the next question, one in ten twice.
                0 => self.held = reply.clone(),
                1 => out.extend(&reply),
                _ => mutate(&mut self.prng, &mut reply, crate::REPLIES),
            }
        }
        if self.held.is_empty() {
            out.extend(&reply);
        }
        self.log.push(Exchange { question: line.into(), reply });
        out
    }

    fn one(&mut self, question: &str) -> String {
        self.count = self.count % 1_000_000 + 1;
        let number = f64::from(self.count) / 100_000.0;
        match question {
            "*IDN?" => "WORKSHOP,BENCH 12-10,0042,1.0".into(),
            "SYST:ERR?" => "0,\"No error\"".into(),
            "OUTP?" | "VOLT:PROT:STAT?" | "CURR:PROT:STAT?" => "1".into(),
            "VOLT:PROT:TRIP?" | "CURR:PROT:TRIP?" => "0".into(),
            "STAT:QUES:COND?" => "1".into(),
            _ => format!("{number:.5}"),
        }
    }
}

impl AsyncWrite for ScpiWire {
    fn poll_write(mut self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        self.asked.extend(bytes);
        while let Some(end) = self.asked.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = self.asked.drain(..=end).collect();
            let line = String::from_utf8_lossy(&line[..end]).into_owned();
            let said = self.talk.lock().unwrap().answer(&line);
            self.said.extend(said);
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

impl AsyncRead for ScpiWire {
    /// In pieces of any size. Nothing to say: the reader's timer wakes it, or its next question.
    fn poll_read(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
        room: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let most = room.remaining().min(self.said.len());
        if most == 0 {
            return Poll::Pending;
        }
        let mut talk = self.talk.lock().unwrap();
        // Half of the pieces end with a line, as a line that comes by itself does.
        let line =
            self.said.iter().take(most).position(|b| *b == b'\n').filter(|_| talk.prng.bits() & 1 == 0);
        let piece = 1 + line.unwrap_or_else(|| below(&mut talk.prng, most));
        drop(talk);
        let bytes: Vec<u8> = self.said.drain(..piece).collect();
        room.put_slice(&bytes);
        Poll::Ready(Ok(()))
    }
}

/// Says digits for ever, 256 a millisecond, whatever it is told.
pub struct Endless {
    pulled: Arc<AtomicUsize>,
    pause: Pin<Box<Sleep>>,
}

impl Endless {
    pub fn new() -> (Endless, Arc<AtomicUsize>) {
        let pulled = Arc::new(AtomicUsize::new(0));
        (Endless { pulled: pulled.clone(), pause: Box::pin(sleep(Duration::ZERO)) }, pulled)
    }
}

impl AsyncRead for Endless {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        room: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        ready!(self.pause.as_mut().poll(cx));
        self.pause.as_mut().reset(Instant::now() + Duration::from_millis(1));
        let count = room.remaining().min(256);
        room.put_slice(&[b'7'; 256][..count]);
        self.pulled.fetch_add(count, Ordering::Relaxed);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Endless {
    fn poll_write(self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Poll::Ready(Ok(bytes.len()))
    }
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}
