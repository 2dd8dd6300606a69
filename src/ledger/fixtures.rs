//! Rows that tests of several rooms begin with; each changes what it is about.

use super::{EventRow, JobStart, Row, RunRow};

/// A run of a minute that came to its end: nickel on six key cups.
pub(crate) fn run_row(id: &str) -> RunRow {
    RunRow {
        id: id.into(),
        station: "bench".into(),
        tank: "nickel".into(),
        title: "6 key cups".into(),
        started_by: "mila".into(),
        started: "2026-01-01T00:00:00.000Z".into(),
        ended: Some("2026-01-01T00:01:00.000Z".into()),
        state: "complete".into(),
        cause: Some("target reached".into()),
        charge_coulombs: 118.0,
        target_coulombs: None,
        unobserved_seconds: 0.0,
        worked_seconds: 59.0,
        area_square_meters: 0.01,
        parts: 6,
        metal: Some("Ni".into()),
        thickness_meters: Some(2e-6),
        continues: None,
        load_slope_ohm_square_meters: None,
        job: None,
        lot: None,
        customer: None,
        order_json: "{}".into(),
    }
}

/// A job that is about to begin.
pub(super) fn begun(id: &str) -> JobStart {
    JobStart {
        id: id.into(),
        station: "bench".into(),
        sheet: "nickel-on-copper-alloys".into(),
        title: "6 key cups".into(),
        base: "brass".into(),
        parts: 6,
        lot: Some("41".into()),
        customer: None,
        started_by: "mila".into(),
        started: "2026-01-01T00:00:00.000Z".into(),
        continues: None,
        plan_json: "{\"steps\":[]}".into(),
    }
}

/// Something said in that job.
pub(super) fn said(job: &str, kind: &str, text: &str) -> Row {
    Row::JobEvent {
        job: job.into(),
        event: EventRow {
            at: "2026-01-01T00:01:05.000Z".into(),
            monotonic_milliseconds: 5,
            station: "bench".into(),
            run: None,
            kind: kind.into(),
            text: text.into(),
        },
    }
}
