DROP TABLE plans;
DROP TABLE job_needs;
ALTER TABLE jobs DROP COLUMN skill, DROP COLUMN fitter_id, DROP COLUMN work_place, DROP COLUMN days_away, DROP COLUMN parts_expected, DROP COLUMN chased_by;
DROP TABLE test_terms;
DROP TABLE inspector_visits;
DROP TABLE days_off;
DROP TABLE fitters;
ALTER TABLE firm DROP COLUMN benches, DROP COLUMN steaming_bays;
