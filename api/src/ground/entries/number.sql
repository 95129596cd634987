WITH fresh AS (
    SELECT id, row_number() OVER (ORDER BY id) AS nth
    FROM journal
    WHERE entry_no IS NULL
),
reached AS (
    SELECT coalesce(max(entry_no), 0) AS entry_no FROM journal
)
UPDATE journal SET entry_no = reached.entry_no + fresh.nth
FROM fresh, reached
WHERE journal.id = fresh.id
