//! The figures by which an alarm system is judged, from its journal.
//!
//! Limits to compare with: EEMUA 191's benchmarks (steady state one alarm in ten
//! minutes; more than ten in ten minutes is a flood) and the 6 to 12 an
//! operator-hour that ISA-style practice gives. They differ; both are shown.

use crate::quantity::Mono;
use serde::Serialize;
use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

/// More than so many raised within [`FLOOD_WINDOW`] is a flood (EEMUA 191) …
const FLOOD: usize = 10;
/// … and it ends below so many (from memory).
const FLOOD_ENDS: usize = 5;
const FLOOD_WINDOW: Duration = Duration::from_secs(600);
/// Standing for longer than this is stale (from memory).
const STANDING: Duration = Duration::from_secs(24 * 3600);

/// One change, as the journal has it: when since any origin, whose watch, and
/// whether the alarm stood before and after.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JournalEntry {
    /// When.
    pub at: Duration,
    /// Station and watch, as one name.
    pub alarm: String,
    /// Priority's name.
    pub priority: String,
    /// Whether it stood before.
    pub stood: bool,
    /// Whether it stands after.
    pub stands: bool,
}

/// What a standard asks for.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Figures {
    /// Alarms raised.
    pub raised: usize,
    /// Raised an hour, over the whole span.
    pub per_hour: f64,
    /// The most raised in any ten minutes.
    pub most_in_ten_minutes: usize,
    /// Share of the time in flood.
    pub flood_share: f64,
    /// Alarms that were raised three times or more within a minute, and how often.
    pub chattering: BTreeMap<String, usize>,
    /// Alarms that stand at the end of the span for more than a day.
    pub standing: Vec<String>,
    /// Raised, by priority.
    pub by_priority: BTreeMap<String, usize>,
}

/// Works them out over `span`, which ends at the time `span` of the entries' clock.
/// Entries must be in order of time.
pub fn figures(journal: &[JournalEntry], span: Duration) -> Figures {
    let raised: Vec<&JournalEntry> = journal.iter().filter(|e| e.stands && !e.stood).collect();
    let mut f = Figures { raised: raised.len(), ..Figures::default() };
    if !span.is_zero() {
        f.per_hour = raised.len() as f64 * 3600.0 / span.as_secs_f64();
    }
    for e in &raised {
        *f.by_priority.entry(e.priority.clone()).or_default() += 1;
    }
    let mut first = 0;
    let mut flood_since: Option<Duration> = None;
    let mut flooded = Duration::ZERO;
    for (k, e) in raised.iter().enumerate() {
        while raised[first].at + FLOOD_WINDOW <= e.at {
            first += 1;
            // Leaving a flood happens as old alarms leave the window.
            if let Some(since) = flood_since
                && k - first < FLOOD_ENDS
            {
                flooded += (raised[first - 1].at + FLOOD_WINDOW).saturating_sub(since);
                flood_since = None;
            }
        }
        let within = k - first + 1;
        f.most_in_ten_minutes = f.most_in_ten_minutes.max(within);
        if within > FLOOD {
            flood_since.get_or_insert(e.at);
        }
    }
    if let Some(since) = flood_since {
        let last = raised[raised.len().saturating_sub(FLOOD_ENDS)].at + FLOOD_WINDOW;
        flooded += last.min(span).saturating_sub(since);
    }
    if !span.is_zero() {
        f.flood_share = flooded.as_secs_f64() / span.as_secs_f64();
    }
    let mut by_alarm: BTreeMap<&str, Vec<Duration>> = BTreeMap::new();
    let mut standing: BTreeMap<&str, Duration> = BTreeMap::new();
    for e in journal {
        if e.stands && !e.stood {
            by_alarm.entry(&e.alarm).or_default().push(e.at);
        }
        if e.stands {
            standing.entry(&e.alarm).or_insert(e.at);
        } else {
            standing.remove(e.alarm.as_str());
        }
    }
    for (alarm, times) in by_alarm {
        let chatter = times.windows(3).filter(|w| w[2] - w[0] <= Duration::from_secs(60)).count();
        if chatter > 0 {
            f.chattering.insert(alarm.into(), chatter);
        }
    }
    f.standing = standing
        .iter()
        .filter(|(_, at)| span.saturating_sub(**at) > STANDING)
        .map(|(a, _)| (*a).into())
        .collect();
    f
}

/// Whether alarms come faster than a person can take them just now: from more than ten in
/// ten minutes until fewer than five.
#[derive(Clone, Debug, Default)]
pub struct Flood {
    raised: VecDeque<Mono>,
    on: bool,
}

impl Flood {
    /// One was raised.
    pub fn raised(&mut self, at: Mono) {
        self.raised.push_back(at);
        // More than a flood needs tells nothing new.
        if self.raised.len() > 4 * FLOOD {
            self.raised.pop_front();
        }
    }

    /// Whether it is one now.
    pub fn now(&mut self, at: Mono) -> bool {
        while self.raised.front().is_some_and(|t| at.since(*t) >= FLOOD_WINDOW) {
            self.raised.pop_front();
        }
        self.on = self.raised.len() > FLOOD || (self.on && self.raised.len() >= FLOOD_ENDS);
        self.on
    }
}

impl Figures {
    /// As text, each figure beside what it is compared with.
    pub fn text(&self) -> String {
        let chattering: Vec<_> = self.chattering.iter().map(|(a, n)| format!("{a} ({n} times)")).collect();
        let or_none = |list: Vec<String>| if list.is_empty() { "none".to_owned() } else { list.join(", ") };
        let share =
            |p: &str| 100.0 * *self.by_priority.get(p).unwrap_or(&0) as f64 / self.raised.max(1) as f64;
        format!(
            "alarms raised        {}\nper hour             {:.2}   (EEMUA 191: 6 steady, 15 peak; ISA-style target 6 to 12)\n\
             most in 10 min       {}   (EEMUA 191: more than 10 is a flood)\ntime in flood        {:.1} %\n\
             chattering           {}\nstanding over a day  {}\n\
             priorities           high {:.0} %, medium {:.0} %, low {:.0} %   (EEMUA 191: about 5, 15, 80)\n",
            self.raised,
            self.per_hour,
            self.most_in_ten_minutes,
            self.flood_share * 100.0,
            or_none(chattering),
            or_none(self.standing.clone()),
            share("high"),
            share("medium"),
            share("low"),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn raise(seconds: u64, alarm: &str) -> JournalEntry {
        JournalEntry {
            at: Duration::from_secs(seconds),
            alarm: alarm.into(),
            priority: "high".into(),
            stood: false,
            stands: true,
        }
    }

    fn clear(seconds: u64, alarm: &str) -> JournalEntry {
        JournalEntry { stood: true, stands: false, ..raise(seconds, alarm) }
    }

    #[test]
    fn six_in_an_hour_are_six_an_hour_and_no_flood() {
        let journal: Vec<_> = (0..6).map(|k| raise(k * 600, &format!("a{k}"))).collect();
        let f = figures(&journal, Duration::from_secs(3600));
        assert_eq!((f.raised, f.per_hour, f.most_in_ten_minutes, f.flood_share), (6, 6.0, 1, 0.0));
    }

    #[test]
    fn eleven_in_ten_minutes_are_a_flood() {
        let journal: Vec<_> = (0..11).map(|k| raise(k * 30, &format!("a{k}"))).collect();
        let f = figures(&journal, Duration::from_secs(3600));
        assert_eq!(f.most_in_ten_minutes, 11);
        assert!(f.flood_share > 0.1 && f.flood_share < 0.3, "{}", f.flood_share);
        assert_eq!(figures(&journal[..10], Duration::from_secs(3600)).flood_share, 0.0);
    }

    #[test]
    fn flood_begins_above_ten_and_lasts_until_fewer_than_five_are_left() {
        let mut flood = Flood::default();
        let at = |seconds: u64| Mono::from_millis(seconds * 1000 + 1);
        for k in 0..11 {
            assert!(!flood.now(at(k * 30)), "{k}");
            flood.raised(at(k * 30));
        }
        assert!(flood.now(at(301)));
        // Those raised at 180 s and later are five at 779 s, four at 781 s.
        assert!(flood.now(at(779)));
        assert!(!flood.now(at(781)));
        assert!(!flood.now(at(782)));
    }

    #[test]
    fn chatter_and_standing_are_named() {
        let journal = [
            raise(0, "a"),
            clear(5, "a"),
            raise(10, "a"),
            clear(15, "a"),
            raise(20, "a"),
            clear(25, "a"),
            raise(30, "b"),
        ];
        let f = figures(&journal, Duration::from_secs(3 * 24 * 3600));
        assert_eq!(f.chattering.keys().collect::<Vec<_>>(), ["a"]);
        assert_eq!(f.standing, ["b"]);
    }
}
