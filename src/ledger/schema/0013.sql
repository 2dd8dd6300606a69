-- Schema 13: what came to light after a run was sealed counts in every sum for people with a shell, on the day of its run.
CREATE VIEW late_unobserved AS
SELECT run_id, SUM(json_extract(content, '$.milliseconds')) AS milliseconds
FROM record WHERE kind = 'unobserved' GROUP BY run_id;

DROP VIEW run_charge;
CREATE VIEW run_charge AS
SELECT r.id, r.station, r.tank, r.title, r.started_utc, r.ended_utc, r.state, r.cause,
       c.charge_microcoulombs / 1000000.0 AS coulombs,
       c.charge_microcoulombs / 60000000.0 AS ampere_minutes,
       (c.unobserved_milliseconds + COALESCE(u.milliseconds, 0)) / 1000.0 AS unobserved_seconds,
       c.worked_milliseconds / 1000.0 AS worked_seconds,
       c.charge_microcoulombs / 1000000.0 * r.thickness_meters_per_coulomb * 1000000.0 AS thickness_micrometers
FROM run AS r JOIN tank_charge AS c ON c.run_id = r.id AND c.tank = r.tank
LEFT JOIN late_unobserved AS u ON u.run_id = r.id;

DROP VIEW tank;
CREATE VIEW tank AS
SELECT c.tank,
       SUM(c.charge_microcoulombs) AS charge_microcoulombs,
       SUM(c.charge_microcoulombs) / 3600000000.0 AS ampere_hours,
       SUM(c.unobserved_milliseconds + COALESCE(u.milliseconds, 0)) / 1000.0 AS unobserved_seconds,
       COUNT(*) AS runs
FROM tank_charge AS c LEFT JOIN late_unobserved AS u ON u.run_id = c.run_id
GROUP BY c.tank;

DROP VIEW tank_day;
CREATE VIEW tank_day AS
SELECT c.tank, date(c.updated_utc, 'localtime') AS day,
       SUM(c.charge_microcoulombs) / 3600000000.0 AS ampere_hours,
       SUM(c.unobserved_milliseconds + COALESCE(u.milliseconds, 0)) / 1000.0 AS unobserved_seconds,
       SUM(c.worked_milliseconds) / 1000.0 AS worked_seconds,
       COUNT(*) AS runs
FROM tank_charge AS c LEFT JOIN late_unobserved AS u ON u.run_id = c.run_id
GROUP BY c.tank, day;

DROP VIEW tank_part;
CREATE VIEW tank_part AS
SELECT c.tank, p.part, p.kind,
       SUM(p.count) AS pieces,
       SUM(c.charge_microcoulombs * p.share) / 3600000000.0 AS ampere_hours,
       SUM(c.unobserved_milliseconds + COALESCE(u.milliseconds, 0)) / 1000.0 AS unobserved_seconds,
       SUM(c.worked_milliseconds) / 1000.0 AS worked_seconds,
       COUNT(*) AS runs
FROM tank_charge AS c JOIN run_part AS p ON p.run_id = c.run_id
LEFT JOIN late_unobserved AS u ON u.run_id = c.run_id
GROUP BY c.tank, p.part, p.kind;
