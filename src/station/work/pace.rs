//! Small things that keep time: back-off, log edges, the trend. Time comes in.

use crate::quantity::Mono;
use std::collections::VecDeque;
use std::time::Duration;

/// First wait before a lost link is tried again.
const FIRST: Duration = Duration::from_millis(250);
/// Longest wait.
const MOST: Duration = Duration::from_secs(10);

/// Waits between attempts: 250 ms doubling to 10 s, each up to a fifth longer
/// by a seeded die, so that many stations do not knock at one gateway together.
#[derive(Debug)]
pub(super) struct Backoff {
    next: Duration,
    die: u64,
}

impl Backoff {
    pub fn new(seed: u64) -> Self {
        Backoff { next: FIRST, die: seed | 1 }
    }

    /// How long to wait now.
    pub fn wait(&mut self) -> Duration {
        // xorshift64 (G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003).
        self.die ^= self.die << 13;
        self.die ^= self.die >> 7;
        self.die ^= self.die << 17;
        let wait = self.next + self.next.mul_f64((self.die % 1_000) as f64 / 5_000.0);
        self.next = (self.next * 2).min(MOST);
        wait
    }

    /// The link is back.
    pub fn reset(&mut self) {
        self.next = FIRST;
    }
}

/// Repeats are counted and told once in this time.
const AGAIN: Duration = Duration::from_secs(60);

/// A log with edges: the first failure in full, then a count per minute, then one line of recovery.
#[derive(Debug, Default)]
pub(super) struct Edges {
    since: Option<Mono>,
    told: Mono,
    all: u64,
    untold: u64,
}

impl Edges {
    /// One more failure; what to log, if anything.
    pub fn failed(&mut self, now: Mono, why: &str) -> Option<String> {
        self.all += 1;
        self.untold += 1;
        let line = match self.since {
            None => {
                self.since = Some(now);
                why.to_owned()
            }
            Some(_) if now.since(self.told) >= AGAIN => {
                format!("{} more in the last minute; the last: {why}", self.untold)
            }
            Some(_) => return None,
        };
        self.told = now;
        self.untold = 0;
        Some(line)
    }

    /// It works again; what to log, if anything had failed.
    pub fn healed(&mut self, now: Mono) -> Option<String> {
        let since = self.since.take()?;
        let failures = std::mem::take(self).all;
        let s = now.since(since).as_secs();
        let time = if s < 60 { format!("{s} s") } else { format!("{} min {} s", s / 60, s % 60) };
        Some(format!(
            "answers again after {time} and {failures} failure{}",
            if failures == 1 { "" } else { "s" }
        ))
    }
}

/// Points a second apart, the last five minutes.
const POINTS: usize = 300;

#[derive(Debug, Default)]
pub(super) struct Trend(VecDeque<(Mono, f32, f32)>);

impl Trend {
    pub fn add(&mut self, at: Mono, volts: f64, amps: f64) {
        if self.0.back().is_some_and(|last| at.since(last.0) < Duration::from_secs(1)) {
            return;
        }
        if self.0.len() == POINTS {
            self.0.pop_front();
        }
        self.0.push_back((at, volts as f32, amps as f32));
    }

    /// Oldest first: seconds ago, volts, amperes.
    pub fn seen_from(&self, now: Mono) -> Vec<(f32, f32, f32)> {
        let oldest = Duration::from_secs(POINTS as u64);
        self.0
            .iter()
            .map(|(at, v, a)| (now.since(*at), *v, *a))
            .filter(|p| p.0 <= oldest)
            .map(|(ago, v, a)| (ago.as_secs_f32(), v, a))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn back_off_doubles_to_ten_seconds_and_no_seed_waits_for_nothing() {
        for seed in 0..50 {
            let mut backoff = Backoff::new(seed);
            let mut least = 0.25;
            for _ in 0..10 {
                let wait = backoff.wait().as_secs_f64();
                assert!(wait >= least && wait <= least * 1.2, "{wait} s where {least} s belong");
                least = f64::min(least * 2.0, 10.0);
            }
            backoff.reset();
            assert!(backoff.wait() < Duration::from_millis(301));
        }
    }

    #[test]
    fn thousand_failures_make_a_handful_of_lines() {
        let mut edges = Edges::default();
        let lines: Vec<_> =
            (0..1_000).filter_map(|n| edges.failed(Mono::from_millis(n * 250), "no reply")).collect();
        assert_eq!(lines.len(), 5);
        assert_eq!(lines[0], "no reply");
        assert_eq!(lines[1], "240 more in the last minute; the last: no reply");
        let healed = edges.healed(Mono::from_millis(252_000)).unwrap();
        assert_eq!(healed, "answers again after 4 min 12 s and 1000 failures");
        assert_eq!(edges.healed(Mono::from_millis(252_000)), None);
    }

    #[test]
    fn trend_keeps_five_minutes_and_no_more() {
        let mut trend = Trend::default();
        for tick in 0..10_000u64 {
            trend.add(Mono::from_millis(tick * 200), 3.0, 1.0);
        }
        let seen = trend.seen_from(Mono::from_millis(2_000_000));
        assert_eq!(seen.len(), 300);
        assert!(seen[0].0 > seen[299].0 && seen[0].0 <= 300.0);
    }
}
