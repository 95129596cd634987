ALTER TABLE appraisals ADD COLUMN money jsonb;
COMMENT ON COLUMN appraisals.money IS 'What may be paid, as it was answered; NULL: it was not asked.';
