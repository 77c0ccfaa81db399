-- The trail of who changed what can only grow, and tampering with it shows.
--
-- unsealed is the queue of acts that are not in the chain yet: an act's row comes
-- with the act, in its transaction, and goes when a seal takes the act in. A seal
-- covers some acts, in the order in which they were taken: digests holds 32 bytes
-- each, the SHA-256 of what the act recorded and changed (internal/store/audit.go
-- says how it is written down), and link is the SHA-256 of the seal before and of
-- all of this one. So a writer never waits for another, and one seal serves many.
--
-- People stand in the trail by their number ("#12"), whatever they are called;
-- what somebody was called stands in changed_names, outside the chain, so that a
-- leaver's name can go.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE seals (
    seq       bigint PRIMARY KEY CHECK (seq > 0),
    sealed_at timestamptz NOT NULL,
    acts      bigint[] NOT NULL CHECK (cardinality(acts) > 0),
    digests   bytea NOT NULL CHECK (octet_length(digests) = 32 * cardinality(acts)),
    link      bytea NOT NULL CHECK (octet_length(link) = 32)
);
CREATE TABLE unsealed (act bigint NOT NULL);
INSERT INTO unsealed SELECT id FROM acts ORDER BY id;

CREATE FUNCTION await_seal() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO unsealed (act) VALUES (NEW.id);
    RETURN NULL;
END $$;
CREATE TRIGGER await_seal AFTER INSERT ON acts FOR EACH ROW EXECUTE FUNCTION await_seal();

CREATE TABLE changed_names (
    act    bigint NOT NULL REFERENCES acts,
    person integer NOT NULL REFERENCES people,
    was    text,
    became text
);
CREATE INDEX changed_names_by_person ON changed_names (person, act);

INSERT INTO changed_names (act, person, was, became)
    SELECT c.act, p.id, c.was, c.became FROM changes c JOIN people p ON p.person = c.thing WHERE c.kind = 'person' AND c.field = 'name' ORDER BY c.id;
UPDATE changes c SET was = CASE WHEN was IS NOT NULL THEN '#name' END, became = CASE WHEN became IS NOT NULL THEN '#name' END
    WHERE c.kind = 'person' AND c.field = 'name';
UPDATE changes c SET was = '#' || p.id FROM people p
    WHERE c.field IN ('person', 'grader', 'noted_by', 'voided_by', 'released_by') AND p.person = c.was;
UPDATE changes c SET became = '#' || p.id FROM people p
    WHERE c.field IN ('person', 'grader', 'noted_by', 'voided_by', 'released_by') AND p.person = c.became;
UPDATE changes c SET thing = '#' || p.id FROM people p WHERE c.kind = 'person' AND p.person = c.thing;

-- nothing_goes refuses deleting already; now nothing in the trail is rewritten
-- either. A name may only go by the removal of a leaver, which says so.
CREATE FUNCTION nothing_is_rewritten() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE restrict_violation USING MESSAGE = format('%s: the trail is not rewritten', TG_TABLE_NAME);
END $$;
CREATE FUNCTION only_by_removal() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF coalesce(current_setting('basecourse.removal', true), '') <> 'on' THEN
        RAISE restrict_violation USING MESSAGE = format('%s: names go by the removal of a person only', TG_TABLE_NAME);
    END IF;
    RETURN NULL;
END $$;
DO $$
DECLARE t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['acts', 'changes', 'records', 'seals'] LOOP
        EXECUTE format('CREATE TRIGGER nothing_is_rewritten BEFORE UPDATE ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_is_rewritten()', t);
    END LOOP;
END $$;
CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON seals FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER only_by_removal BEFORE UPDATE OR DELETE OR TRUNCATE ON changed_names FOR EACH STATEMENT EXECUTE FUNCTION only_by_removal();

INSERT INTO schema_done (version) VALUES (17);
