CREATE TABLE midnights (
    on_day date PRIMARY KEY,
    n_changed integer NOT NULL CONSTRAINT midnights_n_changed CHECK (n_changed >= 0)
);
COMMENT ON TABLE midnights IS 'Days of the firm that have begun, each once: the entries of a day are written in the transaction that adds its row.';
COMMENT ON COLUMN midnights.n_changed IS 'Engines whose answer at a gate the day changed.';

ALTER TABLE journal ALTER COLUMN key_id DROP NOT NULL;
COMMENT ON COLUMN journal.key_id IS 'NULL: the passing of midnight, nobody acted.';
CREATE OR REPLACE FUNCTION journal_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND OLD.entry_no IS NULL AND NEW.entry_no IS NOT NULL
        AND (NEW.id, NEW.type, NEW.at, NEW.on_day, NEW.data) = (OLD.id, OLD.type, OLD.at, OLD.on_day, OLD.data)
        AND NEW.stock_no IS NOT DISTINCT FROM OLD.stock_no AND NEW.key_id IS NOT DISTINCT FROM OLD.key_id
    THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'the journal is append-only';
END $$;

ALTER TABLE sales ADD COLUMN promised_on date CONSTRAINT sales_promised_on CHECK (promised_on >= on_day);
COMMENT ON COLUMN sales.promised_on IS 'The day promised to the buyer for the engine to leave; NULL: none was promised.';
