-- Where the case about a finding stands, step by step, and tests planned for it, in which a
-- lot decides what is done before each start. With an advice that was done: how many
-- layers what is expected of its subject is worth, by which its proof is weighed.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE case_step_code AS ENUM ('suspected', 'on_test', 'upheld', 'not_upheld', 'closed');
CREATE TYPE tested_code AS ENUM ('probe', 'wipe', 'swap_plate', 'turn_plate');
CREATE TYPE test_end_code AS ENUM ('size', 'shown', 'other');
ALTER TYPE event_code ADD VALUE 'case_step';
ALTER TYPE event_code ADD VALUE 'planned_test';

CREATE TABLE case_steps (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    subject_kind    subject_code NOT NULL,
    printer         integer REFERENCES printers,
    plate           integer REFERENCES plates,
    cause           cause_code NOT NULL,
    step            case_step_code NOT NULL,
    state           evidence_code,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    test            text, -- as its recorder wrote the id
    reason          text NOT NULL,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT case_steps_subject CHECK ((subject_kind = 'printer') = (printer IS NOT NULL) AND (subject_kind = 'plate') = (plate IS NOT NULL)),
    CONSTRAINT case_steps_cause CHECK (subject_kind = 'printer' OR cause = 'cleaning_gap'),
    CONSTRAINT case_steps_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX case_steps_by_printer ON case_steps (printer, at) WHERE printer IS NOT NULL;
CREATE INDEX case_steps_by_plate ON case_steps (plate, at) WHERE plate IS NOT NULL;
CREATE INDEX case_steps_by_time ON case_steps (at);

CREATE TABLE planned_tests (
    id              uuid NOT NULL,
    begins_at       timestamptz NOT NULL,
    ended_at        timestamptz,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    share           float8 NOT NULL CHECK (share > 0 AND share < 1),
    fails_left      float8 NOT NULL CHECK (fails_left BETWEEN 0 AND 1),
    fails_done      float8 NOT NULL CHECK (fails_done BETWEEN 0 AND 1),
    power           float8 NOT NULL CHECK (power BETWEEN 0 AND 1),
    subject_kind    subject_code NOT NULL,
    printer         integer REFERENCES printers,
    plate           integer REFERENCES plates,
    starts          smallint NOT NULL CHECK (starts > 0),
    cause           cause_code NOT NULL,
    task            tested_code NOT NULL,
    end_is          test_end_code,
    person          integer REFERENCES people,
    ended_by        integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    filled_at       timestamptz,
    replaces        uuid,
    ref             text,
    reason          text NOT NULL,
    end_reason      text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT planned_tests_subject CHECK ((subject_kind = 'printer') = (printer IS NOT NULL) AND (subject_kind = 'plate') = (plate IS NOT NULL)),
    CONSTRAINT planned_tests_cause CHECK (subject_kind = 'printer' OR cause = 'cleaning_gap'),
    CONSTRAINT planned_tests_times CHECK (ended_at >= begins_at),
    CONSTRAINT planned_tests_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX planned_tests_by_printer ON planned_tests (printer, begins_at) WHERE printer IS NOT NULL;
CREATE INDEX planned_tests_by_plate ON planned_tests (plate, begins_at) WHERE plate IS NOT NULL;
CREATE INDEX planned_tests_running ON planned_tests (begins_at) WHERE ended_at IS NULL AND voided_at IS NULL;

ALTER TABLE advice_done ADD COLUMN expected_layers float8 CHECK (expected_layers > 0);

DO $$
DECLARE t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['case_steps', 'planned_tests'] LOOP
        EXECUTE format('CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
        EXECUTE format('CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
    END LOOP;
END $$;

INSERT INTO schema_done (version) VALUES (27);
