-- Schema 8: what was found by measuring: baths analysed, Hull panels read, parts measured or weighed.

CREATE TABLE finding (
    id                      INTEGER PRIMARY KEY AUTOINCREMENT,
    at_utc                  TEXT NOT NULL,
    kind                    TEXT NOT NULL CHECK (kind IN ('analysis', 'panel', 'part')),
    tank                    TEXT NOT NULL,
    bath                    TEXT NOT NULL,
    run_id                  TEXT REFERENCES run (id),      -- of a part
    addition_id             INTEGER REFERENCES addition (id), -- what resets its upkeep; taken back with it
    tank_microcoulombs      INTEGER NOT NULL,
    entered                 TEXT NOT NULL,                 -- as a person wrote it
    figures_json            TEXT NOT NULL,                 -- what follows from it
    by                      TEXT NOT NULL,
    note                    TEXT,
    undone_utc              TEXT,
    undone_by               TEXT
) STRICT;
CREATE INDEX finding_by_tank ON finding (tank, kind, id);
CREATE INDEX finding_by_run ON finding (run_id) WHERE run_id IS NOT NULL;


-- Analyses one figure to a row; g/L, or pH.
CREATE VIEW analysis AS
SELECT f.id, f.at_utc, f.tank, f.bath, f.by, f.tank_microcoulombs / 3600000000.0 AS ampere_hours,
       t.value ->> 'what' AS what, t.value ->> 'value' AS value, t.value ->> 'unit' AS unit
FROM finding AS f, json_each(f.figures_json) AS t
WHERE f.kind = 'analysis' AND f.undone_utc IS NULL;
