-- Signing in by a provider, and which programs may run on this schema.
--
-- sign_in_links says which account of a sign-in provider (its issuer and the subject
-- it gives) is which person; nothing else of that account is kept.
--
-- schema_oldest says how old a program may be, by its newest migration, to work on
-- this schema: whoever knows a lower one may not. A migration that only adds leaves
-- it; one that takes away or changes what older programs need raises it to its own
-- number, in its own transaction. So old and new programs can run side by side while
-- a farm is upgraded.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE sign_in_links (
    issuer    text NOT NULL CHECK (char_length(issuer) BETWEEN 1 AND 512),
    subject   text NOT NULL CHECK (char_length(subject) BETWEEN 1 AND 255),
    person    integer NOT NULL REFERENCES people,
    linked_at timestamptz NOT NULL,
    PRIMARY KEY (issuer, subject),
    UNIQUE (person, issuer)
);

CREATE TABLE schema_oldest (
    one     boolean PRIMARY KEY DEFAULT true CHECK (one),
    version integer NOT NULL
);
INSERT INTO schema_oldest (version) VALUES (33);

INSERT INTO schema_done (version) VALUES (33);
