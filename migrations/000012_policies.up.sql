-- What the farm asks for of cleaning and probing, wherever it applies. A row is one
-- version of a policy: the policy of a name is its latest version that has begun,
-- and one that says so ends it. Beside what it asks for stands what it was expected
-- to change, worked out when it was made; so nothing here is ever rewritten.

SELECT pg_advisory_xact_lock(4715, 2);

ALTER TYPE event_code ADD VALUE 'policy';
CREATE TYPE ended_code AS ENUM ('yes');

CREATE TABLE policies (
    id                       uuid NOT NULL,
    in_force_from            timestamptz NOT NULL,
    noted_at                 timestamptz NOT NULL,
    arrived_at               timestamptz NOT NULL,
    voided_at                timestamptz,
    void_arrived_at          timestamptz,
    clean_hours              float8 CHECK (clean_hours > 0 AND clean_hours <= 8760),
    probe_hours              float8 CHECK (probe_hours > 0 AND probe_hours <= 8760),
    forecast_starts          float8 CHECK (forecast_starts >= 0),
    failures_was             float8 CHECK (failures_was >= 0),
    failures_expected        float8 CHECK (failures_expected >= 0),
    failures_saved           float8,
    failures_saved_low       float8,
    failures_saved_high      float8,
    wipes_was                float8 CHECK (wipes_was >= 0),
    wipes_expected           float8 CHECK (wipes_expected >= 0),
    washes_was               float8 CHECK (washes_was >= 0),
    washes_expected          float8 CHECK (washes_expected >= 0),
    probes_was               float8 CHECK (probes_was >= 0),
    probes_expected          float8 CHECK (probes_expected >= 0),
    person_minutes_was       float8 CHECK (person_minutes_was >= 0),
    person_minutes_expected  float8 CHECK (person_minutes_expected >= 0),
    machine_minutes_was      float8 CHECK (machine_minutes_was >= 0),
    machine_minutes_expected float8 CHECK (machine_minutes_expected >= 0),
    ended                    ended_code,
    surface                  surface_code,
    material                 integer REFERENCES materials,
    printer                  integer REFERENCES printers,
    plate                    integer REFERENCES plates,
    person                   integer REFERENCES people,
    noted_by                 integer REFERENCES people,
    voided_by                integer REFERENCES people,
    job_plates_from          smallint CHECK (job_plates_from BETWEEN 1 AND 30000),
    job_plates_to            smallint CHECK (job_plates_to BETWEEN 1 AND 30000),
    clean_prints             smallint CHECK (clean_prints BETWEEN 1 AND 1000),
    wash_prints              smallint CHECK (wash_prints BETWEEN 1 AND 10000),
    probe_starts             smallint CHECK (probe_starts BETWEEN 1 AND 1000),
    probe_after_swap         yes_no,
    probe_after_service      yes_no,
    probe_after_move         yes_no,
    probe_after_temperature  yes_no,
    replaces                 uuid,
    ref                      text,
    name                     text NOT NULL,
    reason                   text NOT NULL,
    void_reason              text,
    replaces_ref             text,
    CONSTRAINT policies_job CHECK (job_plates_to >= job_plates_from),
    CONSTRAINT policies_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX policies_by_name ON policies (name, in_force_from);

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON policies FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON policies FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

INSERT INTO schema_done (version) VALUES (12);
