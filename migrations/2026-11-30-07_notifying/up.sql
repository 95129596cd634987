CREATE TABLE webhooks (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    url text NOT NULL,
    types text[] NOT NULL,
    status text NOT NULL DEFAULT 'on' CONSTRAINT webhooks_status CHECK (status IN ('on', 'off')),
    switched_off_reason text CONSTRAINT webhooks_off_reason CHECK (switched_off_reason IN ('by_hand', 'gone', 'unanswered')),
    secret text NOT NULL,
    former_secret text,
    former_until timestamptz,
    queued_up_to bigint NOT NULL,
    CONSTRAINT webhooks_off CHECK ((status = 'off') = (switched_off_reason IS NOT NULL)),
    CONSTRAINT webhooks_former CHECK ((former_secret IS NULL) = (former_until IS NULL))
);
COMMENT ON TABLE webhooks IS 'Addresses that are notified of journal entries.';
COMMENT ON COLUMN webhooks.types IS 'Entry types to send: full (engine.sold) or prefix (engine). Empty: all.';
COMMENT ON COLUMN webhooks.secret IS 'whsec_ and 32 bytes in base64, which calls are signed with.';
COMMENT ON COLUMN webhooks.former_secret IS 'Also signs calls until former_until, after a rotation.';
COMMENT ON COLUMN webhooks.queued_up_to IS 'Last journal entry for which calls have been queued.';

CREATE TABLE webhook_calls (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    webhook_id bigint NOT NULL REFERENCES webhooks ON DELETE CASCADE,
    entry_no bigint,
    outcome text NOT NULL DEFAULT 'waiting' CONSTRAINT webhook_calls_outcome CHECK (outcome IN ('waiting', 'received', 'failed')),
    attempts integer NOT NULL DEFAULT 0,
    due_at timestamptz NOT NULL,
    last_at timestamptz,
    last_status integer,
    last_length bigint,
    last_error text,
    CONSTRAINT webhook_calls_once UNIQUE (webhook_id, entry_no)
);
CREATE INDEX webhook_calls_due ON webhook_calls (webhook_id, due_at) WHERE outcome = 'waiting';
CREATE INDEX webhook_calls_in_order ON webhook_calls (webhook_id, id);
COMMENT ON TABLE webhook_calls IS 'Calls to webhooks and their results.';
COMMENT ON COLUMN webhook_calls.entry_no IS 'NULL: a test call.';
COMMENT ON COLUMN webhook_calls.due_at IS 'Time of the next attempt; moved ahead during an attempt, so that no other process makes it too.';
COMMENT ON COLUMN webhook_calls.last_length IS 'Length of the last response in bytes; the response itself is not kept.';

CREATE TABLE public_answers (
    stock_no integer PRIMARY KEY REFERENCES engines,
    digest bytea NOT NULL
);
COMMENT ON TABLE public_answers IS 'Listed engines, as the journal last reported them to visitors.';
COMMENT ON COLUMN public_answers.digest IS 'SHA-256 of the public listing without its date.';
