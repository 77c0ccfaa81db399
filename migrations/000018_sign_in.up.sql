-- How a farm begins, and a second factor.
--
-- first_uses holds the SHA-256 of addresses, printed by servers of a farm where
-- nobody may sign in, by which the first admin is made; none is left afterwards.
--
-- A second factor is a time-based code (RFC 6238). The secret is needed in clear
-- to check a code, so it is in backups too, which are their owner's alone.
-- last_step is the last step of time whose code was taken: no code counts twice.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE first_uses (
    hash    bytea PRIMARY KEY CHECK (octet_length(hash) = 32),
    made_at timestamptz NOT NULL
);

CREATE TABLE second_factors (
    person       integer PRIMARY KEY REFERENCES people,
    secret       text NOT NULL,
    begun_at     timestamptz NOT NULL,
    confirmed_at timestamptz,
    last_step    bigint NOT NULL DEFAULT 0
);

-- Codes for the day the device is lost: SHA-256 of 80 random bits, once each.
CREATE TABLE recovery_codes (
    hash    bytea PRIMARY KEY CHECK (octet_length(hash) = 32),
    person  integer NOT NULL REFERENCES people,
    used_at timestamptz
);
CREATE INDEX recovery_codes_by_person ON recovery_codes (person);

INSERT INTO schema_done (version) VALUES (18);
