-- Evidence sheets of findings as they were frozen, never rewritten, and those that were
-- asked for and are not written yet: at and known_at stand from then on, so that it does
-- not matter when one is worked out.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE sheet_because_code AS ENUM ('raised', 'asked');
ALTER TYPE event_code ADD VALUE 'evidence_sheet';

CREATE TABLE evidence_sheets (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    known_at        timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    subject_kind    subject_code NOT NULL,
    printer         integer REFERENCES printers,
    plate           integer REFERENCES plates,
    cause           cause_code NOT NULL,
    because         sheet_because_code NOT NULL,
    state           evidence_code NOT NULL,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    definitions     text NOT NULL,
    sheet           text NOT NULL,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT evidence_sheets_subject CHECK ((subject_kind = 'printer') = (printer IS NOT NULL) AND (subject_kind = 'plate') = (plate IS NOT NULL)),
    CONSTRAINT evidence_sheets_cause CHECK (subject_kind = 'printer' OR cause = 'cleaning_gap'),
    CONSTRAINT evidence_sheets_known CHECK (known_at >= at),
    CONSTRAINT evidence_sheets_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX evidence_sheets_by_printer ON evidence_sheets (printer, at) WHERE printer IS NOT NULL;
CREATE INDEX evidence_sheets_by_plate ON evidence_sheets (plate, at) WHERE plate IS NOT NULL;
CREATE INDEX evidence_sheets_by_id ON evidence_sheets (id);

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON evidence_sheets FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON evidence_sheets FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

CREATE TABLE sheets_wanted (
    id       uuid PRIMARY KEY,
    subject_kind subject_code NOT NULL,
    subject  text NOT NULL,
    cause    cause_code NOT NULL,
    at       timestamptz NOT NULL,
    known_at timestamptz NOT NULL,
    because  sheet_because_code NOT NULL,
    person   integer REFERENCES people,
    via      text NOT NULL,
    asked_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    taken_at timestamptz, -- by a server that works it out
    tries    smallint NOT NULL DEFAULT 0,
    failed   text -- why it is not tried again
);

INSERT INTO schema_done (version) VALUES (29);
