-- Tries to sign in that failed, so that guessing gets slower on every replica
-- alike. A row is one person's handle (known or not) or one sender's address;
-- a try counts before it is checked, so that many at once count too, and a
-- right password takes the count back.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE sign_in_tries (
    kind     text NOT NULL CHECK (kind IN ('handle', 'address')),
    key      text NOT NULL CHECK (char_length(key) BETWEEN 1 AND 128),
    failures integer NOT NULL CHECK (failures >= 0),
    last_at  timestamptz NOT NULL,
    next_at  timestamptz NOT NULL, -- no try is looked at before
    PRIMARY KEY (kind, key)
);
CREATE INDEX sign_in_tries_by_age ON sign_in_tries (last_at);

INSERT INTO schema_done (version) VALUES (2);
