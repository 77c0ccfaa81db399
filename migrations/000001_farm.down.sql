SELECT pg_advisory_xact_lock(4715, 2);
DROP TABLE holds, plate_states, fittings, services, offset_changes, probes_skipped, probes, cleanings, first_layers,
    records, changes, acts, sessions, tokens, passwords, settings, instruments, shifts, jobs, people, materials, plates,
    screws, printers;
DROP FUNCTION check_first_layers(), check_probes(), check_cleanings(), check_records(), nothing_goes();
DROP TYPE event_code, check_code, instrument_code, subject_code, plate_state_code, work_code, skip_reason_code, extent_code,
    looked_because_code, outcome_code, decision_code, seen_from_code, underside_code, start_is_code, recorded_code,
    zero_from_code, side_code, yes_no, role_code, method_code, grade_code, surface_code;
DELETE FROM schema_done WHERE version = 1;
