CREATE EXTENSION IF NOT EXISTS btree_gist;

CREATE TABLE firm (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT firm_one CHECK (one),
    name text NOT NULL,
    currency text NOT NULL CONSTRAINT firm_currency CHECK (currency ~ '^[A-Z]{3}$'),
    time_zone text NOT NULL,
    jurisdiction text NOT NULL,
    page_url text
);
COMMENT ON TABLE firm IS 'The firm itself: one row.';
COMMENT ON COLUMN firm.currency IS 'ISO 4217; every amount of the database is in it.';
COMMENT ON COLUMN firm.time_zone IS 'IANA name; every civil day is a day of this zone.';
COMMENT ON COLUMN firm.jurisdiction IS 'Whose boiler codes and tax rules hold.';
COMMENT ON COLUMN firm.page_url IS 'RFC 6570 template of the page of an engine on the shop site; NULL without a site.';
INSERT INTO firm (name, currency, time_zone, jurisdiction) VALUES ('Unnamed works', 'GBP', 'Europe/London', 'GB');

CREATE TABLE keys (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name text NOT NULL,
    role text NOT NULL CONSTRAINT keys_role CHECK (role IN ('proprietor', 'fitter', 'seller', 'bookkeeper', 'website')),
    person text NOT NULL,
    secret_sha256 bytea NOT NULL,
    expires_on date,
    revoked boolean NOT NULL DEFAULT false,
    last_used_on date
);
CREATE UNIQUE INDEX keys_live_name ON keys (name) WHERE NOT revoked;
COMMENT ON TABLE keys IS 'Who may ask for what. The secret itself is not here.';
COMMENT ON COLUMN keys.expires_on IS 'The last day on which the key is taken; NULL: no end.';

CREATE TABLE journal_identity (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT journal_identity_one CHECK (one),
    journal_id uuid NOT NULL DEFAULT gen_random_uuid()
);
COMMENT ON TABLE journal_identity IS 'Changes when a backup is restored, so that readers of the journal begin anew.';
INSERT INTO journal_identity DEFAULT VALUES;

CREATE TABLE journal (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    entry_no bigint CONSTRAINT journal_entry_no UNIQUE,
    type text NOT NULL,
    at timestamptz NOT NULL DEFAULT clock_timestamp(),
    on_day date NOT NULL,
    key_id bigint NOT NULL REFERENCES keys,
    stock_no integer,
    data jsonb NOT NULL
);
CREATE INDEX journal_unnumbered ON journal (id) WHERE entry_no IS NULL;
COMMENT ON TABLE journal IS 'Everything that happened, append-only, written in the transaction of the change.';
COMMENT ON COLUMN journal.entry_no IS 'Dense number given after commit by one sequencer; NULL until then.';
COMMENT ON COLUMN journal.on_day IS 'The firm''s day of the entry.';
COMMENT ON COLUMN journal.stock_no IS 'The engine that it is about; NULL when about none.';
COMMENT ON COLUMN journal.data IS 'Ids and figures; never names or addresses of persons.';
CREATE FUNCTION journal_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND OLD.entry_no IS NULL AND NEW.entry_no IS NOT NULL
        AND (NEW.id, NEW.type, NEW.at, NEW.on_day, NEW.key_id, NEW.data) = (OLD.id, OLD.type, OLD.at, OLD.on_day, OLD.key_id, OLD.data)
        AND NEW.stock_no IS NOT DISTINCT FROM OLD.stock_no
    THEN
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'the journal is append-only';
END $$;
CREATE TRIGGER journal_append_only BEFORE UPDATE OR DELETE ON journal FOR EACH ROW EXECUTE FUNCTION journal_is_append_only();

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
COMMENT ON TABLE idempotency_keys IS 'Answers to POSTs that named an Idempotency-Key, kept for 7 days.';
COMMENT ON COLUMN idempotency_keys.answer IS 'NULL when the answer showed a secret.';

CREATE TABLE persons (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name text NOT NULL,
    email text,
    telephone text,
    address text
);
COMMENT ON TABLE persons IS 'Sellers, owners and buyers, once each, with the least that is needed; never public.';
