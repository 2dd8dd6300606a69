//! A terminal, read and written without being watched all the time.
//!
//! tokio watches a port with epoll, and every byte that arrives wakes the
//! thread whether anybody waits for it or not. Here the kernel is asked first,
//! and the port is watched only from the first look that finds nothing and
//! means to wait, to the next one that does not: whoever knows when an answer
//! is due is not woken before.
//!
//! What tokio watches is an epoll of our own with the port in it. To begin and
//! to end a watch is then one call of the kernel; with tokio's registration it
//! would be four, and a waking more.

use nix::sys::epoll::{Epoll, EpollCreateFlags, EpollEvent, EpollFlags};
use nix::sys::termios;
use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::os::fd::{AsRawFd, RawFd};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, LazyLock, Mutex, PoisonError};
use std::task::{Context, Poll, Wake, Waker, ready};
use tokio::io::unix::AsyncFd;
use tokio::io::{AsyncRead, AsyncWrite, Interest, ReadBuf};
use tokio_serial::{SerialPort, SerialPortBuilder};

/// An open terminal. When it is given up, what it has not sent yet is thrown away: where the far end holds flow control
/// back, the kernel would else keep whoever closes it until that is gone (30 s as a rule: `closing_wait` of
/// setserial(8)), and words that are old by then would reach the supply after all. Whoever opens it next begins with off.
/// Not so where nobody opens it next: see [`keep_last_word`].
pub(super) struct Tty {
    // Closed before the port.
    watch: Option<Watch>,
    file: File,
    /// Nobody else writes here, and whoever opens it next begins with off.
    flushes: bool,
    /// The last read took all that was there: the watch tells when there is more.
    drained: bool,
    /// Holds the locks of a real port and what it was set to.
    _port: Option<Box<dyn SerialPort>>,
}

/// This process is there to switch off and for nothing else.
static LAST: AtomicBool = AtomicBool::new(false);

/// From now on this process only switches off and ends: an off that flow control holds back stays with the kernel when
/// its port is given up, and reaches the supply when it is let through.
pub(crate) fn keep_last_word() {
    LAST.store(true, Ordering::Relaxed);
}

fn begins_again() -> bool {
    !LAST.load(Ordering::Relaxed)
}

/// What tells when the port has something, or takes something again.
struct Watch {
    inner: AsyncFd<Inner>,
    /// Nothing while nobody is to be woken.
    awaits: EpollFlags,
}

struct Inner(Epoll);

impl AsRawFd for Inner {
    fn as_raw_fd(&self) -> RawFd {
        self.0.0.as_raw_fd()
    }
}

impl Watch {
    fn new(file: &File) -> io::Result<Watch> {
        let epoll = Epoll::new(EpollCreateFlags::EPOLL_CLOEXEC)?;
        let awaits = EpollFlags::empty();
        epoll.add(file, EpollEvent::new(awaits, 0))?;
        #[expect(
            deprecated,
            reason = "its successor is an unsafe fn; an Epoll owns its descriptor, which is all it asks"
        )]
        let inner = AsyncFd::with_interest(Inner(epoll), Interest::READABLE)?;
        Ok(Watch { inner, awaits })
    }

    /// From now on that is told. Whether it was not before.
    fn set(&mut self, file: &File, awaits: EpollFlags) -> io::Result<bool> {
        let new = self.awaits != awaits;
        if new {
            self.inner.get_ref().0.modify(file, &mut EpollEvent::new(awaits, 0))?;
            self.awaits = awaits;
        }
        Ok(new)
    }

    /// Nobody is woken any more, and what was told so far is not told again.
    fn end(&mut self, file: &File) -> io::Result<()> {
        self.set(file, EpollFlags::empty())?;
        if let Poll::Ready(told) = self.inner.poll_read_ready(&mut Context::from_waker(looker(true))) {
            told?.clear_ready();
        }
        Ok(())
    }
}

/// Who looks without meaning to wait. With `alone` nobody is woken any more by what comes.
///
/// Wakers of our own, known by their data: two copies of the standard library's need not be the same by `will_wake`.
pub(super) fn looker(alone: bool) -> &'static Waker {
    struct Nobody(#[expect(dead_code, reason = "two of no size could lie in one place")] u8);
    impl Wake for Nobody {
        fn wake(self: Arc<Self>) {}
    }
    static LOOKERS: LazyLock<[Waker; 2]> = LazyLock::new(|| [0, 1].map(|n| Arc::new(Nobody(n)).into()));
    &LOOKERS[usize::from(alone)]
}

/// Slaves of Linux's pseudo terminals live in one place.
pub(super) fn is_pty(path: &Path) -> bool {
    path.canonicalize().is_ok_and(|real| real.starts_with("/dev/pts"))
}

impl Tty {
    /// A pty, or with `alone` false a port that somebody else has set and locked.
    ///
    /// Without TIOCEXCL: on a pty that flag outlives the process that set it for as long as the other end is open,
    /// so after a kill -9 nobody but root could open the port to switch off. The flock is enough there.
    pub fn open(path: &Path, alone: bool) -> io::Result<Tty> {
        let file = bare(path)?;
        if alone {
            file.try_lock().map_err(|error| match error {
                TryLockError::WouldBlock => {
                    io::Error::new(io::ErrorKind::ResourceBusy, "another program has locked it")
                }
                TryLockError::Error(error) => error,
            })?;
            let mut raw = termios::tcgetattr(&file)?;
            termios::cfmakeraw(&mut raw);
            termios::tcsetattr(&file, termios::SetArg::TCSANOW, &raw)?;
        }
        Ok(Tty { watch: None, file, flushes: alone && begins_again(), drained: false, _port: None })
    }

    /// A real port, set up and locked by the library: TIOCEXCL against every other program, flock against root's.
    pub fn serial(path: &Path, builder: SerialPortBuilder, rts: Option<bool>) -> io::Result<Tty> {
        // Before the library: TIOCEXCL lets nobody open it after that, not even us.
        let file = bare(path)?;
        let mut port = builder.open().map_err(|error| match error.kind() {
            tokio_serial::ErrorKind::NoDevice => {
                io::Error::new(io::ErrorKind::ResourceBusy, error.to_string())
            }
            tokio_serial::ErrorKind::Io(kind) => io::Error::new(kind, error.to_string()),
            _ => io::Error::other(error.to_string()),
        })?;
        if let Some(rts) = rts {
            // Best effort: not every adapter has the line.
            let _ = port.write_request_to_send(rts);
        }
        Ok(Tty { watch: None, file, flushes: begins_again(), drained: false, _port: Some(port) })
    }

    /// Has the port watched for that. Whether it was not yet: what became so before may then never be told, so the
    /// caller tries once more before it waits.
    ///
    /// An epoll keeps a port in its list of ready ones until somebody waits at that epoll, which here nobody does; for
    /// a port that is in the list, a change of what is awaited wakes nobody. What comes later always does.
    fn begins(&mut self, awaits: EpollFlags) -> io::Result<bool> {
        let watch = match &mut self.watch {
            Some(watch) => watch,
            none => none.insert(Watch::new(&self.file)?),
        };
        watch.set(&self.file, awaits)
    }

    /// Waits until the watch tells something new. Whoever reads and whoever writes is the same task, so one waker is
    /// enough.
    fn poll_told(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let Some(watch) = &mut self.watch else { return Poll::Pending };
        ready!(watch.inner.poll_read_ready(cx))?.clear_ready();
        Poll::Ready(Ok(()))
    }
}

/// What waits for flow control is not waited for here, where other ports are still to be switched off: the kernel waits
/// for it when the process has done and said everything and ends. Until then anybody may open the port.
fn leave_to_the_end(file: &File, excludes: bool) {
    static LEFT: Mutex<Vec<File>> = Mutex::new(Vec::new());
    if let Ok(kept) = file.try_clone() {
        let _ = kept.unlock();
        if excludes {
            let _ = rustix::termios::ioctl_tiocnxcl(&kept);
        }
        LEFT.lock().unwrap_or_else(PoisonError::into_inner).push(kept);
    }
}

impl Drop for Tty {
    fn drop(&mut self) {
        // Past another's lock there may be words of the other in it, and our off: there closing waits for nothing, since
        // the port stays open.
        if self.flushes {
            let _ = termios::tcflush(&self.file, termios::FlushArg::TCOFLUSH);
        } else if !begins_again() {
            leave_to_the_end(&self.file, self._port.is_some());
        }
    }
}

fn bare(path: &Path) -> io::Result<File> {
    let flags = libc::O_NOCTTY | libc::O_NONBLOCK;
    OpenOptions::new().read(true).write(true).custom_flags(flags).open(path)
}

impl AsyncRead for Tty {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let who = cx.waker().data();
        let (looks, alone) = (who == looker(false).data(), who == looker(true).data());
        loop {
            // A look that finds nothing is dear: the kernel first finishes what is on its way from the driver.
            if !looks && !alone && !self.begins(EpollFlags::EPOLLIN)? && self.drained {
                ready!(self.poll_told(cx))?;
            }
            let room = buf.initialize_unfilled();
            let asked = room.len();
            match io::Read::read(&mut &self.file, room) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => self.drained = true,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                read => {
                    self.drained = read.as_ref().is_ok_and(|count| (1..asked).contains(count));
                    return Poll::Ready(read.map(|count| buf.advance(count)));
                }
            }
            if looks {
                return Poll::Pending;
            }
            if alone {
                let Tty { watch, file, .. } = &mut *self;
                return match watch.as_mut().map(|watch| watch.end(file)) {
                    Some(Err(error)) => Poll::Ready(Err(error)),
                    _ => Poll::Pending,
                };
            }
        }
    }
}

impl AsyncWrite for Tty {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        loop {
            match io::Write::write(&mut &self.file, bytes) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                written => return Poll::Ready(written),
            }
            if !self.begins(EpollFlags::EPOLLOUT)? {
                ready!(self.poll_told(cx))?;
            }
        }
    }
    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;
    use std::pin::pin;
    use std::time::Duration;

    fn pair() -> (File, Tty) {
        let ends = nix::pty::openpty(None, None).unwrap();
        let name = nix::unistd::ttyname(&ends.slave).unwrap();
        (ends.master.into(), Tty::open(&name, true).unwrap())
    }

    fn look(tty: &mut Tty, waker: &Waker) -> Poll<Vec<u8>> {
        let mut chunk = [0; 64];
        let mut room = ReadBuf::new(&mut chunk);
        let look = Pin::new(tty).poll_read(&mut Context::from_waker(waker), &mut room);
        look.map(|read| read.map(|()| room.filled().to_vec()).unwrap())
    }

    /// Each byte that came in would wake the thread.
    #[tokio::test]
    async fn a_port_is_watched_only_while_somebody_waits_at_it() {
        let (mut far, mut tty) = pair();
        assert!(look(&mut tty, looker(true)).is_pending());
        assert!(tty.watch.is_none(), "a look begins none");
        assert!(look(&mut tty, Waker::noop()).is_pending());
        let awaits = |tty: &Tty| tty.watch.as_ref().map(|watch| watch.awaits);
        assert_eq!(awaits(&tty), Some(EpollFlags::EPOLLIN));
        assert!(look(&mut tty, looker(true)).is_pending());
        assert_eq!(awaits(&tty), Some(EpollFlags::empty()), "a look ends it");
        far.write_all(b"0.300\n").unwrap();
        let mut came = [0; 6];
        tokio::io::AsyncReadExt::read_exact(&mut tty, &mut came).await.unwrap();
        assert_eq!(&came, b"0.300\n");
    }

    /// On a real port closing would wait for it; a pty never waits, but shows what was left to send.
    #[tokio::test]
    async fn a_port_is_given_up_without_what_the_far_end_did_not_take() {
        let left = |alone: bool, flushes: bool| {
            let ends = nix::pty::openpty(None, None).unwrap();
            let name = nix::unistd::ttyname(&ends.slave).unwrap();
            // Raw, as a port is that somebody else has set.
            let mut first = Tty::open(&name, true).unwrap();
            first.flushes = flushes;
            let second = (!alone).then(|| Tty::open(&name, false).unwrap());
            let tty = second.as_ref().unwrap_or(&first);
            let mut sent = 0;
            while let Ok(some) = io::Write::write(&mut &tty.file, &[b'7'; 512]) {
                sent += some;
            }
            match second {
                Some(second) => drop(second),
                None => drop(first),
            }
            let mut master = File::from(ends.master);
            nix::fcntl::fcntl(&master, nix::fcntl::FcntlArg::F_SETFL(nix::fcntl::OFlag::O_NONBLOCK)).unwrap();
            let (mut came, mut chunk) = (0, [0; 4096]);
            while let Ok(some @ 1..) = io::Read::read(&mut master, &mut chunk) {
                came += some;
            }
            (sent, came)
        };
        let (sent, came) = left(true, true);
        assert!(sent > 4096 && came < sent, "{came} of {sent} came");
        // Written past another's lock it stays, it may be off; so it does where nobody comes after.
        for (alone, flushes) in [(false, true), (true, false)] {
            let (sent, came) = left(alone, flushes);
            assert_eq!(came, sent, "{alone} {flushes}");
        }
    }

    /// The kernel tells nothing of what was there before the watch began: waiting for it would be for ever.
    #[tokio::test]
    async fn what_came_while_nobody_watched_is_found_and_what_comes_after_it_too() {
        let (mut far, mut tty) = pair();
        let has_come = Epoll::new(EpollCreateFlags::EPOLL_CLOEXEC).unwrap();
        has_come.add(&tty.file, EpollEvent::new(EpollFlags::EPOLLIN, 0)).unwrap();
        for _ in 0..50 {
            assert!(look(&mut tty, looker(true)).is_pending());
            far.write_all(b"0.3").unwrap();
            assert_eq!(has_come.wait(&mut [EpollEvent::empty()], 5000_u16).unwrap(), 1);
            let late = std::thread::spawn({
                let mut far = far.try_clone().unwrap();
                move || far.write_all(b"00\n").unwrap()
            });
            let mut came = [0; 6];
            let read = tokio::io::AsyncReadExt::read_exact(&mut tty, &mut came);
            tokio::time::timeout(Duration::from_secs(5), read).await.expect("it was told").unwrap();
            assert_eq!(&came, b"0.300\n");
            late.join().unwrap();
        }
    }

    /// What lies there before a question is asked must be seen, told or not: it would pass for the answer.
    #[tokio::test]
    async fn a_look_sees_what_nobody_was_told_of_yet() {
        let (mut far, mut tty) = pair();
        let has_come = Epoll::new(EpollCreateFlags::EPOLL_CLOEXEC).unwrap();
        has_come.add(&tty.file, EpollEvent::new(EpollFlags::EPOLLIN, 0)).unwrap();
        for alone in [false, true, false] {
            assert!(look(&mut tty, Waker::noop()).is_pending(), "watched, and empty");
            far.write_all(b"9").unwrap();
            assert_eq!(has_come.wait(&mut [EpollEvent::empty()], 5000_u16).unwrap(), 1);
            assert_eq!(look(&mut tty, looker(alone)), Poll::Ready(b"9".to_vec()), "{alone}");
        }
    }

    #[tokio::test]
    async fn a_port_that_takes_no_more_bytes_is_written_to_when_it_does_again() {
        let (mut far, mut tty) = pair();
        // Watched for reading alone, as after an answer that was waited for.
        assert!(look(&mut tty, Waker::noop()).is_pending());
        let sent = vec![b'7'; 40_000];
        let mut write = pin!(tokio::io::AsyncWriteExt::write_all(&mut tty, &sent));
        let begun = std::future::poll_fn(|cx| Poll::Ready(write.as_mut().poll(cx).is_ready())).await;
        assert!(!begun, "the kernel keeps less than that");
        let reader = tokio::task::spawn_blocking(move || {
            let mut came = vec![0; 40_000];
            io::Read::read_exact(&mut far, &mut came).map(|()| (came, far))
        });
        tokio::time::timeout(Duration::from_secs(20), write).await.expect("it goes on").unwrap();
        assert_eq!(reader.await.unwrap().unwrap().0, sent);
    }
}
