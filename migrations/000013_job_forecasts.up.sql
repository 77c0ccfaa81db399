-- What was expected of a job's starts, frozen when a plan first had a place for each:
-- an event that is never rewritten. File 15 once made this table otherwise, and nothing
-- ever wrote to it: a database that has it so gets it anew.

SELECT pg_advisory_xact_lock(4715, 2);

DROP TABLE IF EXISTS job_forecasts;
DROP TYPE IF EXISTS forecast_made_code;

CREATE TABLE job_forecasts (
    id                uuid NOT NULL,
    at                timestamptz NOT NULL,
    noted_at          timestamptz NOT NULL,
    arrived_at        timestamptz NOT NULL,
    voided_at         timestamptz,
    void_arrived_at   timestamptz,
    expected_failures float8 NOT NULL CHECK (expected_failures >= 0),
    failures_low      float8 CHECK (failures_low >= 0),
    failures_high     float8 CHECK (failures_high >= 0),
    enough            float8 CHECK (enough BETWEEN 0 AND 1),
    expected_cost     float8 CHECK (expected_cost >= 0),
    cost_low          float8 CHECK (cost_low >= 0),
    cost_high         float8 CHECK (cost_high >= 0),
    doubt             float8 CHECK (doubt BETWEEN 0 AND 10),
    job               integer NOT NULL REFERENCES jobs,
    noted_by          integer REFERENCES people,
    voided_by         integer REFERENCES people,
    needed            smallint CHECK (needed BETWEEN 1 AND 30000),
    starts            smallint NOT NULL CHECK (starts BETWEEN 1 AND 30000),
    replaces          uuid,
    ref               text,
    chances           text NOT NULL,
    void_reason       text,
    replaces_ref      text,
    CONSTRAINT job_forecasts_failures CHECK (failures_low <= failures_high),
    CONSTRAINT job_forecasts_cost CHECK (cost_low <= cost_high),
    CONSTRAINT job_forecasts_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX job_forecasts_by_job ON job_forecasts (job, at);
CREATE INDEX job_forecasts_by_time ON job_forecasts (at, id);

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON job_forecasts FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON job_forecasts FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

INSERT INTO schema_done (version) VALUES (13);
