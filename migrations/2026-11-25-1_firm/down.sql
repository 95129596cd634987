DROP TABLE persons, idempotency_keys, journal, journal_identity, keys, firm;
DROP FUNCTION journal_is_append_only;
DROP EXTENSION btree_gist;
