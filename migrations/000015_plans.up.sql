-- The crew's calendar, the plan in force, and what was expected of jobs.
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

-- What was expected of a job: an event, frozen when its first plan was made and
-- again when it was closed.
CREATE TYPE forecast_made_code AS ENUM ('planned', 'closed');
ALTER TYPE event_code ADD VALUE 'job_forecast';

CREATE TABLE job_forecasts (
    id                uuid NOT NULL,
    at                timestamptz NOT NULL,
    noted_at          timestamptz NOT NULL,
    arrived_at        timestamptz NOT NULL,
    expected_failures float8 NOT NULL CHECK (expected_failures >= 0),
    failures_low      float8 CHECK (failures_low >= 0),
    failures_high     float8 CHECK (failures_high >= 0),
    enough            float8 CHECK (enough BETWEEN 0 AND 1),
    job               integer NOT NULL REFERENCES jobs,
    starts            integer NOT NULL CHECK (starts > 0),
    made              forecast_made_code NOT NULL,
    noted_by          integer REFERENCES people,
    voided_by         integer REFERENCES people,
    voided_at         timestamptz,
    void_arrived_at   timestamptz,
    replaces          uuid,
    ref               text,
    chances           text,
    void_reason       text,
    replaces_ref      text,
    CONSTRAINT job_forecasts_range CHECK (failures_low <= failures_high),
    CONSTRAINT job_forecasts_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX job_forecasts_by_job ON job_forecasts (job, at);

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON job_forecasts FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON job_forecasts FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

INSERT INTO schema_done (version) VALUES (15);
