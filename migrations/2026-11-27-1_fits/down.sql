COMMENT ON COLUMN journal.key_id IS 'NULL: the passing of midnight, nobody acted.';
DROP TABLE appraisals;
ALTER TABLE valuations DROP COLUMN made_at;
ALTER TABLE valuations DROP CONSTRAINT valuations_fit;
UPDATE asking_prices SET valuation_id = NULL WHERE valuation_id IN (SELECT id FROM valuations WHERE fit_id IS NOT NULL);
DELETE FROM valuations WHERE fit_id IS NOT NULL;
ALTER TABLE valuations DROP COLUMN fit_id;
DROP TABLE fits;
