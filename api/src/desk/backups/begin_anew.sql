-- From now on entry numbers belong to another journal, and transaction ids to another cluster.
BEGIN;
ALTER TABLE journal DISABLE TRIGGER journal_append_only;
UPDATE journal SET transaction_no = 0 WHERE transaction_no <> 0;
ALTER TABLE journal ENABLE TRIGGER journal_append_only;
UPDATE journal_identity SET journal_id = gen_random_uuid();
COMMIT;
