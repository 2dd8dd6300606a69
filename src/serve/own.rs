//! What the ledger has of a tank's own: its latest Hull panel while that counts, and the parts measured.

use crate::bath::PanelRecord;
use crate::config::Tank;
use crate::deposit::{PARTS_KEPT, Truth};
use crate::ledger::{AdditionRow, FindingKind, FindingRow, LedgerError, Reader, TankRow};
use crate::plan::{Own, OwnPanel, OwnPart, Since, UpkeepRule};
use crate::quantity::{Amps, Charge, Span};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// A panel counts this long where the tank has no rule `hull-panel`: common practice, no source.
const PANEL_DAYS: f64 = 30.0;
/// So many findings are looked through for parts that speak for the tank.
const LOOKED_AT: u32 = 100;

/// What is kept of a part measured.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) struct PartFigures {
    #[serde(flatten)]
    pub truth: Truth,
    /// Of the load it hung in: only like parts are compared.
    pub edge_factor: Option<f64>,
}

/// All of it; a ledger that cannot be read is said in a sentence of the worksheet.
pub fn own_of(ledger: &Reader, tank: &Tank) -> Own {
    read(ledger, tank).unwrap_or_else(|e| Own {
        panel_out: Some(format!("What was measured in tank {} cannot be read: {e}", tank.name)),
        ..Own::default()
    })
}

fn read(ledger: &Reader, tank: &Tank) -> Result<Own, LedgerError> {
    let panels = ledger.findings(&tank.name, FindingKind::Panel, LOOKED_AT)?;
    let parts = ledger.findings(&tank.name, FindingKind::Part, LOOKED_AT)?;
    let accounts = ledger.tanks()?;
    let rule = tank.upkeep.iter().find(|r| Some(r.name.as_str()) == FindingKind::Panel.rule());
    let mut own = Own::default();
    // What was in the tank before is another bath's.
    if let Some(row) = panels.iter().find(|row| row.bath == tank.bath) {
        match panel(row, rule, accounts.iter().find(|a| a.tank == tank.name), Timestamp::now()) {
            Ok(found) => own.panel = found,
            Err(out) => own.panel_out = Some(out),
        }
    }
    let figures = parts.iter().filter(|row| row.bath == tank.bath);
    let figures: Vec<(Option<&str>, PartFigures)> = figures
        .filter_map(|row| Some((row.run.as_deref(), serde_json::from_str(&row.figures_json).ok()?)))
        .collect();
    own.parts = own_parts(&figures);
    Ok(own)
}

/// Parts of a run that were weighed speak for its efficiency; readings of the same run then do not count once more.
fn own_parts(figures: &[(Option<&str>, PartFigures)]) -> Vec<OwnPart> {
    let by_weight = |f: &PartFigures| f.truth.efficiency_by.as_deref() == Some("weight");
    let weighed = |run: Option<&str>| figures.iter().any(|(r, f)| *r == run && by_weight(f));
    let part = |(run, f): &(Option<&str>, PartFigures)| {
        let counts = f.truth.efficiency_counts && (by_weight(f) || !weighed(*run));
        OwnPart {
            efficiency: f.truth.efficiency.filter(|_| counts).map(|e| e.get()),
            distribution: f.truth.distribution,
            edge_factor: f.edge_factor,
        }
    };
    let all = figures.iter().map(part).filter(|p| p.efficiency.is_some() || p.distribution.is_some());
    all.take(4 * PARTS_KEPT).collect()
}

/// The panel of that row, or why it does not count any more.
fn panel(
    row: &FindingRow,
    rule: Option<&UpkeepRule>,
    account: Option<&TankRow>,
    now: Timestamp,
) -> Result<Option<OwnPanel>, String> {
    let Ok(record) = serde_json::from_str::<PanelRecord>(&row.figures_json) else { return Ok(None) };
    let since = since(&row.at, row.tank_microcoulombs, account.map_or(0.0, |a| a.charge_coulombs), now);
    let day = row.at.split('T').next().unwrap_or_default();
    let (due, by) = match rule {
        Some(rule) => (rule.state(None, since, Amps::ZERO).due, "its upkeep rule"),
        None => {
            let days = since.time.map_or(f64::INFINITY, |t| t.get() / 86_400.0);
            (days / PANEL_DAYS, "30 days, as no upkeep rule hull-panel says otherwise")
        }
    };
    if due >= 1.0 {
        return Err(format!(
            "The Hull panel of {day} is out of date by {by} and does not count: run another and \
             enter it."
        ));
    }
    Ok(Some(OwnPanel { burn: record.burn, dull: record.dull, made: format!("{day} ({})", row.by) }))
}

/// What has passed since that time and account.
pub(super) fn since(at: &str, microcoulombs: i64, coulombs: f64, now: Timestamp) -> Since {
    // A clock that was set back makes no time negative.
    let time =
        at.parse::<Timestamp>().ok().map(|at| Span::new(now.duration_since(at).as_secs_f64().max(0.0)));
    Since { charge: Charge::new((coulombs - microcoulombs as f64 / 1e6).max(0.0)), time }
}

/// What has passed since an addition.
pub(super) fn since_addition(last: Option<&AdditionRow>, coulombs: f64, now: Timestamp) -> Since {
    match last {
        Some(row) => since(&row.at, row.tank_microcoulombs, coulombs, now),
        None => Since { charge: Charge::new(coulombs.max(0.0)), time: None },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Ratio;

    #[test]
    fn part_that_was_weighed_and_measured_counts_once() {
        let figures = |by: &str, share: f64| PartFigures {
            truth: Truth {
                efficiency: Some(Ratio::new(share)),
                efficiency_by: Some(by.into()),
                efficiency_counts: true,
                mean: None,
                least: None,
                distribution: (by == "readings").then_some(0.7),
                questions: Vec::new(),
            },
            edge_factor: Some(2.7),
        };
        let rows = [
            (Some("b"), figures("readings", 0.95)),
            (Some("a"), figures("readings", 0.97)),
            (Some("a"), figures("weight", 0.94)),
        ];
        let parts = own_parts(&rows);
        let shares: Vec<_> = parts.iter().filter_map(|p| p.efficiency).collect();
        assert_eq!(shares, [0.95, 0.94]);
        assert_eq!(parts.iter().filter(|p| p.distribution.is_some()).count(), 2, "both say how it spreads");
    }

    #[test]
    fn panel_counts_until_its_rule_is_due_and_thirty_days_without_one() {
        let record: PanelRecord = "267 mL 2 A 5 min, burnt to 12 mm".parse().unwrap();
        let row = FindingRow {
            id: 1,
            at: "2026-03-01T00:00:00.000Z".into(),
            kind: FindingKind::Panel,
            tank: "nickel".into(),
            bath: "watts-nickel".into(),
            run: None,
            tank_microcoulombs: 3_600_000_000,
            entered: String::new(),
            figures_json: serde_json::to_string(&record).unwrap(),
            by: "mila".into(),
            note: None,
            undone: None,
        };
        let account = |hours: f64| TankRow {
            tank: "nickel".into(),
            charge_coulombs: hours * 3600.0,
            charge_microcoulombs: 0,
            unobserved_seconds: 0.0,
            runs: 1,
        };
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let young = panel(&row, None, Some(&account(1.0)), at("2026-03-20T00:00:00Z")).unwrap().unwrap();
        assert_eq!((young.burn, young.made.as_str()), (record.burn, "2026-03-01 (mila)"));
        let old = panel(&row, None, Some(&account(1.0)), at("2026-04-02T00:00:00Z")).unwrap_err();
        assert!(old.contains("2026-03-01") && old.contains("out of date"), "{old}");
        let rule = UpkeepRule {
            name: "hull-panel".into(),
            every: Some("50 A.h".parse().unwrap()),
            or_every: None,
            dose: None,
            anode_metal: None,
        };
        let judged = |hours| panel(&row, Some(&rule), Some(&account(hours)), at("2027-04-02T00:00:00Z"));
        assert!(judged(40.0).unwrap().is_some() && judged(51.5).is_err(), "by charge, whatever the day");
    }
}
