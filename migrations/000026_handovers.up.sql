-- What one shift handed over to the next, as the program wrote it then, with notes
-- and receipts by name.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE handover_entry_code AS ENUM ('note', 'receipt');
ALTER TYPE event_code ADD VALUE 'handover';
ALTER TYPE event_code ADD VALUE 'handover_entry';

CREATE TABLE handovers (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    shift_from      timestamptz,
    shift_to        timestamptz,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    says            text NOT NULL,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT handovers_shift CHECK (shift_to >= shift_from),
    CONSTRAINT handovers_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX handovers_by_time ON handovers (at, id);

CREATE TABLE handover_entries (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    what            handover_entry_code NOT NULL,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    handover        text, -- as its recorder wrote the id
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT handover_entries_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX handover_entries_by_time ON handover_entries (at);
CREATE INDEX handover_entries_by_handover ON handover_entries (handover) WHERE handover IS NOT NULL;

-- What was done about advice lately, over all printers and plates.
CREATE INDEX advice_done_by_time ON advice_done (at);

DO $$
DECLARE t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['handovers', 'handover_entries'] LOOP
        EXECUTE format('CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
        EXECUTE format('CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
    END LOOP;
END $$;

INSERT INTO schema_done (version) VALUES (26);
