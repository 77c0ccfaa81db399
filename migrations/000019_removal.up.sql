-- A leaver's name and sign-in go after a set time; what they recorded stays, under
-- their number. removed_at is kept, so that a restore of an older backup can be
-- told to remove them again.

SELECT pg_advisory_xact_lock(4715, 2);

ALTER TABLE people ADD COLUMN remove_at timestamptz, ADD COLUMN removed_at timestamptz;
CREATE INDEX people_to_remove ON people (remove_at) WHERE remove_at IS NOT NULL;

INSERT INTO schema_done (version) VALUES (19);
