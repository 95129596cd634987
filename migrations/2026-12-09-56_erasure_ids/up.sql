ALTER TABLE persons ADD COLUMN erasure_id uuid NOT NULL DEFAULT gen_random_uuid() CONSTRAINT persons_erasure_id UNIQUE;
COMMENT ON COLUMN persons.erasure_id IS 'Names the person in the list of erasures that lies outside of the database. Ids of persons are given again after a restore, these are not.';
