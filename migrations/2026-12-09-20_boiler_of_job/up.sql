ALTER TABLE boiler_fittings
    ADD COLUMN fitted_at text CONSTRAINT boiler_fittings_fitted_at CHECK (fitted_at ~ '^([01][0-9]|2[0-3]):[0-5][0-9]$'),
    ADD COLUMN taken_out_at text CONSTRAINT boiler_fittings_taken_out_at CHECK (taken_out_at ~ '^([01][0-9]|2[0-3]):[0-5][0-9]$'),
    ADD CONSTRAINT boiler_fittings_taken_out CHECK (taken_out_at IS NULL OR taken_out_on IS NOT NULL),
    ADD CONSTRAINT boiler_fittings_order_of_day CHECK (taken_out_on > fitted_on OR taken_out_at >= fitted_at);
COMMENT ON COLUMN boiler_fittings.fitted_at IS 'Time of day such as 15:00, where the order of a fitting and a job on one day matters.';
COMMENT ON COLUMN boiler_fittings.taken_out_at IS 'Time of day such as 15:00, where the order of a removal and a job on one day matters.';

ALTER TABLE jobs
    ADD COLUMN boiler_id bigint REFERENCES boilers,
    ADD CONSTRAINT jobs_boiler_when_finished CHECK (boiler_id IS NULL OR finished_on IS NOT NULL);
COMMENT ON COLUMN jobs.boiler_id IS 'The boiler that the finished job touched; moving boilers later changes nothing of it. NULL: none on record, or not finished.';
CREATE INDEX jobs_boiler ON jobs (boiler_id) WHERE boiler_id IS NOT NULL;

-- What the journal says was in the engine when the job was finished; where it says nothing, what was in it on that day by
-- what is recorded now: of two that were in it on that day the earlier, as the work was done while that one was in.
UPDATE jobs j
SET boiler_id = coalesce(
    (SELECT (e.data ->> 'boiler_id')::bigint FROM journal e
     WHERE e.type = 'job.finished' AND (e.data ->> 'job_id')::bigint = j.id
       AND EXISTS (SELECT FROM boilers b WHERE b.id = (e.data ->> 'boiler_id')::bigint)
     ORDER BY e.id DESC LIMIT 1),
    (SELECT f.boiler_id FROM boiler_fittings f
     WHERE f.stock_no = j.stock_no AND f.fitted_on <= j.finished_on
       AND (f.taken_out_on IS NULL OR f.taken_out_on >= j.finished_on)
     ORDER BY f.fitted_on, f.id LIMIT 1))
WHERE j.standing = 'finished';
