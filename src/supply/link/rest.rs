//! Waiting to the moment, and knowing for how long.
//!
//! tokio's timers have a grain of one millisecond and round up; at 115,200 baud
//! that is eleven characters. [`Rest`] waits on a timer of the kernel instead
//! (timerfd). [`Habits`] knows how long the
//! answer to each question takes as a rule: whoever waits that long before it
//! looks is woken once and not at every byte.

use nix::sys::time::TimeSpec;
use nix::sys::timerfd::{ClockId, Expiration, TimerFd, TimerFlags, TimerSetTimeFlags};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::os::fd::{AsFd, AsRawFd, RawFd};
use std::time::Duration;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::time::{Instant, sleep_until};

/// Beyond this a millisecond more or less is nothing.
const LONG: Duration = Duration::from_millis(200);

/// Something to wait with; one wait at a time.
#[derive(Default)]
pub(crate) struct Rest(Timer);

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
        let Some(timer) = self.timer() else { return sleep_until(then).await };
        let once = Expiration::OneShot(TimeSpec::from_duration(left));
        if timer.get_ref().0.set(once, TimerSetTimeFlags::empty()).is_err() {
            return sleep_until(then).await;
        }
        while Instant::now() < then {
            let Ok(mut rang) = timer.readable().await else { return sleep_until(then).await };
            // Never read: setting it again takes back what it counted. It may be an older ring that is seen here.
            rang.clear_ready();
        }
    }

    fn timer(&mut self) -> Option<&AsyncFd<Kernel>> {
        if matches!(self.0, Timer::Untried) {
            let flags = TimerFlags::TFD_NONBLOCK | TimerFlags::TFD_CLOEXEC;
            let made = TimerFd::new(ClockId::CLOCK_MONOTONIC, flags);
            #[expect(
                deprecated,
                reason = "its successor is an unsafe fn; a TimerFd owns its descriptor, which is all it asks"
            )]
            let made = made.ok().and_then(|fd| AsyncFd::with_interest(Kernel(fd), Interest::READABLE).ok());
            self.0 = made.map_or(Timer::None, Timer::Fine);
        }
        if let Timer::Fine(timer) = &self.0 { Some(timer) } else { None }
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

/// One part in so many.
const STEP: u32 = 256;
/// So many answers are watched from their first byte before one is left alone, and then one in [`EVERY`].
const WATCHED: u32 = 3;
const EVERY: u32 = 64;

/// How an answer was found whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Met {
    /// It was watched from the start.
    Watched,
    /// At the first look after the usual time; nobody knows since when.
    Whole,
    /// After it; it was still coming in at the usual time.
    ComingIn,
}

/// How long the answer to each question takes, from the end of the question.
#[derive(Debug, Default)]
pub(super) struct Habits(Vec<Habit>);

#[derive(Debug)]
struct Habit {
    key: u64,
    usual: Duration,
    seen: u32,
}

impl Habits {
    /// How long to leave an answer alone; `None` if it is to be watched from the start.
    pub fn usual(&self, question: &impl Hash) -> Option<Duration> {
        let key = key(question);
        let habit = self.0.iter().find(|habit| habit.key == key)?;
        let left = habit.seen >= WATCHED && habit.seen % EVERY != 0 && habit.usual >= SHORT;
        left.then_some(habit.usual)
    }

    /// An answer was whole after `took`.
    ///
    /// The usual time goes down in small steps as long as it is met whole, and up by more when it was not: about
    /// one answer in five is then met while it still comes in, which costs one waking more and keeps the time
    /// honest. Where answers take the same time each time, they are seen within a hundredth of it. What is watched
    /// may only shorten it, so that one slow answer does not slow the next ones.
    pub fn learn(&mut self, question: &impl Hash, took: Duration, met: Met) {
        let key = key(question);
        let Some(habit) = self.0.iter_mut().find(|habit| habit.key == key) else {
            if self.0.len() >= MOST {
                self.0.remove(0);
            }
            return self.0.push(Habit { key, usual: took, seen: 1 });
        };
        habit.seen = habit.seen.wrapping_add(1);
        let usual = habit.usual;
        habit.usual = match met {
            Met::Watched => usual.min(took),
            Met::Whole => usual - usual / STEP,
            Met::ComingIn => usual + took.saturating_sub(usual).min(usual / 32) + usual / STEP * 4,
        };
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

    /// `n` answers that are whole after `real`; how many were met coming in, and how late the others on average.
    fn answers(habits: &mut Habits, n: u32, real: Duration) -> (u32, Duration) {
        let (mut coming, mut late) = (0, Duration::ZERO);
        for _ in 0..n {
            let usual = habits.usual(&"VOLT?");
            let met = match usual {
                None => Met::Watched,
                Some(usual) if usual >= real => Met::Whole,
                Some(_) => Met::ComingIn,
            };
            coming += u32::from(met == Met::ComingIn);
            let took = usual.unwrap_or(real).max(real);
            late += took - real;
            habits.learn(&"VOLT?", took, met);
        }
        (coming, late / n)
    }

    #[test]
    fn the_usual_time_settles_on_the_answer_and_follows_it() {
        let mut habits = Habits::default();
        for real in [40_000, 60_000, 20_000].map(Duration::from_micros) {
            answers(&mut habits, 100, real);
            let (coming, late) = answers(&mut habits, 256, real);
            assert!((20..90).contains(&coming), "{coming} of 256 met coming in");
            assert!(late <= real / 80, "{late:?} late at {real:?}");
        }
    }

    #[test]
    fn one_slow_answer_does_not_slow_the_next_ones() {
        let mut habits = Habits::default();
        answers(&mut habits, 1, Duration::from_millis(400));
        let (_, late) = answers(&mut habits, 10, Duration::from_millis(20));
        assert!(late <= Duration::from_millis(1), "{late:?}");
        answers(&mut habits, 1, Duration::from_millis(400));
        let (_, late) = answers(&mut habits, 10, Duration::from_millis(20));
        assert!(late <= Duration::from_millis(1), "{late:?}");
    }

    #[test]
    fn what_is_remembered_is_bounded() {
        let mut habits = Habits::default();
        for n in 0..1000 {
            habits.learn(&n, Duration::from_millis(5), Met::Watched);
        }
        assert_eq!(habits.0.len(), MOST);
    }
}
