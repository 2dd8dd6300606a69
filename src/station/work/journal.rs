//! Events of the run in the ledger's and the operator's words.

use crate::deposit::{self, Efficiency};
use crate::ledger::{AlarmRow, HungRow, RunStart};
use crate::plan::{Goal, Order};
use crate::quantity::{Charge, Mono, Ratio, Span};
use crate::run::Command;
use crate::run::guide::Reference;
use crate::watch::{AlarmChange, Handling};

/// The intent of a run.
pub(super) fn start(
    id: &str,
    station: &str,
    by: &str,
    at: String,
    order: &Order,
    whose: (Option<&str>, &Reference),
) -> RunStart {
    RunStart {
        id: id.into(),
        station: station.into(),
        tank: order.tank.clone(),
        title: order.title.clone(),
        started_by: by.into(),
        started: at,
        target: match order.goal {
            Goal::Charge(target) => Some(target),
            Goal::Time(_) => None,
        },
        area_square_meters: order.area.get(),
        parts: order.parts,
        metal: order.deposit.as_ref().map(|d| d.metal.clone()),
        thickness_meters_per_coulomb: thickness_per_coulomb(order),
        continues: None,
        hung: order
            .hung
            .iter()
            .map(|h| HungRow {
                number: h.number.clone(),
                kind: h.kind.clone(),
                count: h.count,
                area_square_meters: h.area.get(),
            })
            .collect(),
        // An order is plain numbers and names; if it could not be written as text, the rest of the row still tells.
        order_json: serde_json::to_string(order).unwrap_or_default(),
        job: whose.0.map(Into::into),
        lot: whose.1.lot.clone(),
        customer: whose.1.customer.clone(),
    }
}

fn thickness_per_coulomb(order: &Order) -> Option<f64> {
    let forecast = order.deposit.as_ref()?;
    let at = Efficiency::new(Ratio::new(forecast.efficiency)).ok()?;
    Some(deposit::metal(&forecast.metal)?.thickness(Charge::new(1.0), order.area, at).get())
}

/// A change of an alarm as a row.
pub(super) fn alarm(
    station: &str,
    run: Option<String>,
    at: String,
    mono: Mono,
    change: &AlarmChange,
) -> AlarmRow {
    AlarmRow {
        at,
        monotonic_milliseconds: millis(mono),
        station: station.into(),
        run,
        watch: change.alarm.kind.name().into(),
        from: change.from.name().into(),
        to: change.alarm.state.name().into(),
        priority: change.alarm.priority.name().into(),
        text: change.alarm.text.clone(),
        by: change.by.clone(),
        note: change.note.clone(),
    }
}

/// What the operator hears when a command was taken.
pub(super) fn taken(command: &Command) -> String {
    match command {
        Command::Start { id, .. } => format!("run {id} is started"),
        Command::Hold => "the run is being held: ramping down, then output off".into(),
        Command::Resume => "the run goes on: it ramps up again".into(),
        Command::Stop => "the run is being ended: output off".into(),
        Command::Abort | Command::Quit => "off was sent".into(),
        Command::Answer(_) => "the answer was taken".into(),
        Command::Alarm { kind, handling } => handled(kind.name(), handling),
    }
}

/// What the operator hears when an alarm was seen to.
pub(super) fn handled(alarm: &str, handling: &Handling) -> String {
    let done = match handling {
        Handling::Acknowledge { .. } => "acknowledged",
        Handling::Shelve { time: Some(time), .. } => {
            return format!("alarm {alarm} is shelved for {}", Span::from(*time));
        }
        Handling::Shelve { time: None, .. } => "shelved until its condition next goes, at most 8 h",
        Handling::Unshelve => "off the shelf",
        Handling::OutOfService { .. } => "out of service",
        Handling::InService => "in service again",
    };
    format!("alarm {alarm} is {done}")
}

/// For a column.
pub(super) fn millis(mono: Mono) -> i64 {
    i64::try_from(mono.nanos() / 1_000_000).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use crate::watch::AlarmState;

    #[test]
    fn alarm_states_have_the_names_that_the_api_gives_them() {
        for s in AlarmState::ALL {
            assert_eq!(serde_json::to_value(s).unwrap(), s.name());
            assert_eq!(AlarmState::named(s.name()), Some(s));
        }
    }
}
