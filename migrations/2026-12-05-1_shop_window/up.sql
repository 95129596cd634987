ALTER TABLE journal ADD COLUMN transaction_no bigint NOT NULL DEFAULT pg_current_xact_id()::text::bigint;
CREATE INDEX journal_transaction_no ON journal (transaction_no);
COMMENT ON COLUMN journal.transaction_no IS 'PostgreSQL''s id of the transaction that wrote it, for readers who ask what was committed since a snapshot. Not kept by dump and restore.';

CREATE FUNCTION journal_is_heard() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_notify('journal', '');
    RETURN NULL;
END $$;
COMMENT ON FUNCTION journal_is_heard IS 'Wakes who listens, at the commit; the entries themselves are read from the table.';
CREATE TRIGGER journal_heard AFTER INSERT ON journal FOR EACH STATEMENT EXECUTE FUNCTION journal_is_heard();

ALTER TABLE firm ADD COLUMN feed_id uuid NOT NULL DEFAULT gen_random_uuid();
COMMENT ON COLUMN firm.feed_id IS 'Of the Atom feed; the ids of its entries follow from it and never change.';
