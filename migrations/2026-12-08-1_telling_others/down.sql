UPDATE keys SET revoked = true WHERE ends_at IS NOT NULL;
DROP INDEX keys_live_name;
ALTER TABLE keys DROP COLUMN ends_at;
CREATE UNIQUE INDEX keys_live_name ON keys (name) WHERE NOT revoked;

DROP INDEX journal_public;
DROP TABLE public_answers;
DROP TABLE webhook_calls;
DROP TABLE webhooks;
