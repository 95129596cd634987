-- Which boiler a job touched follows from the fittings, which may be written down after the work.
ALTER TABLE jobs DROP COLUMN boiler_id;
