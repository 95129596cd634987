ALTER TABLE jobs ADD COLUMN boiler_id bigint REFERENCES boilers;
CREATE INDEX jobs_boiler ON jobs (boiler_id) WHERE boiler_id IS NOT NULL;
COMMENT ON COLUMN jobs.boiler_id IS 'The boiler that was in the engine on the day the job was finished; NULL before, or without a boiler.';
UPDATE jobs SET boiler_id = f.boiler_id FROM boiler_fittings f
WHERE f.stock_no = jobs.stock_no AND f.fitted_on <= jobs.finished_on AND (f.taken_out_on IS NULL OR f.taken_out_on > jobs.finished_on);
