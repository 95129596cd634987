DROP INDEX jobs_boiler;
ALTER TABLE jobs DROP CONSTRAINT jobs_boiler_when_finished, DROP COLUMN boiler_id;
ALTER TABLE boiler_fittings
    DROP CONSTRAINT boiler_fittings_order_of_day,
    DROP CONSTRAINT boiler_fittings_taken_out,
    DROP COLUMN taken_out_at,
    DROP COLUMN fitted_at;
