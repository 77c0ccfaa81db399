-- A farm that began with one great import has few acts in its records' statistics,
-- and the planner then reads all records to find those of one act, which the index
-- by ranges has at once. Said here, it takes an act for a small part of the records
-- whatever a sample shows.

SELECT pg_advisory_xact_lock(4715, 2);

ALTER TABLE records ALTER COLUMN act SET (n_distinct = -0.01);
ANALYZE records (act);

INSERT INTO schema_done (version) VALUES (34);
