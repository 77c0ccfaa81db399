SELECT pg_advisory_xact_lock(4715, 2);
DROP TRIGGER nothing_is_rewritten ON acts;
DROP TRIGGER nothing_is_rewritten ON changes;
DROP TRIGGER nothing_is_rewritten ON records;
DROP TRIGGER await_seal ON acts;
UPDATE changes c SET was = n.was, became = n.became FROM changed_names n
    WHERE c.kind = 'person' AND c.field = 'name' AND c.act = n.act AND c.thing = '#' || n.person;
UPDATE changes c SET was = p.person FROM people p
    WHERE c.field IN ('person', 'grader', 'noted_by', 'voided_by', 'released_by') AND c.was = '#' || p.id;
UPDATE changes c SET became = p.person FROM people p
    WHERE c.field IN ('person', 'grader', 'noted_by', 'voided_by', 'released_by') AND c.became = '#' || p.id;
UPDATE changes c SET thing = p.person FROM people p WHERE c.kind = 'person' AND c.thing = '#' || p.id;
DROP TABLE changed_names, unsealed, seals;
DROP FUNCTION await_seal(), nothing_is_rewritten(), only_by_removal();
DELETE FROM schema_done WHERE version = 17;
