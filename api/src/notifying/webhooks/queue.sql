WITH webhook AS (
    SELECT id, types, queued_up_to FROM webhooks WHERE id = $1 AND status = 'on' FOR UPDATE
),
fresh AS (
    SELECT journal.entry_no, journal.type
    FROM journal, webhook
    WHERE journal.entry_no > webhook.queued_up_to
        AND (SELECT count(*) FROM webhook_calls WHERE webhook_id = $1 AND outcome = 'waiting') < 1000
    ORDER BY journal.entry_no
    LIMIT 500
),
queued AS (
    INSERT INTO webhook_calls (webhook_id, entry_no, due_at)
    SELECT webhook.id, fresh.entry_no, $2
    FROM fresh, webhook
    WHERE webhook.types = '{}' OR fresh.type = ANY (webhook.types) OR split_part(fresh.type, '.', 1) = ANY (webhook.types)
    ORDER BY fresh.entry_no
    ON CONFLICT (webhook_id, entry_no) DO NOTHING
)
UPDATE webhooks SET queued_up_to = (SELECT max(entry_no) FROM fresh)
FROM webhook
WHERE webhooks.id = webhook.id AND EXISTS (SELECT FROM fresh)
