//! A run and the stage it is in: what is so, not what happens next.

use super::api::{Question, RunPhase, RunState};
use super::ramp::Ramp;
use super::seek::Seeking;
use crate::plan::{Control, Goal, Order};
use crate::quantity::{Amps, Coulometer, Microcoulombs, Mono, Reading};
use crate::watch::{BurnBasis, Kind, Phase};
use std::time::Duration;

/// Off is sent again this often until the supply is seen to be off.
pub(super) const OFF_AGAIN: Duration = Duration::from_millis(500);

/// An off that is heard of within this time went off about then; the exchange of a slow line takes half of it.
const LATE: Duration = Duration::from_millis(200);

/// What follows once the output is on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Then {
    Wait,
    Climb,
}

/// What follows once the output is seen to be off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum After {
    Hold,
    Turn,
    End(RunState),
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Stage {
    /// The shell brings the supply into a known state.
    Preparing(Then),
    /// Entry setpoints are being set, output still off.
    SettingEntry,
    SwitchingOn(Then),
    /// Entry voltage on; the part is being hung. Since when current flows.
    Waiting(Option<Mono>),
    Climbing(Ramp),
    Steady,
    /// Ramping down before a hold; until when at most.
    Sinking(Ramp, Mono),
    /// The part is being turned; with the entry voltage on, how far the contact's story has come.
    Turning(Contact),
    SwitchingOff {
        after: After,
        since: Mono,
        sent: Mono,
        acknowledged: Option<Mono>,
    },
    Held,
    Ended,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Contact {
    /// Output off, or contact not looked at.
    Unwatched,
    /// Still made, or gone since then for too short a time to count.
    Made(Option<Mono>),
    /// Seen to break; back since then, if it is back.
    Broken(Option<Mono>),
}

/// One run.
#[derive(Clone, Debug)]
pub(super) struct Run {
    pub id: String,
    pub order: Order,
    pub state: RunState,
    pub stage: Stage,
    pub coulometer: Coulometer,
    /// The face at work, from 1.
    pub face: u8,
    /// Time ramping or steady.
    pub worked: Duration,
    /// Time with the output on, entry not counted; what the time limit is about.
    pub powered: Duration,
    /// Time at the entry voltage with nothing hung.
    pub waited: Duration,
    /// Whether current flowed at the last reading.
    pub flows: bool,
    /// When it was started.
    pub began: Mono,
    /// When a reading last showed current, with the output on.
    pub flowed_at: Option<Mono>,
    pub question: Option<Question>,
    pub cause: Option<String>,
    pub later: Vec<String>,
    /// The watch that it is held for, until it goes on.
    pub held_for: Option<Kind>,
    pub refused: u32,
    /// The current this run holds; moves only while it seeks.
    pub setpoint: Amps,
    pub seeking: Seeking,
    /// Whether this load's slope has been compared with earlier ones.
    pub area_judged: bool,
    /// What was asked of the area.
    pub area_question: Option<String>,
}

impl Run {
    pub fn new(id: String, order: Order, max_gap: Duration, began: Mono) -> Self {
        Run {
            id,
            setpoint: order.control.max_amps(),
            seeking: Seeking::default(),
            area_judged: false,
            area_question: None,
            order,
            state: RunState::Running,
            stage: Stage::Ended,
            coulometer: Coulometer::new(max_gap),
            face: 1,
            worked: Duration::ZERO,
            powered: Duration::ZERO,
            waited: Duration::ZERO,
            flows: false,
            began,
            flowed_at: None,
            question: None,
            cause: None,
            later: Vec::new(),
            held_for: None,
            refused: 0,
        }
    }

    pub fn open(&self) -> bool {
        matches!(self.state, RunState::Running | RunState::Held)
    }

    /// The output has not been seen on yet in this stage of the run.
    pub fn not_yet_on(&self) -> bool {
        matches!(self.stage, Stage::Preparing(_) | Stage::SettingEntry | Stage::SwitchingOn(_))
    }

    /// Whether it can wait, held, for a supply that is lost: not if it is ending, nor if it has not begun.
    pub fn can_wait(&self) -> bool {
        let begun = !self.not_yet_on() || !(self.powered + self.waited).is_zero();
        begun && !matches!(self.stage, Stage::SwitchingOff { after: After::End(_), .. })
    }

    /// Whether the load hangs and no current is meant to plate it.
    pub fn waits(&self) -> bool {
        !matches!(
            self.stage,
            Stage::Waiting(_) | Stage::Climbing(_) | Stage::Steady | Stage::Sinking(..) | Stage::Ended
        )
    }

    /// Whether a person is being asked for something other than to resume.
    pub fn asks(&self) -> bool {
        matches!(self.question, Some(Question::HangPart | Question::TurnPart { .. }))
    }

    pub fn holds_current(&self) -> bool {
        matches!(self.order.control, Control::Current { .. })
    }

    /// What the burn margin is judged by.
    pub fn burn_basis(&self) -> Option<BurnBasis> {
        burn_basis(&self.order)
    }

    pub fn phase(&self) -> RunPhase {
        match &self.stage {
            Stage::Preparing(Then::Climb) | Stage::SwitchingOn(Then::Climb) if self.face > 1 => {
                RunPhase::Turn
            }
            Stage::Preparing(_) | Stage::SettingEntry | Stage::SwitchingOn(_) | Stage::Waiting(_) => {
                RunPhase::Entry
            }
            Stage::Climbing(_) | Stage::Sinking(..) => RunPhase::Ramp,
            Stage::Steady => RunPhase::Steady,
            Stage::Turning(_) => RunPhase::Turn,
            Stage::SwitchingOff { after: After::Turn, .. } => RunPhase::Turn,
            Stage::SwitchingOff { .. } | Stage::Held | Stage::Ended => RunPhase::Off,
        }
    }

    pub fn watch_phase(&self) -> Phase {
        match &self.stage {
            Stage::Waiting(_) | Stage::SwitchingOn(Then::Wait) => Phase::Entry,
            Stage::Climbing(_) | Stage::Sinking(..) | Stage::SwitchingOn(Then::Climb) => Phase::Ramp,
            Stage::Steady => Phase::Steady,
            Stage::Turning(_) => Phase::Turn,
            _ => Phase::Off,
        }
    }

    pub fn pass(&mut self, dt: Duration, on: bool) {
        if !on {
            return;
        }
        match self.stage {
            Stage::Climbing(_) | Stage::Steady | Stage::Sinking(..) => {
                self.worked += dt;
                self.powered += dt;
            }
            Stage::Turning(_) => self.powered += dt,
            // The entry counts once the part hangs: it is plated then, answered or not.
            Stage::Waiting(_) if self.flows => self.powered += dt,
            Stage::Waiting(_) => self.waited += dt,
            _ => {}
        }
    }

    pub fn measure(&mut self, r: &Reading) {
        match self.stage {
            Stage::Waiting(_)
            | Stage::Climbing(_)
            | Stage::Steady
            | Stage::Sinking(..)
            | Stage::SwitchingOn(_) => self.coulometer.measure(r.at, r.amps),
            Stage::SwitchingOff { since, acknowledged, .. } => {
                let before = self.coulometer.last_at().is_some_and(|at| at <= since);
                let fell = self.coulometer.last_amps().is_some_and(|a| r.amps < a * 0.5);
                // Off took, and no word of it came: it went off somewhere between the command and this reading.
                if acknowledged.is_none() && before && fell {
                    self.went_off(since, r.at);
                }
                self.coulometer.measure(r.at, r.amps);
            }
            Stage::Turning(contact) if contact != Contact::Unwatched => self.coulometer.measure(r.at, r.amps),
            _ => {}
        }
    }

    /// The output went off between the command and the first word of it. When that word came late, nobody saw what flowed
    /// until then: counted up to the command, then as not observed.
    pub fn went_off(&mut self, commanded: Mono, heard: Mono) {
        if heard.since(commanded) > LATE {
            self.coulometer.unobserved_from(commanded, heard);
        } else {
            self.coulometer.changed(heard);
        }
    }

    pub fn faces(&self) -> u8 {
        self.order.turn.map_or(1, |t| t.faces)
    }

    /// Charge at which the face at work has had its share.
    pub fn charge_mark(&self) -> Option<Microcoulombs> {
        match self.order.goal {
            Goal::Charge(q) => {
                let share = i128::from(q.0) * i128::from(self.face) / i128::from(self.faces());
                Some(Microcoulombs(i64::try_from(share).unwrap_or(q.0)))
            }
            Goal::Time(_) => None,
        }
    }

    /// Worked time at which the face at work has had its share.
    pub fn time_mark(&self) -> Option<Duration> {
        match self.order.goal {
            Goal::Time(t) => Some(t * u32::from(self.face) / u32::from(self.faces())),
            Goal::Charge(_) => None,
        }
    }

    pub fn reached(&self, now: Mono, max_gap: Duration) -> bool {
        if let Some(mark) = self.time_mark() {
            return self.worked >= mark;
        }
        // Ahead of the next reading only while the last one is fresh.
        let fresh = self.coulometer.last_at().is_some_and(|at| now.since(at) <= max_gap);
        let charge = if fresh { self.coulometer.projected(now) } else { self.coulometer.charge() };
        self.charge_mark().is_some_and(|mark| charge >= mark)
    }

    pub fn deadline(&self, now: Mono) -> Option<Mono> {
        let after = |left: Duration| now + left;
        match &self.stage {
            Stage::Climbing(_) | Stage::Steady | Stage::Waiting(_) => {
                let limit = after(self.order.time_limit.saturating_sub(self.powered));
                let goal = match self.time_mark() {
                    Some(mark) => Some(after(mark.saturating_sub(self.worked))),
                    None => self.charge_mark().and_then(|mark| self.coulometer.reaches(mark)),
                };
                Some(goal.map_or(limit, |goal| goal.min(limit)))
            }
            Stage::Sinking(_, until) => Some(*until),
            Stage::SwitchingOff { sent, .. } => Some(*sent + OFF_AGAIN),
            Stage::Turning(contact) if *contact != Contact::Unwatched => {
                Some(after(self.order.time_limit.saturating_sub(self.powered)))
            }
            _ => None,
        }
    }

    /// Below this no current flows as far as contact is concerned.
    pub fn contact_amps(&self, count: Amps) -> Amps {
        (count * 3.0).max(self.order.entry_amps * 0.03)
    }
}

/// What the burn margin of that order is judged by; `None` where nothing is known of its bath.
pub fn burn_basis(order: &Order) -> Option<BurnBasis> {
    order.burn.map(|burn| BurnBasis {
        density: burn.density,
        edge_factor: burn.edge_factor,
        agitation: burn.agitation,
        by_agitation: burn.by_agitation,
        temperature: burn.temperature,
        own_panel: burn.own_panel,
        area: order.area,
    })
}
