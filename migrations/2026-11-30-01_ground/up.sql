-- Needed by exclusion constraints that compare stock numbers or boiler ids together with ranges of days.
CREATE EXTENSION IF NOT EXISTS btree_gist;

CREATE TABLE keys (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name text NOT NULL,
    role text NOT NULL CONSTRAINT keys_role CHECK (role IN ('proprietor', 'fitter', 'seller', 'bookkeeper', 'website')),
    person text NOT NULL,
    secret_sha256 bytea NOT NULL,
    expires_on date,
    revoked boolean NOT NULL DEFAULT false,
    last_used_on date,
    ends_at timestamptz
);
CREATE UNIQUE INDEX keys_live_name ON keys (name) WHERE NOT revoked AND ends_at IS NULL;
COMMENT ON TABLE keys IS 'API keys and their roles, without the secrets.';
COMMENT ON COLUMN keys.expires_on IS 'The last day on which the key works; NULL: it does not expire.';
COMMENT ON COLUMN keys.ends_at IS 'When the key stops working after a rotation; NULL: it has not been rotated.';

CREATE TABLE journal_identity (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT journal_identity_one CHECK (one),
    journal_id uuid NOT NULL DEFAULT gen_random_uuid()
);
INSERT INTO journal_identity DEFAULT VALUES;
COMMENT ON TABLE journal_identity IS 'The id of the journal. It changes when a backup is restored, so that readers start again.';

CREATE TABLE journal (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    entry_no bigint CONSTRAINT journal_entry_no UNIQUE,
    type text NOT NULL,
    at timestamptz NOT NULL DEFAULT clock_timestamp(),
    on_day date NOT NULL,
    key_id bigint REFERENCES keys,
    stock_no integer,
    data jsonb NOT NULL,
    transaction_no bigint NOT NULL DEFAULT pg_current_xact_id()::text::bigint
);
CREATE INDEX journal_unnumbered ON journal (id) WHERE entry_no IS NULL;
CREATE INDEX journal_stock_no ON journal (stock_no, type) WHERE stock_no IS NOT NULL;
CREATE INDEX journal_closing_stock ON journal (id) WHERE type = 'closing_stock.created';
CREATE INDEX journal_transaction_no ON journal (transaction_no);
CREATE INDEX journal_public ON journal (entry_no) WHERE type IN ('public.shown', 'public.changed', 'public.removed');
COMMENT ON TABLE journal IS 'Everything that happened, append-only, written in the transaction of the change.';
COMMENT ON COLUMN journal.entry_no IS 'Number without gaps, given after commit by one sequencer; NULL until then.';
COMMENT ON COLUMN journal.on_day IS 'The firm''s date of the entry.';
COMMENT ON COLUMN journal.key_id IS 'The key that acted; NULL: the service itself.';
COMMENT ON COLUMN journal.stock_no IS 'The engine concerned; NULL: none.';
COMMENT ON COLUMN journal.data IS 'Ids and figures; never names or addresses of persons.';
COMMENT ON COLUMN journal.transaction_no IS 'PostgreSQL''s id of the transaction that wrote it, to find what was committed since a snapshot. Dump and restore do not keep it.';

CREATE FUNCTION journal_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND OLD.entry_no IS NULL AND NEW.entry_no IS NOT NULL
        AND (NEW.id, NEW.type, NEW.at, NEW.on_day, NEW.data) = (OLD.id, OLD.type, OLD.at, OLD.on_day, OLD.data)
        AND NEW.stock_no IS NOT DISTINCT FROM OLD.stock_no AND NEW.key_id IS NOT DISTINCT FROM OLD.key_id
    THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'the journal is append-only';
END $$;
CREATE TRIGGER journal_append_only BEFORE UPDATE OR DELETE ON journal FOR EACH ROW EXECUTE FUNCTION journal_is_append_only();

CREATE FUNCTION journal_is_heard() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_notify('journal', '');
    RETURN NULL;
END $$;
CREATE TRIGGER journal_heard AFTER INSERT ON journal FOR EACH STATEMENT EXECUTE FUNCTION journal_is_heard();
COMMENT ON FUNCTION journal_is_heard IS 'Wakes listeners at the commit; they read the entries from the table.';

CREATE TABLE idempotency_keys (
    key_id bigint NOT NULL REFERENCES keys,
    idempotency_key text NOT NULL,
    target text NOT NULL,
    body_sha256 bytea NOT NULL,
    location text NOT NULL,
    answer text,
    on_day date NOT NULL,
    PRIMARY KEY (key_id, idempotency_key)
);
CREATE INDEX idempotency_keys_on_day ON idempotency_keys (on_day);
COMMENT ON TABLE idempotency_keys IS 'Answers to POSTs with an Idempotency-Key, kept for 7 days.';
COMMENT ON COLUMN idempotency_keys.answer IS 'NULL: the answer had a secret.';

CREATE TABLE midnights (
    on_day date PRIMARY KEY,
    n_changed integer NOT NULL CONSTRAINT midnights_n_changed CHECK (n_changed >= 0)
);
COMMENT ON TABLE midnights IS 'Days of the firm that have been processed, each once: the transaction that adds the row of a day writes its entries.';
COMMENT ON COLUMN midnights.n_changed IS 'Number of engines with a gate that the day changed.';

CREATE TABLE imports (
    file_sha256 bytea PRIMARY KEY,
    on_day date NOT NULL,
    n_rows integer NOT NULL CONSTRAINT imports_n_rows CHECK (n_rows > 0)
);
COMMENT ON TABLE imports IS 'Digests of imported files, so that a file sent twice is noticed.';
