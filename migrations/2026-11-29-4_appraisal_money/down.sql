ALTER TABLE appraisals DROP COLUMN money;
