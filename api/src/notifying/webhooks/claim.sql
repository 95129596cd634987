WITH due AS (
    SELECT webhook_calls.id
    FROM webhook_calls
    JOIN webhooks ON webhooks.id = webhook_calls.webhook_id
    WHERE webhook_id = $1 AND outcome = 'waiting' AND due_at <= $2 AND (status = 'on' OR entry_no IS NULL)
    ORDER BY due_at, webhook_calls.id
    LIMIT 8
    FOR UPDATE OF webhook_calls SKIP LOCKED
),
claimed AS (
    UPDATE webhook_calls SET due_at = $3, attempts = attempts + 1, last_at = $2
    FROM due
    WHERE webhook_calls.id = due.id
    RETURNING webhook_calls.id, entry_no, attempts, due_at
)
SELECT claimed.id, claimed.entry_no, claimed.attempts, journal.type, journal.at, journal.stock_no
FROM claimed
LEFT JOIN journal ON journal.entry_no = claimed.entry_no
ORDER BY claimed.id
