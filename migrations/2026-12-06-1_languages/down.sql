ALTER TABLE listings DROP COLUMN translations;
ALTER TABLE firm DROP COLUMN languages;
