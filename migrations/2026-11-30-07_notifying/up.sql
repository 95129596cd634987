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
COMMENT ON TABLE webhooks IS 'Addresses that are told of what happens.';
COMMENT ON COLUMN webhooks.types IS 'Types of journal entries, whole or up to their point; none: all.';
COMMENT ON COLUMN webhooks.secret IS 'whsec_ and 32 bytes in base64, as calls are signed with it.';
COMMENT ON COLUMN webhooks.former_secret IS 'Signs too until former_until, after a rotation.';
COMMENT ON COLUMN webhooks.queued_up_to IS 'Entries up to this one have been made into calls.';

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
COMMENT ON TABLE webhook_calls IS 'What is to be told to whom, and what came of it.';
COMMENT ON COLUMN webhook_calls.entry_no IS 'NULL: a trial call.';
COMMENT ON COLUMN webhook_calls.due_at IS 'Of the next attempt; put further ahead while one is made, so that no other process makes it too.';
COMMENT ON COLUMN webhook_calls.last_length IS 'Of the answer, in bytes; the answer itself is not kept.';

CREATE TABLE public_answers (
    stock_no integer PRIMARY KEY REFERENCES engines,
    digest bytea NOT NULL
);
COMMENT ON TABLE public_answers IS 'The engines on show, as visitors were last told of them in the journal.';
COMMENT ON COLUMN public_answers.digest IS 'SHA-256 of the public answer without its own day.';
