ALTER TABLE surveys ADD COLUMN asbestos text;
COMMENT ON COLUMN surveys.asbestos IS 'What the survey, or a laboratory for it, found of asbestos; NULL: it did not look.';
