-- A task of upkeep that was left out, and why. Probes left out have probes_skipped.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE upkeep_task_code AS ENUM ('swap_plate', 'wipe', 'wash', 'deep', 'coat', 'probe', 'soak', 'check');
ALTER TYPE event_code ADD VALUE 'task_skipped';

CREATE TABLE tasks_skipped (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    printer         integer NOT NULL REFERENCES printers,
    plate           integer REFERENCES plates,
    task            upkeep_task_code NOT NULL CHECK (task <> 'probe'),
    reason          skip_reason_code NOT NULL,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT tasks_skipped_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX tasks_skipped_by_printer ON tasks_skipped (printer, at);
CREATE INDEX tasks_skipped_by_plate ON tasks_skipped (plate, at) WHERE plate IS NOT NULL;

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON tasks_skipped FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON tasks_skipped FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

INSERT INTO schema_done (version) VALUES (14);
