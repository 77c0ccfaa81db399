-- Somebody's word against a finding, with a reason. An event like the others:
-- it is voided to withdraw it, and goes out and in with the bundle.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE cause_code AS ENUM ('skipped_probing', 'cleaning_gap');
CREATE TYPE evidence_code AS ENUM ('raised', 'watching', 'quiet', 'too_little_data');
ALTER TYPE event_code ADD VALUE 'disagreement';

CREATE TABLE disagreements (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    subject_kind    subject_code NOT NULL,
    printer         integer REFERENCES printers,
    plate           integer REFERENCES plates,
    cause           cause_code NOT NULL,
    state           evidence_code,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    reason          text NOT NULL,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT disagreements_subject CHECK ((subject_kind = 'printer') = (printer IS NOT NULL) AND (subject_kind = 'plate') = (plate IS NOT NULL)),
    CONSTRAINT disagreements_cause CHECK (subject_kind = 'printer' OR cause = 'cleaning_gap'),
    CONSTRAINT disagreements_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX disagreements_by_printer ON disagreements (printer, at) WHERE printer IS NOT NULL;
CREATE INDEX disagreements_by_plate ON disagreements (plate, at) WHERE plate IS NOT NULL;
CREATE INDEX disagreements_in_force ON disagreements (at) WHERE voided_at IS NULL;

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON disagreements FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON disagreements FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

INSERT INTO schema_done (version) VALUES (7);
