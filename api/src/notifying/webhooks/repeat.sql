WITH wanted AS (
    SELECT journal.entry_no
    FROM journal, webhooks
    WHERE webhooks.id = $1 AND journal.entry_no > $2 AND journal.entry_no <= webhooks.queued_up_to
        AND (types = '{}' OR journal.type = ANY (types) OR split_part(journal.type, '.', 1) = ANY (types))
    ORDER BY journal.entry_no
    LIMIT 10000
),
queued AS (
    INSERT INTO webhook_calls (webhook_id, entry_no, due_at)
    SELECT $1, entry_no, $3 FROM wanted
    ON CONFLICT (webhook_id, entry_no) DO UPDATE SET outcome = 'waiting', attempts = 0, due_at = $3
    RETURNING entry_no
)
SELECT count(*) AS calls, max(entry_no) AS last FROM queued
