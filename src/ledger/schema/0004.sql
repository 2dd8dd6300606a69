-- Schema 4: what a person put in can be taken back, and says so. What falls due is read from the
-- additions themselves; there is no second copy that could differ.

ALTER TABLE addition ADD COLUMN undone_utc TEXT;
ALTER TABLE addition ADD COLUMN undone_by TEXT;
CREATE INDEX addition_by_tank ON addition (tank, what, id);

-- Never written before this schema.
DROP TABLE upkeep;

-- When each thing was last done, and what the tank's account was then.
CREATE VIEW upkeep AS
SELECT tank, what AS item, at_utc AS done_utc, tank_microcoulombs AS done_at_microcoulombs
FROM addition AS a
WHERE id = (SELECT MAX(id) FROM addition AS b
            WHERE b.tank = a.tank AND b.what = a.what AND b.undone_utc IS NULL);
