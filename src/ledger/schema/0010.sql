-- Schema 10: what a tank worked by day and by part, and since each thing that was done to it.

-- What hung in a run. What rack and tips took is what the shares leave of 1.
CREATE TABLE run_part (
    run_id             TEXT NOT NULL REFERENCES run (id),
    number             INTEGER NOT NULL,                   -- in the order's order, from 1
    part               TEXT,                               -- the part number, where the order gave one
    kind               TEXT NOT NULL,                      -- its name, or its shape
    count              INTEGER NOT NULL,
    area_square_meters REAL NOT NULL,                      -- of all of them
    share              REAL NOT NULL CHECK (share BETWEEN 0 AND 1), -- of everything that takes current
    PRIMARY KEY (run_id, number)
) STRICT, WITHOUT ROWID;

-- Sums by tank and time come from the index alone.
DROP INDEX tank_charge_by_tank;
CREATE INDEX tank_charge_by_tank ON tank_charge (
    tank, updated_utc, charge_microcoulombs, unobserved_milliseconds, worked_milliseconds
);
CREATE INDEX run_by_tank ON run (tank, id) WHERE load_slope_ohm_square_meters > 0;
CREATE INDEX alarm_by_time ON alarm (at_utc);

-- The unobserved time of the tank's account then; NULL for what was logged before this schema.
ALTER TABLE addition ADD COLUMN tank_unobserved_milliseconds INTEGER;

-- What each tank worked by day (of this machine's time zone): a run counts whole on the day of its last charge.
CREATE VIEW tank_day AS
SELECT tank, date(updated_utc, 'localtime') AS day,
       SUM(charge_microcoulombs) / 3600000000.0 AS ampere_hours,
       SUM(unobserved_milliseconds) / 1000.0 AS unobserved_seconds,
       SUM(worked_milliseconds) / 1000.0 AS worked_seconds,
       COUNT(*) AS runs
FROM tank_charge GROUP BY tank, day;

-- By part: charge by share of the area. Time is that of the runs it hung in, whole.
CREATE VIEW tank_part AS
SELECT c.tank, p.part, p.kind,
       SUM(p.count) AS pieces,
       SUM(c.charge_microcoulombs * p.share) / 3600000000.0 AS ampere_hours,
       SUM(c.unobserved_milliseconds) / 1000.0 AS unobserved_seconds,
       SUM(c.worked_milliseconds) / 1000.0 AS worked_seconds,
       COUNT(*) AS runs
FROM tank_charge AS c JOIN run_part AS p ON p.run_id = c.run_id
GROUP BY c.tank, p.part, p.kind;
