//! What time and readings alone move: ramps, targets, contact, off seen.

use super::api::{Action, Event, RunState};
use super::controller::Controller;
use super::stage::{After, Contact, OFF_AGAIN, Stage};
use crate::process::{Confirm, Entry};
use crate::quantity::Reading;
use crate::watch::area;
use std::time::Duration;

/// After this long without seeing it off, the operator is sent to the supply.
const OFF_AT_MOST: Duration = Duration::from_secs(3);
/// The entry voltage does not stand for longer with nothing hung.
const HANG_AT_MOST: Duration = Duration::from_secs(1800);
/// At this share of the ramp the load's line is good enough to ask about the area.
const AREA_ASKED: f64 = 0.8;
/// Contact counts once current has flowed, or been gone, for this long.
const CONTACT: Duration = Duration::from_millis(500);

impl Controller {
    /// What time and readings alone move.
    pub(super) fn progress(&mut self, fresh: Option<&Reading>, since_last: Duration, out: &mut Vec<Action>) {
        let now = self.now;
        let max_gap = self.setup.max_gap;
        let count = self.setup.watches.amps_count;
        let Some(run) = &mut self.run else { return };
        if let Some(r) = fresh {
            run.flows = r.amps >= run.contact_amps(count);
            if run.flows && self.wire.on {
                run.flowed_at = Some(r.at);
            }
        }
        if matches!(run.stage, Stage::Waiting(_) | Stage::Climbing(_) | Stage::Steady | Stage::Turning(_))
            && self.wire.on
            && run.powered >= run.order.time_limit
        {
            self.end(RunState::Stopped, "the time limit was reached before the target", out);
            return;
        }
        match run.stage {
            Stage::Waiting(_) | Stage::Climbing(_) | Stage::Steady if run.reached(now, max_gap) => {
                self.face_done(out);
            }
            Stage::Waiting(_) if run.waited >= HANG_AT_MOST => {
                self.hold("nothing was hung for half an hour at the entry voltage", out);
            }
            Stage::Climbing(mut ramp) => {
                let Some(r) = fresh else { return };
                if self.wire.pending.is_some() {
                    return;
                }
                let current = run.holds_current();
                let in_force = if current { self.wire.amps.get() } else { self.wire.volts.get() };
                let refused = (in_force - ramp.at()).abs() > 1e-9;
                let rises = ramp.target() > in_force;
                if !refused && rises && !follows(r, in_force, ramp.target(), current, count.get()) {
                    // The supply stands at its other limit, or nothing makes contact: raising the
                    // setpoint now would strike the part with all of it when contact returns.
                    return;
                }
                let late = ramp.at() >= ramp.target() * AREA_ASKED;
                let next = if refused { Some(ramp.at()) } else { ramp.advance(since_last) };
                run.stage = Stage::Climbing(ramp);
                if let Some(x) = next {
                    self.set_held(x, out);
                }
                if late {
                    self.ask_area(out);
                }
            }
            Stage::Steady if fresh.is_some() => {
                self.ask_area(out);
                self.seek(out);
            }
            Stage::Sinking(mut ramp, until) => {
                if now >= until || (ramp.done() && self.wire.pending.is_none()) {
                    self.switch_off(After::Hold, out);
                } else if fresh.is_some() && self.wire.pending.is_none() {
                    let next = ramp.advance(since_last);
                    run.stage = Stage::Sinking(ramp, until);
                    if let Some(x) = next {
                        self.set_held(x, out);
                    }
                }
            }
            Stage::Waiting(since) => {
                let Some(r) = fresh else { return };
                if run.order.entry != Entry::OnContact {
                    return;
                }
                let flows = r.amps >= run.contact_amps(count);
                let since = flows.then(|| since.unwrap_or(now));
                run.stage = Stage::Waiting(since);
                if since.is_some_and(|t| now.since(t) >= CONTACT) {
                    out.push(Action::Record(Event::Note("contact: current flows, the ramp begins".into())));
                    self.climb(out);
                }
            }
            Stage::Turning(contact) if contact != Contact::Unwatched => {
                let Some(r) = fresh else { return };
                // Only at the low entry voltage, and only what was read since it stands.
                let low = self.wire.pending.is_none() && self.wire.changed.is_some_and(|t| r.at >= t);
                if !low {
                    return;
                }
                let by_contact = run.order.turn.is_some_and(|t| t.confirm == Confirm::Contact);
                let flows = r.amps >= run.contact_amps(count);
                let next = match (contact, flows) {
                    (Contact::Made(_), true) => Contact::Made(None),
                    (Contact::Made(None), false) => Contact::Made(Some(now)),
                    (Contact::Made(Some(t)), false) if now.since(t) >= CONTACT => Contact::Broken(None),
                    (Contact::Broken(_), false) => Contact::Broken(None),
                    (Contact::Broken(None), true) => Contact::Broken(Some(now)),
                    (same, _) => same,
                };
                let back = matches!(next, Contact::Broken(Some(t)) if now.since(t) >= CONTACT);
                run.stage = Stage::Turning(next);
                if by_contact && back {
                    out.push(Action::Record(Event::Note(
                        "contact broke and returned: the part was turned".into(),
                    )));
                    self.answered(out);
                }
            }
            Stage::SwitchingOff { after, since, sent, acknowledged } => {
                let seen_off = fresh.is_some_and(|r| {
                    acknowledged.is_some_and(|t| r.at >= t) && r.output != Some(true) && r.amps < count * 5.0
                });
                if seen_off {
                    self.is_off(true, out);
                } else if now.since(since) >= OFF_AT_MOST {
                    self.is_off(false, out);
                } else if now.since(sent) >= OFF_AGAIN {
                    run.stage = Stage::SwitchingOff { after, since, sent: now, acknowledged };
                    out.push(Action::Output(false));
                }
            }
            _ => {}
        }
    }
}

impl Controller {
    /// Once a run: does what hangs look like the area in the order? A note, never a stop.
    fn ask_area(&mut self, out: &mut Vec<Action>) {
        let line = self.panel.line();
        let Some(run) = self.run.as_mut().filter(|run| !run.area_judged) else { return };
        let Some(line) = line else { return };
        run.area_judged = true;
        let order = &run.order;
        run.area_question = area::question(line.slope, order.area.get(), order.parts, &order.like_slopes);
        if let Some(text) = &run.area_question {
            out.push(Action::Record(Event::Note(format!("is the area right? {text}"))));
        }
    }
}

/// Whether the supply delivers what it was told, near enough to ask for more. Low
/// setpoints are passed over: there the meter's counts and the cell's own
/// zero-current volts say nothing.
fn follows(r: &Reading, in_force: f64, target: f64, current: bool, count: f64) -> bool {
    if current {
        in_force < (target * 0.1).max(count * 10.0) || r.amps.get() >= in_force * 0.9 - 3.0 * count
    } else {
        r.volts.get() >= in_force * 0.9 - 0.05
    }
}
