ALTER TABLE payments DROP COLUMN acquisition_id;
ALTER TABLE acquisitions DROP COLUMN appraisal_id, DROP COLUMN sale_id;
