ALTER TABLE persons DROP COLUMN erased_on;
