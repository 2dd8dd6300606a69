//! The log: to stderr, and never in the way of control.
//!
//! A terminal that was stopped with Ctrl-S, or a pager that nobody scrolls,
//! takes no more bytes, and whoever writes to it waits. So whoever logs puts
//! the line into a box and goes on; one thread of its own does the waiting. When
//! the box is full, lines are lost, counted, and the count is said.

use crate::rank;
use std::backtrace::{Backtrace, BacktraceStatus};
use std::fs::File;
use std::io::{self, IsTerminal, Write};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::time::Duration;
use tracing_subscriber::EnvFilter;

/// So many lines may wait: some minutes of a busy log, at most a few hundred kilobytes.
const BOX: usize = 2048;
/// How long the end waits for what is still in the box.
const LAST_LINES: Duration = Duration::from_secs(1);

enum Post {
    Line(Vec<u8>),
    /// Everything before it is written when this comes back.
    Flush(Sender<()>),
}

/// Where lines go in; cheap to clone. Never blocks.
#[derive(Clone)]
struct Lines {
    post: SyncSender<Post>,
    lost: Arc<AtomicU64>,
}

/// The log's end: dropped, it waits a moment for the last lines.
pub(crate) struct Log(Lines);

/// Logs to stderr; RUST_LOG chooses, else `usual`. Also the words of a panic,
/// which would otherwise be written by the thread that has yet to switch off.
///
/// # Errors
/// If stderr or a thread is not to be had.
pub(crate) fn to_stderr(usual: &str) -> io::Result<Log> {
    // A descriptor of its own: std's lock on stderr must not be held while the thread waits.
    let out = File::from(io::stderr().as_fd().try_clone_to_owned()?);
    let lines = start(out)?;
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(usual));
    let into = lines.clone();
    // A second call (a test in the same process) changes nothing.
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(move || into.clone())
        .with_ansi(io::stderr().is_terminal())
        .try_init()
        .ok();
    let into = lines.clone();
    std::panic::set_hook(Box::new(move |panic| {
        let mut text = format!("tankside: {panic}\n");
        // As RUST_BACKTRACE has it.
        let trace = Backtrace::capture();
        if trace.status() == BacktraceStatus::Captured {
            text.push_str(&trace.to_string());
        }
        into.put(text.into_bytes());
    }));
    Ok(Log(lines))
}

fn start(out: impl Write + Send + 'static) -> io::Result<Lines> {
    let (post, inbox) = sync_channel(BOX);
    let lost = Arc::new(AtomicU64::new(0));
    let lines = Lines { post, lost: lost.clone() };
    std::thread::Builder::new().name("log".into()).spawn(move || {
        rank::aside();
        write(out, &inbox, &lost);
    })?;
    Ok(lines)
}

/// The thread that waits for whoever reads.
fn write(mut out: impl Write, inbox: &Receiver<Post>, lost: &AtomicU64) {
    for post in inbox {
        // A reader who has gone (`| head`) is no reason to stop: the box must go on being emptied.
        match post {
            Post::Line(line) => drop(out.write_all(&line)),
            Post::Flush(done) => drop(done.send(())),
        }
        confess(&mut out, lost);
    }
    confess(&mut out, lost);
}

fn confess(out: &mut impl Write, lost: &AtomicU64) {
    let count = lost.swap(0, Ordering::Relaxed);
    if count > 0 {
        drop(writeln!(out, "tankside: {count} lines of the log are lost: nobody read them in time"));
    }
}

impl Lines {
    fn put(&self, line: Vec<u8>) {
        if self.post.try_send(Post::Line(line)).is_err() {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    fn flush(&self, limit: Duration) {
        let (done, written) = channel();
        // A full box means that nobody reads; then there is nothing to wait for.
        if self.post.try_send(Post::Flush(done)).is_ok() {
            written.recv_timeout(limit).ok();
        }
    }
}

/// One call for each event: the formatter hands over whole lines.
impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.put(bytes.to_vec());
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Drop for Log {
    fn drop(&mut self) {
        self.0.flush(LAST_LINES);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{BufRead, BufReader, Read};

    #[test]
    fn reader_who_stops_reading_keeps_nobody_waiting_and_hears_what_is_lost() {
        // A pipe holds 64 KiB; until somebody reads, the thread hangs in its write.
        let (reader, out) = io::pipe().unwrap();
        let lines = start(out).unwrap();
        let count = 5 * BOX;
        for k in 0..count {
            lines.put(format!("{k:0100}\n").into_bytes());
        }
        lines.flush(Duration::from_millis(10));
        // Only now does anybody read.
        drop(lines);
        let text: Vec<String> = BufReader::new(reader).lines().map(Result::unwrap).collect();
        let (told, kept): (Vec<_>, Vec<_>) = text.iter().partition(|line| line.starts_with("tankside: "));
        let lost: usize =
            told.iter().map(|line| line.split(' ').nth(1).unwrap().parse::<usize>().unwrap()).sum();
        assert!(lost > 0 && kept.len() >= BOX, "{lost} lost, {} kept", kept.len());
        assert_eq!(kept.len() + lost, count, "every line is there or counted");
    }

    #[test]
    fn last_lines_are_out_before_the_end() {
        let (mut reader, out) = io::pipe().unwrap();
        let lines = start(out.try_clone().unwrap()).unwrap();
        lines.put(b"the last line\n".to_vec());
        drop(Log(lines));
        // A mark behind it: what the thread had not written by now would come after.
        (&out).write_all(b"the end\n").unwrap();
        let mut said = [0; 22];
        reader.read_exact(&mut said).unwrap();
        assert_eq!(&said, b"the last line\nthe end\n");
    }
}
