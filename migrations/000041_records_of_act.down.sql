SELECT pg_advisory_xact_lock(4715, 2);

CREATE INDEX records_by_act ON records USING brin (act) WITH (pages_per_range = 8, autosummarize = on);

DELETE FROM schema_done WHERE version = 41;
