-- What the lot had for a printer's next start, and the secret that keeps anybody from
-- telling it beforehand.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE drawn_task_code AS ENUM ('probe', 'wipe', 'swap_plate', 'turn_plate');
CREATE TYPE draw_arm_code AS ENUM ('do', 'leave');
ALTER TYPE event_code ADD VALUE 'draw';

CREATE TABLE draws (
    id              uuid NOT NULL,
    drawn_at        timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    chance          float8 NOT NULL CHECK (chance > 0 AND chance < 1),
    saves           float8,
    printer         integer NOT NULL REFERENCES printers,
    plate           integer REFERENCES plates,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    task            drawn_task_code NOT NULL,
    arm             draw_arm_code NOT NULL,
    replaces        uuid,
    ref             text,
    why             text NOT NULL,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT draws_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX draws_by_printer ON draws (printer, drawn_at);
CREATE INDEX draws_by_plate ON draws (plate, drawn_at) WHERE plate IS NOT NULL;
CREATE INDEX draws_by_test ON draws (why, drawn_at) WHERE why <> 'lot';

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON draws FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON draws FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

-- One row once a server has run. It is in backups and in no bundle.
CREATE TABLE lot_secret (
    one   boolean PRIMARY KEY DEFAULT true CHECK (one),
    value bytea NOT NULL CHECK (length(value) = 32)
);

INSERT INTO schema_done (version) VALUES (28);
