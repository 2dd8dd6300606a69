//! What the volts were when last all was well: the level that a new start is judged against.
//!
//! Film and electrodes settle for some seconds after the current is reached, and until then no base can be learned.
//! What falls off meanwhile would be learned as normal. So the level is held against what is known already: the line of
//! the ramp just now, or the face before at the same current. Only a large change tells then, for the load settles too.
//!
//! Limits from simulated cells (96 faces each of two families and eight habits of a sound bench): from the line of the
//! ramp to the level of the first 25 s -2.5 to +3.7 % of the ohmic volts, from the first seconds on -0.9 to +2.2 %. A
//! real bath settles by more, hence the room.

use super::drift::Sample;
use crate::quantity::Mono;
use std::time::Duration;

/// Up and down from a level that was seen, and from the line of the ramp.
const SEEN: (f64, f64) = (0.08, -0.10);
const BY_LINE: (f64, f64) = (0.12, -0.15);
/// What is off for so long, and calm, or for [`MOST`] however calm, has changed.
const LEAST: Duration = Duration::from_secs(5);
const MOST: Duration = Duration::from_secs(12);
/// 10th to 90th percentile of five calm seconds.
const CALM: f64 = 0.03;
/// A level is no measure any more after so long a time without current: the bath has moved on.
const LASTS: Duration = Duration::from_secs(600);
/// Each degC of bath moves the volts by about so much (see `warmth`); what is left of it is allowed for.
const PER_DEGREE: f64 = 0.025;
/// Back at a level means within a third of the step, and within these.
const ROOM: (f64, f64) = (0.02, 0.06);

/// The volts at some time, relative as the drift watch has them.
#[derive(Clone, Copy, Debug)]
struct Level {
    x: f64,
    /// What was held: amperes, or volts in constant-voltage work.
    held: f64,
    fitted: bool,
    /// Seen, not taken from a line.
    seen: bool,
    at: Mono,
    celsius: Option<f64>,
}

impl Level {
    fn of(s: &Sample, x: f64) -> Level {
        Level {
            x,
            held: s.held,
            fitted: s.fitted,
            seen: true,
            at: s.at,
            celsius: s.temperature.map(|t| t.get()),
        }
    }

    /// Without a line only the very same current can be compared.
    fn compares(&self, s: &Sample) -> bool {
        let room = if self.fitted && s.fitted { 0.11 } else { 0.02 };
        self.fitted == s.fitted && (s.held - self.held).abs() <= room * self.held.abs()
    }
}

/// What a new start showed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Change {
    /// The level is another one, by so much.
    Step(f64),
    /// The level is back where it was before a step.
    Back,
}

/// The levels of one load. Bounded.
#[derive(Clone, Debug, Default)]
pub(super) struct Levels {
    known: Option<Level>,
    /// Something was known of this load before, so the line of its first ramp says nothing of now.
    begun: bool,
    /// The level before a step, and how near to it is back.
    before: Option<(Level, f64)>,
    /// Somebody has looked at that step: the next one counts anew.
    looked: bool,
    odd_since: Option<Mono>,
}

impl Levels {
    /// The level at which the volts stood when judging ended.
    pub fn keep(&mut self, s: &Sample, x: f64) {
        (self.known, self.begun) = (Some(Level::of(s, x)), true);
    }

    /// Judging starts anew.
    pub fn unsettle(&mut self) {
        self.odd_since = None;
    }

    /// The level differs from what is known, and it is not yet clear whether it stays.
    pub fn is_odd(&self) -> bool {
        self.odd_since.is_some()
    }

    /// Somebody has looked at the step.
    pub fn look(&mut self) {
        self.looked = true;
    }

    /// While the load settles: `x` and `spread` are those of the last seconds.
    pub fn judge(&mut self, s: &Sample, x: f64, spread: f64) -> Option<Change> {
        // Where the line is weak, its scale is no measure of what is ohmic.
        let share = s.scale / s.scale.max(0.5 * s.volts);
        let calm = spread * share < CALM;
        if calm && self.is_back(s, x) {
            (self.known, self.odd_since) = (Some(Level::of(s, x)), None);
            return Some(Change::Back);
        }
        let old = |k: &Level| s.at.since(k.at) > LASTS || !k.compares(s);
        if self.known.as_ref().is_some_and(old) {
            (self.known, self.odd_since) = (None, None);
        }
        let Some(known) = self.known else {
            let by_line = s.fitted && !self.begun;
            let first = if by_line { Level { seen: false, ..Level::of(s, 0.0) } } else { Level::of(s, x) };
            (self.known, self.begun) = (Some(first), true);
            return if by_line { self.judge(s, x, spread) } else { None };
        };
        let (up, down) = if known.seen { SEEN } else { BY_LINE };
        let warmer = known.celsius.zip(s.temperature).map_or(0.0, |(then, now)| (now.get() - then).abs());
        let room = PER_DEGREE * warmer;
        let d = (x - known.x) * share;
        if d <= up + room && d >= down - room {
            self.odd_since = None;
            if !known.seen {
                self.known = Some(Level::of(s, x));
            }
            return None;
        }
        let lasted = s.at.since(*self.odd_since.get_or_insert(s.at));
        if lasted < LEAST || !calm && lasted < MOST {
            return None;
        }
        self.odd_since = None;
        self.steps(known, x);
        self.known = Some(Level::of(s, x));
        Some(Change::Step(x - known.x))
    }

    /// While the load was settled the level has moved from `from` to `x`: back, or a step if it is `large`.
    pub fn moved(&mut self, s: &Sample, from: f64, x: f64, large: bool) -> Option<Change> {
        if (x - from).abs() > ROOM.0 && self.is_back(s, x) {
            return Some(Change::Back);
        }
        large.then(|| {
            self.steps(Level::of(s, from), x);
            Change::Step(x - from)
        })
    }

    fn steps(&mut self, from: Level, x: f64) {
        // What has fallen off after another is back only when both are.
        if self.before.is_none() || self.looked {
            self.before = Some((from, ((x - from.x).abs() / 3.0).clamp(ROOM.0, ROOM.1)));
            self.looked = false;
        }
    }

    fn is_back(&mut self, s: &Sample, x: f64) -> bool {
        self.before.take_if(|(level, room)| level.compares(s) && (x - level.x).abs() <= *room).is_some()
    }
}
