ALTER TABLE persons DROP COLUMN erasure_id;
