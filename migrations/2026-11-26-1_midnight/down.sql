ALTER TABLE sales DROP COLUMN promised_on;
CREATE OR REPLACE FUNCTION journal_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND OLD.entry_no IS NULL AND NEW.entry_no IS NOT NULL
        AND (NEW.id, NEW.type, NEW.at, NEW.on_day, NEW.key_id, NEW.data) = (OLD.id, OLD.type, OLD.at, OLD.on_day, OLD.key_id, OLD.data)
        AND NEW.stock_no IS NOT DISTINCT FROM OLD.stock_no
    THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'the journal is append-only';
END $$;
COMMENT ON COLUMN journal.key_id IS NULL;
ALTER TABLE journal DISABLE TRIGGER journal_append_only;
DELETE FROM journal WHERE key_id IS NULL;
ALTER TABLE journal ENABLE TRIGGER journal_append_only;
ALTER TABLE journal ALTER COLUMN key_id SET NOT NULL;
DROP TABLE midnights;
