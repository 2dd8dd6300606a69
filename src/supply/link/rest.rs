//! Waiting to the moment, and knowing for how long.
//!
//! tokio's timers have a grain of one millisecond and round up; at 115,200 baud
//! that is eleven characters. [`Rest`] waits on a timer of the kernel instead
//! (timerfd), and keeps a second one for deadlines that are hardly ever met.
//! [`Habits`] knows when the answer to each question is nearly whole as a rule:
//! whoever waits that long before it looks is not woken at every byte.

use nix::sys::time::TimeSpec;
use nix::sys::timerfd::{ClockId, Expiration, TimerFd, TimerFlags, TimerSetTimeFlags};
use std::future::poll_fn;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::os::fd::{AsFd, AsRawFd, RawFd};
use std::pin::pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::time::{Instant, sleep_until, timeout_at};

/// Beyond this a millisecond more or less is nothing.
const LONG: Duration = Duration::from_millis(200);

/// Something to wait with; one wait at a time.
#[derive(Default)]
pub(crate) struct Rest {
    moment: Timer,
    deadline: Timer,
    /// When the second timer rings; it may have rung.
    rings: Option<Instant>,
    /// The last time that nothing more was waited for.
    done: Option<Instant>,
}

#[derive(Default)]
enum Timer {
    #[default]
    Untried,
    Fine(AsyncFd<Kernel>),
    /// Too many files are open, or the like: tokio's timers must do.
    None,
}

struct Kernel(TimerFd);

impl AsRawFd for Kernel {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_fd().as_raw_fd()
    }
}

impl Rest {
    /// Waits until then; never less.
    pub async fn until(&mut self, then: Instant) {
        let left = then.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return;
        }
        if left > LONG || clock_stands_still() {
            return sleep_until(then).await;
        }
        let Some(timer) = self.moment.made() else { return sleep_until(then).await };
        if !timer.get_ref().set(left) {
            return sleep_until(then).await;
        }
        while Instant::now() < then {
            let Ok(mut rang) = timer.readable().await else { return sleep_until(then).await };
            // Never read: setting it again takes back what it counted. It may be an older ring that is seen here.
            rang.clear_ready();
        }
    }

    /// What comes of the work, or `None` if it has not come by then; the work goes on if it is polled again.
    ///
    /// As tokio's `timeout_at`, for many short waits in a row: the timer is set anew only when it has rung, or
    /// when it would ring too late. To set one for each wait takes longer than the waits are worth.
    pub async fn within<T>(&mut self, deadline: Instant, work: impl Future<Output = T>) -> Option<T> {
        let mut work = pin!(work);
        if clock_stands_still() || self.deadline.made().is_none() {
            return timeout_at(deadline, work).await.ok();
        }
        poll_fn(|cx| match work.as_mut().poll(cx) {
            Poll::Ready(come) => Poll::Ready(Some(come)),
            Poll::Pending => self.poll_deadline(deadline, cx).map(|()| None),
        })
        .await
    }

    /// Nothing more is waited for until the next question. A deadline that would be over before that, as questions
    /// come, is taken back: to be woken for nothing takes twenty times as long (measured: 1 us and 25 us in a virtual
    /// machine). One that would not is left: the next question is likely to find it good enough.
    pub fn done(&mut self) {
        let now = Instant::now();
        let since =
            self.done.replace(now).map_or(Duration::MAX, |before| now.saturating_duration_since(before));
        let Some(at) = self.rings.filter(|at| *at > now) else { return };
        if at - now < since
            && let Timer::Fine(timer) = &self.deadline
        {
            timer.get_ref().unset();
            self.rings = None;
        }
    }

    fn poll_deadline(&mut self, deadline: Instant, cx: &mut Context<'_>) -> Poll<()> {
        loop {
            let now = Instant::now();
            let Some(timer) = self.deadline.made().filter(|_| now < deadline) else { return Poll::Ready(()) };
            if self.rings.is_none_or(|at| at <= now || at > deadline) {
                if !timer.get_ref().set(deadline - now) {
                    return Poll::Ready(());
                }
                self.rings = Some(deadline);
            }
            match timer.poll_read_ready(cx) {
                // An older ring, or one for an earlier deadline.
                Poll::Ready(Ok(mut rang)) => rang.clear_ready(),
                Poll::Ready(Err(_)) => return Poll::Ready(()),
                Poll::Pending => return Poll::Pending,
            }
        }
    }
}

impl Timer {
    fn made(&mut self) -> Option<&AsyncFd<Kernel>> {
        if matches!(self, Timer::Untried) {
            let flags = TimerFlags::TFD_NONBLOCK | TimerFlags::TFD_CLOEXEC;
            let made = TimerFd::new(ClockId::CLOCK_MONOTONIC, flags);
            #[expect(
                deprecated,
                reason = "its successor is an unsafe fn; a TimerFd owns its descriptor, which is all it asks"
            )]
            let made = made.ok().and_then(|fd| AsyncFd::with_interest(Kernel(fd), Interest::READABLE).ok());
            *self = made.map_or(Timer::None, Timer::Fine);
        }
        if let Timer::Fine(timer) = self { Some(timer) } else { None }
    }
}

impl Kernel {
    /// Rings after so long, and not for what was set before. Whether the kernel took it.
    fn set(&self, after: Duration) -> bool {
        let once = Expiration::OneShot(TimeSpec::from_duration(after));
        self.0.set(once, TimerSetTimeFlags::empty()).is_ok()
    }

    /// Does not ring. If it does all the same, it is one of the older rings that every wait is used to.
    fn unset(&self) {
        let _ = self.0.unset();
    }
}

/// Whether the runtime's clock is one of a test, which only its own timers can move: two looks at a real one are
/// nanoseconds apart.
fn clock_stands_still() -> bool {
    let now = Instant::now();
    (0..64).all(|_| Instant::now() == now)
}

/// So many questions are remembered; a station asks about eight.
const MOST: usize = 24;
/// Less than this is not worth a wait.
const SHORT: Duration = Duration::from_micros(300);

/// So many answers are watched from their first byte before one is left alone.
const WATCHED: u32 = 3;
/// An answer that comes in no more pieces than this is watched: to be woken by each takes less processor time than
/// to set a timer and be woken by that (measured: 8 us and 27 us in a virtual machine).
const FEW: u32 = 4;
/// So many pieces of an answer that is left alone are watched, about: the last of them tells to the moment when it
/// is whole.
const TAIL: u32 = 1;

/// When to begin to look for the answer to each question, from the end of the question.
#[derive(Debug, Default)]
pub(super) struct Habits(Vec<Habit>);

#[derive(Debug)]
struct Habit {
    key: u64,
    /// Its last [`TAIL`] pieces come after this.
    nearly: Duration,
    /// From one piece to the next, about.
    step: Duration,
    pieces: u32,
    seen: u32,
}

impl Habits {
    /// How long to leave an answer alone; `None` if it is to be watched from the start.
    pub fn nearly(&self, question: &impl Hash) -> Option<Duration> {
        let key = key(question);
        let habit = self.0.iter().find(|habit| habit.key == key)?;
        let left = habit.seen >= WATCHED && habit.pieces > FEW && habit.nearly >= SHORT;
        left.then_some(habit.nearly)
    }

    /// An answer was whole after `took`, and was found in so many pieces, the first of them after `left`.
    ///
    /// Where an answer was whole at the first look, nobody knows since when: the next look is earlier. Where more
    /// pieces came than should, it is later by less than that, however late the answer was. So one slow answer does
    /// not slow the next ones, and where many are slow on a busy machine, the others are hardly seen late.
    pub fn learn(&mut self, question: &impl Hash, took: Duration, left: Option<Duration>, pieces: u32) {
        let key = key(question);
        // Pieces are of one length; what comes before the first is the supply's time to think, and only makes
        // this too early.
        let step = took / pieces.max(1);
        let nearly = step * pieces.saturating_sub(TAIL);
        let Some(habit) = self.0.iter_mut().find(|habit| habit.key == key) else {
            if self.0.len() >= MOST {
                self.0.remove(0);
            }
            return self.0.push(Habit { key, nearly, step, pieces, seen: 1 });
        };
        match left {
            None if habit.seen < WATCHED => {
                habit.pieces = habit.pieces.min(pieces);
                (habit.nearly, habit.step) = (habit.nearly.min(nearly), habit.step.min(step));
            }
            None if pieces > habit.pieces => {
                habit.pieces += 1;
                (habit.nearly, habit.step) = (nearly, step);
            }
            None => habit.pieces = pieces,
            Some(_) if pieces <= 1 => habit.nearly = habit.nearly.saturating_sub(habit.step / 2),
            Some(left) if pieces > TAIL + 1 => {
                let too_many = took.saturating_sub(left) * (pieces - 1 - TAIL) / (pieces - 1);
                habit.nearly += (too_many / 2).min(habit.step / 4);
            }
            Some(_) => {}
        }
        habit.seen = habit.seen.saturating_add(1);
    }
}

/// Two questions with one key would only be met at the wrong time.
fn key(question: &impl Hash) -> u64 {
    let mut hasher = DefaultHasher::new();
    question.hash(&mut hasher);
    hasher.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tokio's own timer would be up to a millisecond late each time.
    #[tokio::test]
    async fn a_rest_is_never_cut_short_and_ends_within_the_millisecond() {
        let mut rest = Rest::default();
        let mut late = Vec::new();
        for n in 0..200u32 {
            let then = Instant::now() + Duration::from_micros(u64::from(300 + 13 * n));
            rest.until(then).await;
            let now = Instant::now();
            assert!(now >= then);
            late.push(now - then);
        }
        late.sort();
        // The best quarter: on a busy machine the rest waits for a processor.
        assert!(late[50] < Duration::from_micros(400), "{late:?}");
    }

    #[tokio::test(start_paused = true)]
    async fn a_rest_goes_by_the_clock_of_the_runtime() {
        let mut rest = Rest::default();
        let begun = Instant::now();
        for wait in [1, 50, 5000] {
            rest.until(Instant::now() + Duration::from_millis(wait)).await;
        }
        assert!(begun.elapsed() >= Duration::from_millis(5051));
        assert!(begun.elapsed() < Duration::from_millis(5060));
    }

    /// Its own timer is set for the first deadline; a later one must not ring with it, an earlier one not after it.
    #[tokio::test]
    async fn a_deadline_is_neither_early_nor_forgotten() {
        let mut rest = Rest::default();
        for wait in [40, 5, 90, 3, 60].map(Duration::from_millis) {
            let begun = Instant::now();
            // Work that is done at once, and work that is never done.
            assert_eq!(rest.within(begun + wait, std::future::ready(7)).await, Some(7));
            assert_eq!(rest.within(begun + wait, std::future::pending::<u8>()).await, None);
            assert!(begun.elapsed() >= wait);
            assert!(
                begun.elapsed() < wait + Duration::from_millis(200),
                "{:?} for {wait:?}",
                begun.elapsed()
            );
        }
        let begun = Instant::now();
        assert_eq!(rest.within(begun, std::future::pending::<u8>()).await, None, "it is over already");
        let slow = async {
            for _ in 0..3 {
                tokio::task::yield_now().await;
            }
        };
        assert_eq!(rest.within(begun + Duration::from_secs(5), slow).await, Some(()));
    }

    #[tokio::test(start_paused = true)]
    async fn a_deadline_goes_by_the_clock_of_the_runtime() {
        let mut rest = Rest::default();
        let begun = Instant::now();
        let never = std::future::pending::<u8>();
        assert_eq!(rest.within(begun + Duration::from_secs(3600), never).await, None);
        assert!(begun.elapsed() >= Duration::from_secs(3600));
    }

    /// `n` answers whose last of 20 pieces comes after `real`: how many pieces were waited for on average, and how
    /// late the answers were seen on average.
    fn answers(habits: &mut Habits, n: u32, real: impl Fn(u32) -> Duration) -> (f64, Duration) {
        let (mut woken, mut late) = (0, Duration::ZERO);
        for n in 0..n {
            let real = real(n);
            let left = habits.nearly(&"VOLT?");
            let looked = left.unwrap_or_default();
            // Those that lie there at the first look are one piece.
            let after = (1..=20).filter(|piece| real * *piece / 20 > looked).count() as u32;
            let lying = u32::from(left.is_some() && real / 20 <= looked);
            woken += after;
            let took = looked.max(real);
            late += took - real;
            habits.learn(&"VOLT?", took, left, after + lying);
        }
        (f64::from(woken) / f64::from(n), late / n)
    }

    #[test]
    fn an_answer_is_left_alone_until_it_is_nearly_whole_and_then_seen_at_once() {
        let mut habits = Habits::default();
        for real in [40_000, 60_000, 20_000].map(Duration::from_micros) {
            answers(&mut habits, 200, |_| real);
            let (woken, late) = answers(&mut habits, 256, |_| real);
            assert!((0.8..3.5).contains(&woken), "woken {woken} times at {real:?}");
            assert!(late <= real / 100, "{late:?} late at {real:?}");
        }
    }

    /// As on a machine that has too much to do.
    #[test]
    fn one_answer_in_five_that_is_late_slows_the_others_by_nothing() {
        let mut habits = Habits::default();
        let real = |n| Duration::from_millis(if n % 5 == 0 { 50 } else { 20 });
        answers(&mut habits, 200, real);
        let (_, late) = answers(&mut habits, 500, real);
        assert!(late <= Duration::from_micros(200), "{late:?}");
    }

    #[test]
    fn one_slow_answer_does_not_slow_the_next_ones() {
        let mut habits = Habits::default();
        answers(&mut habits, 1, |_| Duration::from_millis(400));
        let (_, late) = answers(&mut habits, 10, |_| Duration::from_millis(20));
        assert!(late <= Duration::from_micros(500), "{late:?}");
        answers(&mut habits, 1, |_| Duration::from_millis(400));
        let (_, late) = answers(&mut habits, 10, |_| Duration::from_millis(20));
        assert!(late <= Duration::from_micros(500), "{late:?}");
    }

    #[test]
    fn an_answer_in_few_pieces_is_watched_from_the_start() {
        let mut habits = Habits::default();
        for _ in 0..50 {
            assert_eq!(habits.nearly(&"VOLT?"), None);
            habits.learn(&"VOLT?", Duration::from_millis(20), None, FEW);
        }
    }

    #[test]
    fn what_is_remembered_is_bounded() {
        let mut habits = Habits::default();
        for n in 0..1000 {
            habits.learn(&n, Duration::from_millis(5), None, 5);
        }
        assert_eq!(habits.0.len(), MOST);
    }
}
