-- Schema 2: what came of trying a station's supply on a load that the operator named.

CREATE TABLE commissioning (
    id               INTEGER PRIMARY KEY,
    station          TEXT NOT NULL,
    at_utc           TEXT NOT NULL,
    done_by          TEXT NOT NULL,
    identity         TEXT NOT NULL,                        -- what the supply says it is
    dialect          TEXT NOT NULL,
    passed           INTEGER NOT NULL CHECK (passed IN (0, 1)),
    off_milliseconds INTEGER NOT NULL,
    result_json      TEXT NOT NULL                         -- every point and verdict
) STRICT;
CREATE INDEX commissioning_station ON commissioning (station, id);
