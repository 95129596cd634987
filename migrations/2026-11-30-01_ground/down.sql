DROP TABLE imports, midnights, idempotency_keys, journal, journal_identity, keys;
DROP FUNCTION journal_is_append_only, journal_is_heard;
DROP EXTENSION btree_gist;
