-- Schema 6: a job is one load taken through a process sheet. Its powered steps are ordinary runs.

CREATE TABLE job (
    id           TEXT PRIMARY KEY,                         -- UUIDv7: sorts by start
    station      TEXT NOT NULL,
    sheet        TEXT NOT NULL,
    title        TEXT NOT NULL,
    base         TEXT NOT NULL,                            -- the parts' own metal
    parts        INTEGER NOT NULL,
    lot          TEXT,
    customer     TEXT,                                     -- the customer's own reference
    started_by   TEXT NOT NULL,
    started_utc  TEXT NOT NULL,
    ended_utc    TEXT,
    state        TEXT NOT NULL CHECK (state IN ('running', 'complete', 'stopped', 'aborted')),
    cause        TEXT,                                     -- the first cause of the end
    continues    TEXT REFERENCES job (id),                 -- the job whose rest this is
    plan_json    TEXT NOT NULL,
    CHECK ((state = 'running') = (ended_utc IS NULL))
) STRICT;
CREATE INDEX job_open ON job (state) WHERE state = 'running';

-- The steps of a job as they came; one that was done twice has two rows.
CREATE TABLE job_step (
    job_id       TEXT NOT NULL REFERENCES job (id),
    number       INTEGER NOT NULL,                         -- as they came, from 1
    sheet_step   INTEGER NOT NULL,                         -- its place in the sheet, from 1
    name         TEXT NOT NULL,
    kind         TEXT NOT NULL CHECK (kind IN ('dip', 'powered', 'inspect', 'prompt')),
    tank         TEXT,
    began_utc    TEXT NOT NULL,
    ended_utc    TEXT,
    outcome      TEXT CHECK (outcome IN ('done', 'skipped', 'redone', 'failed')),
    reason       TEXT,
    by           TEXT,                                     -- who answered, skipped or sent it back
    run_id       TEXT,                                     -- its run, where it is powered
    PRIMARY KEY (job_id, number),
    CHECK (outcome <> 'skipped' OR (reason IS NOT NULL AND reason <> ''))
) STRICT, WITHOUT ROWID;

ALTER TABLE run ADD COLUMN job_id TEXT REFERENCES job (id);
ALTER TABLE run ADD COLUMN lot TEXT;
ALTER TABLE run ADD COLUMN customer TEXT;
CREATE INDEX run_by_job ON run (job_id) WHERE job_id IS NOT NULL;

-- Questions, answers and commands of a job; those of its runs have the run's id.
ALTER TABLE event ADD COLUMN job_id TEXT REFERENCES job (id);
CREATE INDEX event_by_job ON event (job_id) WHERE job_id IS NOT NULL;

-- What became of each step, with what its run passed.
CREATE VIEW job_progress AS
SELECT j.id AS job_id, j.title, j.sheet, j.lot, j.customer, j.state AS job_state,
       s.number, s.sheet_step, s.name, s.kind, s.tank, s.began_utc, s.ended_utc, s.outcome, s.reason, s.by, s.run_id,
       c.charge_microcoulombs / 60000000.0 AS ampere_minutes
FROM job AS j
JOIN job_step AS s ON s.job_id = j.id
LEFT JOIN tank_charge AS c ON c.run_id = s.run_id
ORDER BY j.id, s.number;
