-- What was done about an advice: done as it said, something else, or disagreed
-- with, each about one first layer. Done opens a proof: how many good layers show
-- that it held is fixed here, before they are printed.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE advice_answer_code AS ENUM ('done', 'something_else', 'disagreed');
CREATE TYPE advice_action_code AS ENUM ('let_run', 'nudge', 'stop', 'leave', 'swap_plate', 'wipe', 'wash', 'coat', 'soak', 'probe', 'tram',
    'move_nozzle', 'check_feed', 'dry_filament', 'turn_plate', 'set_plate_aside', 'investigate', 'print_coupon');
CREATE TYPE layer_cause_code AS ENUM ('nozzle_low', 'nozzle_high', 'bed_shape', 'tilt', 'plate_height', 'dirty_plate', 'plate_damage', 'over_bonding',
    'feed_low', 'feed_high', 'no_start', 'moisture', 'striping', 'bed_temperature', 'local_spot', 'none', 'cannot_tell');
ALTER TYPE event_code ADD VALUE 'advice_done';

CREATE TABLE advice_done (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    expected_rate   float8 CHECK (expected_rate BETWEEN 0 AND 1),
    subject_kind    subject_code NOT NULL,
    printer         integer REFERENCES printers,
    plate           integer REFERENCES plates,
    answer          advice_answer_code NOT NULL,
    action          advice_action_code NOT NULL,
    cause           layer_cause_code,
    good_needed     smallint CHECK (good_needed BETWEEN 1 AND 1000),
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    first_layer     text NOT NULL,
    record          text,
    reason          text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT advice_done_subject CHECK ((subject_kind = 'printer') = (printer IS NOT NULL) AND (subject_kind = 'plate') = (plate IS NOT NULL)),
    CONSTRAINT advice_done_reason CHECK (answer = 'done' OR reason IS NOT NULL),
    CONSTRAINT advice_done_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX advice_done_by_printer ON advice_done (printer, at) WHERE printer IS NOT NULL;
CREATE INDEX advice_done_by_plate ON advice_done (plate, at) WHERE plate IS NOT NULL;
CREATE INDEX advice_done_by_layer ON advice_done (first_layer);

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON advice_done FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON advice_done FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

-- What became of layers about which something was decided is counted from this
-- index alone.
CREATE INDEX first_layers_decided ON first_layers (started_at) INCLUDE (decision, outcome, marks)
    WHERE decision IS NOT NULL AND marks IS NOT NULL AND voided_at IS NULL;

INSERT INTO schema_done (version) VALUES (11);
