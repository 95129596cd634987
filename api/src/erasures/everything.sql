-- All that is held of the person $1, as the tables hold it: one row for each record, after ($2, $3) by name of table and id, $4
-- rows at most. Values are text as PostgreSQL writes them.
WITH sold AS (SELECT id, stock_no FROM sales WHERE person_id = $1),
    held AS (SELECT id FROM reservations WHERE person_id = $1),
    paid_in AS (SELECT id FROM deposits WHERE reservation_id IN (SELECT id FROM held)),
    records AS (
        SELECT 'persons' COLLATE "C" AS of_table, id, to_jsonb(t) AS record FROM persons t WHERE id = $1
        UNION ALL SELECT 'acquisitions', id, to_jsonb(t) FROM acquisitions t WHERE person_id = $1
        UNION ALL SELECT 'costs', id, to_jsonb(t) FROM costs t WHERE person_id = $1
        UNION ALL SELECT 'enquiries', id, to_jsonb(t) FROM enquiries t WHERE person_id = $1
        UNION ALL SELECT 'reservations', id, to_jsonb(t) FROM reservations t WHERE person_id = $1
        UNION ALL SELECT 'deposits', id, to_jsonb(t) FROM deposits t WHERE id IN (SELECT id FROM paid_in)
        UNION ALL SELECT 'deposit_returns', id, to_jsonb(t) FROM deposit_returns t WHERE deposit_id IN (SELECT id FROM paid_in)
        UNION ALL SELECT 'offers', id, to_jsonb(t) FROM offers t WHERE person_id = $1
        UNION ALL SELECT 'offer_answers', a.id, to_jsonb(a) FROM offer_answers a JOIN offers o ON o.id = a.offer_id WHERE o.person_id = $1
        UNION ALL SELECT 'promises', id, to_jsonb(t) FROM promises t WHERE person_id = $1
        UNION ALL SELECT 'sales', id, to_jsonb(t) FROM sales t WHERE person_id = $1
        UNION ALL SELECT 'payments', id, to_jsonb(t) FROM payments t WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT 'exports', id, to_jsonb(t) FROM exports t WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT 'deliveries', id, to_jsonb(t) FROM deliveries t WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT 'complaints', id, to_jsonb(t) FROM complaints t WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT 'support_notes', id, to_jsonb(t) FROM support_notes t WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT 'returns', id, to_jsonb(t) FROM returns t WHERE sale_id IN (SELECT id FROM sold)
        UNION ALL SELECT 'payouts', p.id, to_jsonb(p)
            FROM payouts p JOIN sales s ON s.id = p.sale_id JOIN acquisitions a ON a.stock_no = s.stock_no WHERE a.person_id = $1
        UNION ALL SELECT 'outgoing_payments', o.id, to_jsonb(o)
            FROM outgoing_payments o LEFT JOIN acquisitions a ON a.id = o.acquisition_id LEFT JOIN costs c ON c.id = o.cost_id
            WHERE a.person_id = $1 OR c.person_id = $1
    )
SELECT of_table, id, (SELECT jsonb_object_agg(key, value) FROM jsonb_each_text(record)) AS record
FROM records
WHERE (of_table, id) > ($2 COLLATE "C", $3)
ORDER BY of_table, id
LIMIT $4
