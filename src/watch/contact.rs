//! A contact that comes and goes: away from the level and home again, several times.

use crate::quantity::Mono;
use std::collections::VecDeque;
use std::time::Duration;

/// Excursions within this time count together.
const WINDOW: Duration = Duration::from_secs(30);
/// So many of them are a bad contact.
const ENOUGH: usize = 3;
/// The volts must have been back at their level for this long before they can leave it
/// again: a hand at the work wavers, a bad contact is sound in between.
const HOME: Duration = Duration::from_millis(800);

/// Counts excursions; bounded.
#[derive(Clone, Debug, Default)]
pub(super) struct ContactWatch {
    away: bool,
    home_since: Option<Mono>,
    left: VecDeque<Mono>,
}

impl ContactWatch {
    /// One reading: well off the level, or at home. Between the two it is neither.
    pub fn take(&mut self, at: Mono, away: bool, home: bool) {
        self.forget(at);
        if away {
            if !self.away {
                self.left.push_back(at);
                if self.left.len() > 2 * ENOUGH {
                    self.left.pop_front();
                }
            }
            self.away = true;
            self.home_since = None;
        } else if home {
            let since = *self.home_since.get_or_insert(at);
            if at.since(since) >= HOME {
                self.away = false;
            }
        } else {
            self.home_since = None;
        }
    }

    /// The level has moved and what was away is home now, or judging starts anew.
    pub fn settle(&mut self) {
        self.away = false;
        self.home_since = None;
    }

    /// Whether lately it has come and gone often enough.
    pub fn bad(&self) -> bool {
        self.left.len() >= ENOUGH
    }

    fn forget(&mut self, at: Mono) {
        while self.left.front().is_some_and(|t| at.since(*t) > WINDOW) {
            self.left.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn play(away: impl Fn(u64) -> bool) -> bool {
        let mut watch = ContactWatch::default();
        (0..150).any(|k| {
            let away = away(k);
            watch.take(Mono::from_millis(1000 + k * 200), away, !away);
            watch.bad()
        })
    }

    #[test]
    fn a_hand_that_wavers_for_six_seconds_is_not_a_bad_contact() {
        assert!(!play(|k| (20..50).contains(&k) && k % 3 != 0));
    }

    #[test]
    fn a_contact_that_comes_and_goes_every_two_seconds_is() {
        assert!(play(|k| k % 10 < 2));
    }
}
