-- Tankside's ledger, schema 1. Units are in the column names; times are RFC 3339 UTC text;
-- monotonic_milliseconds is the daemon's own clock, which no one can set.

CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

-- One row per run. Its charge is in tank_charge; the view run_charge joins the two.
CREATE TABLE run (
    id                          TEXT PRIMARY KEY,          -- UUIDv7: sorts by start
    station                     TEXT NOT NULL,
    tank                        TEXT NOT NULL,
    title                       TEXT NOT NULL,
    started_by                  TEXT NOT NULL,
    started_utc                 TEXT NOT NULL,
    ended_utc                   TEXT,
    state                       TEXT NOT NULL CHECK (state IN ('running', 'complete', 'stopped', 'aborted')),
    cause                       TEXT,                      -- the first cause of the end
    target_microcoulombs        INTEGER,
    area_square_meters          REAL NOT NULL,
    parts                       INTEGER NOT NULL,
    metal                       TEXT,
    thickness_meters_per_coulomb REAL,                     -- predicted mean deposit of this load
    continues                   TEXT REFERENCES run (id),  -- the run whose remainder this is
    order_json                  TEXT NOT NULL,
    CHECK ((state = 'running') = (ended_utc IS NULL))
) STRICT;
CREATE INDEX run_open ON run (state) WHERE state = 'running';

-- The stages of a run as they came.
CREATE TABLE run_step (
    run_id           TEXT NOT NULL REFERENCES run (id),
    number           INTEGER NOT NULL,
    began_utc        TEXT NOT NULL,
    began_milliseconds INTEGER NOT NULL,                   -- since the run's start
    state            TEXT NOT NULL,
    phase            TEXT NOT NULL,
    why              TEXT,
    PRIMARY KEY (run_id, number)
) STRICT, WITHOUT ROWID;

-- Readings, packed: one JSON array of integers per column, all of the same length.
-- `format` 1 is what the view `reading` unpacks.
CREATE TABLE reading_chunk (
    run_id                      TEXT NOT NULL REFERENCES run (id),
    number                      INTEGER NOT NULL,
    format                      INTEGER NOT NULL,
    readings                    INTEGER NOT NULL,          -- how many are in here
    milliseconds                TEXT NOT NULL,             -- since the run's start
    millivolts                  TEXT NOT NULL,
    tenth_milliamperes          TEXT NOT NULL,
    setpoint_tenth_milliamperes TEXT NOT NULL,
    PRIMARY KEY (run_id, number)
) STRICT;

-- What each tank worked in each run. The account of a tank is the sum of its rows.
CREATE TABLE tank_charge (
    run_id                  TEXT NOT NULL REFERENCES run (id),
    tank                    TEXT NOT NULL,
    charge_microcoulombs    INTEGER NOT NULL DEFAULT 0 CHECK (charge_microcoulombs >= 0),
    unobserved_milliseconds INTEGER NOT NULL DEFAULT 0 CHECK (unobserved_milliseconds >= 0),
    worked_milliseconds     INTEGER NOT NULL DEFAULT 0 CHECK (worked_milliseconds >= 0),
    updated_utc             TEXT NOT NULL,
    PRIMARY KEY (run_id, tank)
) STRICT, WITHOUT ROWID;
CREATE INDEX tank_charge_by_tank ON tank_charge (tank);

-- What falls due by charge or by time.
CREATE TABLE upkeep (
    tank                    TEXT NOT NULL,
    item                    TEXT NOT NULL,
    done_utc                TEXT NOT NULL,
    done_at_microcoulombs   INTEGER NOT NULL,              -- the tank's account when it was last done
    PRIMARY KEY (tank, item)
) STRICT, WITHOUT ROWID;

-- What a person put in.
CREATE TABLE addition (
    id                      INTEGER PRIMARY KEY AUTOINCREMENT,
    at_utc                  TEXT NOT NULL,
    tank                    TEXT NOT NULL,
    what                    TEXT NOT NULL,
    amount                  TEXT NOT NULL,                 -- as written, with its unit
    tank_microcoulombs      INTEGER NOT NULL,
    by                      TEXT NOT NULL,
    note                    TEXT
) STRICT;

CREATE TABLE alarm (
    id                      INTEGER PRIMARY KEY AUTOINCREMENT,
    at_utc                  TEXT NOT NULL,
    monotonic_milliseconds  INTEGER NOT NULL,
    station                 TEXT NOT NULL,
    run_id                  TEXT REFERENCES run (id),
    watch                   TEXT NOT NULL,
    from_state              TEXT NOT NULL,
    to_state                TEXT NOT NULL,
    priority                TEXT NOT NULL,
    text                    TEXT NOT NULL,
    by                      TEXT,
    note                    TEXT
) STRICT;

CREATE TABLE event (
    id                      INTEGER PRIMARY KEY AUTOINCREMENT,
    at_utc                  TEXT NOT NULL,
    monotonic_milliseconds  INTEGER NOT NULL,
    station                 TEXT NOT NULL,
    run_id                  TEXT REFERENCES run (id),
    kind                    TEXT NOT NULL,
    text                    TEXT NOT NULL
) STRICT;
CREATE INDEX event_by_run ON event (run_id);

-- Readings one by one, in plain units.
CREATE VIEW reading AS
SELECT c.run_id,
       t.value / 1000.0 AS seconds,
       json_extract(c.millivolts, '$[' || t.key || ']') / 1000.0 AS volts,
       json_extract(c.tenth_milliamperes, '$[' || t.key || ']') / 10000.0 AS amperes,
       json_extract(c.setpoint_tenth_milliamperes, '$[' || t.key || ']') / 10000.0 AS setpoint_amperes
FROM reading_chunk AS c, json_each(c.milliseconds) AS t
WHERE c.format = 1
ORDER BY c.run_id, c.number, t.key;

-- Runs with what they passed, in plain units.
CREATE VIEW run_charge AS
SELECT r.id, r.station, r.tank, r.title, r.started_utc, r.ended_utc, r.state, r.cause,
       c.charge_microcoulombs / 1000000.0 AS coulombs,
       c.charge_microcoulombs / 60000000.0 AS ampere_minutes,
       c.unobserved_milliseconds / 1000.0 AS unobserved_seconds,
       c.worked_milliseconds / 1000.0 AS worked_seconds,
       c.charge_microcoulombs / 1000000.0 * r.thickness_meters_per_coulomb * 1000000.0 AS thickness_micrometers
FROM run AS r JOIN tank_charge AS c ON c.run_id = r.id AND c.tank = r.tank;

-- The account of every tank.
CREATE VIEW tank AS
SELECT tank,
       SUM(charge_microcoulombs) AS charge_microcoulombs,
       SUM(charge_microcoulombs) / 3600000000.0 AS ampere_hours,
       SUM(unobserved_milliseconds) / 1000.0 AS unobserved_seconds,
       COUNT(*) AS runs
FROM tank_charge GROUP BY tank;
