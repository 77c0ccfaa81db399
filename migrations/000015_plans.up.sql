-- The crew's calendar, and the plan in force.
--
-- calendar_keys holds the SHA-256 of each person's secret address of the feed;
-- no row: there is none.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE calendar_keys (
    person  integer PRIMARY KEY REFERENCES people,
    hash    bytea NOT NULL UNIQUE CHECK (octet_length(hash) = 32),
    made_at timestamptz NOT NULL
);

-- The plan in force: one row at most. It follows from the records and may be lost;
-- people stand in it by number. Whoever plans holds it until claimed_until, so that
-- of many servers one plans at a time.
CREATE TABLE plan_in_force (
    one           boolean PRIMARY KEY DEFAULT true CHECK (one),
    as_of         timestamptz,
    confidence    float8,
    version_last  bigint NOT NULL DEFAULT 0,
    version_lot   bigint NOT NULL DEFAULT 0,
    took_ms       integer NOT NULL DEFAULT 0,
    claimed_until timestamptz,
    plan          jsonb
);

-- What became of tasks from one plan to the next, in words, for some days.
CREATE TABLE plan_changes (
    id   bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    at   timestamptz NOT NULL,
    what text NOT NULL
);
CREATE INDEX plan_changes_by_time ON plan_changes (at);

-- What was expected of a job is an event; its table is that of file 13.
ALTER TYPE event_code ADD VALUE 'job_forecast';

INSERT INTO schema_done (version) VALUES (15);
