//! What readers see of a run.

use super::api::{Question, RunPhase, RunState};
use super::controller::Controller;
use super::stage::Run;
use crate::deposit;
use crate::plan::{Control, DepositForecast, Goal};
use crate::quantity::{Area, Charge, Length, Ratio};
use crate::watch::Margin;
use serde::Serialize;

/// The run as it stands, in plain numbers with the unit in the name; part of
/// the published snapshot.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct View {
    /// ISA-88 state.
    pub state: RunState,
    /// Phase within the powered step.
    pub phase: RunPhase,
    /// The run's id; kept after its end until the next start.
    pub run: Option<String>,
    /// Its title.
    pub title: Option<String>,
    /// Its tank.
    pub tank: Option<String>,
    /// Current setpoint in force.
    pub setpoint_amperes: f64,
    /// Voltage setpoint (ceiling) in force.
    pub ceiling_volts: f64,
    /// Whether we last commanded the output on.
    pub output_commanded: bool,
    /// The load's area.
    pub area_square_meters: f64,
    /// Current over area.
    pub density_amperes_per_square_meter: f64,
    /// Charge so far.
    pub charge_coulombs: f64,
    /// Charge to reach; `None` when the run ends by time.
    pub charge_target_coulombs: Option<f64>,
    /// Predicted mean thickness so far; `None` where the bath deposits nothing, and while the load is still to be hung.
    pub thickness_meters: Option<f64>,
    /// Time worked so far, turns and holds not counted.
    pub worked_seconds: f64,
    /// Time left by the clock, ramps counted and turns not (by volts: at the present current).
    pub left_seconds: Option<f64>,
    /// The same until a hand is needed: until the next turn, or the end.
    pub hand_seconds: Option<f64>,
    /// Commanded but unobserved time.
    pub unobserved_seconds: f64,
    /// Which face is at work, counted from 1, and of how many.
    pub face: Option<(u8, u8)>,
    /// What the run waits for.
    pub question: Option<Question>,
    /// Why it was held or ended: the first cause.
    pub cause: Option<String>,
    /// The watch that it is held for; `None` where it is not held, or by a person.
    pub held_for: Option<String>,
    /// What to do about that, until the run goes on or ends, whatever has become of the alarm meanwhile.
    pub held_remedy: Option<String>,
    /// Causes that came after the first.
    pub later_causes: Vec<String>,
    /// How far the edge is from burning: 1 is far, 0 is there. `None` when it cannot be told.
    pub burn_margin_ratio: Option<f64>,
    /// The margin whole: strand, band, minutes.
    pub burn_margin: Option<Margin>,
    /// Watches that cannot judge just now, and why.
    pub cannot_judge: Vec<CannotJudge>,
    /// Burn level in volts by the load's own line, where known.
    pub burn_level_volts: Option<f64>,
    /// What the ramp's volts make of the area entered, where they differ.
    pub area_question: Option<String>,
    /// Slope of the load's own line times the area entered, where the ramp gave one: what later
    /// like loads are compared with.
    pub load_slope_ohm_square_meters: Option<f64>,
}

/// A watch that cannot judge just now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CannotJudge {
    /// Which.
    pub watch: &'static str,
    /// Why not, in the operator's words.
    pub why: &'static str,
}

/// The view of a controller as it stands.
pub(super) fn build(c: &Controller) -> View {
    let mut view = View {
        setpoint_amperes: c.wire.amps.get(),
        ceiling_volts: c.wire.volts.get(),
        output_commanded: c.wire.on,
        ..View::default()
    };
    if let Some(margin) = c.panel.margin().filter(|_| c.busy()) {
        view.burn_margin_ratio = Some(margin.ratio);
        view.burn_level_volts = margin.burn_volts;
        view.burn_margin = Some(margin);
    }
    if let (Some(line), Some(run)) = (c.panel.line(), &c.run) {
        view.load_slope_ohm_square_meters = Some(line.slope * run.order.area.get());
    }
    view.cannot_judge = c
        .panel
        .cannot_judge(&c.context(None, None))
        .into_iter()
        .map(|(kind, why)| CannotJudge { watch: kind.name(), why })
        .collect();
    if let Some(run) = &c.run {
        fill(&mut view, run, c.last.map_or(0.0, |r| r.amps.get()));
    }
    view
}

fn fill(view: &mut View, run: &Run, amps: f64) {
    let order = &run.order;
    let charge = run.coulometer.charge().charge();
    view.state = run.state;
    view.phase = run.phase();
    view.run = Some(run.id.clone());
    view.title = Some(order.title.clone());
    view.tank = Some(order.tank.clone());
    view.area_square_meters = order.area.get();
    view.density_amperes_per_square_meter = if view.output_commanded { amps / order.area.get() } else { 0.0 };
    view.charge_coulombs = charge.get();
    view.worked_seconds = run.worked.as_secs_f64();
    view.unobserved_seconds = run.coulometer.unobserved().as_secs_f64();
    view.face = order.turn.map(|t| (run.face, t.faces));
    view.question = run.question.clone();
    view.cause = run.cause.clone();
    if let Some(kind) = run.held_for.filter(|_| run.state == RunState::Held) {
        view.held_for = Some(kind.name().into());
        view.held_remedy = Some(kind.remedy().into());
    }
    view.area_question.clone_from(&run.area_question);
    view.later_causes = run.later.clone();
    // Before the load is known to hang, what little flows in the entry is no deposit on it.
    let deposits = order.deposit.as_ref().filter(|_| run.question != Some(Question::HangPart));
    view.thickness_meters = deposits.and_then(|d| thickness(d, charge, order.area)).map(Length::get);
    match order.goal {
        Goal::Charge(target) => {
            let target = target.charge();
            view.charge_target_coulombs = Some(target.get());
            // In a ramp, a turn or a hold the present current says nothing of the time left: what it is to be does.
            let (top, slope) = match order.control {
                Control::Current { slope, .. } => (run.setpoint.get(), slope.get()),
                Control::Voltage { .. } => (amps, f64::INFINITY),
            };
            if top > 0.0 && run.open() && (view.output_commanded || run.holds_current()) {
                let from = if run.phase() == RunPhase::Ramp { amps.clamp(0.0, top) } else { top };
                let (face, faces) =
                    order.turn.map_or((1.0, 1.0), |t| (f64::from(run.face), f64::from(t.faces)));
                let each = target.get() / faces;
                let here = time_for((each * face - charge.get()).max(0.0), from, top, slope);
                view.hand_seconds = Some(here);
                view.left_seconds = Some(here + (faces - face).max(0.0) * time_for(each, 0.0, top, slope));
            }
        }
        Goal::Time(time) => {
            view.left_seconds = run.open().then(|| time.saturating_sub(run.worked).as_secs_f64());
            view.hand_seconds = view.left_seconds.map(|left| {
                let Some(turn) = order.turn else { return left };
                let faces = f64::from(turn.faces);
                let after = (faces - f64::from(run.face)).max(0.0) * time.as_secs_f64() / faces;
                (left - after).max(0.0)
            });
        }
    }
}

/// How long that charge takes (C; A; A; A/s; in s) when the current rises from `from` to `top` at `slope` and stays there.
fn time_for(charge: f64, from: f64, top: f64, slope: f64) -> f64 {
    let rise = (top - from) / slope;
    let risen = rise * (from + top) / 2.0;
    if charge >= risen {
        return rise + (charge - risen) / top;
    }
    // Before it is up: the time t with from t + slope t^2 / 2 = charge.
    ((from * from + 2.0 * slope * charge).sqrt() - from) / slope
}

/// Mean thickness by Faraday's law; `None` for a metal or an efficiency that `deposit` does not know.
fn thickness(forecast: &DepositForecast, charge: Charge, area: Area) -> Option<Length> {
    let metal = deposit::metal(&forecast.metal)?;
    let efficiency = deposit::Efficiency::new(Ratio::new(forecast.efficiency)).ok()?;
    Some(metal.thickness(charge, area, efficiency))
}

#[cfg(test)]
mod tests {
    use super::time_for;

    #[test]
    fn time_left_in_a_ramp_is_the_clocks_and_not_that_of_the_full_current() {
        // 0 to 6 A at 0.3 A/s: 20 s and 60 C; the other 60 C take 10 s.
        assert!((time_for(120.0, 0.0, 6.0, 0.3) - 30.0).abs() < 1e-9);
        // Ten seconds on: 3 A, 15 C have passed.
        assert!((time_for(105.0, 3.0, 6.0, 0.3) - 20.0).abs() < 1e-9);
        // It ends before the ramp does: 15 C.
        assert!((time_for(15.0, 0.0, 6.0, 0.3) - 10.0).abs() < 1e-9);
        assert!((time_for(60.0, 6.0, 6.0, 0.3) - 10.0).abs() < 1e-9);
        assert!((time_for(60.0, 6.0, 6.0, f64::INFINITY) - 10.0).abs() < 1e-9);
    }
}
